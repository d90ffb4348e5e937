package main

import "testing"

// cases has, for each case, one expectation for each sentence, in order.
var cases = map[string][]expectation{
	"C01": {c01Same, c01Taken, hosted(c01Placed), hosted(c01Wrong)},
	"C02": {c02Three, hosted(c02Bundle), hosted(c02Others)},
	"C04": {hosted(c04Alone), hosted(c04Store), c04Container, c04Never},
	"C05": {c05Held, c05Encoder, c05Offered, hosted(c05Wrong)},
	"C07": {hosted(c07Listed), hosted(c07Once), hosted(c07TwoNames), hosted(c07Wrong)},
	"C08": {hosted(c08Store), c08Bound, c08Wrong},
	"C09": {hosted(c09Refused), c09Words, hosted(c09Store), hosted(c09Wrong)},
	"C11": {c11Roots, hosted(c11Twice), hosted(c11Wrong)},
	"C13": {c13Refused, c13Words, hosted(c13Silent), hosted(c13Wrong)},
	"C15": {c15Store, c15Negative, c15Zero},
	"C17": {c17Short, c17NotBroken, c17Proves, c17Long},
	"C18": {c18Refused, hosted(c18Stays), hosted(c18Soon), hosted(c18NoHold)},
	"C20": {c20Four, c20Apart, c20Order, hosted(c20Beside), c20Cross},
	"C22": {c22Words, hosted(c22Verdicts), hosted(c22Accepted)},
	"C23": {c23UserOnly, c23Placed, c23Stray},
	"C26": {hosted(c26Shut), hosted(c26Locked), hosted(c26Mended)},
	"C28": {c28Fault, hosted(c28Two), hosted(c28Waits)},
	"C30": {c30Order, c30Last, c30Wrong},
	"C32": {hosted(c32Lingers), hosted(c32Named), hosted(c32Gone), hosted(c32ReadBack), hosted(c32Wrong)},
	"C33": {networked(c33Store), networked(c33Policy), networked(c33Services), networked(c33Held), networked(c33Ends), networked(c33Both), networked(c33Wrong)},
	"C35": {hosted(c35Names), c35Empty, c35NoName, hosted(c35After)},
	"C39": {hosted(c39Held), hosted(c39Floor), hosted(c39Clock), hosted(c39Next)},
	"C40": {networked(c40Verdicts), networked(c40NoRoot), networked(c40Common)},
}

// later are the cases whose sentences nothing asserts yet, each with what it
// waits for. They skip, and each stands in .ci/allowed-skips.txt as well, so
// that a run's last line counts them.
var later = map[string]string{
	"C25": "watching services: a program older than the store's last change",
	"C37": "the service",
}

// hosted gives an expectation a private copy of this machine, with the
// program on it.
func hosted(e expectation) expectation {
	return func(t *testing.T, dir string) {
		if onMachine(t) {
			e(t, dir)
		}
	}
}
