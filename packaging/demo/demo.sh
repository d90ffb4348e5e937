#!/usr/bin/env bash
# The whole product at work: demo.sh PROGRAM, as root, on Debian or Ubuntu.
#
# Everything happens in a private mount namespace, with memory laid over /etc,
# /usr and /var: the platform's own tools work on the machine's real files
# there, and all changes vanish at the end. Each step's promise is checked; the
# first one that is not kept ends the run with status 1 and is named. Status 2:
# it could not be run here.
set -euo pipefail

limit=150 # seconds for everything; two cores need a tenth of it

here=$(cd -- "$(dirname -- "$0")" && pwd -P)
program=$(realpath -- "${1:?usage: demo.sh PROGRAM}")
cannot() { echo "demo: $*" >&2; exit 2; }

# What the machine trusts, byte for byte, and whatever anchorhold would keep.
store=(/etc/ssl /etc/ca-certificates /etc/ca-certificates.conf /etc/anchorhold
	/usr/local/share/ca-certificates /usr/share/ca-certificates
	/var/lib/ca-certificates-java /var/lib/anchorhold)

# measure prints one hash over names, modes, times, links and contents.
measure() {
	local there=() f
	for f in "${store[@]}"; do if [ -e "$f" ]; then there+=("$f"); fi; done
	{
		find "${there[@]}" -printf '%p %m %U %T@ %l\n' | sort
		find "${there[@]}" -type f -print0 | sort -z | xargs -0r sha256sum
	} | sha256sum | cut -c1-64
}

[ "$(id -u)" -eq 0 ] || cannot "only root may make a private copy of the machine: sudo make demo"
[ -x "$program" ] || cannot "$program is not there: make build"
for tool in unshare mount ip openssl curl keytool setpriv timeout /usr/bin/python3 update-ca-certificates; do
	command -v "$tool" >/dev/null || cannot "$tool is missing; 'make demo' installs what it needs on Debian and Ubuntu"
done

sh "$here/../private.sh" 20 true || cannot "this system lets nobody mount a layer over its folders (a container without the right to mount?)"

before=$(measure)
status=0
# In a network of its own no listener of this machine has a part in the story.
sh "$here/../private.sh" "$limit" unshare --net bash -c 'ip link set lo up && exec bash "$@"' demo \
	"$here/story.sh" "$program" || status=$?
after=$(measure)

if [ "$status" -eq 124 ]; then echo "demo: not finished within $limit seconds" >&2; fi
if [ "$before" != "$after" ]; then
	echo "demo: the machine's own store is not what it was: $before before, $after now" >&2
	echo "demo: did something else change it meanwhile?" >&2
	exit 1
fi
if [ "$status" -eq 0 ]; then
	printf 'This machine itself is as it was: its own store hashed to %s\nbefore, and does so now.\n' "${after:0:16}"
fi
exit "$status"
