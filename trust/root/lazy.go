package root

import (
	"regexp"
	"sync"
)

// lazy compiles an expression when it is first asked for. Most runs look at a
// store's files and need none of them; compiling all at the start took a good
// part of a short run's time.
func lazy(expr string) func() *regexp.Regexp {
	return sync.OnceValue(func() *regexp.Regexp { return regexp.MustCompile(expr) })
}
