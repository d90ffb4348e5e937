package source

import (
	"crypto/sha256"
	"encoding/binary"
	"net/http"
	"strconv"
	"strings"
	"time"
)

// The pace of a whole fleet: hosts ask spread over the period, and not all at
// once when a source comes back.
const (
	DefaultEvery = time.Hour
	bootMost     = 300 * time.Second // the first question after a start comes within
	retryBase    = time.Minute
	retryMost    = 900 * time.Second
	// waitMost is how long a source can keep hosts away by Retry-After: else
	// one bad answer freezes a fleet.
	waitMost = time.Hour
)

// Phase is a host's place in the period, from 0 to less than every: the first
// 8 bytes of SHA-256 over host id, a zero byte and policy name, modulo the
// period in nanoseconds. It stays the same over restarts.
func Phase(host, policy string, every time.Duration) time.Duration {
	sum := sha256.Sum256([]byte(host + "\x00" + policy))
	return time.Duration(binary.BigEndian.Uint64(sum[:8]) % uint64(every))
}

// untilSlot is how long it is from now to the host's next place in the period.
func untilSlot(now time.Time, phase, every time.Duration) time.Duration {
	p := every.Nanoseconds()
	into := ((now.UnixNano()-phase.Nanoseconds())%p + p) % p
	return time.Duration(p - into)
}

// retryWithin bounds the wait after the n-th failure in a row, n from 1: the
// wait is drawn from 0 to it ("full jitter").
func retryWithin(n int) time.Duration {
	for d := retryBase; ; d *= 2 {
		if n--; n <= 0 || d >= retryMost {
			return min(d, retryMost)
		}
	}
}

// RetryAfter reads the header of that name (RFC 9110 10.2.3): seconds, or a
// date. It returns at most an hour, and 0 for what is past or means nothing.
func RetryAfter(value string, now time.Time) time.Duration {
	value = strings.TrimSpace(value)
	if value == "" || len(value) > maxHeaderValue {
		return 0
	}
	if strings.Trim(value, "0123456789") == "" {
		seconds, err := strconv.ParseUint(value, 10, 64)
		if err != nil || seconds > uint64(waitMost/time.Second) { // more than 64 bits is long, too
			return waitMost
		}
		return time.Duration(seconds) * time.Second
	}
	t, err := http.ParseTime(value)
	if err != nil {
		return 0
	}
	return max(0, min(t.Sub(now), waitMost))
}
