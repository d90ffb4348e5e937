package source

import (
	"crypto/sha256"
	"encoding/binary"
	"fmt"
	"math"
	"net/http"
	"testing"
	"time"
)

// A hundred thousand hosts that ask within an hour stay below the mean by the
// second plus 4.9 of its square root in any second: what chance leaves of an
// even spread. Asking at the full hour, all of them would come in one.
func TestPhaseSpreadsAFleet(t *testing.T) {
	const hosts = 100_000
	seconds := make([]int, int(DefaultEvery/time.Second))
	for i := range hosts {
		id := fmt.Sprintf("%x", sha256.Sum256(fmt.Appendf(nil, "host %d", i)))[:32]
		p := Phase(id, "harbour", DefaultEvery)
		if p < 0 || p >= DefaultEvery {
			t.Fatalf("phase %s", p)
		}
		seconds[p/time.Second]++
	}
	mean := float64(hosts) / float64(len(seconds))
	peak := 0
	for _, n := range seconds {
		peak = max(peak, n)
	}
	if bound := mean + 4.9*math.Sqrt(mean); float64(peak) >= bound {
		t.Errorf("peak %d in a second, bound %.1f", peak, bound)
	}
	t.Logf("mean %.1f a second, peak %d", mean, peak)
}

// The phase is a promise: a host that is upgraded keeps its place.
func TestPhaseIsTheSameForEver(t *testing.T) {
	const id = "00112233445566778899aabbccddeeff"
	sum := sha256.Sum256([]byte(id + "\x00harbour"))
	want := time.Duration(binary.BigEndian.Uint64(sum[:8]) % uint64(time.Hour))
	if got := Phase(id, "harbour", time.Hour); got != want || got != 782671999166 {
		t.Errorf("%d", got)
	}
	if Phase(id, "harbour", time.Hour) == Phase(id, "dockyard", time.Hour) {
		t.Error("two policies of one host ask at once")
	}
}

func TestUntilSlot(t *testing.T) {
	const every, phase = time.Hour, 10 * time.Minute
	at := time.Date(2026, 11, 25, 8, 0, 0, 0, time.UTC) // a multiple of the hour since 1970
	for _, c := range []struct{ after, want time.Duration }{
		{0, phase}, {phase - 1, 1}, {phase, every}, {phase + 1, every - 1}, {50 * time.Minute, 20 * time.Minute},
	} {
		if got := untilSlot(at.Add(c.after), phase, every); got != c.want {
			t.Errorf("%s after the hour: %s, want %s", c.after, got, c.want)
		}
	}
	if d := untilSlot(time.Date(1960, 1, 1, 0, 0, 0, 1, time.UTC), phase, every); d <= 0 || d > every {
		t.Errorf("before 1970: %s", d)
	}
}

func TestRetryWithin(t *testing.T) {
	for n, want := range map[int]time.Duration{0: retryBase, 1: time.Minute, 2: 2 * time.Minute, 3: 4 * time.Minute, 4: 8 * time.Minute, 5: retryMost, 6: retryMost, math.MaxInt: retryMost} {
		if got := retryWithin(n); got != want {
			t.Errorf("failure %d: %s, want %s", n, got, want)
		}
	}
}

func TestRetryAfter(t *testing.T) {
	now := time.Date(2026, 11, 25, 8, 0, 0, 0, time.UTC)
	for value, want := range map[string]time.Duration{
		"": 0, "0": 0, "120": 2 * time.Minute, " 120 ": 2 * time.Minute, "3600": time.Hour, "3601": time.Hour,
		"1000000000000": time.Hour, "99999999999999999999999999": time.Hour,
		"-1": 0, "+5": 0, "1.5": 0, "1e3": 0, "soon": 0, "12 34": 0, "١٢": 0,
		now.Add(90 * time.Second).Format(http.TimeFormat): 90 * time.Second,
		now.Add(-time.Hour).Format(http.TimeFormat):       0,
		now.AddDate(10, 0, 0).Format(http.TimeFormat):     time.Hour,
		"Wednesday, 25-Nov-26 08:01:00 GMT":               time.Minute, // the obsolete forms of RFC 9110 5.6.7
		"Wed Nov 25 08:01:00 2026":                        time.Minute,
		"Wed, 25 Nov 2026 08:61:00 GMT":                   0,
	} {
		if got := RetryAfter(value, now); got != want {
			t.Errorf("%q: %s, want %s", value, got, want)
		}
	}
}

func FuzzRetryAfter(f *testing.F) {
	for _, s := range []string{"120", "-1", "1000000000000", "Wed, 25 Nov 2026 08:01:00 GMT", "soon"} {
		f.Add(s, int64(1_795_000_000))
	}
	f.Fuzz(func(t *testing.T, value string, now int64) {
		if d := RetryAfter(value, time.Unix(now, 0)); d < 0 || d > waitMost {
			t.Fatalf("%q: %s", value, d)
		}
	})
}
