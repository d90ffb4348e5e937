package root

// Escape makes a foreign text fit for a screen: what would move a cursor,
// change a direction or show nothing is written out, and at most limit
// characters are kept.
func Escape(s string, limit int) string { return Safe(s, limit) }
