package host

import "bytes"

// bounded keeps the first bytes and swallows the rest, so that a talkative
// program does not stall. The buffer is no embedded one: its ReadFrom would go
// past the bound.
type bounded struct {
	buf   bytes.Buffer
	limit int64
	over  bool
}

func (b *bounded) Write(p []byte) (int, error) {
	keep := min(int64(len(p)), b.limit-int64(b.buf.Len()))
	b.buf.Write(p[:keep])
	if keep < int64(len(p)) {
		b.over = true
	}
	return len(p), nil
}
