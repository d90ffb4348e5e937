# Makes a package FILE that upgrades ca-certificates to what is installed, as a
# mirror would bring it, without a mirror: newer.sh FILE.
set -e
d=$(mktemp -d)
trap 'rm -rf "$d"' EXIT
chmod 0755 "$d"
mkdir "$d/DEBIAN"
dpkg -L ca-certificates | sed -n 's,^/\(..*\),\1,p' | tar -C / --no-recursion -cf - -T - | tar -C "$d" -xf -
for f in postinst postrm config templates triggers; do
	if [ -e "/var/lib/dpkg/info/ca-certificates.$f" ]; then cp "/var/lib/dpkg/info/ca-certificates.$f" "$d/DEBIAN/$f"; fi
done
dpkg-query -W -f 'Package: ca-certificates\nVersion: ${Version}+harbour1\nArchitecture: all\nMaintainer: Harbour <root@harbour.test>\nDepends: ${Depends}\nDescription: an upgrade\n' ca-certificates >"$d/DEBIAN/control"
dpkg-deb --build "$d" "$1" >/dev/null
