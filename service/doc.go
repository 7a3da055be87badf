// Package service puts the service's parts together: the App.
//
// New binds the listeners and opens everything, and gives back what it has
// opened where a step fails; Run serves until its context ends or a part fails,
// then stops in good order: no new calls, streams told, deliveries ended, what
// was let in brought to disk, the store closed. Nothing that was acknowledged
// hangs on a clean stop.
//
// Layout of the data folder, beside what the store's driver keeps in it:
//
//	authority/     the service's certificate authority
//	people.token   the first person's bearer token, mode 0600
package service

import (
	"context"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"net"
	"time"

	"github.com/hourbell/hourbell/internal/store"
	"github.com/hourbell/hourbell/service/notify"
)

// The defaults of Options.
const (
	DefaultPeopleAddr  = "127.0.0.1:7400"
	DefaultAgentsAddr  = ":7401"
	DefaultEnrolAddr   = ":7402"
	DefaultMetricsAddr = "127.0.0.1:7409"

	DefaultStopWithin = 10 * time.Second
	DefaultProbeEvery = 10 * time.Second
)

// TokenFile is the name of the file in the data folder that holds the first
// person's bearer token.
const TokenFile = "people.token"

// FirstPerson is the pseudonym of whoever set the service up. They may do
// everything.
const FirstPerson = "keeper"

// NoListener is an address that opens no listener.
const NoListener = "none"

// Options say how the service is to run. Data and OpenStore must be given.
type Options struct {
	// Data is the folder in which the service keeps what is not in the store.
	Data string
	// OpenStore opens the store; the App closes it.
	OpenStore func(ctx context.Context) (store.Store, error)
	// JournalBytes tells what the journal takes on disk, for the metrics; nil
	// where it can't be told.
	JournalBytes func() int64
	// Addresses of the listeners, host:port, port 0 for any; NoListener for none.
	// People and agents must have one.
	PeopleAddr, AgentsAddr, EnrolAddr, MetricsAddr string
	// Host is the name or address by which agents reach the service; empty: what
	// the listeners are bound to, or this computer's name.
	Host string
	// Names are further names and addresses for the certificates.
	Names []string
	// Webhooks are where notices are posted. Source and Now are filled in.
	Webhooks []notify.WebhookOptions
	Version  string
	Log      *slog.Logger
	Now      func() time.Time
	Rand     io.Reader
	// StopWithin bounds the stop: calls that are still open then are cut off.
	StopWithin time.Duration
	// ProbeEvery is how often the store is probed.
	ProbeEvery time.Duration
	// Together is how long a machine's first notice waits for others that come up
	// with it; notify's default where 0.
	Together time.Duration
	// Gather is how long agents gather readings while nobody watches; the agents'
	// default where 0.
	Gather time.Duration
}

func (o Options) withDefaults() Options {
	for _, s := range []struct {
		to        *string
		otherwise string
	}{{&o.PeopleAddr, DefaultPeopleAddr}, {&o.AgentsAddr, DefaultAgentsAddr}, {&o.EnrolAddr, DefaultEnrolAddr}, {&o.MetricsAddr, DefaultMetricsAddr}, {&o.Version, "devel"}} {
		if *s.to == "" {
			*s.to = s.otherwise
		}
	}
	if o.Log == nil {
		o.Log = slog.New(slog.DiscardHandler)
	}
	if o.Now == nil {
		o.Now = time.Now
	}
	if o.StopWithin == 0 {
		o.StopWithin = DefaultStopWithin
	}
	if o.ProbeEvery == 0 {
		o.ProbeEvery = DefaultProbeEvery
	}
	return o
}

// validate tells every mistake at once.
func (o Options) validate() error {
	var errs []error
	if o.Data == "" {
		errs = append(errs, errors.New("no data folder is named"))
	}
	if o.OpenStore == nil {
		errs = append(errs, errors.New("no store is named"))
	}
	for _, l := range []struct{ what, addr string }{{"people's", o.PeopleAddr}, {"agents'", o.AgentsAddr}, {"enrolment", o.EnrolAddr}, {"metrics", o.MetricsAddr}} {
		if l.addr == NoListener {
			continue
		}
		if _, _, err := net.SplitHostPort(l.addr); err != nil {
			errs = append(errs, fmt.Errorf("%s address %q: want HOST:PORT, as 127.0.0.1:7400 or :7401, or %q", l.what, l.addr, NoListener))
		}
	}
	if o.StopWithin < 0 || o.ProbeEvery < 0 || o.Together < 0 || o.Gather < 0 {
		errs = append(errs, errors.New("a negative time: StopWithin, ProbeEvery, Together and Gather are at least 0"))
	}
	return errors.Join(errs...)
}
