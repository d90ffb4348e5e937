#!/usr/bin/env bash
# The story that demo.sh runs in its private machine: story.sh PROGRAM.
set -euo pipefail
here=$(cd -- "$(dirname -- "$0")" && pwd -P)
. "$here/stage.sh"
. "$here/roots.sh"

begin "$1"

chapter "The harbour renews its servers"
say "The port authority has two roots of its own: the one of 2016, under which" \
	"crane.harbour.test and winch.harbour.test still run, and the one of 2026," \
	"under which tide.harbour.test was renewed this morning. This machine knows" \
	"neither."
quietly make_roots
serve crane.harbour.test winch.harbour.test tide.harbour.test
at_crane=crane.harbour.test:$(port crane.harbour.test)
at_winch=winch.harbour.test:$(port winch.harbour.test)
at_tide=tide.harbour.test:$(port tide.harbour.test)

chapter "An account without privileges asks the services"
refused tide.harbour.test
refused crane.harbour.test

chapter "Is this a root to trust?"
try 0 anchorhold vet harbour-2026.crt

chapter "Three people sign, and two of them are enough"
printf 'a passphrase for the story\n' >phrase
for signer in quay tower office; do
	quietly anchorhold keys new --name "$signer" --passphrase-file phrase
done
try 0 anchorhold keyset new --policy harbour --threshold 2 quay.pub tower.pub office.pub
try 0 anchorhold draft new --root harbour-2016.crt --root harbour-2026.crt
say "By hand we add that 2026 takes over from 2016, and a server's certificate" \
	"below each, by which hosts prove the root:"
edit draft.toml '/^file = "harbour-2016/a sample = "crane.harbour.test.crt"
/^file = "harbour-2026/a sample = "tide.harbour.test.crt"\nsucceeds = "Harbour Root 2016"'
say "And that every host watches the three services:"
for service in "$at_crane" "$at_winch" "$at_tide"; do
	edit draft.toml "\$a\\\n[[service]]\nname = \"${service%%.*}\"\naddress = \"$service\""
done
try 0 anchorhold sign --key quay.key --passphrase-file phrase
promise "one signature is not enough" '! anchorhold open harbour.policy'
say "The second signer sees what it says, and adds a signature:"
try 0 anchorhold countersign --key tower.key --passphrase-file phrase harbour.policy
promise "two signatures are enough" 'anchorhold open harbour.policy'

chapter "A host learns whom to believe"
promise "before that it changes nothing" '! anchorhold enforce && [ "$(bundle)" = "$bundle_before" ]'
try 0 anchorhold starter '>' starter.toml
try 0 anchorhold adopt starter.toml
try 0 cp harbour.policy /etc/anchorhold/
try 1 anchorhold preview
promise "a preview changes nothing" '[ "$(bundle)" = "$bundle_before" ]'

chapter "Make it so"
try 0 anchorhold enforce
promise "both roots are new in the bundle, and no other root is" '[ "$(roots)" -eq $((roots_before + 2)) ]'
promise "Java reads them too" 'java_has harbour-2016.crt && java_has harbour-2026.crt'
promise "doing it again changes nothing" 'was=$(state); anchorhold enforce && [ "$(state)" = "$was" ]'

chapter "The same account asks again"
accepted tide.harbour.test
accepted crane.harbour.test
try 0 anchorhold verify
fact "the account validated each service's certificate with what it read itself" verify \
	'len(d["placements"]) == 2 and all(p["state"] == "placed" and [a["by"] for a in p["proofs"] if a["account"] == "nobody" and a["holds"]] == [f"the sample {s}.harbour.test"] for p, s in zip(d["placements"], ["crane", "tide"]))'

chapter "Do the services verify, on this host, for everybody?"
try 0 anchorhold probe
fact "each chain ends at the root that it should" probe \
	'[(v["target"]["service"], v["answer"], len(v["endpoints"][0]["anchors"])) for v in d["services"]] == [(s, "verifies", 1) for s in ["crane", "winch", "tide"]]'
old=$(openssl x509 -in harbour-2016.crt -noout -fingerprint -sha256 | sed 's/.*=//;s/://g' | tr A-F a-f)
try 1 anchorhold dependents "${old:0:16}"
fact "crane and winch depend on the old root, and tide does not" "dependents $old" \
	'sorted(e["what"] for e in d["dependents"] if e["kind"] == "service") == ["crane", "winch"] and d["breaks"] >= 2'

chapter "Somebody retires the old root too early"
edit draft.toml 's/^version = 1/version = 2/
0,/^standing = "trusted"/s//standing = "retired"/'
try 0 anchorhold sign --key office.key --key tower.key --passphrase-file phrase
try 0 cp harbour.policy /etc/anchorhold/
try 1 anchorhold enforce
fact "the withdraw is held, naming both services and the root" preview \
	'[h["op"] for h in d["held"]] == ["withdraw"] and {"crane", "winch"} <= {s.get("service") for s in d["held"][0]["services"]} and "tide" not in str(d["held"][0]["services"]) and not d.get("planned")'
accepted crane.harbour.test

chapter "Winch is renewed"
quietly renew winch.harbour.test
say "Before the new certificate is installed:"
try 0 anchorhold probe --chain new.crt --key new.key --name winch.harbour.test
quietly install_renewed winch.harbour.test
try 0 anchorhold probe "$at_winch"
try 1 anchorhold enforce
fact "now it waits for crane alone" preview \
	'{s.get("service") for s in d["held"][0]["services"] if not s.get("listener")} == {"crane"}'
promise "and both roots are still there" '[ "$(roots)" -eq $((roots_before + 2)) ]'

chapter "The last renewal"
say "Crane is renewed while somebody waits for it:"
( sleep 3; renew crane.harbour.test && install_renewed crane.harbour.test ) >log/renewal 2>&1 </dev/null &
try 0 anchorhold probe "$at_crane" --wait 30s
accepted crane.harbour.test

chapter "The old root goes by itself, everywhere"
try 0 anchorhold enforce
promise "the bundle lost exactly one root" '[ "$(roots)" -eq $((roots_before + 1)) ]'
promise "Java forgot it too" 'java_has harbour-2026.crt && ! java_has harbour-2016.crt'
promise "doing it again changes nothing" 'was=$(state); anchorhold enforce && [ "$(state)" = "$was" ]'
accepted crane.harbour.test
accepted tide.harbour.test
try 0 anchorhold verify
fact "the account finds no trace of the old root, and proves the new one by its service" verify \
	'[(p["state"], [(a["account"], a["holds"], a["by"]) for a in p["proofs"]]) for p in d["placements"]] == [("absent", [("nobody", True, "absence")]), ("placed", [("nobody", True, "the sample tide.harbour.test")])]'

chapter "Somebody brings it back, and it is kept out"
quietly cp harbour-2016.crt /usr/local/share/ca-certificates/old-friend.crt
quietly update-ca-certificates
promise "the platform took it in" '[ "$(roots)" -eq $((roots_before + 2)) ]'
try 0 anchorhold enforce
promise "it is gone again" '[ "$(roots)" -eq $((roots_before + 1)) ] && ! java_has harbour-2016.crt'

chapter "Who did what, when and why"
try 0 anchorhold history
fact "the history has two places and two withdraws, with what let them go" history \
	'[(e["op"], e["status"]) for e in d["events"]] == [("place", "done"), ("place", "done"), ("withdraw", "done"), ("withdraw", "done")] and all(e["why"] for e in d["events"])'
the_end
