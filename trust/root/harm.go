package root

// harms says by fault code which readers lose what, as measured on Debian 12.
var harms = map[string]string{}
