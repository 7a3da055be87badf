package service

import (
	"context"
	"errors"
	"fmt"
	"net"
	"os"
	"path/filepath"
	"time"

	"github.com/prometheus/client_golang/prometheus"
	"github.com/prometheus/client_golang/prometheus/collectors"

	"github.com/hourbell/hourbell/internal/maintenance"
	"github.com/hourbell/hourbell/internal/store"
	"github.com/hourbell/hourbell/service/access"
	"github.com/hourbell/hourbell/service/agents"
	"github.com/hourbell/hourbell/service/api"
	"github.com/hourbell/hourbell/service/authority"
	"github.com/hourbell/hourbell/service/ingest"
	"github.com/hourbell/hourbell/service/metrics"
	"github.com/hourbell/hourbell/service/notify"
	"github.com/hourbell/hourbell/service/office"
	"github.com/hourbell/hourbell/service/pictures"
)

// App is the service. It is made by New and run once.
type App struct {
	o       Options
	started time.Time
	clean   cleanups

	store     store.Store
	office    *office.Office
	ingest    *ingest.Ingest
	authority *authority.Authority
	access    *access.Access
	agents    *agents.Server
	people    *api.API
	outbox    *notify.Outbox
	pictures  *pictures.Store
	registry  *prometheus.Registry
	metrics   *metrics.Metrics
	prober    *prober
	drain     *drain

	servers []*listening
	first   First
}

// First says what was made at the first run.
type First struct {
	// Token is the bearer token that was written, "" where there was one.
	Token string
	// TokenFile is where it stands.
	TokenFile string
}

// New opens the store, binds the listeners and puts the parts together. Where a
// step fails, everything before it is given back.
func New(ctx context.Context, o Options) (_ *App, err error) {
	o = o.withDefaults()
	if err := o.validate(); err != nil {
		return nil, fmt.Errorf("service: %w", err)
	}
	a := &App{o: o, started: o.Now(), drain: newDrain()}
	defer func() {
		if err != nil {
			err = errors.Join(err, a.clean.drain(ctx))
		}
	}()
	for _, step := range []func(context.Context) error{a.openStore, a.openParts, a.openFirst, a.bind, a.assemble} {
		if err := step(ctx); err != nil {
			return nil, fmt.Errorf("service: %w", err)
		}
	}
	return a, nil
}

func (a *App) openStore(ctx context.Context) (err error) {
	if err := os.MkdirAll(a.o.Data, 0o700); err != nil {
		return fmt.Errorf("make the data folder: %w", err)
	}
	if a.store, err = a.o.OpenStore(ctx); err != nil {
		return fmt.Errorf("open the store: %w", err)
	}
	a.clean.close("the store", a.store.Close)
	return nil
}

func (a *App) openParts(ctx context.Context) (err error) {
	a.registry = prometheus.NewRegistry()
	a.registry.MustRegister(collectors.NewGoCollector(), collectors.NewProcessCollector(collectors.ProcessCollectorOpts{}))
	a.metrics = metrics.New(a.registry, a.o.Version)
	if a.office, err = office.Open(ctx, office.Options{Store: a.store, Now: a.o.Now, Rand: a.o.Rand, Log: a.o.Log.With("part", "office")}); err != nil {
		return err
	}
	a.access = access.New(a.office)
	a.ingest, err = ingest.New(ctx, ingest.Options{
		Store: a.store, Now: a.o.Now, Log: a.o.Log.With("part", "ingest"), OnCommit: a.metrics.Commit, Charts: a.chart,
	})
	if err != nil {
		return err
	}
	a.authority, err = authority.Open(authority.Options{
		Dir: filepath.Join(a.o.Data, "authority"), Names: a.names(), Now: a.o.Now, Rand: a.o.Rand, Log: a.o.Log.With("part", "authority"),
	})
	if err != nil {
		return err
	}
	a.clean.close("the authority", a.authority.Close)
	a.pictures, err = pictures.Open(pictures.Options{Dir: filepath.Join(a.o.Data, "pictures")})
	return err
}

// chart finds a compiled chart for ingest.
func (a *App) chart(_ context.Context, hash [32]byte) (*maintenance.Chart, error) {
	e, err := a.office.EditionByHash(hash)
	if err != nil {
		return nil, err
	}
	return maintenance.DecodeChart(e.Compiled)
}

// names are what the certificates name beside what they always do.
func (a *App) names() []string {
	names := append([]string{}, a.o.Names...)
	if a.o.Host != "" {
		names = append(names, a.o.Host)
	}
	for _, addr := range []string{a.o.PeopleAddr, a.o.AgentsAddr, a.o.EnrolAddr} {
		if host, _, err := net.SplitHostPort(addr); err == nil && host != "" {
			if ip := net.ParseIP(host); ip == nil || !ip.IsUnspecified() {
				names = append(names, host)
			}
		}
	}
	return names
}

// openFirst makes the first person's token where there is none. The file is what
// counts: where it is gone, whoever holds the data folder gets another.
func (a *App) openFirst(ctx context.Context) error {
	a.first.TokenFile = filepath.Join(a.o.Data, TokenFile)
	if b, err := os.ReadFile(a.first.TokenFile); err == nil && len(b) > 0 {
		return nil
	} else if err != nil && !errors.Is(err, os.ErrNotExist) {
		return fmt.Errorf("read the bearer token: %w", err)
	}
	if err := a.office.Grant(ctx, FirstPerson, "", access.All()...); err != nil {
		return fmt.Errorf("grant the first person: %w", err)
	}
	token, err := a.office.CreateBearer(ctx, FirstPerson, "first run", 0)
	if err != nil {
		return fmt.Errorf("make the first person's token: %w", err)
	}
	a.first.Token = token
	return writeSecret(a.first.TokenFile, token+"\n")
}

// writeSecret writes a file, mode 0600, whole or not at all.
func writeSecret(path, text string) (err error) {
	next := path + ".new"
	f, err := os.OpenFile(next, os.O_WRONLY|os.O_CREATE|os.O_TRUNC, 0o600)
	if err != nil {
		return fmt.Errorf("write %s: %w", path, err)
	}
	_, err = f.WriteString(text)
	if err = errors.Join(err, f.Sync(), f.Close()); err == nil {
		err = os.Rename(next, path)
	}
	if err != nil {
		return fmt.Errorf("write %s: %w", path, errors.Join(err, os.Remove(next)))
	}
	return nil
}

// assemble builds the servers over the parts and listeners.
func (a *App) assemble(ctx context.Context) (err error) {
	a.agents, err = agents.New(agents.Options{
		Ingest: a.ingest, Office: a.office, Authority: a.authority, Address: a.public(a.addr(agentsListener)), Now: a.o.Now, Log: a.o.Log.With("part", "agents"), Gather: a.o.Gather,
	})
	if err != nil {
		return err
	}
	a.prober = newProber(a.store, a.o.ProbeEvery, a.o.Now, a.metrics.Probed, a.o.Log.With("part", "store"))
	if err := a.openOutbox(); err != nil {
		return err
	}
	a.people, err = api.New(api.Options{
		Ingest: a.ingest, Office: a.office, Access: a.access, Agents: a.agents, Pictures: a.pictures, Info: a.info, StoreWorks: a.prober.works, Log: a.o.Log.With("part", "api"), Now: a.o.Now, Rand: a.o.Rand,
	})
	if err != nil {
		return err
	}
	a.servePeople(a.people)
	a.serveAgents()
	return a.serveMetrics()
}

func (a *App) openOutbox() (err error) {
	channels := []notify.Channel{notify.NewLog(a.o.Log.With("part", "notices"))}
	for _, w := range a.o.Webhooks {
		w.Source, w.Now = fmt.Sprintf("/hourbell/%x", a.store.Incarnation()), a.o.Now
		hook, err := notify.NewWebhook(w)
		if err != nil {
			return err
		}
		channels = append(channels, hook)
	}
	a.outbox, err = notify.New(notify.Options{
		Machines: a.ingest, Fate: a.fate, Channels: channels, Log: a.o.Log.With("part", "notify"), Now: a.o.Now, Jitter: jitter, Together: a.o.Together, Poll: min(a.o.Together, notify.Poll),
	})
	return err
}

// Run serves until ctx ends, then stops in good order and returns nil; or until
// a part fails, and returns why. It is called once.
func (a *App) Run(ctx context.Context) error {
	failed := make(chan error, 1)
	start := func(name string, within time.Duration, run func(context.Context) error) {
		a.start(ctx, failed, name, within, run)
	}
	start("ingest", time.Minute, a.ingest.Run) // sees to disk what was let in
	start("notices", a.o.StopWithin, a.outbox.Run)
	start("the office's errands", a.o.StopWithin, a.people.KeepSettled)
	for _, l := range a.servers {
		l.start(a, failed)
	}
	start("the probe of the store", a.o.StopWithin, a.prober.run)
	a.o.Log.Info("serving", "people", a.Addresses().People, "agents", a.Addresses().Agents, "enrolment", a.Addresses().Enrol, "metrics", a.Addresses().Metrics)
	var err error
	select {
	case <-ctx.Done():
	case err = <-failed:
	}
	a.prober.shutdown()
	a.agents.Stop()
	a.drain.end()
	err = errors.Join(err, a.clean.drain(ctx))
	if err != nil {
		a.o.Log.Error("stopped", "err", err)
	} else {
		a.o.Log.Info("stopped")
	}
	return err
}

// Close gives everything back where Run is not called.
func (a *App) Close(ctx context.Context) error { return a.clean.drain(ctx) }

// start runs a part until its clean-up ends it.
func (a *App) start(ctx context.Context, failed chan<- error, name string, within time.Duration, run func(context.Context) error) {
	ctx, cancel := context.WithCancel(context.WithoutCancel(ctx))
	done := make(chan error, 1)
	go func() {
		err := run(ctx)
		if ctx.Err() == nil { // it ended by itself
			select {
			case failed <- fmt.Errorf("%s ended: %w", name, cmpErr(err)):
			default:
			}
			err = nil
		}
		done <- err
	}()
	a.clean.add(name, within, func(context.Context) error {
		cancel()
		return <-done
	})
}

// cmpErr gives an error for a part that ended without one.
func cmpErr(err error) error {
	if err == nil {
		return errors.New("without being told to")
	}
	return err
}

// Office is where people's tokens and grants are made.
func (a *App) Office() *office.Office { return a.office }

// Ingest is where machines' states are.
func (a *App) Ingest() *ingest.Ingest { return a.ingest }
