# The harbour's two roots and a server below each, with openssl alone. Sourced
# by story.sh, in its folder.

# settings are all that openssl needs, so that the machine's own do not count.
settings() {
	cat <<-'END'
	[ca]
	default_ca = harbour
	[harbour]
	new_certs_dir = .
	database = issued.txt
	rand_serial = yes
	default_md = sha256
	policy = any
	unique_subject = no
	[any]
	commonName = supplied
	organizationName = optional
	[req]
	distinguished_name = none
	[none]
	[root]
	basicConstraints = critical,CA:TRUE
	keyUsage = critical,keyCertSign,cRLSign
	subjectKeyIdentifier = hash
	nameConstraints = critical,permitted;DNS:harbour.test,permitted;email:harbour.test,excluded;IP:0.0.0.0/0.0.0.0,excluded;IP:0:0:0:0:0:0:0:0/0:0:0:0:0:0:0:0
	[server]
	basicConstraints = critical,CA:FALSE
	keyUsage = critical,digitalSignature
	extendedKeyUsage = serverAuth
	subjectKeyIdentifier = hash
	authorityKeyIdentifier = keyid
	subjectAltName = ${ENV::NAME}
	END
}

# key makes FILE.key and a request for SUBJECT.
key() {
	openssl req -new -config ca.cnf -newkey ec -pkeyopt ec_paramgen_curve:P-256 -noenc \
		-keyout "$1.key" -out "$1.csr" -subj "$2"
}

# root makes FILE.crt, valid FROM to UNTIL.
root() {
	key "$1" "/O=Harbour port authority/CN=$2"
	openssl ca -batch -notext -config ca.cnf -selfsign -extensions root \
		-startdate "$3" -enddate "$4" -keyfile "$1.key" -in "$1.csr" -out "$1.crt"
}

# server makes FILE.crt and FILE.key for NAME below ROOT, for 90 days.
server() {
	key "$1" "/O=Harbour port authority/CN=$2"
	NAME=DNS:$2 openssl ca -batch -notext -config ca.cnf -extensions server -days 90 \
		-cert "$3.crt" -keyfile "$3.key" -in "$1.csr" -out "$1.crt"
}

# renew makes new.crt and new.key for a service below the root of 2026.
renew() { server new "$1" harbour-2026; }

# install_renewed is what a person does with them, and restarts the service.
install_renewed() { mv new.key "$1.key" && mv new.crt "$1.crt"; }

make_roots() {
	export NAME=DNS:none.harbour.test # for openssl, which expands it in any case
	settings >ca.cnf
	: >issued.txt
	root harbour-2016 "Harbour Root 2016" 20160105120000Z 20360105120000Z
	root harbour-2026 "Harbour Root 2026" "$(date -u -d '30 days ago' +%Y%m%d120000Z)" 20460105120000Z
	server crane.harbour.test crane.harbour.test harbour-2016
	server winch.harbour.test winch.harbour.test harbour-2016
	server tide.harbour.test tide.harbour.test harbour-2026
}
