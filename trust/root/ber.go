package root

import "fmt"

// maxDepth bounds how deep BER may be nested.
const maxDepth = 16

// head is the beginning of one BER element (X.690 8.1).
type head struct {
	tag        byte // the whole identifier octet
	size       int  // of identifier and length
	length     int  // of the content; -1 for the indefinite form
	indefinite bool
}

// readHead reads the identifier and length of an element without asking that
// the content is there. Tags above 30 are not used where this is needed.
func readHead(b []byte) (head, bool) {
	if len(b) < 2 || b[0]&0x1f == 0x1f {
		return head{}, false
	}
	h := head{tag: b[0], size: 2, length: int(b[1])}
	switch {
	case b[1] < 0x80:
		return h, true
	case b[1] == 0x80:
		h.length, h.indefinite = -1, true
		return h, b[0]&0x20 != 0
	}
	n := int(b[1] & 0x7f)
	if n > 4 || len(b) < 2+n {
		return head{}, false
	}
	h.size, h.length = 2+n, 0
	for _, c := range b[2 : 2+n] {
		h.length = h.length<<8 | int(c)
	}
	return h, true
}

// definite rewrites an element in which lengths are indefinite (X.690 8.1.3.6)
// with definite ones. Elements of definite length within are copied as they
// are, so that a certificate keeps its bytes. It returns what follows the
// element, too.
func definite(b []byte, depth int) (out, rest []byte, err error) {
	h, ok := readHead(b)
	if !ok || depth > maxDepth {
		return nil, nil, fmt.Errorf("the BER cannot be followed")
	}
	if !h.indefinite {
		if h.length > len(b)-h.size {
			return nil, nil, fmt.Errorf("it ends in the middle of an element")
		}
		end := h.size + h.length
		return b[:end], b[end:], nil
	}
	var content []byte
	for b = b[h.size:]; ; {
		if len(b) >= 2 && b[0] == 0 && b[1] == 0 {
			return append(header(h.tag, len(content)), content...), b[2:], nil
		}
		var one []byte
		if one, b, err = definite(b, depth+1); err != nil {
			return nil, nil, err
		}
		content = append(content, one...)
	}
}

// header writes identifier and length in DER.
func header(tag byte, n int) []byte {
	if n < 0x80 {
		return []byte{tag, byte(n)}
	}
	var l []byte
	for ; n > 0; n >>= 8 {
		l = append([]byte{byte(n)}, l...)
	}
	return append([]byte{tag, 0x80 | byte(len(l))}, l...)
}
