package native

import "sync"

// both runs two independent readings side by side.
func both(a, b func()) {
	var wg sync.WaitGroup
	wg.Go(b)
	a()
	wg.Wait()
}

// workers is how many readings of small files run at once: two fill two cores,
// more gain nothing that was measured.
const workers = 2

// each calls f for 0 to n-1, in no order.
func each(n int, f func(i int)) { eachBy(n, func(_, i int) { f(i) }) }

// eachBy tells f by which worker it is called, for what workers must not share.
func eachBy(n int, f func(worker, i int)) {
	var wg sync.WaitGroup
	for w := range workers {
		wg.Go(func() {
			for i := w; i < n; i += workers {
				f(w, i)
			}
		})
	}
	wg.Wait()
}
