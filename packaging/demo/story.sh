#!/usr/bin/env bash
# The story that demo.sh runs in its private machine: story.sh PROGRAM.
set -euo pipefail
here=$(cd -- "$(dirname -- "$0")" && pwd -P)
. "$here/stage.sh"
. "$here/roots.sh"

begin "$1"

chapter "The harbour renews its servers"
say "The port authority has two roots of its own: the one of 2016, under which" \
	"crane.harbour.test still runs, and the one of 2026, under which" \
	"tide.harbour.test was renewed this morning. This machine knows neither."
quietly make_roots
serve crane.harbour.test tide.harbour.test

chapter "An account without privileges asks both services"
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

chapter "The old root has served its time"
edit draft.toml 's/^version = 1/version = 2/
0,/^standing = "trusted"/s//standing = "retired"/'
try 0 anchorhold sign --key office.key --key tower.key --passphrase-file phrase
try 0 cp harbour.policy /etc/anchorhold/
say "Does crane.harbour.test still need it? Nobody has said, so it waits:"
try 1 anchorhold enforce
fact "the withdraw is held, with the reason and what to do" preview \
	'[h["op"] for h in d["held"]] == ["withdraw"] and d["held"][0]["reason"] and "--force" in d["held"][0]["next"] and not d.get("planned")'
accepted crane.harbour.test

chapter "Somebody has checked, and says so"
try 0 anchorhold enforce --force "'crane moves to its new certificate tonight, agreed with the crane team'"
promise "the bundle lost exactly one root" '[ "$(roots)" -eq $((roots_before + 1)) ]'
promise "Java forgot it too" 'java_has harbour-2026.crt && ! java_has harbour-2016.crt'
refused crane.harbour.test
accepted tide.harbour.test
try 0 anchorhold verify
fact "the account finds no trace of the old root, and proves the new one by its service" verify \
	'[(p["state"], [(a["account"], a["holds"], a["by"]) for a in p["proofs"]]) for p in d["placements"]] == [("absent", [("nobody", True, "absence")]), ("placed", [("nobody", True, "the sample tide.harbour.test")])]'

chapter "Who did what, when and why"
try 0 anchorhold history
fact "the history has two places and one withdraw, with the reason that was given" history \
	'[(e["op"], e["status"]) for e in d["events"]] == [("place", "done"), ("place", "done"), ("withdraw", "done")] and "crane team" in d["events"][2]["why"]'
the_end
