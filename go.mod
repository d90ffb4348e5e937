module anchorhold.test/anchorhold

go 1.26.0

require (
	filippo.io/edwards25519 v1.0.0-beta.3 // indirect
	filippo.io/mostly-harmless/ed25519vectors v0.0.0-20210322192420-30a2d7243a94 // indirect
	github.com/go-jose/go-jose/v4 v4.1.9 // indirect
	github.com/goccy/go-json v0.11.2 // indirect
	github.com/lestrrat-go/blackmagic v1.0.4 // indirect
	github.com/lestrrat-go/jwx/v3 v3.4.0 // indirect
	github.com/lestrrat-go/option/v2 v2.0.0 // indirect
	github.com/pelletier/go-toml/v2 v2.4.3 // indirect
	github.com/segmentio/asm v1.2.1 // indirect
	github.com/smallstep/truststore v0.13.0 // indirect
	github.com/youmark/pkcs8 v0.0.0-20240726163527-a2c0da244d78 // indirect
	golang.org/x/crypto v0.59.0 // indirect
	golang.org/x/sys v0.50.0 // indirect
	howett.net/plist v1.0.0 // indirect
)
