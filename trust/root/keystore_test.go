package root

import (
	"encoding/binary"
	"testing"
)

type jksEntry struct {
	alias string
	cert  []byte
	chain [][]byte // with it the entry is a private key
}

// jks writes a Java key store as JavaKeyStore.engineStore does, with a wrong
// digest, which nobody without the password can tell.
func jks(version uint32, entries ...jksEntry) []byte {
	out := append([]byte{}, magicJKS...)
	u32 := func(n uint32) { out = binary.BigEndian.AppendUint32(out, n) }
	text := func(s string) { out = append(binary.BigEndian.AppendUint16(out, uint16(len(s))), s...) }
	cert := func(der []byte) {
		if version == 2 {
			text("X.509")
		}
		u32(uint32(len(der)))
		out = append(out, der...)
	}
	u32(version)
	u32(uint32(len(entries)))
	for _, e := range entries {
		tag := uint32(2)
		if e.chain != nil {
			tag = 1
		}
		u32(tag)
		text(e.alias)
		out = append(out, make([]byte, 8)...)
		if tag == 2 {
			cert(e.cert)
			continue
		}
		u32(3)
		out = append(out, "key"...)
		u32(uint32(len(e.chain)))
		for _, c := range e.chain {
			cert(c)
		}
	}
	return append(out, make([]byte, 20)...)
}

func TestScanJavaStore(t *testing.T) {
	lab, depot := rootDER(t, "Lab"), rootDER(t, "Depot")
	for _, version := range []uint32{1, 2} {
		data := jks(version, jksEntry{alias: "debian:lab.pem", cert: lab}, jksEntry{alias: "own\x1b", chain: [][]byte{depot}}, jksEntry{alias: "depot", cert: depot})
		blocks, faults := Scan(data)
		if len(blocks) != 2 || blocks[0].Alias != "debian:lab.pem" || blocks[0].Fingerprint != Of(lab) || blocks[1].Alias != "depot" || blocks[1].Fingerprint != Of(depot) {
			t.Errorf("version %d: %v", version, blocks)
		}
		if len(faults) != 1 || faults[0].Code != "private-key" {
			t.Errorf("version %d: %v", version, faults)
		}
		for i := len(magicJKS); i < len(data)-20; i++ {
			blocks, faults := Scan(data[:i]) // cut off anywhere
			if len(faults) == 0 || len(blocks) > 2 {
				t.Fatalf("version %d, cut at %d: %d blocks, %v", version, i, len(blocks), faults)
			}
		}
	}
	huge := jks(2)
	binary.BigEndian.PutUint32(huge[8:], 1<<31)
	if blocks, faults := Scan(huge); len(blocks) != 0 || len(faults) != 1 || faults[0].Code != "torn-store" {
		t.Errorf("a store that claims 2^31 entries: %v", faults)
	}
}

// TestKeyChains takes what stands behind private keys, and nothing else.
func TestKeyChains(t *testing.T) {
	lab, depot := rootDER(t, "Lab"), rootDER(t, "Depot")
	for _, version := range []uint32{1, 2} {
		data := jks(version, jksEntry{alias: "trusted", cert: lab}, jksEntry{alias: "own", chain: [][]byte{depot, lab}}, jksEntry{alias: "bare", chain: [][]byte{}})
		chains, err := KeyChains(data)
		if err != nil || len(chains) != 1 || chains[0].Alias != "own" || len(chains[0].Certificates) != 2 ||
			Of(chains[0].Certificates[0]) != Of(depot) || Of(chains[0].Certificates[1]) != Of(lab) {
			t.Errorf("version %d: %d chains, %v", version, len(chains), err)
		}
		for i := range len(data) - 20 {
			if chains, err := KeyChains(data[:i]); err == nil || len(chains) > 1 {
				t.Fatalf("version %d, cut at %d: %d chains, %v", version, i, len(chains), err)
			}
		}
	}
}
