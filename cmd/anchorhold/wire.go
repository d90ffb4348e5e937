package main

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"os/user"
	"path"
	"slices"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"anchorhold.test/anchorhold/agent"
	"anchorhold.test/anchorhold/agent/ledger"
	"anchorhold.test/anchorhold/policy"
	"anchorhold.test/anchorhold/trust/host"
	"anchorhold.test/anchorhold/trust/native"
	"anchorhold.test/anchorhold/trust/reader"
)

// Places in the state folder, and limits.
const (
	statusFile = "status.json"
	lockFile   = "lock"
	maxStatus  = 4 << 20
	lockLimit  = 2 * time.Minute
)

// machine is one host with everything composed for a run.
type machine struct {
	host     *host.Host
	settings agent.Settings
	memory   agent.Memory
	belief   agent.Belief
	identity agent.Identity
	fresh    bool // the identity is to be kept
	facts    policy.HostFacts
	agent    *agent.Agent

	suspended agent.Suspensions
	source    got
}

// given is a policy that somebody hands in by hand; nil asks the settings'
// source.
type given struct {
	name string
	data []byte
}

// handed reads a policy that was named on the command line. It comes before the
// lock: a pipe may let wait for ever.
func (a *app) handed(file string) (*given, error) {
	if file == "" {
		return nil, nil
	}
	data, err := waiting(a, func() ([]byte, error) {
		if file == "-" {
			return bounded(a.in, "standard input", policy.MaxFile)
		}
		return readPolicy(file)
	})
	if errors.Is(err, host.ErrTooLarge) {
		return nil, policy.TooLarge(file)
	}
	if err != nil {
		return nil, fmt.Errorf("cannot import the policy: %w", err)
	}
	return &given{file, data}, nil
}

// machine composes a run on this host. Nothing is written, and no address is
// asked.
func (a *app) machine(ctx context.Context, byHand *given) (*machine, error) {
	return a.machineAsking(ctx, byHand, fromCopy)
}

// machineAsking is machine with the source asked.
func (a *app) machineAsking(ctx context.Context, byHand *given, how asking) (*machine, error) {
	m := &machine{host: host.System()}
	if err := m.readSettings(); err != nil {
		return nil, err
	}
	pin, err := m.settings.Pin.Pin()
	if err != nil {
		return nil, err
	}
	state := readOnly{m.host, statePath}
	if m.memory, err = agent.Recall(state, pin.Keyset.Policy); err != nil {
		return nil, err
	}
	if err := m.identify(state); err != nil {
		return nil, err
	}
	if m.suspended, err = m.suspensions(state); err != nil {
		return nil, err
	}
	if byHand != nil {
		m.source = got{data: byHand.data}
	} else if m.source, err = m.offered(ctx, how, pin, a.now()); err != nil {
		return nil, err
	}
	m.belief = agent.Believe(m.memory, m.source.data, m.source.why, pin, a.now()).By(m.source.record.Unverified)
	if byHand != nil && m.belief.Err != nil {
		return nil, m.belief.Err
	}
	return m, m.compose(ctx, a, state)
}

func (m *machine) compose(ctx context.Context, a *app, state readOnly) error {
	stores, err := native.Detect(ctx, m.host)
	if err != nil {
		return err
	}
	l, err := ledger.Open(state)
	if errors.Is(err, fs.ErrPermission) {
		l, err = nil, nil
	}
	if err != nil {
		return err
	}
	self := "this account"
	if u, err := user.Current(); err == nil {
		self = u.Username
	}
	m.agent = &agent.Agent{Stores: stores, Ledger: l, Log: a.log,
		Own: agent.Own(m.settings), Listeners: m.settings.Listeners, State: state,
		Probing: prober{m.host, func() time.Time { return m.now(a) }},
		Prover:  reader.Prover{Host: m.host, Accounts: m.settings.Accounts, Can: reader.CanAskOthers(), Self: self},
		Witness: reader.Witness{Host: m.host, Account: agent.DefaultAccount, Can: reader.CanAskOthers(), Tools: reader.SystemTools()}}
	return nil
}

func (m *machine) readSettings() error {
	// As root, before a byte of it is read: along a guarded path nobody else can
	// put another file in its place.
	if host.Privileged() {
		if _, err := m.host.Guarded(settingsPath); err != nil && !errors.Is(err, fs.ErrNotExist) {
			return fmt.Errorf("cannot use the settings: %w", err)
		}
	}
	data, err := m.host.ReadFile(settingsPath, agent.MaxSettings)
	if errors.Is(err, fs.ErrNotExist) {
		return fmt.Errorf("this host believes nobody yet: there is no %s; take a starter file with 'anchorhold adopt FILE'", settingsPath)
	}
	if err != nil {
		return fmt.Errorf("cannot read the settings: %w", err)
	}
	if m.settings, err = parseSettings(data, path.Dir(settingsPath)); err != nil {
		return fmt.Errorf("cannot use the settings %s: %w", settingsPath, err)
	}
	return nil
}

// identify finds out who this host is: by its state, or by the readable
// status where the state is closed to the caller.
func (m *machine) identify(state readOnly) error {
	id, err := ownID(m.host)
	if err != nil {
		return err
	}
	m.facts.Labels = m.settings.Labels
	m.identity, m.fresh, err = agent.Identify(state, id)
	if errors.Is(err, fs.ErrPermission) {
		m.facts.ID = readStatus(m.host).Host
		return nil
	}
	if err != nil {
		return err
	}
	if !m.fresh { // a new one counts once it is kept
		m.facts.ID = m.identity.ID
	}
	return nil
}

func (m *machine) order(a *app) agent.Order {
	return agent.Order{Policy: m.belief.Policy, Host: m.facts, Now: a.now(), Suspended: m.suspended}
}

// forced is an order with a person's reason and the roots that it is about.
type forced struct {
	reason string
	roots  []string // first digits of fingerprints
}

func (f *forced) flags(c *cobra.Command, use string) {
	c.Flags().StringVar(&f.reason, "force", "", use)
	c.Flags().StringArrayVar(&f.roots, "root", nil, "with --force: the reason is about the root with this `SHA-256` (its first digits do); may be repeated, and may be left out where one root is held")
}

func (f *forced) check(c *cobra.Command) error {
	f.reason = strings.TrimSpace(f.reason)
	switch {
	case c.Flags().Changed("force") && f.reason == "":
		return errors.New("--force needs a reason that somebody can read in the history later")
	case len(f.roots) > 0 && f.reason == "":
		return errors.New("--root says what --force is about: give a reason too")
	}
	return nil
}

func (f *forced) order(a *app, m *machine) (agent.Order, error) {
	o := m.order(a)
	o.Force = f.reason
	for _, digits := range f.roots {
		fp, err := m.which(digits)
		if err != nil {
			return o, err
		}
		o.Only = append(o.Only, fp)
	}
	return o, nil
}

// own makes this run of the command the one writer of the host. It comes before machine, so
// that the state is read under the lock.
func (a *app) own(ctx context.Context, command string) (release func(), err error) {
	if !host.Privileged() {
		return nil, fmt.Errorf(onlyRoot, command)
	}
	h := host.System()
	d, err := h.Ensure(statePath, 0o755)
	if err != nil {
		return nil, err
	}
	defer d.Close()
	lock, err := h.Lock(ctx, statePath+"/"+lockFile, lockLimit)
	if err != nil {
		return nil, fmt.Errorf("another run is at work on this host: %w", err)
	}
	// What a run left that died: half-written files, and a store half tried.
	if err := errors.Join(d.Clean(), d.RemoveAll(path.Base(native.Stage))); err != nil {
		return nil, errors.Join(err, lock.Release())
	}
	return func() { lock.Release() }, nil
}

// keep stores who the host is and what it believes, before any store changes.
func (m *machine) keep() error {
	d, err := m.host.Dir(statePath)
	if err != nil {
		return err
	}
	state := writable{d}
	if m.fresh {
		if err := m.identity.Keep(state); err != nil {
			return err
		}
		m.facts.ID = m.identity.ID
	}
	if err := m.source.keepOffered(state); err != nil {
		return err
	}
	if err := m.belief.Keep(state); err != nil {
		return err
	}
	l, err := ledger.Open(state)
	m.agent.Ledger, m.agent.State = l, state
	return err
}

// publish writes the readable status, if it says anything new. What was done is
// told by the history; here it would make the next run, which has nothing to
// do, write the status again. What failed is true until it succeeds.
//
// failed says that the run ended in an error: what is published then is no
// verdict over the host.
func (m *machine) publish(r agent.Result, failed error) error {
	r.Changes = slices.DeleteFunc(slices.Clone(r.Changes), func(c agent.Changed) bool { return c.Err == nil })
	r.Evidence = agent.Evidence{} // nobody is asked in the next run, where nothing goes out
	told := resultJSON(m, r)
	if told.Source != nil {
		told.Source.Checked = nil // it would make each run write the status
	}
	if failed != nil {
		told.Exit, told.Error = exitUnknown, failed.Error()
	}
	data, err := json.MarshalIndent(told, "", " ")
	if err != nil {
		return fmt.Errorf("cannot encode the status: %w", err)
	}
	data = append(data, '\n')
	if old, err := m.host.ReadFile(statePath+"/"+statusFile, maxStatus); err == nil && string(old) == string(data) {
		return nil
	}
	d, err := m.host.Dir(statePath)
	if err != nil {
		return err
	}
	defer d.Close()
	return d.Write(statusFile, data, 0o644)
}

// readOnly is the state folder for whoever only looks.
type readOnly struct {
	host *host.Host
	dir  string
}

var errReadOnly = errors.New("the state folder is only looked at here")

func (r readOnly) Read(name string, max int64) ([]byte, error) {
	return r.host.ReadFile(path.Join(r.dir, name), max)
}
func (readOnly) Write(string, []byte, fs.FileMode) error  { return errReadOnly }
func (readOnly) Append(string, []byte, fs.FileMode) error { return errReadOnly }

// writable is the state folder of the one writer.
type writable struct{ *host.Dir }

func (w writable) Read(name string, max int64) ([]byte, error) { return w.ReadFile(name, max) }
