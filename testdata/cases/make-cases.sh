#!/usr/bin/env bash
# Makes 25 cases: faults that practitioners reported with private roots
# and trust stores, each turned into a small input.
#
# usage: make-cases.sh DIR
#
# DIR must be new or empty. Each case gets a folder DIR/Cnn with its files and
# an EXPECT.txt, which says in one to three lines what a trust agent must do.
# While it works the script proves with openssl and Python that every file has
# the fault it is meant to have; it prints a line for each proof and ends with
# status 1 if one fails. Takes about 12 s and 40 MB; needs bash, openssl 3 and
# python3, no network and no root. Some
# proofs use setpriv (as root) and keytool where they are there.
#
# Names, hosts and keys are invented. The keys are derived from labels, so
# anybody has them: never trust one of these roots outside a private mount
# namespace or a throw-away machine.
set -euo pipefail
export LC_ALL=C TZ=UTC PYTHONDONTWRITEBYTECODE=1
umask 022
if [ $# -ne 1 ]; then echo "usage: ${0##*/} DIR" >&2; exit 2; fi
mkdir -p -- "$1"
out=$(cd -- "$1" && pwd -P)
if [ -n "$(ls -A -- "$out")" ]; then echo "$out is not empty" >&2; exit 2; fi
work=$(mktemp -d)
trap 'rm -rf -- "$work"' EXIT
cat >"$work/make.py" <<'PYTHON'
"""Certificate kit: exact control over every byte, from the standard library.

Keys are P-256 and derived from a label, nonces from the message, dates are
fixed: the same case gives the same bytes, and the same SHA-256, on every run.
The keys are public by construction. Never trust one of these certificates.
"""
import base64, ctypes, datetime, errno, hashlib, itertools, json, os, re, shutil, stat, subprocess, sys, tempfile

# --- P-256 (FIPS 186-4 D.1.2.3) ----------------------------------------------
P = 2**256 - 2**224 + 2**192 + 2**96 - 1
N = 0xffffffff00000000ffffffffffffffffbce6faada7179e84f3b9cac2fc632551
G = (0x6b17d1f2e12c4247f8bce6e563a440f277037d812deb33a0f4a13945d898c296,
     0x4fe342e2fe1a7f9b8ee7eb4a7c0f9e162bce33576b315ececbb6406837bf51f5)

def add(a, b):
    if a is None: return b
    if b is None: return a
    if a[0] == b[0]:
        if (a[1] + b[1]) % P == 0: return None
        m = (3 * a[0] * a[0] - 3) * pow(2 * a[1], -1, P)
    else:
        m = (b[1] - a[1]) * pow(b[0] - a[0], -1, P)
    x = (m * m - a[0] - b[0]) % P
    return x, (m * (a[0] - x) - a[1]) % P

def mul(k, a=G):
    r = None
    while k:
        if k & 1: r = add(r, a)
        a, k = add(a, a), k >> 1
    return r

def num(*parts):
    """A number below N, derived from parts."""
    return int.from_bytes(hashlib.sha256(b"|".join(parts)).digest(), "big") % (N - 1) + 1

# --- DER ----------------------------------------------------------------------
def tlv(tag, *parts):
    body = b"".join(parts)
    n = len(body)
    if n < 128: return bytes([tag, n]) + body
    l = n.to_bytes((n.bit_length() + 7) // 8, "big")
    return bytes([tag, 0x80 | len(l)]) + l + body

def seq(*p): return tlv(0x30, *p)
def setof(*p): return tlv(0x31, *p)
def integer(n): return tlv(2, n.to_bytes((n if n >= 0 else ~n).bit_length() // 8 + 1, "big", signed=True))
def octets(b): return tlv(4, b)
def bits(b, unused=0): return tlv(3, bytes([unused]) + b)
def ctx(n, *p, prim=False): return tlv((0x80 if prim else 0xa0) | n, *p)

def oid(s):
    a = [int(x) for x in s.split(".")]
    out = bytearray([a[0] * 40 + a[1]])
    for v in a[2:]:
        chunk = [v & 127]
        while v > 127:
            v >>= 7
            chunk.append(v & 127 | 128)
        out += bytes(reversed(chunk))
    return tlv(6, bytes(out))

UTF8, PRINTABLE, IA5, BMP, T61 = 12, 19, 22, 30, 20
CN, OU, O = "2.5.4.3", "2.5.4.11", "2.5.4.10"

def name(*rdns):
    """rdns: (attribute OID, value as str or bytes[, string tag])."""
    out = []
    for r in rdns:
        v = r[1].encode() if isinstance(r[1], str) else r[1]
        out.append(setof(seq(oid(r[0]), tlv(r[2] if len(r) > 2 else UTF8, v))))
    return seq(*out)

def org(cn): return name((O, "Harbour Lab"), (CN, cn))

def when(s):
    """YYYYMMDDhhmmss as RFC 5280 4.1.2.5 wants it."""
    return tlv(23, s[2:].encode() + b"Z") if s < "2050" else tlv(24, s.encode() + b"Z")

def ext(o, value, critical=False):
    return seq(oid(o), tlv(1, b"\xff") if critical else b"", octets(value))

def bc(ca=True, pathlen=None, critical=True, true=b"\xff"):
    return ext("2.5.29.19", seq(tlv(1, true) if ca else b"",
                                b"" if pathlen is None else integer(pathlen)), critical)

def ku(*names):
    order = ["digitalSignature", "nonRepudiation", "keyEncipherment", "dataEncipherment",
             "keyAgreement", "keyCertSign", "cRLSign"]
    v = sum(0x80 >> order.index(n) for n in names)
    unused = (v & -v).bit_length() - 1
    return ext("2.5.29.15", bits(bytes([v]), unused), True)

def ski(key): return ext("2.5.29.14", octets(key.id))
def aki(key): return ext("2.5.29.35", seq(ctx(0, key.id, prim=True)))
def eku(*oids): return ext("2.5.29.37", seq(*[oid(o) for o in oids]))
SERVER = "1.3.6.1.5.5.7.3.1"

def dns(s): return ctx(2, s.encode(), prim=True)
def ip(s): return ctx(7, bytes(int(x) for x in s.split(".")), prim=True)
def san(*names): return ext("2.5.29.17", seq(*names))

def nc(permitted=(), excluded=(), tail=b""):
    """Name constraints (RFC 5280 4.2.1.10); tail goes behind each base."""
    tree = lambda i, names: ctx(i, *[seq(n, tail) for n in names]) if names else b""
    return ext("2.5.29.30", seq(tree(0, permitted), tree(1, excluded)), True)

ECDSA256 = seq(oid("1.2.840.10045.4.3.2"))

class Key:
    def __init__(self, label, d=None, q=None):
        self.d = d or num(b"harbour lab case key", label.encode())
        self.q = q or mul(self.d)
        self.point = b"\x04" + self.q[0].to_bytes(32, "big") + self.q[1].to_bytes(32, "big")
        self.spki = seq(seq(oid("1.2.840.10045.2.1"), oid("1.2.840.10045.3.1.7")), bits(self.point))
        self.id = hashlib.sha1(self.point).digest()
        self.alg = ECDSA256
    def sign(self, data, nonce=None):
        h = int.from_bytes(hashlib.sha256(data).digest(), "big")
        k, r = nonce or (lambda k: (k, mul(k)[0] % N))(num(b"nonce", self.d.to_bytes(32, "big"), data))
        return seq(integer(r), integer(pow(k, -1, N) * (h + r * self.d) % N))
    def sec1(self):
        return seq(integer(1), octets(self.d.to_bytes(32, "big")),
                   ctx(0, oid("1.2.840.10045.3.1.7")), ctx(1, bits(self.point)))
    def pem(self): return pem(self.sec1(), "EC PRIVATE KEY")

class Rsa:
    """RSA from fixed 512-bit primes, as many as the size needs (RFC 8017 3.1 allows more than two)."""
    STEP = [874, 292, 282, 808, 50, 404, 280, 20, 220, 104, 996, 206, 334, 476, 50, 116, 282, 2]
    def __init__(self, size, digest="sha256"):
        ps = [(int.from_bytes(b"\xff" + hashlib.sha512(b"harbour lab prime %d" % i).digest()[1:], "big") | 1) + self.STEP[i]
              for i in range(size // 512)]
        self.n, phi = 1, 1
        for p in ps: self.n, phi = self.n * p, phi * (p - 1)
        self.d, self.digest = pow(65537, -1, phi), digest
        self.point = seq(integer(self.n), integer(65537))
        self.spki = seq(seq(oid("1.2.840.113549.1.1.1"), tlv(5)), bits(self.point))
        self.id = hashlib.sha1(self.point).digest()
        self.alg = seq(oid("1.2.840.113549.1.1." + {"sha1": "5", "sha256": "11"}[digest]), tlv(5))
    def sign(self, data, nonce=None):
        o = {"sha1": "1.3.14.3.2.26", "sha256": "2.16.840.1.101.3.4.2.1"}[self.digest]
        t = seq(seq(oid(o), tlv(5)), octets(hashlib.new(self.digest, data).digest()))
        size = (self.n.bit_length() + 7) // 8
        m = b"\0\1" + b"\xff" * (size - len(t) - 3) + b"\0" + t
        return pow(int.from_bytes(m, "big"), self.d, self.n).to_bytes(size, "big")

class Cert:
    def __init__(self, der, subject=None, key=None):
        self.der, self.subject, self.key = der, subject, key
    @property
    def sha256(self): return hashlib.sha256(self.der).hexdigest()
    def pem(self, **kw): return pem(self.der, **kw)

def tbs(subject, key, issuer, serial, validity, exts, version, alg):
    return seq(ctx(0, integer(version)) if version else b"",
               serial if isinstance(serial, bytes) else integer(serial),
               alg, issuer, validity, subject, key.spki,
               ctx(3, seq(*exts)) if exts else b"")

def cert(subject, key, issuer=None, signer=None, serial=None, nb="20240101000000",
         na="20440101000000", validity=None, exts=None, version=2, wrap=seq, nonce=None):
    """A certificate; self-issued unless issuer (a name) and signer (a key) are given."""
    signer, issuer = signer or key, issuer if issuer is not None else subject
    if serial is None:
        serial = num(b"serial", subject, key.point, nb.encode(), na.encode()) >> 100
    if exts is None:
        exts = [bc(), ku("keyCertSign", "cRLSign"), ski(key)] + ([aki(signer)] if signer is not key else [])
    t = tbs(subject, key, issuer, serial, validity or seq(when(nb), when(na)), exts, version, signer.alg)
    return Cert(wrap(t, signer.alg, bits(signer.sign(t, nonce))), subject, key)

def root(cn, label=None, **kw):
    return cert(kw.pop("subject", None) or org(cn), Key(label or cn), **kw)

def leaf(host, ca, names=None, label=None, exts=None, **kw):
    key = Key(label or "leaf " + host)
    e = exts if exts is not None else [bc(False), ku("digitalSignature"), eku(SERVER), ski(key), aki(ca.key),
                                       san(*(names if names is not None else [dns(host)]))]
    return cert(name((CN, host)), key, ca.subject, ca.key, exts=e,
                nb=kw.pop("nb", "20260101000000"), na=kw.pop("na", "20430101000000"), **kw)

def issuing(cn, ca, **kw):
    key = Key(cn)
    return cert(org(cn), key, ca.subject, ca.key,
                exts=kw.pop("exts", [bc(pathlen=0), ku("keyCertSign", "cRLSign"), ski(key), aki(ca.key)]), **kw)

def pem(der, label="CERTIFICATE", eol="\n", width=64):
    b = base64.b64encode(der).decode()
    lines = ["-----BEGIN %s-----" % label] + [b[i:i + width] for i in range(0, len(b), width)]
    return (eol.join(lines + ["-----END %s-----" % label]) + eol).encode()

# --- files, expectations, checks ------------------------------------------------
OUT = sys.argv[1] if len(sys.argv) > 1 else "."
seen, failed = [], []

class Case:
    """One case: a folder, its EXPECT.txt, and the proof that its files have the fault."""
    def __init__(self, cid):
        self.cid, self.dir = cid, os.path.join(OUT, cid)
        os.makedirs(self.dir)
        seen.append(cid)
    def path(self, rel): return os.path.join(self.dir, rel)
    def write(self, rel, data, mode=0o644):
        p = self.path(rel)
        os.makedirs(os.path.dirname(p), exist_ok=True)
        with open(p, "wb") as f: f.write(data.encode() if isinstance(data, str) else data)
        os.chmod(p, mode)
        return p
    def link(self, target, rel):
        p = self.path(rel)
        os.makedirs(os.path.dirname(p), exist_ok=True)
        os.symlink(target, p)
        return p
    def read(self, rel):
        with open(self.path(rel), "rb") as f: return f.read()
    def expect(self, *lines):
        assert 1 <= len(lines) <= 3, self.cid
        self.write("EXPECT.txt", "\n".join(lines) + "\n")
    def proof(self, what, good):
        print("%s %-4s %s" % (self.cid, "ok" if good else "FAIL", what))
        if not good: failed.append((self.cid, what))

def run(*argv, data=None, cwd=None, env=None, timeout=60):
    """A bounded external command: (exit status, stdout and stderr)."""
    p = subprocess.run(argv, input=data, stdout=subprocess.PIPE, stderr=subprocess.STDOUT,
                       cwd=cwd, env=env, timeout=timeout)
    return p.returncode, p.stdout

def openssl(*argv, **kw): return run("openssl", *argv, **kw)

def text(data, form="DER", *more):
    return openssl("x509", "-inform", form, "-noout", "-text", *more, data=data)[1].decode("latin-1")

def readable(data, form="PEM"): return openssl("x509", "-inform", form, "-noout", data=data)[0] == 0

def fingerprint(data, form="PEM"):
    rc, o = openssl("x509", "-inform", form, "-outform", "DER", data=data)
    return hashlib.sha256(o).hexdigest() if rc == 0 else None

def verify(leaf_pem, roots, between=b"", *more):
    """openssl verify of one certificate: (good, its words)."""
    with tempfile.TemporaryDirectory() as d:
        files = {"leaf": leaf_pem, "roots": roots, "between": between}
        for n, b in files.items():
            with open(os.path.join(d, n), "wb") as f: f.write(b)
        args = ["verify", "-no-CApath", "-no-CAstore", "-CAfile", "roots"]
        args += ["-untrusted", "between"] if between else []
        rc, o = openssl(*args, *more, "leaf", cwd=d)
        return rc == 0, o.decode("latin-1")

def selfsigned(der):
    """openssl finds the self-signature good, whatever the dates and the strength."""
    return verify(pem(der), pem(der), b"", "-no_check_time", "-check_ss_sig", "-auth_level", "0")[0]

def subject_hash(der):
    return openssl("x509", "-inform", "DER", "-noout", "-subject_hash", data=der)[1].decode().strip()

def done(n):
    assert len(seen) == n, "%d cases made, %d wanted" % (len(seen), n)
    for c in seen: assert os.path.exists(os.path.join(OUT, c, "EXPECT.txt")), c
    if failed:
        print("%d proofs failed" % len(failed)); sys.exit(1)
    print("%d cases in %s" % (n, OUT))


# --- the open cases -------------------------------------------------------------
LAB = root("Harbour Lab Root CA")
DEPOT = root("Harbour Depot Root CA")
YARD = root("Harbour Yard Root CA")
ISSUING = issuing("Harbour Issuing CA 1", LAB)
CRANE = leaf("crane.harbour.test", ISSUING)
GATE = leaf("gate.harbour.test", LAB)

def c01():
    c = Case("C01")
    t = LAB.pem(eol="\r\n").decode()
    c.write("root.utf16le.crt", b"\xff\xfe" + t.encode("utf-16-le"))
    c.write("root.utf8bom.crt", b"\xef\xbb\xbf" + t.encode())
    c.expect("Both files hold one and the same root, SHA-256 %s. Take it from each." % LAB.sha256,
             "What is placed is that certificate alone, without byte order mark and without NUL bytes; read back, it has the same SHA-256.",
             "Wrong: success although nothing was placed (a platform tool links the UTF-16 file and reports '1 added').")
    u = c.read("root.utf16le.crt")
    c.proof("starts with the UTF-16 LE mark, CRLF, no final NUL", u[:2] == b"\xff\xfe" and b"\r\0\n\0" in u)
    c.proof("openssl cannot read it as it is", not readable(u))
    c.proof("decoded, it is the root", fingerprint(u.decode("utf-16").encode()) == LAB.sha256)
    c.proof("the other starts with the UTF-8 mark and is the root",
            c.read("root.utf8bom.crt")[:3] == b"\xef\xbb\xbf" and fingerprint(c.read("root.utf8bom.crt")[3:]) == LAB.sha256)

def c02():
    c = Case("C02")
    c.write("a-crlf-no-final-newline.crt", LAB.pem(eol="\r\n")[:-2])
    c.write("b-no-final-newline.crt", DEPOT.pem()[:-1])
    c.write("c-comments.crt", b"# Harbour Yard, key ceremony of 2024, copy 2 of 3\n\n" + text(YARD.der).encode("latin-1")
            + b"\n" + YARD.pem() + b"# end of the file\n")
    c.expect("Three roots: a %s, b %s, c %s." % (LAB.sha256, DEPOT.sha256, YARD.sha256),
             "Place all three: the compiled bundle then has exactly three certificates more, every END line ends its own line, no comment came along.",
             "Every root that was in the store before still verifies its servers with OpenSSL and with GnuTLS.")
    a, b, d = (c.read(f) for f in sorted(os.listdir(c.dir)) if f.endswith(".crt"))
    c.proof("no newline at the end of a and b", a[-1:] == b"-" and b[-1:] == b"-" and b"\r\n" in a)
    c.proof("each file alone is its root", [fingerprint(x) for x in (a, b, d)] == [LAB.sha256, DEPOT.sha256, YARD.sha256])
    glued = a + b + d
    c.proof("glued together they are no bundle for openssl", b"----------BEGIN" in glued and not verify(GATE.pem(), glued)[0])
    c.proof("joined with newlines they are", verify(GATE.pem(), b"\n".join([a, b, d]))[0])

def c04():
    c = Case("C04")
    c.write("enrolment.crt", "# This file was written by the enrolment client. Do not edit.\n\n[p11-kit-object-v1]\nclass: certificate\n"
            "certificate-type: x-509\ncertificate-category: authority\nlabel: \"Harbour%20Lab%20Root%20CA\"\ntrusted: true\n" + LAB.pem().decode())
    with tempfile.TemporaryDirectory() as d:
        with open(os.path.join(d, "r"), "wb") as f: f.write(LAB.pem())
        p12 = openssl("pkcs12", "-export", "-nokeys", "-in", "r", "-caname", "Harbour root; do not lose", "-passout", "pass:harbour", cwd=d)[1]
    c.write("root-only.p12", p12)
    bag = openssl("pkcs12", "-in", c.path("root-only.p12"), "-nokeys", "-passin", "pass:harbour")[1]
    c.write("bag-attributes.pem", bag)
    c.expect("enrolment.crt and bag-attributes.pem: take the root, SHA-256 %s, and leave every other line behind (section header, 'Bag Attributes', friendlyName)." % LAB.sha256,
             "Read as part of a store, they count as that root too, not as an error (an old p11-kit then lists no root at all, with exit 0).",
             "root-only.p12: refuse and say that it is PKCS#12 and that the certificate must be exported without it; or ask for the pass phrase. Never 'unknown format', never success.")
    c.proof("a p11-kit section before the certificate", c.read("enrolment.crt").index(b"[p11-kit-object-v1]") < c.read("enrolment.crt").index(b"-----BEGIN"))
    c.proof("bag attributes before the certificate", b"Bag Attributes" in bag and b"friendlyName" in bag)
    c.proof("both hold the root", {fingerprint(c.read(f)) for f in ("enrolment.crt", "bag-attributes.pem")} == {LAB.sha256})
    info = openssl("pkcs12", "-in", c.path("root-only.p12"), "-info", "-passin", "pass:harbour", "-nodes")[1]
    c.proof("PKCS#12 with the certificate and without a key", b"BEGIN CERTIFICATE" in info and b"PRIVATE KEY" not in info)

def c05():
    c = Case("C05")
    with tempfile.TemporaryDirectory() as d:
        with open(os.path.join(d, "all"), "wb") as f: f.write(CRANE.pem() + ISSUING.pem() + LAB.pem())
        p7 = openssl("crl2pkcs7", "-nocrl", "-certfile", "all", "-outform", "DER", cwd=d)[1]
    c.write("chain.p7b", p7)
    c.write("chain.pem.p7b", pem(p7, "PKCS7", "\r\n"))
    c.write("chain.cer", pem(p7, "CERTIFICATE", "\r\n"))
    c.expect("Each file holds three certificates: a server's, an issuing CA's and one root, SHA-256 %s. chain.cer is the same PKCS#7 under a CERTIFICATE label, as a generic encoder writes it." % LAB.sha256,
             "Offer only the root for placing; name the other two (issuing CA %s) and say why not." % ISSUING.sha256,
             "Wrong: all three placed; only the first placed (it is the server's); 'not a certificate' without saying PKCS#7.")
    for f, form in (("chain.p7b", "DER"), ("chain.pem.p7b", "PEM")):
        o = openssl("pkcs7", "-inform", form, "-in", c.path(f), "-print_certs")[1]
        c.proof(f + " holds three certificates", o.count(b"BEGIN CERTIFICATE") == 3)
    c.proof("chain.cer is no certificate to openssl, and the same PKCS#7",
            not readable(c.read("chain.cer")) and base64.b64decode(b"".join(c.read("chain.cer").split(b"\r\n")[1:-2])) == p7)

def c07():
    c = Case("C07")
    c.write("three-roots.pem", b"# lab\n" + LAB.pem() + b"\n# depot\n" + DEPOT.pem() + b"# yard\n" + YARD.pem())
    c.write("twice.pem", LAB.pem() + LAB.pem(eol="\r\n", width=76))
    c.write("two-names/harbour.crt", LAB.pem())
    c.write("two-names/zz-old-copy.crt", LAB.pem(width=76))
    c.expect("three-roots.pem: list three roots, %s, %s, %s; a policy that names one of them places that one only." % (LAB.sha256, DEPOT.sha256, YARD.sha256),
             "twice.pem: one root, once placed. two-names: copy both into the machine store's source folder, then enforce: the root is placed, the other copy is a stray; exit status 0 and no error.",
             "Wrong: only the first certificate of a file read; a second certificate of the same root in Java's or NSS's store; the platform's 'skipping duplicate' taken for a failure.")
    c.proof("three different certificates in one file", c.read("three-roots.pem").count(b"-----BEGIN") == 3 and len({LAB.der, DEPOT.der, YARD.der}) == 3)
    c.proof("openssl x509 reads only the first", fingerprint(c.read("three-roots.pem")) == LAB.sha256)
    c.proof("same DER, other bytes", fingerprint(c.read("two-names/zz-old-copy.crt")) == LAB.sha256 != hashlib.sha256(c.read("two-names/zz-old-copy.crt")).hexdigest()
            and c.read("two-names/harbour.crt") != c.read("two-names/zz-old-copy.crt"))

def c08():
    c = Case("C08")
    base, k = num(b"bulk"), num(b"bulk nonce")
    nonce, q, ders = (k, mul(k)[0] % N), mul(base), []
    for i in range(10000):
        ders.append(cert(org("Harbour Bulk Root %05d" % i), Key("", base + i, q), nonce=nonce).der)
        q = add(q, G)
    c.write("bundle-10000.pem", b"".join(pem(d) for d in ders))
    wanted = ders[7777]
    c.write("wanted.pem", pem(wanted))
    line = b"# padding, padding, padding, padding, padding, padding, padding\n"
    c.write("huge-comment.crt", line * (32 * 2**20 // len(line)) + LAB.pem())
    p = c.write("lying-length.cer", b"\x30\x84\x7f\xff\xff\xf0" + LAB.der)
    with open(p, "r+b") as f: f.truncate(256 * 2**20)
    c.expect("bundle-10000.pem as a store: 10000 entries, wanted.pem (SHA-256 %s) is number 7778; found in under 3 s and 300 MiB." % hashlib.sha256(wanted).hexdigest(),
             "bundle-10000.pem, huge-comment.crt (32 MiB) and lying-length.cer (256 MiB sparse, claims 2 GiB) as root files: refuse each by a stated limit, without reading past it.",
             "Wrong: time or memory that grows with the file, a crash, or a limit that nobody is told.")
    c.proof("10000 different certificates", len(set(ders)) == 10000 == c.read("bundle-10000.pem").count(b"-----BEGIN"))
    c.proof("self-signed, by openssl (three samples)", all(selfsigned(ders[i]) for i in (0, 7777, 9999)))
    c.proof("sizes", os.path.getsize(c.path("huge-comment.crt")) > 32 * 10**6 and os.path.getsize(p) == 2**28)
    with open(p, "rb") as f: c.proof("the length lies", int.from_bytes(f.read(6)[2:], "big") > 2**28)

def c09():
    c = Case("C09")
    c.write("login-page.crt", "<!DOCTYPE html>\r\n<html><head><title>Harbour sign-in</title></head>\r\n<body><form action=\"/login\" method=\"post\">\r\n"
            "<input name=\"user\"><input name=\"password\" type=\"password\">\r\n</form></body></html>\r\n")
    c.write("gateway-error.cer", b"\xef\xbb\xbf\n<html>\n<head><title>502 Bad Gateway</title></head>\n<body><h1>502 Bad Gateway</h1>\n"
            b"<!-- -----BEGIN CERTIFICATE----- --></body>\n</html>\n")
    c.write("empty.crt", b"")
    c.write("newline.crt", b"\n")
    c.expect("Refuse all four, before anything is touched; exit status not 0. Say 'a web page, not a certificate' for the first two and 'empty' for the last two.",
             "As part of a store: report the file, keep reading the rest.",
             "Wrong: '1 added' (what the platform's tool says of each), or a compiled store that is smaller than before.")
    c.proof("openssl reads none of them", not any(readable(c.read(f), form) for f in ("login-page.crt", "gateway-error.cer", "empty.crt", "newline.crt") for form in ("PEM", "DER")))
    c.proof("zero bytes", os.path.getsize(c.path("empty.crt")) == 0)
    c.proof("web pages", b"<html" in c.read("login-page.crt") and b"<html" in c.read("gateway-error.cer"))

def c11():
    c = Case("C11")
    key = Key("quay own")
    own = cert(name((CN, "quay.harbour.test")), key, exts=[bc(False), ku("digitalSignature"), eku(SERVER), ski(key), san(dns("quay.harbour.test"))])
    c.write("leaf.pem", CRANE.pem())
    c.write("captured-from-server.crt", b"Certificate chain\n 0 s:CN = crane.harbour.test\n" + CRANE.pem() + ISSUING.pem())
    c.write("self-signed-server.pem", own.pem())
    c.expect("Refuse all three as roots: leaf.pem is a server's certificate (issuer 'Harbour Issuing CA 1', ask for the root above it); the captured chain holds no root at all; self-signed-server.pem says CA:FALSE.",
             "Refused at signing and again on the host; the reason names the certificate and basicConstraints.",
             "Wrong: placed, 'trusted', and the next certificate of the same issuer still fails.")
    c.proof("leaf: not a CA, issuer differs", b"CA:FALSE" in text(CRANE.der).encode() and CRANE.subject != ISSUING.subject)
    c.proof("trusting the leaf verifies no sibling", not verify(leaf("gate.harbour.test", ISSUING).pem(), CRANE.pem())[0])
    c.proof("no self-signed certificate in the captured chain", not selfsigned(CRANE.der) and not selfsigned(ISSUING.der))
    c.proof("self-signed and not a CA", selfsigned(own.der) and "CA:FALSE" in text(own.der))

def c13():
    c = Case("C13")
    k = LAB.key.pem()
    enc = openssl("pkcs8", "-topk8", "-v2", "aes-256-cbc", "-passout", "pass:harbour", data=k)[1]
    c.write("combined.pem", k + LAB.pem())
    c.write("key-behind.pem", LAB.pem() + b"\n" * 40 + k)
    c.write("encrypted-key.pem", enc + LAB.pem())
    mark = k.split(b"\n")[1].decode()[:24]
    c.expect("Refuse all three: 'holds a private key'. Say that the key has left its place and that the CA's owner must decide about a new root; then how to export the certificate alone.",
             "No byte of the key appears in any output, log, history, report or store: grep -r %s finds it in these files only." % mark,
             "Wrong: the certificate taken and the key copied along (a platform tool that concatenates puts it in the world-readable bundle).")
    c.proof("key and certificate belong together", openssl("pkey", "-pubout", data=k)[1] == openssl("x509", "-pubkey", "-noout", data=LAB.pem())[1])
    c.proof("a key in each file", all(b"PRIVATE KEY" in c.read(f) for f in ("combined.pem", "key-behind.pem", "encrypted-key.pem")))
    c.proof("one is encrypted", b"ENCRYPTED PRIVATE KEY" in enc)
    c.proof("the mark is in the two plain ones", all(mark.encode() in c.read(f) for f in ("combined.pem", "key-behind.pem")))

def c15():
    c = Case("C15")
    neg = root("Harbour Old Tool Root", serial=-0x12A40DDBA115EA51DE0FF1CEB0A7F00D)
    zero = root("Harbour First Root", serial=0)
    c.write("bundle.pem", LAB.pem() + neg.pem() + DEPOT.pem())
    c.write("negative-serial.pem", neg.pem())
    c.write("serial-zero.pem", zero.pem())
    c.expect("bundle.pem as a store: three entries; %s and %s are readable, the second (SHA-256 %s) is listed as 'negative serial number' and costs the others nothing." % (LAB.sha256, DEPOT.sha256, neg.sha256),
             "negative-serial.pem as a root: refuse, RFC 5280 4.1.2.2; say that Go programs cannot read it while OpenSSL, GnuTLS, NSS and Java do.",
             "serial-zero.pem (SHA-256 %s): accept with a note; every library reads it." % zero.sha256)
    c.proof("negative", "(Negative)" in text(neg.der))
    c.proof("zero", "Serial Number: 0 (0x0)" in text(zero.der))
    c.proof("all three self-signed, and openssl verifies with the bundle",
            all(selfsigned(x.der) for x in (neg, zero, LAB)) and verify(GATE.pem(), c.read("bundle.pem"))[0])

def c17():
    c = Case("C17")
    made = {}
    for f, size, digest in (("rsa-1024.pem", 1024, "sha256"), ("sha1-selfsigned.pem", 2048, "sha1"), ("rsa-9216.pem", 9216, "sha256")):
        made[f] = cert(org("Harbour %s" % f[:-4]), Rsa(size, digest))
        c.write(f, made[f].pem())
    c.expect("rsa-1024.pem: refuse, 1024 bits is under the floor; say the floor.",
             "sha1-selfsigned.pem (SHA-256 %s): never call its signature broken, it is good and weak. A root's own signature proves nothing and is not checked in a path (RFC 5280 6.1): accept with a note, or refuse naming SHA-1." % made["sha1-selfsigned.pem"].sha256,
             "rsa-9216.pem (SHA-256 %s): answer within 2 s; accept with the warning that Go programs refuse a server that sends a key over 8192 bits, or refuse by a stated ceiling." % made["rsa-9216.pem"].sha256)
    c.proof("1024 bits", "Public-Key: (1024 bit)" in text(made["rsa-1024.pem"].der))
    c.proof("SHA-1 self-signature, good", "sha1WithRSAEncryption" in text(made["sha1-selfsigned.pem"].der) and selfsigned(made["sha1-selfsigned.pem"].der))
    c.proof("9216 bits, good", "Public-Key: (9216 bit)" in text(made["rsa-9216.pem"].der) and selfsigned(made["rsa-9216.pem"].der))

def c18():
    c = Case("C18")
    day = datetime.datetime.now(datetime.timezone.utc).replace(hour=0, minute=0, second=0)
    soon = day + datetime.timedelta(days=20)
    a = root("Harbour 2012 Root", nb="20120101000000", na="20220101000000")
    b = root("Harbour Ending Root", na=soon.strftime("%Y%m%d%H%M%S"))
    c.write("expired.pem", a.pem())
    c.write("ends-soon.pem", b.pem())
    c.expect("expired.pem (SHA-256 %s): refuse as a new trusted root; give the date, 2022-01-01. If it is in a store already: report it as expired, leave it (only a policy takes out)." % a.sha256,
             "ends-soon.pem (SHA-256 %s, ends %s): accept, and warn with the date, at signing and in every report." % (b.sha256, soon.strftime("%Y-%m-%d")),
             "A service whose chain ends in the expired root is judged 'root expired', not 'unknown issuer'; retiring this root needs no hold for it, since it verifies no longer.")
    t = openssl("x509", "-noout", "-checkend", "0", data=a.pem())
    c.proof("expired", t[0] == 1 and "Not After : Jan  1 00:00:00 2022" in text(a.der))
    c.proof("ends within 30 days, not yet", openssl("x509", "-noout", "-checkend", "0", data=b.pem())[0] == 0
            and openssl("x509", "-noout", "-checkend", str(30 * 86400), data=b.pem())[0] == 1)
    c.proof("both self-signed", selfsigned(a.der) and selfsigned(b.der))

def c20():
    c = Case("C20")
    dn, k1, k2 = org("Harbour Renewed Root CA"), Key("renewed 1"), Key("renewed 2")
    old = cert(dn, k1, nb="20120101000000", na="20220101000000", serial=1)
    curr = cert(dn, k1, nb="20210101000000", na="20410101000000", serial=2)
    new = cert(dn, k2, serial=3)
    cross = cert(dn, k2, dn, k1, serial=4, nb="20240101000000", na="20410101000000")
    a, b = leaf("crane.harbour.test", curr, na="20400101000000"), leaf("winch.harbour.test", new)
    parts = {"old": old, "curr": curr, "new": new}
    for n, x in list(parts.items()) + [("cross", cross)]: c.write(n + ".pem", x.pem())
    c.write("server-crane.pem", a.pem())
    c.write("server-winch.pem", b.pem())
    orders = ["-".join(o) for r in (2, 3) for o in itertools.permutations(parts, r)]
    for o in orders: c.write("stores/%s.pem" % o, b"".join(parts[n].pem() for n in o.split("-")))
    c.expect("Four certificates, one subject: old (expired), curr (same key, renewed), new (other key), cross (new's key signed by the old key). They are told apart by SHA-256 alone: old %s curr %s new %s cross %s." % (old.sha256, curr.sha256, new.sha256, cross.sha256),
             "Whatever the order in stores/: server-crane verifies where curr is, server-winch where new is. Placing new neither replaces nor hides curr or old; retiring old takes out old only.",
             "cross.pem as a root: refuse, it is self-issued but not self-signed.")
    c.proof("one subject, old and curr one key, new another",
            len({subject_hash(x.der) for x in (old, curr, new, cross)}) == 1 and old.key.spki == curr.key.spki != new.key.spki)
    c.proof("old expired, curr and new self-signed", all(selfsigned(x.der) for x in (old, curr, new)) and openssl("x509", "-noout", "-checkend", "0", data=old.pem())[0] == 1)
    c.proof("cross is self-issued, not self-signed, and verifies by curr", not selfsigned(cross.der) and verify(cross.pem(), curr.pem())[0])
    good = all(verify(a.pem(), c.read("stores/%s.pem" % o))[0] == ("curr" in o) and verify(b.pem(), c.read("stores/%s.pem" % o))[0] == ("new" in o) for o in orders)
    c.proof("openssl here: twelve orders, every verdict by content alone", good)

def c22():
    c = Case("C22")
    rows = []
    for tag, base in (("dot", ".harbour.test"), ("plain", "harbour.test")):
        k = Key("constrained " + tag)
        r = cert(org("Harbour Constrained Root (%s)" % tag), k, exts=[bc(), ku("keyCertSign", "cRLSign"), nc([dns(base)]), ski(k)])
        c.write(tag + ".pem", r.pem())
        for h in ("harbour.test", "crane.harbour.test", "crane.depot.test"):
            l = leaf(h, r)
            f = "%s-server-%s.pem" % (tag, h)
            c.write(f, l.pem())
            right = h.endswith(".harbour.test") or (tag == "plain" and h == "harbour.test")
            rows.append((f, right))
            v = verify(l.pem(), r.pem(), b"", "-verify_hostname", h)
            c.proof("%s: %s" % (f, "verifies" if right else "permitted subtree violation"),
                    v[0] == right and (right or "permitted subtree violation" in v[1]))
        c.proof(tag + ".pem permits " + base, "DNS:" + base in text(r.der))
    c.write("verdicts.txt", "".join("%s %s\n" % (f, "verified" if g else "outside-name-constraints") for f, g in rows))
    c.expect("Vetting shows the limit in plain words: dot.pem vouches only for names below harbour.test, not for harbour.test itself; plain.pem for harbour.test and all below.",
             "Probes judge the six servers as in verdicts.txt (OpenSSL, GnuTLS, NSS and Go agree), and say 'outside the name constraints of root ...', not 'unknown issuer' or 'name mismatch'.",
             "Accept both as roots; note beside them which stores do not enforce constraints on a root.")

def c23():
    c = Case("C23")
    r = root("Harbour Clicked Root CA")
    thumb = hashlib.sha1(r.der).digest()
    prop = lambda i, b: i.to_bytes(4, "little") + (1).to_bytes(4, "little") + len(b).to_bytes(4, "little") + b
    blob = prop(3, thumb) + prop(32, r.der)
    hexes = ",\\\r\n  ".join(",".join("%02x" % x for x in blob[i:i + 25]) for i in range(0, len(blob), 25))
    where = "HKEY_CURRENT_USER\\Software\\Microsoft\\SystemCertificates\\Root\\Certificates\\" + thumb.hex().upper()
    c.write("user-store.reg", b"\xff\xfe" + ("Windows Registry Editor Version 5.00\r\n\r\n[%s]\r\n\"Blob\"=hex:%s\r\n\r\n" % (where, hexes)).encode("utf-16-le"))
    c.write("root.cer", r.der)
    c.write("home/.pki/README", "The same on Linux: certutil -A -d sql:home/.pki/nssdb -n clicked -t C,, -i root.cer (this user only).\n")
    c.expect("As an ordinary user import user-store.reg (regedit under Wine; on Windows add root.cer by the wizard's default instead): the root (SHA-256 %s, thumbprint %s) is then 'user-only', not 'placed', though every program of this user verifies." % (r.sha256, thumb.hex().upper()),
             "Enforce places it in LocalMachine\\Root, which services of other accounts read; proof is read through a machine-only handle (a handle on the user's store shows both and proves nothing).",
             "The user's copy is reported as a stray and left; the exit status is 1 until the machine store has it.")
    t = c.read("user-store.reg").decode("utf-16")
    back = bytes(int(x, 16) for x in t.split("hex:")[1].replace("\\\r\n", "").replace(" ", "").strip().split(","))
    c.proof("the blob's properties are the thumbprint and the certificate", back[12:32] == thumb and back[44:] == r.der)
    c.proof("the key is the current user's", "HKEY_CURRENT_USER" in t and thumb.hex().upper() in t)
    c.proof("root.cer is that root", fingerprint(r.der, "DER") == r.sha256)

def c25():
    c = Case("C25")
    r = root("Harbour Late Root CA")
    i = issuing("Harbour Late Issuing CA", r)
    l = leaf("crane.harbour.test", i)
    c.write("store/before.pem", DEPOT.pem())
    c.write("store/root.pem", r.pem())
    c.write("service/chain.pem", l.pem() + i.pem())
    c.write("service/key.pem", l.key.pem(), 0o600)
    c.write("serve.py", '"""A TLS service on a free port of 127.0.0.1; prints the port. Ends after 30 s."""\n'
            'import socket, ssl, sys, threading, os\n'
            'threading.Timer(30, os._exit, [0]).start()\n'
            'c = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)\nc.load_cert_chain(sys.argv[1] + "/chain.pem", sys.argv[1] + "/key.pem")\n'
            's = socket.create_server(("127.0.0.1", 0))\nprint(s.getsockname()[1], flush=True)\n'
            'while True:\n    p, _ = s.accept()\n    p.settimeout(5)\n    try:\n        c.wrap_socket(p, server_side=True).close()\n    except OSError:\n        p.close()\n')
    c.write("daemon.py", '"""A stand-in for a daemon that reads the store once, at its start. A line in: one connection, one verdict out."""\n'
            'import socket, ssl, sys\n'
            'c = ssl.create_default_context(cafile=sys.argv[1])\n'
            'for _ in sys.stdin:\n    try:\n        with socket.create_connection(("127.0.0.1", int(sys.argv[2])), 5) as s:\n'
            '            c.wrap_socket(s, server_hostname="crane.harbour.test").close()\n        print("verified", flush=True)\n'
            '    except ssl.SSLCertVerificationError:\n        print("refused", flush=True)\n')
    c.write("play.sh", '#!/usr/bin/env bash\n# A root is placed while a daemon runs: the daemon goes on refusing, a new process verifies.\nset -euo pipefail\n'
            'cd -- "$(dirname -- "$0")"\nw=$(mktemp -d)\ncp store/before.pem "$w/bundle.pem"\n'
            'coproc S { exec python3 serve.py service; }\nread -r -t 10 port <&"${S[0]}"\nserver=$S_PID\n'
            'mkfifo "$w/in" "$w/out"\npython3 daemon.py "$w/bundle.pem" "$port" <"$w/in" >"$w/out" &\ndaemon=$!\n'
            'exec 8>"$w/in" 9<"$w/out"\ntrap \'exec 8>&-; kill "$server" "$daemon" 2>/dev/null || true; rm -rf -- "$w"\' EXIT\n'
            'ask() { echo >&8; read -r -t 10 a <&9; echo "$1: $a"; }\n'
            'ask "before placing"\ncat store/root.pem >>"$w/bundle.pem"\nask "placed, same process"\n'
            'echo "placed, new process: $(echo | python3 daemon.py "$w/bundle.pem" "$port")"\n', 0o755)
    c.expect("bash play.sh shows it: 'refused', 'refused', 'verified'. The root (SHA-256 %s) is placed, and a program that was started before goes on refusing." % r.sha256,
             "The placement is 'placed' and the report says beside the service which watching program is older than the store's last change and must be restarted or reloaded; after the restart the remark goes.",
             "Wrong: 'all well' from the agent's own fresh process alone; a restart that nobody asked for.")
    rc, o = run("bash", c.path("play.sh"), timeout=60)
    c.proof("refused, refused, verified", rc == 0 and [x.split(": ")[1] for x in o.decode().splitlines()] == ["refused", "refused", "verified"])

def c26():
    c = Case("C26")
    r = LAB
    c.write("usr/local/share/ca-certificates/harbour.crt", r.pem(), 0o600)
    c.link("../../../usr/local/share/ca-certificates/harbour.crt", "etc/ssl/certs/harbour.pem")
    c.link("harbour.pem", "etc/ssl/certs/%s.0" % subject_hash(r.der))
    c.write("etc/ssl/certs/ca-certificates.crt", DEPOT.pem() + r.pem())
    c.write("locked/usr/local/share/ca-certificates/harbour.crt", r.pem(), 0o644)
    os.chmod(c.path("locked/usr/local/share/ca-certificates"), 0o700)
    c.write("locked/etc/ssl/certs/ca-certificates.crt", DEPOT.pem() + r.pem(), 0o600)
    c.expect("Overlay the tree on /: the root (SHA-256 %s) is in the bundle, but the hashed entry cannot be read by other accounts: the placement is 'unreadable', not 'placed', though the fingerprint matches." % r.sha256,
             "locked/: the folder (0700) and the bundle (0600) are shut; 'unreadable' as well, and the whole machine store is, for every account but root: say that first.",
             "Enforce mends it (0644 files, 0755 folders), whatever the umask it was started with (try umask 077), and reads back as an account that is not root.")
    st = os.stat(c.path("usr/local/share/ca-certificates/harbour.crt"))
    c.proof("0600", st.st_mode & 0o777 == 0o600)
    c.proof("the hashed entry leads to it", os.path.realpath(c.path("etc/ssl/certs/%s.0" % subject_hash(r.der))) == os.path.realpath(c.path("usr/local/share/ca-certificates/harbour.crt")))
    c.proof("folder 0700, bundle 0600", os.stat(c.path("locked/usr/local/share/ca-certificates")).st_mode & 0o777 == 0o700
            and os.stat(c.path("locked/etc/ssl/certs/ca-certificates.crt")).st_mode & 0o777 == 0o600)
    if os.geteuid() == 0:
        with tempfile.NamedTemporaryFile() as f:
            os.chmod(f.name, 0o600)
            c.proof("another account cannot read such a file", run("setpriv", "--reuid", "65534", "--regid", "65534", "--clear-groups", "cat", f.name)[0] != 0)

def c28():
    c = Case("C28")
    for i in range(6): c.write("vendor/vendor-%d.crt" % i, root("Harbour Vendor Root %d" % i).pem())
    c.write("refresh", '#!/bin/sh\n# A stand-in for a platform refresh that is neither atomic nor alone: it empties the bundle and fills it slowly.\n'
            '# usage: refresh SOURCE-FOLDER BUNDLE\n: >"$2"\nfor f in "$1"/*.crt; do sleep 0.05; cat "$f" >>"$2"; done\n', 0o755)
    c.write("play.sh", '#!/usr/bin/env bash\n# Two refreshes at once (a path unit and an administrator), and a reader all the while.\nset -euo pipefail\n'
            'cd -- "$(dirname -- "$0")"\nw=$(mktemp -d)\ntrap \'rm -rf -- "$w"\' EXIT\n./refresh vendor "$w/bundle"\n'
            '(./refresh vendor "$w/bundle") & a=$!\nsleep 0.12\n(./refresh vendor "$w/bundle") & b=$!\nleast=99\n'
            'for _ in {1..60}; do n=$(grep -c BEGIN "$w/bundle" || true); [ "$n" -lt "$least" ] && least=$n; sleep 0.01; done\n'
            'wait "$a" "$b"\necho "vendor roots 6, fewest seen $least, at the end $(grep -c BEGIN "$w/bundle")"\n', 0o755)
    c.expect("bash play.sh shows the fault: a reader sees fewer than 6 roots, or the end has more or fewer than 6.",
             "Give the agent's store this refresh tool and place one root while a second refresh runs beside it: a reader that samples every 10 ms never sees fewer than 6 roots, and at the end there are exactly 7.",
             "One refresh at a time, under the platform's own lock where it has one; a path unit that refreshes as well is waited for, not raced; what was compiled is read back.")
    rc, o = run("bash", c.path("play.sh"), timeout=60)
    v = [int(x) for x in "".join(ch if ch.isdigit() else " " for ch in o.decode()).split()]
    c.proof("the reader saw a part, or the end is wrong: " + o.decode().strip(), rc == 0 and v[0] == 6 and (v[1] < 6 or v[2] != 6))
    c.proof("six vendor roots", len({fingerprint(c.read("vendor/vendor-%d.crt" % i)) for i in range(6)}) == 6)

def c30():
    c = Case("C30")
    c.write("first.pem", LAB.pem()); c.write("second.pem", DEPOT.pem()); c.write("third.pem", YARD.pem())
    c.write("play.sh", '#!/usr/bin/env bash\n# A mounted volume as an orchestrator keeps it: root.pem -> ..data/root.pem, ..data -> a dated folder; an update swaps ..data.\n'
            '# usage: play.sh NEW-FOLDER [SECONDS]   lays the folder out, then updates it twice with SECONDS (2) between\nset -euo pipefail\n'
            'here=$(cd -- "$(dirname -- "$0")" && pwd -P)\nd=$1 pause=${2:-2}\nmkdir -- "$d"\n'
            'lay() { mkdir -- "$d/..2026_$1"; cp -- "$here/$1.pem" "$d/..2026_$1/root.pem"; ln -s "..2026_$1" "$d/..data_tmp"; mv -T -- "$d/..data_tmp" "$d/..data"; }\n'
            'lay first; ln -s ..data/root.pem "$d/root.pem"; echo first\n'
            'sleep "$pause"; lay second; rm -r -- "$d/..2026_first"; echo second\n'
            'sleep "$pause"; lay third; rm -r -- "$d/..2026_second"; echo third\n', 0o755)
    c.expect("Watch FOLDER/root.pem while 'play.sh FOLDER' runs: first %s, then second %s, then third %s are each taken, in this order, without a restart." % (LAB.sha256[:16], DEPOT.sha256[:16], YARD.sha256[:16]),
             "The last one is in force within the refresh time plus 1 s of the swap; also if all swaps happen within 50 ms (play.sh FOLDER 0.02), where only the last one must be.",
             "Wrong: only the first change seen (a watch on the file dies with the file), or 'file not found' between two swaps taken for a removal.")
    with tempfile.TemporaryDirectory() as d:
        p = subprocess.Popen(["bash", c.path("play.sh"), d + "/v", "0.5"], stdout=subprocess.PIPE)
        p.stdout.readline()
        libc = ctypes.CDLL(None, use_errno=True)
        fd = libc.inotify_init1(os.O_NONBLOCK)
        libc.inotify_add_watch(fd, os.fsencode(os.path.realpath(d + "/v/root.pem")), 0xfff)
        p.wait(30)
        masks = []
        try:
            b = os.read(fd, 65536)
            while b:
                m, n = int.from_bytes(b[4:8], "little"), int.from_bytes(b[12:16], "little")
                masks.append(m); b = b[16 + n:]
        except BlockingIOError: pass
        os.close(fd)
        c.proof("a watch on the file ends at the first swap and never sees a write", any(m & 0x8000 for m in masks) and not any(m & 0x2 for m in masks))
        with open(d + "/v/root.pem", "rb") as f: c.proof("the path ends at the third root", fingerprint(f.read()) == YARD.sha256)

def jks(entries, password="changeit"):
    """A Java key store of trusted certificates: entries are (alias, DER)."""
    utf = lambda s: len(s.encode()).to_bytes(2, "big") + s.encode()
    b = b"\xfe\xed\xfe\xed" + (2).to_bytes(4, "big") + len(entries).to_bytes(4, "big")
    for alias, der in entries:
        b += (2).to_bytes(4, "big") + utf(alias) + (1704067200000).to_bytes(8, "big") + utf("X.509") + len(der).to_bytes(4, "big") + der
    return b + hashlib.sha1(password.encode("utf-16-be") + b"Mighty Aphrodite" + b).digest()

def c32():
    c = Case("C32")
    old = root("Harbour 2015 Root CA", nb="20150101000000", na="20350101000000")
    os.makedirs(c.path("usr/local/share/ca-certificates"))
    c.link("/usr/local/share/ca-certificates/harbour-2015.crt", "etc/ssl/certs/harbour-2015.pem")
    c.link("harbour-2015.pem", "etc/ssl/certs/%s.0" % subject_hash(old.der))
    c.write("etc/ssl/certs/ca-certificates.crt", DEPOT.pem() + old.pem() + YARD.pem())
    c.write("etc/ssl/certs/java/cacerts", jks([("debian:depot.pem", DEPOT.der), ("debian:harbour-2015.pem", old.der), ("debian:yard.pem", YARD.der)]))
    c.write("retired.pem", old.pem())
    c.expect("The source file of the retired root (SHA-256 %s) is gone, the root is not: it lingers in the bundle and in Java's store, and a dangling hashed entry is left. Each of the three is named." % old.sha256,
             "Enforce with standing 'retired': gone from all three, the other two roots untouched; a plain platform refresh says '0 removed' and even a fresh one leaves Java's copy (measured on Debian 12).",
             "Done only when read back: OpenSSL, GnuTLS and keytool find it nowhere. Wrong: 'absent' because the source file is.")
    c.proof("in the bundle and in the Java store", pem(old.der) in c.read("etc/ssl/certs/ca-certificates.crt") and old.der in c.read("etc/ssl/certs/java/cacerts"))
    c.proof("the hashed entry dangles", os.path.islink(c.path("etc/ssl/certs/harbour-2015.pem")) and not os.path.exists(os.path.realpath(c.path("etc/ssl/certs/harbour-2015.pem"))))
    c.proof("no source file", os.listdir(c.path("usr/local/share/ca-certificates")) == [])
    if shutil.which("keytool"):
        o = run("keytool", "-J-Duser.language=en", "-list", "-keystore", c.path("etc/ssl/certs/java/cacerts"), "-storepass", "changeit")[1]
        c.proof("keytool reads the store: 3 entries", b"3 entries" in o and old.sha256.upper().encode() in o.replace(b":", b""))

def c33():
    c = Case("C33")
    a, b = root("Harbour Root CA A"), root("Harbour Root CA B")
    ia, ib = issuing("Harbour Issuing CA A1", a), issuing("Harbour Issuing CA B1", b)
    s1, s2 = leaf("crane.harbour.test", ia), leaf("winch.harbour.test", ib)
    s1b = leaf("crane.harbour.test", ib, label="crane renewed")
    c.write("a.pem", a.pem()); c.write("b.pem", b.pem())
    c.write("services/crane.pem", s1.pem() + ia.pem()); c.write("services/winch.pem", s2.pem() + ib.pem())
    c.write("services/crane-renewed.pem", s1b.pem() + ib.pem())
    for n, l in (("crane", s1), ("winch", s2), ("crane-renewed", s1b)): c.write("services/%s.key" % n, l.key.pem(), 0o600)
    c.expect("Store: A %s and B %s. Policy: A retired. Services: crane.harbour.test serves services/crane.pem, winch.harbour.test serves services/winch.pem." % (a.sha256[:16], b.sha256[:16]),
             "The withdrawal of A is held, and the hold names crane.harbour.test and A; B stays. When crane serves services/crane-renewed.pem, the next run withdraws A and the hold ends by itself.",
             "B, once retired by mistake beside A, is held for winch as well: never both out. Wrong: judging by issuer name instead of the chain really served.")
    v = lambda n, r, i: verify(n.pem(), r.pem(), i.pem())[0]
    c.proof("crane needs A, winch needs B, renewed crane needs B", v(s1, a, ia) and not v(s1, b, ia) and v(s2, b, ib) and not v(s2, a, ib) and v(s1b, b, ib) and not v(s1b, a, ib))
    c.proof("keys fit", openssl("pkey", "-pubout", data=c.read("services/crane-renewed.key"))[1] == openssl("x509", "-pubkey", "-noout", data=s1b.pem())[1])

def c35():
    c = Case("C35")
    evil = {"climb": "../../etc/cron.d/harbour", "slash": "Harbour/Lab/Root", "dots": "..", "option": "-rf --help", "glob": "*;$(touch pwned)`id`",
            "device": "CON", "long": "Harbour " + "x" * 300}
    made = {n: root("", "name " + n, subject=name((O, "Harbour Lab"), (CN, v))) for n, v in evil.items()}
    made["empty"] = root("", "name empty", subject=name())
    made["no-cn"] = root("", "name no cn", subject=name((O, "Harbour Lab"), (OU, "Root Keys")))
    for n, r in made.items(): c.write(n + ".pem", r.pem())
    c.expect("Place and take out all but empty.pem: every file that appears lies directly in the store's own folder, its name made from the SHA-256 (or a name of the policy's), none from the certificate; no command sees any of these names.",
             "empty.pem (SHA-256 %s): refuse, RFC 5280 4.1.2.6 wants a CA's subject filled; Java cannot read it." % made["empty"].sha256,
             "no-cn.pem (SHA-256 %s): accept, shown by its other attributes. Afterwards: no file 'pwned', nothing in etc/cron.d, source folder empty again." % made["no-cn"].sha256)
    def cn(d): return openssl("x509", "-inform", "DER", "-noout", "-subject", "-nameopt", "utf8,sname,sep_multiline", data=d)[1].decode()
    c.proof("the names are in the certificates", all(("CN=" + evil[n]) in cn(made[n].der) for n in ("climb", "slash", "dots", "option", "device", "long")))
    c.proof("openssl and self-signature fine with all", all(selfsigned(r.der) for n, r in made.items() if n != "empty"))
    c.proof("empty subject", cn(made["empty"].der).strip() == "subject=" and b"\x30\x00" in made["empty"].der)

def c37():
    c = Case("C37")
    c.write("system32/agent.toml", "# A decoy: settings that lie in the working folder of a service must never be read.\npolicy = \"policy.jws\"\nlog = \"decoy.log\"\n")
    c.write("system32/policy.jws", "decoy\n")
    c.write("run-as-service.sh", '#!/usr/bin/env bash\n# Runs COMMAND as a service manager does: foreign working folder, no terminal, no HOME, bare environment, umask 077;\n'
            '# after SECONDS it sends SIGTERM and tells how long the end took.\n# usage: run-as-service.sh SECONDS COMMAND [ARG]...\nset -u\n'
            'cd -- "$(dirname -- "$0")/system32" || exit 2\ns=$1; shift; umask 077\n'
            'env -i PATH=/usr/local/sbin:/usr/local/bin:/usr/sbin:/usr/bin:/sbin:/bin "$@" </dev/null & p=$!\n'
            'sleep "$s"\nif ! kill -0 "$p" 2>/dev/null; then wait "$p"; echo "ended by itself: $?"; exit 1; fi\n'
            't=$(date +%s%N); kill -TERM "$p"\nfor _ in {1..300}; do kill -0 "$p" 2>/dev/null || break; sleep 0.1; done\n'
            'if kill -0 "$p" 2>/dev/null; then kill -KILL "$p"; echo "had to be killed"; exit 1; fi\n'
            'wait "$p"; echo "status $? after $(( ($(date +%s%N) - t) / 1000000 )) ms"\n', 0o755)
    c.expect("run-as-service.sh 5 AGENT ...: it starts, finds its settings in their absolute place, reads neither system32/agent.toml nor system32/policy.jws, leaves no new file there, and needs no HOME, USER or LANG.",
             "A relative path inside the settings means 'beside the settings', or is refused by name; it never means the working folder (System32 on Windows, / under systemd).",
             "After SIGTERM it ends within 5000 ms with status 0, also while it waits for the network, a refresh or a lock; files it made are readable as they should be, despite umask 077.")
    rc, o = run("bash", c.path("run-as-service.sh"), "1", "bash", "-c", "pwd; umask; echo \"home=[${HOME-}] lang=[${LANG-}]\"; exec sleep 20", timeout=60)
    w = o.decode()
    c.proof("foreign folder, umask 077, no HOME, no LANG", w.splitlines()[0].endswith("/system32") and "0077" in w and "home=[] lang=[]" in w)
    c.proof("ends by the signal and is timed", "status 143 after" in w and rc == 0)

def c39():
    c = Case("C39")
    body = lambda v, issued, expires, roots: json.dumps({"version": v, "issued": issued, "expires": expires, "trusted": roots}, sort_keys=True) + "\n"
    L, D, Y = LAB.sha256, DEPOT.sha256, YARD.sha256
    c.write("held-v7.json", body(7, "2026-05-01T00:00:00Z", "2026-06-01T00:00:00Z", [L, D]))
    c.write("older-v6.json", body(6, "2026-04-01T00:00:00Z", "2040-01-01T00:00:00Z", [L, D, Y]))
    c.write("other-v7.json", body(7, "2026-05-01T00:00:00Z", "2040-01-01T00:00:00Z", [Y]))
    c.write("next-v8.json", body(8, "2026-06-10T00:00:00Z", "2040-01-01T00:00:00Z", [L, Y]))
    rows = [("2026-07-01T00:00:00Z", "-", "keep v7 in force, state stale"), ("2026-07-01T00:00:00Z", "older-v6.json", "refuse: older than 7"),
            ("2026-07-01T00:00:00Z", "other-v7.json", "refuse: 7 with other content"), ("1970-01-01T00:00:20Z", "-", "keep v7 in force, say that the clock is wrong, never 'not yet valid'"),
            ("1970-01-01T00:00:20Z", "older-v6.json", "refuse: older than 7"), ("2026-07-01T00:00:00Z", "next-v8.json", "accept"),
            ("2026-07-01T00:00:00Z", "held-v7.json", "refuse: older than 8, also after a restart and with the state folder of v7 restored beside the floor")]
    c.write("story.txt", "".join("%s | %s | %s\n" % r for r in rows))
    c.write("README", "Bodies of policies, to be signed with the product's own test signers in its own format. One host, the lines of story.txt in order: clock | what is offered | what is right.\n")
    c.expect("Play story.txt on one host: held-v7 is in force and expired. An expired policy still sets the floor: older-v6, valid and well signed, is refused; so is another v7.",
             "No line takes a root out, and none makes a valid root 'not yet valid': with a clock before the last policy's own date the clock is wrong, and that is what is said.",
             "next-v8 is accepted; the floor is then 8, survives a restart, and v7 is refused.")
    docs = [json.loads(c.read(f)) for f in ("held-v7.json", "older-v6.json", "other-v7.json", "next-v8.json")]
    c.proof("versions 7, 6, 7, 8", [d["version"] for d in docs] == [7, 6, 7, 8])
    c.proof("the held one expired before the story, the older one is valid", docs[0]["expires"] < "2026-07-01" < docs[1]["expires"])
    c.proof("a root that is valid in 2026 and 'not yet valid' in 1970", not verify(LAB.pem(), LAB.pem(), b"", "-attime", "20")[0] and verify(LAB.pem(), LAB.pem(), b"", "-attime", "1782864000")[0])

def c40():
    c = Case("C40")
    h = "crane.harbour.test"
    base = lambda k: [bc(False), ku("digitalSignature"), eku(SERVER), ski(k), aki(ISSUING.key)]
    only = Key("cn only")
    made = {"san": CRANE, "cn-only": leaf(h, ISSUING, label="cn only", exts=base(only)),
            "ip-san": leaf(h, ISSUING, [ip("192.0.2.7")], "ip san"), "ip-as-dns": leaf(h, ISSUING, [dns("192.0.2.7")], "ip as dns"),
            "wildcard": leaf("*.harbour.test", ISSUING, label="wildcard"), "other": leaf("winch.harbour.test", ISSUING)}
    for n, l in made.items():
        c.write(n + ".pem", l.pem() + ISSUING.pem()); c.write(n + ".key", l.key.pem(), 0o600)
    c.write("not-sent.pem", CRANE.pem()); c.write("not-sent.key", CRANE.key.pem(), 0o600)
    c.write("root.pem", LAB.pem())
    rows = [("san", h, "verified"), ("san", h + ".", "verified (a final dot is no other name)"), ("cn-only", h, "name: no subjectAltName; the common name does not count"),
            ("ip-san", "192.0.2.7", "verified"), ("ip-san", h, "name: the certificate is for 192.0.2.7 only"), ("ip-as-dns", "192.0.2.7", "name: the address is written as a DNS name"),
            ("wildcard", h, "verified"), ("wildcard", "a.b.harbour.test", "name"), ("wildcard", "harbour.test", "name"), ("other", h, "name: the certificate is for winch.harbour.test"),
            ("not-sent", h, "chain: the server does not send 'Harbour Issuing CA 1'")]
    c.write("verdicts.txt", "".join("%s.pem | %s | %s\n" % r for r in rows))
    c.expect("Serve each chain and probe it by the name in verdicts.txt, with root.pem in the store: the verdicts are these, and each says name, chain, date or root, never one for another.",
             "A name fault or an unsent issuing CA is never answered with 'root not trusted', and never leads to placing anything.",
             "cn-only and ip-san by name: some OpenSSL programs still take the common name, Go and browsers do not; the verdict is the strict one and says so.")
    v = lambda n, host, flag="-verify_hostname", between=ISSUING.pem(): verify(made[n].pem(), LAB.pem(), between, flag, host)[0]
    c.proof("san, ip-san by address, wildcard one label: verified", v("san", h) and v("ip-san", "192.0.2.7", "-verify_ip") and v("wildcard", h))
    c.proof("wrong name, two labels, bare domain, address as DNS name: not", not any([v("other", h), v("wildcard", "a.b.harbour.test"), v("wildcard", "harbour.test"), v("ip-as-dns", "192.0.2.7", "-verify_ip")]))
    c.proof("cn-only has no SAN, and openssl takes its common name", "Subject Alternative Name" not in text(made["cn-only"].der) and v("cn-only", h))
    c.proof("ip-san has no DNS name, and openssl takes its common name", "DNS:" not in text(made["ip-san"].der) and v("ip-san", h))
    c.proof("without the issuing CA: no path", not v("san", h, between=b""))

for f in (c01, c02, c04, c05, c07, c08, c09, c11, c13, c15, c17, c18, c20, c22, c23, c25, c26, c28, c30, c32, c33, c35, c37, c39, c40): f()
done(25)
PYTHON
timeout 300 python3 "$work/make.py" "$out"
