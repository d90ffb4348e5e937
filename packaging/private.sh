#!/bin/sh
# Runs a command on a private copy of this machine: private.sh SECONDS COMMAND...
# Memory lies over /etc, /usr and /var in a mount namespace of the command's own;
# what it changes there vanishes with it. Status 125: such a copy cannot be had
# here. Status 124: it took longer than it may.
set -eu
limit=$1
shift
base=$(mktemp -d)
trap 'rmdir "$base"' EXIT
trap 'exit 130' INT
trap 'exit 143' TERM
layer='base=$1; shift
mount -t tmpfs -o mode=0755 tmpfs "$base" || exit 125
for d in etc usr var; do
	mkdir "$base/$d" "$base/$d-work" &&
	mount -t overlay -o "lowerdir=/$d,upperdir=$base/$d,workdir=$base/$d-work" overlay "/$d" || exit 125
done
exec "$@"'
timeout --foreground --kill-after=5 "$limit" \
	unshare --mount --propagation private /bin/sh -c "$layer" layer "$base" "$@"
