package policy

import (
	"crypto"
	"crypto/ecdsa"
	"crypto/ed25519"
	"crypto/elliptic"
	"crypto/sha256"
	"crypto/x509"
	"encoding/asn1"
	"encoding/pem"
	"fmt"
	"io"
	"math/big"

	"github.com/youmark/pkcs8"
)

// Signer is a private key that can sign. It prints as the id of its public
// key, never as what it is.
type Signer struct {
	s   crypto.Signer
	key Key
}

// NewSigner makes a key of the given kind from 32 bytes of rand.
func NewSigner(kind Kind, rand io.Reader) (Signer, error) {
	seed := make([]byte, 32)
	const tries = 8 // a random number is no P-256 key once in 2^32
	for range tries {
		if _, err := io.ReadFull(rand, seed); err != nil {
			return Signer{}, fmt.Errorf("cannot make a key: %w", err)
		}
		switch kind {
		case Ed25519:
			return newSigner(ed25519.NewKeyFromSeed(seed))
		case P256:
			if priv, err := ecdsa.ParseRawPrivateKey(elliptic.P256(), seed); err == nil {
				return newSigner(priv)
			}
		default:
			return Signer{}, refuse(CodeBadKey, "", "a key of kind %s cannot sign policies, Ed25519 and P-256 can", clip(string(kind)))
		}
	}
	return Signer{}, refuse(CodeBadKey, "", "the source of random numbers is broken")
}

func newSigner(s crypto.Signer) (Signer, error) {
	k, err := keyOf(s.Public())
	return Signer{s, k}, err
}

// Public returns the public key.
func (s Signer) Public() Key { return s.key }

// Format keeps the private key out of every print.
func (s Signer) Format(f fmt.State, _ rune) { fmt.Fprintf(f, "signer %s", s.key.id) }

// sign returns the 64 bytes of a JWS signature. Both algorithms sign without
// random numbers here (RFC 8032 5.1.6, RFC 6979), so a weak source of them
// cannot give a key away.
func (s Signer) sign(message []byte) ([]byte, error) {
	switch s.key.kind {
	case Ed25519:
		return s.s.Sign(nil, message, crypto.Hash(0))
	case P256:
		sum := sha256.Sum256(message)
		der, err := s.s.Sign(nil, sum[:], crypto.SHA256)
		if err != nil {
			return nil, err
		}
		return rawSignature(der)
	}
	return nil, refuse(CodeBadKey, "", "no key to sign with")
}

// rawSignature turns the DER that most tools write for ECDSA into the fixed
// form of RFC 7518 3.4.
func rawSignature(der []byte) ([]byte, error) {
	var v struct{ R, S *big.Int }
	rest, err := asn1.Unmarshal(der, &v)
	if err != nil || len(rest) > 0 || v.R.Sign() <= 0 || v.S.Sign() <= 0 || v.R.BitLen() > 256 || v.S.BitLen() > 256 {
		return nil, refuse(CodeSignatureLength, "", "this is neither a signature of %d bytes nor one in DER for P-256", signatureSize)
	}
	raw := make([]byte, signatureSize)
	v.R.FillBytes(raw[:32])
	v.S.FillBytes(raw[32:])
	return raw, nil
}

// Rounds of PBKDF2-HMAC-SHA256 for keys that we write (OWASP's figure of 2023)
// and the most that is waited for in one that comes in, as memory and time.
const (
	kdfRounds    = 600_000
	maxKDFRounds = 20_000_000
	maxScrypt    = 256 << 20 // bytes: 128*N*r
	maxScryptP   = 16
)

const (
	pemPlain     = "PRIVATE KEY"
	pemEncrypted = "ENCRYPTED PRIVATE KEY"
)

// PEM returns the key as encrypted PKCS#8 (RFC 5958; PBES2 of RFC 8018 with
// AES-256-CBC and PBKDF2-HMAC-SHA256), which 'openssl pkey' reads.
func (s Signer) PEM(passphrase []byte) ([]byte, error) {
	if len(passphrase) == 0 {
		return nil, refuse(CodePassphrase, s.key.id, "a signer's key is kept under a passphrase and none was given")
	}
	if s.key.IsZero() {
		return nil, refuse(CodeBadKey, "", "no key to write")
	}
	der, err := pkcs8.MarshalPrivateKey(s.s, passphrase, &pkcs8.Opts{
		Cipher:  pkcs8.AES256CBC,
		KDFOpts: pkcs8.PBKDF2Opts{SaltSize: 16, IterationCount: kdfRounds, HMACHash: crypto.SHA256},
	})
	if err != nil {
		return nil, refuse(CodeKeyFile, s.key.id, "cannot write the key: %v", err)
	}
	return pem.EncodeToMemory(&pem.Block{Type: pemEncrypted, Bytes: der}), nil
}

// PlainPEM returns the key as PKCS#8 that nothing protects, for stores which
// protect it themselves.
func (s Signer) PlainPEM() ([]byte, error) {
	if s.key.IsZero() {
		return nil, refuse(CodeBadKey, "", "no key to write")
	}
	der, err := x509.MarshalPKCS8PrivateKey(s.s)
	if err != nil {
		return nil, refuse(CodeKeyFile, s.key.id, "cannot write the key: %v", err)
	}
	return pem.EncodeToMemory(&pem.Block{Type: pemPlain, Bytes: der}), nil
}

// Encrypted reports whether a key file asks for a passphrase.
func Encrypted(data []byte) bool {
	block, _ := pem.Decode(data)
	return block != nil && block.Type == pemEncrypted
}

// LoadSigner reads a key file of one PEM block, encrypted or not. The
// passphrase is not used for a plain one. No byte of the file gets into an
// error.
func LoadSigner(data, passphrase []byte) (Signer, error) {
	if len(data) > maxKeyFile {
		return Signer{}, refuse(CodeTooLarge, "key file", "more than %d bytes", maxKeyFile)
	}
	block, _ := pem.Decode(data)
	if block == nil || block.Type != pemPlain && block.Type != pemEncrypted {
		return Signer{}, refuse(CodeKeyFile, "key file", "no PKCS#8 key in PEM was found")
	}
	if block.Type == pemPlain {
		passphrase = nil
	} else if len(passphrase) == 0 {
		return Signer{}, refuse(CodePassphrase, "key file", "the key is encrypted and no passphrase was given")
	} else if fault := vetEncryption(block.Bytes); fault != "" {
		return Signer{}, refuse(CodeKeyFile, "key file", "%s", fault)
	}
	priv, _, err := pkcs8.ParsePrivateKey(block.Bytes, passphrase)
	if err != nil && block.Type == pemEncrypted {
		return Signer{}, refuse(CodePassphrase, "key file", "the passphrase does not open the key")
	}
	s, ok := priv.(crypto.Signer)
	if err != nil || !ok {
		return Signer{}, refuse(CodeKeyFile, "key file", "this is not a private key that can sign")
	}
	return newSigner(s)
}

type encryptedKey struct {
	Algorithm struct {
		ID     asn1.ObjectIdentifier
		Params struct {
			KDF, Cipher algorithm
		}
	}
	Data []byte
}

type algorithm struct {
	ID     asn1.ObjectIdentifier
	Params asn1.RawValue `asn1:"optional"`
}

// vetEncryption bounds the work that a key file asks for and refuses what the
// library would take for AES in CBC mode although it is not, or panic over.
func vetEncryption(der []byte) string {
	const other = "the key's encryption is not PBES2 with AES in CBC mode and PBKDF2 or scrypt; 'openssl pkcs8 -topk8 -v2 aes-256-cbc' rewrites it"
	var e encryptedKey
	var iv []byte
	if rest, err := asn1.Unmarshal(der, &e); err != nil || len(rest) > 0 || e.Algorithm.ID.String() != "1.2.840.113549.1.5.13" {
		return other
	}
	cipher := e.Algorithm.Params.Cipher
	switch cipher.ID.String() {
	case "2.16.840.1.101.3.4.1.2", "2.16.840.1.101.3.4.1.22", "2.16.840.1.101.3.4.1.42":
	default:
		return other
	}
	if _, err := asn1.Unmarshal(cipher.Params.FullBytes, &iv); err != nil || len(iv) != 16 || len(e.Data) == 0 || len(e.Data)%16 != 0 {
		return "the encrypted key is damaged"
	}
	return vetKDF(e.Algorithm.Params.KDF)
}

func vetKDF(kdf algorithm) string {
	var p struct {
		Salt []byte
		N    int
		R    int `asn1:"optional"`
		P    int `asn1:"optional"`
	}
	_, err := asn1.Unmarshal(kdf.Params.FullBytes, &p)
	switch kdf.ID.String() {
	case "1.2.840.113549.1.5.12":
		var rounds struct {
			Salt []byte
			N    int
		}
		if _, err := asn1.Unmarshal(kdf.Params.FullBytes, &rounds); err != nil || rounds.N < 1 || rounds.N > maxKDFRounds {
			return fmt.Sprintf("the key asks for more than %d rounds of PBKDF2", maxKDFRounds)
		}
		return ""
	case "1.3.6.1.4.1.11591.4.11":
		if err != nil || p.N < 2 || p.R < 1 || p.P < 1 || p.P > maxScryptP || p.N > maxScrypt || p.R > maxScrypt/128/p.N {
			return fmt.Sprintf("the key asks for more than %d bytes of scrypt", maxScrypt)
		}
		return ""
	}
	return "the key's passphrase is stretched neither by PBKDF2 nor by scrypt"
}
