//go:build linux

package faults_test

import (
	"bufio"
	"bytes"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"encoding/pem"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"os/exec"
	"syscall"
	"testing"
	"time"
)

// The sampler reads the store again and again as an account without rights, as
// any program would, and takes down whenever it meets fewer roots than it must.
const (
	samplerMark  = "sample-store"
	samplerPause = 10 * time.Millisecond
	nobody       = 65534
	maxTold      = 20      // faults that are told one by one
	maxStore     = 8 << 20 // bytes of a bundle
)

// watch is what the sampler must always meet.
type watch struct {
	Roots []watched
	Links bool // also by lookups in the folder of links
}

type watched struct{ SHA, Hash string }

// tally is what the sampler saw since the last one.
type tally struct {
	Samples int
	Faults  []string
}

// sampler drives the child.
type sampler struct {
	t       *testing.T
	in      io.WriteCloser
	out     *bufio.Scanner
	samples int
}

func startSampler(t *testing.T) *sampler {
	t.Helper()
	c := exec.CommandContext(t.Context(), "/proc/self/exe", samplerMark, "now")
	c.Dir, c.Env = "/", bare
	c.SysProcAttr = &syscall.SysProcAttr{Credential: &syscall.Credential{Uid: nobody, Gid: nobody}}
	in, err := c.StdinPipe()
	if err != nil {
		t.Fatal(err)
	}
	out, err := c.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	c.Stderr = os.Stderr
	if err := c.Start(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { in.Close(); c.Wait() })
	return &sampler{t: t, in: in, out: bufio.NewScanner(out)}
}

// begin lets it look for these roots.
func (s *sampler) begin(links bool, roots ...authority) {
	s.t.Helper()
	w := watch{Links: links}
	for _, r := range roots {
		w.Roots = append(w.Roots, watched{r.sha, r.hash})
	}
	if err := json.NewEncoder(s.in).Encode(w); err != nil {
		s.t.Fatal(err)
	}
}

// end stops it and returns what it met.
func (s *sampler) end() []string {
	s.t.Helper()
	if err := json.NewEncoder(s.in).Encode(watch{}); err != nil {
		s.t.Fatal(err)
	}
	var seen tally
	if !s.out.Scan() || json.Unmarshal(s.out.Bytes(), &seen) != nil {
		s.t.Fatalf("the sampler ended: %v", s.out.Err())
	}
	s.samples += seen.Samples
	return seen.Faults
}

// sample is the child. A watch without roots asks for the tally.
func sample(string) int {
	asked := make(chan watch)
	go func() {
		defer close(asked)
		for in := json.NewDecoder(os.Stdin); ; {
			var w watch
			if in.Decode(&w) != nil {
				return
			}
			asked <- w
		}
	}()
	var now watch
	var seen tally
	tick := time.NewTicker(samplerPause)
	good := map[[32]byte]bool{} // bundles that were looked through, for this watch
	for {
		select {
		case w, ok := <-asked:
			if !ok {
				return 0
			}
			if len(w.Roots) == 0 {
				if json.NewEncoder(os.Stdout).Encode(seen) != nil {
					return 1
				}
				seen = tally{}
			}
			now = w
			clear(good)
		case <-tick.C:
			if len(now.Roots) == 0 {
				continue
			}
			seen.Samples++
			if err := now.look(good); err != nil && len(seen.Faults) < maxTold {
				seen.Faults = append(seen.Faults, time.Now().Format("05.000 ")+err.Error())
			}
		}
	}
}

func (w watch) look(good map[[32]byte]bool) error {
	data, err := bounded(bundle)
	if err != nil {
		return err
	}
	sum := sha256.Sum256(data)
	if !good[sum] {
		held, err := count(data)
		if err != nil {
			return err
		}
		for _, r := range w.Roots {
			if held[r.SHA] == 0 {
				return fmt.Errorf("the bundle of %d bytes and %d roots lacks %s", len(data), len(held), r.SHA[:16])
			}
		}
		good[sum] = true
	}
	if !w.Links {
		return nil
	}
	for _, r := range w.Roots {
		if err := lookup(r); err != nil {
			return err
		}
	}
	return nil
}

func bounded(name string) ([]byte, error) {
	f, err := os.Open(name)
	if err != nil {
		return nil, err
	}
	defer f.Close()
	return io.ReadAll(io.LimitReader(f, maxStore))
}

// count returns how often each root stands in a bundle. A bundle is whole when
// nothing but blocks is in it.
func count(data []byte) (map[string]int, error) {
	held := map[string]int{}
	for len(data) > 0 {
		block, rest := pem.Decode(data)
		if block == nil || len(block.Bytes) == 0 {
			return held, fmt.Errorf("after %d roots %d bytes of the bundle are no block", len(held), len(data))
		}
		sum := sha256.Sum256(block.Bytes)
		held[hex.EncodeToString(sum[:])]++
		data = rest
	}
	return held, nil
}

// lookup looks for a root as OpenSSL does (X509_LOOKUP_hash_dir(3)).
func lookup(r watched) error {
	for i := 0; ; i++ {
		name := fmt.Sprintf("%s/%s.%d", certsDir, r.Hash, i)
		data, err := os.ReadFile(name)
		if errors.Is(err, fs.ErrNotExist) {
			return fmt.Errorf("no lookup finds %s: it ends at %s", r.SHA[:16], name)
		}
		if err != nil {
			return err
		}
		block, _ := pem.Decode(bytes.TrimSpace(data))
		if block == nil {
			return fmt.Errorf("%s holds no block", name)
		}
		if sum := sha256.Sum256(block.Bytes); hex.EncodeToString(sum[:]) == r.SHA {
			return nil
		}
	}
}
