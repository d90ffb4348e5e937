package main

import (
	"bytes"
	"errors"
	"fmt"
	"os"
	"time"

	"golang.org/x/term"

	"anchorhold.test/anchorhold/policy"
)

const (
	maxPassphrase = 4 << 10 // bytes
	minPassphrase = 8       // bytes of a new one; common practice, longer is better
)

// passphrase returns the passphrase of a key file: from a file, or asked for
// on the terminal. It is never taken from an argument or the environment,
// which other accounts can see.
func (a *app) passphrase(file, prompt string) ([]byte, error) {
	if file != "" {
		data, err := waiting(a, func() ([]byte, error) { return readBounded(file, maxPassphrase) })
		if err != nil {
			return nil, fmt.Errorf("cannot read the passphrase: %w", err)
		}
		line, _, _ := bytes.Cut(data, []byte("\n"))
		return bytes.TrimSuffix(line, []byte("\r")), nil
	}
	f, ok := a.in.(*os.File)
	if !ok || !term.IsTerminal(int(f.Fd())) {
		return nil, errors.New("a passphrase is needed and there is no terminal to ask on: use --passphrase-file FILE")
	}
	fmt.Fprint(a.err, prompt)
	state, err := term.GetState(int(f.Fd()))
	if err != nil {
		return nil, err
	}
	phrase, err := waiting(a, func() ([]byte, error) { return term.ReadPassword(int(f.Fd())) })
	fmt.Fprintln(a.err)
	return phrase, errors.Join(err, term.Restore(int(f.Fd()), state))
}

func (a *app) newPassphrase(file string) ([]byte, error) {
	phrase, err := a.passphrase(file, "Passphrase for the new key: ")
	if err != nil {
		return nil, err
	}
	if len(phrase) < minPassphrase {
		return nil, fmt.Errorf("the passphrase is shorter than %d bytes", minPassphrase)
	}
	if file == "" {
		again, err := a.passphrase("", "The same once more: ")
		if err != nil {
			return nil, err
		}
		if !bytes.Equal(phrase, again) {
			return nil, errors.New("the two passphrases differ")
		}
	}
	return phrase, nil
}

// signers loads key files, asking for passphrases where they need one.
func (a *app) signers(files []string, phraseFile string) ([]policy.Signer, error) {
	var all []policy.Signer
	for _, f := range files {
		data, err := readBounded(f, maxKeyFile)
		if err != nil {
			return nil, err
		}
		var phrase []byte
		if policy.Encrypted(data) {
			if phrase, err = a.passphrase(phraseFile, "Passphrase of "+f+": "); err != nil {
				return nil, err
			}
		}
		s, err := policy.LoadSigner(data, phrase)
		if err != nil {
			return nil, fmt.Errorf("cannot use key %s: %w", f, err)
		}
		all = append(all, s)
	}
	return all, nil
}

// seconds is a time as policies and keysets write it.
func seconds(t time.Time) time.Time { return t.UTC().Truncate(time.Second) }
