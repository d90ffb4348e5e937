package policy

// Codes of Error. They are a promise: programs compare them, people look them
// up in formats.md, which a test holds against this list.
const (
	// Bytes and JSON (RFC 8259, with I-JSON's limits of RFC 7493).
	CodeEmpty           = "empty"
	CodeTooLarge        = "too-large"
	CodeWebPage         = "web-page"
	CodeByteOrderMark   = "byte-order-mark"
	CodeNotJSON         = "not-json"
	CodeTrailingData    = "trailing-data"
	CodeBadUTF8         = "bad-utf8"
	CodeTooDeep         = "too-deep"
	CodeTooManyValues   = "too-many-values"
	CodeDuplicateMember = "duplicate-member"
	CodeCaseVariant     = "case-variant"
	CodeUnknownMember   = "unknown-member"
	CodeMissingMember   = "missing-member"
	CodeNullMember      = "null-member"
	CodeWrongType       = "wrong-type"
	CodeNotInteger      = "not-an-integer"
	CodeOutOfRange      = "out-of-range"
	CodeBadTime         = "bad-time"
	CodeBadBase64       = "bad-base64"
	CodeBadText         = "bad-text"

	// Envelope (RFC 7515).
	CodeNoSignatures      = "no-signatures"
	CodeTooManySignatures = "too-many-signatures"
	CodeHeaderTooLarge    = "header-too-large"
	CodeWrongTyp          = "wrong-typ"
	CodeAlgNotAllowed     = "alg-not-allowed"
	CodeAlgNotOfKey       = "alg-not-of-key"
	CodeBadKeyID          = "bad-kid"
	CodeDuplicateKeyID    = "duplicate-kid"
	CodeSignatureLength   = "signature-length"
	CodeBadSignature      = "bad-signature"
	CodeThreshold         = "threshold"

	// Keys and keysets.
	CodeBadKey               = "bad-key"
	CodeRepeatedKey          = "repeated-key"
	CodeBadThreshold         = "bad-threshold"
	CodeBadKeyset            = "bad-keyset"
	CodeTooManyStatements    = "too-many-statements"
	CodeKeysetOrder          = "keyset-order"
	CodeKeysetGap            = "keyset-gap"
	CodeKeysetConflict       = "keyset-conflict"
	CodeKeysetRollback       = "keyset-rollback"
	CodeKeysetOtherPolicy    = "keyset-other-policy"
	CodeCurrentKeys          = "current-keys"
	CodeNextKeys             = "next-keys"
	CodeContingencyKeys      = "contingency-keys"
	CodeContingencyMissing   = "contingency-missing"
	CodeContingencyUnknown   = "contingency-unknown"
	CodeContingencyChanged   = "contingency-changed"
	CodeContingencyReused    = "contingency-reused"
	CodeContingencyOverlaps  = "contingency-overlaps"
	CodeContingencySignsElse = "contingency-signs-else"

	// Opening.
	CodeNoPin        = "no-pin"
	CodePinChanged   = "pin-changed"
	CodeTooNew       = "too-new"
	CodeBadSchema    = "bad-schema"
	CodeWrongPolicy  = "wrong-policy"
	CodeWrongEpoch   = "wrong-epoch"
	CodeDocument     = "document"
	CodeRollback     = "rollback"
	CodeEquivocation = "equivocation"
	CodeBelowMinimum = "below-minimum"
	CodeExpired      = "expired"
	CodeBadState     = "bad-state"

	// Signing.
	CodeKeyFile       = "key-file"
	CodePassphrase    = "passphrase"
	CodeIssueTime     = "issue-time"
	CodeNotASigner    = "not-a-signer"
	CodeAlreadySigned = "already-signed"

	// Drafts.
	CodeDraft = "draft"
)

const (
	fetchAgain = "get the file again from where it is published; if it stays so, ask whoever signs the policy"
	signAgain  = "ask whoever signs the policy to sign it again with anchorhold"
	askSigners = "do not force it: ask the signers, by another way than the file came, what they signed last"
	mendState  = "restore the state from a backup, or move the file away, after which the walk starts at the pin again: set min_version to the newest version that you know first"
)

// codes says for each code what to do.
var codes = map[string]string{
	CodeEmpty:           fetchAgain,
	CodeTooLarge:        "the bound protects hosts; split nothing, ask whoever signs what the file is",
	CodeWebPage:         "something on the way answered with a page of its own; fetch the file past that proxy or sign-in page",
	CodeByteOrderMark:   "save the file without a byte order mark, or fetch it again unchanged",
	CodeNotJSON:         fetchAgain,
	CodeTrailingData:    fetchAgain,
	CodeBadUTF8:         fetchAgain,
	CodeTooDeep:         signAgain,
	CodeTooManyValues:   signAgain,
	CodeDuplicateMember: signAgain,
	CodeCaseVariant:     signAgain,
	CodeUnknownMember:   signAgain,
	CodeMissingMember:   signAgain,
	CodeNullMember:      signAgain,
	CodeWrongType:       signAgain,
	CodeNotInteger:      signAgain,
	CodeOutOfRange:      signAgain,
	CodeBadTime:         signAgain,
	CodeBadBase64:       signAgain,
	CodeBadText:         signAgain,

	CodeNoSignatures:      "collect the signatures that the keyset asks for",
	CodeTooManySignatures: signAgain,
	CodeHeaderTooLarge:    signAgain,
	CodeWrongTyp:          "this file is something else that the same keys signed; use the one that was made for this purpose",
	CodeAlgNotAllowed:     signAgain,
	CodeAlgNotOfKey:       signAgain,
	CodeBadKeyID:          signAgain,
	CodeDuplicateKeyID:    "remove the second entry: one key signs once",
	CodeSignatureLength:   "a signature has 64 bytes; attach one from another tool with 'sign', which converts it",
	CodeBadSignature:      "the file was changed after it was signed, or the key is not the one named; " + fetchAgain,
	CodeThreshold:         "collect the missing signatures, or check that host and file belong to the same keyset",

	CodeBadKey:               "make a new key, or export the public key again",
	CodeRepeatedKey:          "name each key once",
	CodeBadThreshold:         "choose a threshold from 1 to the number of keys",
	CodeBadKeyset:            "correct the keyset and sign the statement again",
	CodeTooManyStatements:    "let hosts re-pin at a newer keyset ('anchorhold adopt --repin'), then publish the chain from there ('anchorhold keyset rebase')",
	CodeKeysetOrder:          "publish the statements as they were made, oldest first",
	CodeKeysetGap:            "publish every statement since the pinned keyset, none left out",
	CodeKeysetConflict:       askSigners,
	CodeKeysetRollback:       "publish every statement up to the newest keyset; if that was done, " + askSigners,
	CodeKeysetOtherPolicy:    "use the file of the policy that this host follows",
	CodeCurrentKeys:          "collect signatures of the keyset that is being replaced",
	CodeNextKeys:             "collect signatures of the new keyset",
	CodeContingencyKeys:      "collect signatures of the contingency keyset",
	CodeContingencyMissing:   "put the contingency keyset in clear into the statement",
	CodeContingencyUnknown:   "use the contingency keyset whose hash the current keyset pins",
	CodeContingencyChanged:   "keep the contingency hash, or let the contingency keys sign too",
	CodeContingencyReused:    "pin another contingency keyset, or none: one is good for one use",
	CodeContingencyOverlaps:  "choose contingency keys that sign nothing else",
	CodeContingencySignsElse: "a contingency keyset pins no contingency keyset of its own",

	CodePinChanged:   "put the pin back, or change whom this host believes by 'anchorhold adopt --repin REASON STARTER'",
	CodeNoPin:        "pin a keyset in the host's settings; nothing is believed without",
	CodeTooNew:       "update anchorhold on this host; the last good policy stays in force meanwhile",
	CodeBadSchema:    signAgain,
	CodeWrongPolicy:  "use the file of the policy that this host follows",
	CodeWrongEpoch:   signAgain,
	CodeDocument:     "correct the draft and sign it again",
	CodeRollback:     "offer the newest policy; if this one is the newest, " + askSigners,
	CodeEquivocation: askSigners,
	CodeBelowMinimum: "offer the newest policy; the pin says which version is the lowest",
	CodeExpired:      "sign and publish a new version of the policy",
	CodeBadState:     mendState,

	CodeKeyFile:       "give a PKCS#8 file in PEM with an Ed25519 or P-256 key",
	CodePassphrase:    "try the passphrase again",
	CodeIssueTime:     "set the clock right and sign a document issued now",
	CodeNotASigner:    "sign with a key of the keyset, or change the keyset first",
	CodeAlreadySigned: "let another signer sign",

	CodeDraft: "correct the draft",
}
