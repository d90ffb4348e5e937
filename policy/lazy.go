package policy

import (
	"regexp"
	"sync"
)

// lazy compiles an expression when it is first asked for: hosts need hardly any
// of them, and the long ones take as long as opening a small policy.
func lazy(expr string) func() *regexp.Regexp {
	return sync.OnceValue(func() *regexp.Regexp { return regexp.MustCompile(expr) })
}
