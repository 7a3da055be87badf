// Package metrics shows the service in the form that Prometheus scrapes.
//
// Names, units and labels are a promise: base units (running time in seconds),
// counters end in _total, a point in time is a timestamp and not an age. Labels
// are bounded by the fleet and its charts. Beside series that come and go with
// machines, tasks and codes stands an aggregate that always exists, so that an
// alert can tell "none" from "nothing is told".
//
// A scrape reads the machines' states as they are on disk.
package metrics

import (
	"context"
	"log/slog"
	"time"

	"github.com/prometheus/client_golang/prometheus"

	"github.com/hourbell/hourbell/internal/maintenance"
	"github.com/hourbell/hourbell/service/ingest"
	"github.com/hourbell/hourbell/service/notify"
)

// The bounds of what a scrape tells.
const (
	// MaxMachines is how many machines get series of their own.
	MaxMachines = 20_000
	// maxCodes is how many codes that the chart does not name get a series of
	// their own on one machine; the others are told together.
	maxCodes = 32
	// scrapeTime bounds the reading of the states.
	scrapeTime = 20 * time.Second
)

// Ingest is what is read of it.
type Ingest interface {
	ViewEach(ctx context.Context, show func(machine string, s *maintenance.State) bool) error
	Stats() ingest.Stats
}

// Sources are what the metrics are read from. Any but Ingest may be nil.
type Sources struct {
	Ingest Ingest
	// Notices tells the outbox's totals.
	Notices func() map[string]notify.ChannelStats
	// Connected is how many agents are connected.
	Connected func() int
	// StoreWorks tells whether the last probe of the store went well.
	StoreWorks func() bool
	// JournalBytes is what the journal takes on disk.
	JournalBytes func() int64
	Log          *slog.Logger
}

// Metrics holds the service's metrics. Commit may be called before Serve.
type Metrics struct {
	commitSeconds prometheus.Histogram
	commitEvents  prometheus.Histogram
	probe         prometheus.Gauge
}

// New puts the metrics that are counted as they happen on a registry.
func New(reg prometheus.Registerer, version string) *Metrics {
	m := &Metrics{
		commitSeconds: prometheus.NewHistogram(prometheus.HistogramOpts{
			Name: "hourbell_ingest_commit_seconds", Help: "Time that one append to the journal took, its sync included.",
			Buckets: []float64{.0001, .00025, .0005, .001, .0025, .005, .01, .025, .05, .1, .25, .5, 1, 2.5},
		}),
		commitEvents: prometheus.NewHistogram(prometheus.HistogramOpts{
			Name: "hourbell_ingest_commit_events", Help: "Events in one append to the journal.",
			Buckets: []float64{1, 4, 16, 64, 256, 1024, 4096, 16384},
		}),
		probe: prometheus.NewGauge(prometheus.GaugeOpts{Name: "hourbell_store_probe_timestamp_seconds", Help: "When the store was last probed with success, Unix time; 0 for never."}),
	}
	build := prometheus.NewGauge(prometheus.GaugeOpts{Name: "hourbell_build_info", Help: "The program's version; always 1.", ConstLabels: prometheus.Labels{"version": version}})
	build.Set(1)
	reg.MustRegister(m.commitSeconds, m.commitEvents, m.probe, build)
	return m
}

// Commit notes one append to the journal.
func (m *Metrics) Commit(events, _ int, took time.Duration) {
	m.commitSeconds.Observe(took.Seconds())
	m.commitEvents.Observe(float64(events))
}

// Probed notes that the store was probed with success.
func (m *Metrics) Probed(at time.Time) { m.probe.Set(float64(at.UnixMilli()) / 1000) }

// Watch puts what is read at each scrape on a registry.
func Watch(reg prometheus.Registerer, s Sources) error {
	if s.Log == nil {
		s.Log = slog.New(slog.DiscardHandler)
	}
	return reg.Register(&collector{Sources: s})
}

func desc(name, help string, labels ...string) *prometheus.Desc {
	return prometheus.NewDesc("hourbell_"+name, help, labels, nil)
}
