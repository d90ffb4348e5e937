# How the story is told and checked. Sourced by story.sh.

work=/var/tmp/harbour # in the private layer over /var
step="the beginning"
kept=0
server_pid=

if [ -t 1 ] && [ -z "${NO_COLOR:-}" ] && [ "${TERM:-dumb}" != dumb ]; then
	bold=$'\e[1m' faint=$'\e[2m' green=$'\e[32m' red=$'\e[31m' plain=$'\e[0m'
else
	bold='' faint='' green='' red='' plain=''
fi

# begin makes the folder of the story and puts the program into the path.
begin() {
	umask 022
	unset "${!SSL_CERT@}" CURL_CA_BUNDLE NO_PROXY no_proxy https_proxy HTTPS_PROXY all_proxy ALL_PROXY
	install -m 0755 "$1" /usr/local/bin/anchorhold
	export PATH=/usr/local/bin:/usr/sbin:/usr/bin:/sbin:/bin LC_ALL=C.UTF-8
	rm -rf "$work" /etc/anchorhold /var/lib/anchorhold
	mkdir -m 0755 "$work"
	cd "$work"
	cp "$here/ask.py" "$here/server.py" .
	mkdir log
	bundle_before=$(bundle) roots_before=$(roots)
	trap stop EXIT
	trap 'exit 130' INT TERM
	printf '%sanchorhold, on a private copy of this machine%s (%s)\n\n' "$bold" "$plain" "$(anchorhold --version)"
}

stop() {
	local status=$?
	if [ -n "$server_pid" ]; then kill "$server_pid" 2>/dev/null; wait "$server_pid" 2>/dev/null || true; fi
	exit "$status"
}

bundle() { sha256sum </etc/ssl/certs/ca-certificates.crt; }
roots() { grep -c '^-----BEGIN CERTIFICATE-----' /etc/ssl/certs/ca-certificates.crt; }

# state is everything that an enforcement could write to.
state() {
	find /etc/ssl /etc/ca-certificates* /etc/anchorhold /usr/local/share/ca-certificates /var/lib/anchorhold \
		-printf '%p %m %T@ %s %l\n' | sort | sha256sum
}

# java_has asks Java's own tool whether its store holds a root.
java_has() {
	local print list
	print=$(openssl x509 -in "$1" -noout -fingerprint -sha256)
	list=$(timeout 60 keytool -list -keystore /etc/ssl/certs/java/cacerts -storepass changeit) || return 2
	case $list in *"${print#*=}"*) ;; *) return 1 ;; esac
}

chapter() {
	step=$1
	printf '%s== %s ==%s\n\n' "$bold" "$1" "$plain"
}

say() { printf '%s\n' "$@" ''; }

# fail ends the story and names the step.
fail() {
	printf '\n%sOtherwise than promised%s in the step "%s": %s\n' "$red" "$plain" "$step" "$*" >&2
	if [ -s log/last ]; then sed 's/^/    /' log/last >&2; fi
	exit 1
}

keep() { kept=$((kept + 1)); printf '%s  kept: %s%s\n\n' "$faint" "$1" "$plain"; }

# quietly runs what the story passes over.
quietly() { "$@" >log/last 2>&1 </dev/null || fail "$* ended with $?"; }

# show prints a command as somebody would type it, long ones on several lines.
show() {
	local text
	text=$(fold -s -w 74 <<<"$2" | sed '$!s/ *$/ \\/;2,$s/^/    /')
	printf '%s %s%s%s\n' "$1" "$bold" "$text" "$plain"
}

# try shows a command, runs it as a shell would and wants that exit code.
try() {
	local want=$1 got=0
	shift
	show '$' "$*"
	: >log/last
	eval "timeout 60 $*" </dev/null || got=$?
	[ "$got" -eq "$want" ] || fail "$1 ${2:-} ended with $got, not $want"
	kept=$((kept + 1))
	echo
}

# promise checks a condition without showing how.
promise() {
	( set +e; eval "$2" ) >log/last 2>&1 </dev/null || fail "$1"
	keep "$1"
}

# fact checks an expression over the JSON of a command.
fact() {
	timeout 60 anchorhold $2 --json >log/json 2>log/last </dev/null || true
	/usr/bin/python3 -c 'import json, sys
d = json.load(open("log/json"))
sys.exit(not eval(sys.argv[1]))' "$3" 2>>log/last || { cat log/json >>log/last; fail "$1"; }
	keep "$1"
}

# edit changes a file with sed and shows what changed.
edit() {
	cp "$1" log/was
	sed -i "$2" "$1"
	{ diff log/was "$1" || true; } | sed -n "s/^[<>]/    &/;s/    </    -/;s/    >/    +/;/^    /p"
	! cmp -s log/was "$1" || fail "nothing changed in $1"
	echo
}

# serve starts the services that the story asks; it is ended with the story.
serve() {
	timeout 300 /usr/bin/python3 server.py ports "$@" >log/server 2>&1 </dev/null &
	server_pid=$!
	local i
	for i in $(seq 100); do
		[ ! -s ports ] || break
		kill -0 "$server_pid" 2>/dev/null || break
		sleep 0.05
	done
	[ -s ports ] || { cp log/server log/last; fail "the services do not start"; }
	for i in "$@"; do echo "127.0.0.1 $i" >>/etc/hosts; done
}

# port is where a service answers.
port() { sed -n "s/^$1 //p" ports; }

# as_nobody runs a reader with the rights and the surroundings of a service.
as_nobody() {
	timeout 20 setpriv --reuid=nobody --regid=nogroup --clear-groups env -i PATH=/usr/bin:/bin "$@" 2>&1 </dev/null
}

# ask has three programs ask a service; each must say yes (0) or no.
ask() {
	local want=$1 name=$2 at
	at=$(port "$name")
	reader "$want" "$name" '' curl -sS "https://$name:$at/"
	reader "$want" "$name" '' python3 ask.py "$name" "$at"
	reader "$want" "$name" '^verify error:|^Verification: OK' openssl s_client -brief -verify_return_error \
		-connect "$name:$at" -verify_hostname "$name"
	echo
}

# reader shows one program's question and the line that tells its answer.
reader() {
	local want=$1 name=$2 line=$3 got=0 answer
	shift 3
	show 'nobody$' "$*"
	as_nobody "$@" >log/last || got=$?
	answer=$(grep -m1 -E "${line:-.}" log/last || head -n1 log/last)
	if [ "$want" = yes ]; then
		[ "$got" -eq 0 ] || fail "$1 does not trust $name (it ended with $got)"
		printf '%s  %s%s\n' "$green" "$answer" "$plain"
	else
		[ "$got" -ne 0 ] || fail "$1 trusts $name"
		grep -qiE 'certificate' log/last || fail "$1 failed at $name for another reason than its certificate"
		printf '%s  %s%s\n' "$red" "$answer" "$plain"
	fi
	kept=$((kept + 1))
}

accepted() { ask yes "$1"; }
refused() { ask no "$1"; }

the_end() {
	printf '%sAll %d promises were kept%s, in %d seconds.\n' "$green" "$kept" "$plain" "$SECONDS"
}
