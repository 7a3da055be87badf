package metrics_test

import (
	"context"
	"fmt"
	"os"
	"os/exec"
	"strings"
	"testing"
	"time"

	"github.com/prometheus/client_golang/prometheus"
	"github.com/prometheus/client_golang/prometheus/testutil"
	"github.com/prometheus/common/expfmt"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"github.com/hourbell/hourbell/internal/maintenance"
	"github.com/hourbell/hourbell/internal/maintenance/civil"
	"github.com/hourbell/hourbell/internal/maintenance/hours"
	"github.com/hourbell/hourbell/internal/maintenance/moment"
	"github.com/hourbell/hourbell/service/ingest"
	"github.com/hourbell/hourbell/service/metrics"
	"github.com/hourbell/hourbell/service/notify"
)

// states stand in for ingest.
type states struct {
	list  []*maintenance.State
	err   error
	stats ingest.Stats
}

func (s *states) ViewEach(_ context.Context, show func(string, *maintenance.State) bool) error {
	for _, st := range s.list {
		if !show(st.Machine.Machine, st) {
			return nil
		}
	}
	return s.err
}

func (s *states) Stats() ingest.Stats { return s.stats }

// t0 is 2031-07-14T00:00:00Z in milliseconds (`date -u -d 2031-07-14 +%s`).
const t0 moment.Instant = 1_941_753_600_000

func key(n byte) maintenance.Key { return maintenance.Key{Stream: [16]byte{n}} }

// fold applies events to a new state, one an hour from t0 - 30 days on unless
// they say when.
func fold(t *testing.T, events ...*maintenance.Event) *maintenance.State {
	t.Helper()
	s := maintenance.New()
	for i, e := range events {
		e.Key = key(byte(i + 1))
		if e.Writer == 0 {
			e.Writer = maintenance.WriterService
		}
		if e.Known == 0 {
			e.Known = t0
		}
		require.NoError(t, maintenance.Admit(s, e).Err(), "event %d", i)
		maintenance.Apply(s, e, nil)
	}
	return s
}

func at(t moment.Instant, body maintenance.Body) *maintenance.Event {
	return &maintenance.Event{At: moment.At(t), Body: body}
}

func person(t moment.Instant, body maintenance.Body) *maintenance.Event {
	return &maintenance.Event{At: moment.At(t), Body: body, Writer: maintenance.WriterPerson}
}

const dayMs = 86_400_000

func reading(t moment.Instant, h hours.Millis) *maintenance.Event {
	return person(t, &maintenance.HandReading{Person: "fern", Reading: maintenance.Reading{Meter: "engine", Shown: h, Resolution: hours.Hour / 20, Origin: maintenance.OriginPerson}})
}

func chart() *maintenance.Chart {
	return &maintenance.Chart{
		ID: "ossa-rotary", Edition: 3,
		Meters: []maintenance.MeterDef{{ID: "engine", Kind: maintenance.MeterPerson, Resolution: hours.Hour / 20, SetFrom: "cab"}, {ID: "separator", Kind: maintenance.MeterPerson, Resolution: hours.Hour / 20, SetFrom: "cab"}},
		Codes:  []maintenance.CodeDef{{ID: "rotor-slow", SPN: 520301, FMI: 1, Source: maintenance.AnySource}},
		Points: []maintenance.PointDef{{ID: "pivot", Station: 1}},
		Tasks: []maintenance.TaskDef{
			{ID: "pivot/grease", Point: "pivot", Do: "grease", Limbs: []maintenance.Limb{{Kind: maintenance.LimbHours, Meter: "engine", Every: 50 * hours.Hour}}},
			{ID: "pivot/check", Point: "pivot", Do: "check", Limbs: []maintenance.Limb{{Kind: maintenance.LimbMonths, Months: 1}}},
			{ID: "pivot/clean", Point: "pivot", Do: "clean", Limbs: []maintenance.Limb{{Kind: maintenance.LimbHours, Meter: "separator", Every: 50 * hours.Hour}}},
		},
	}
}

// busy is a machine on which a task is due by hours and another overdue by the
// calendar, with warnings and a doubt.
func busy(t *testing.T) *maintenance.State {
	t.Helper()
	date := civil.Date(t0 / dayMs)
	events := []*maintenance.Event{
		at(t0-40*dayMs, &maintenance.Commissioned{Machine: "ossa-1", Display: "Ossa 1", Customer: "tallow-fen", Site: "low-barn", Zone: "Etc/UTC"}),
	}
	for d := date - 40; d <= date; d++ {
		from := moment.Instant(d) * dayMs
		events = append(events, at(from, &maintenance.DayTurned{Date: d, From: from, Until: from + dayMs}))
	}
	events = append(events,
		at(t0-39*dayMs, &maintenance.EditionTaken{Chart: chart()}),
		reading(t0-36*dayMs, 1000*hours.Hour),
		person(t0-36*dayMs, &maintenance.ServiceDone{Tasks: []string{"pivot/grease", "pivot/check"}, Date: date - 36, Person: "fern"}),
		reading(t0-2*dayMs, 1052*hours.Hour),
		reading(t0-2*dayMs+1, 1100*hours.Hour), // faster than the clock
	)
	s := fold(t, events...)
	s.Heard = maintenance.Heard{Until: t0 - 1500, Total: 100 * hours.Hour}
	s.Engine = maintenance.EngineState{Running: true, At: moment.At(t0 - 5000)}
	s.Warnings = []maintenance.ActiveWarning{{Code: maintenance.Code{SPN: 520301, FMI: 1}}}
	s.Counts = []maintenance.CodeCount{{Code: maintenance.Code{SPN: 520301, FMI: 1}, Starts: 4}, {Code: maintenance.Code{Source: 3, SPN: 100, FMI: 3}, Starts: 2}}
	return s
}

func silent(t *testing.T) *maintenance.State {
	return fold(t, at(t0, &maintenance.Commissioned{Machine: "ossa-2", Display: "Ossa 2", Customer: "far-mere", Site: "barn", Zone: "Etc/UTC"}))
}

func registry(t *testing.T, s *states) *prometheus.Registry {
	t.Helper()
	reg := prometheus.NewRegistry()
	m := metrics.New(reg, "v1.2.3")
	m.Commit(300, 2, 700*time.Microsecond)
	m.Probed(time.UnixMilli(int64(t0)))
	require.NoError(t, metrics.Watch(reg, metrics.Sources{
		Ingest: s, Connected: func() int { return 1 }, StoreWorks: func() bool { return true }, JournalBytes: func() int64 { return 4096 },
		Notices: func() map[string]notify.ChannelStats {
			return map[string]notify.ChannelStats{"log": {Seen: 3, Delivered: 3}, "webhook": {Seen: 3, Delivered: 1, GivenUp: 1, Failed: 12, Pending: 1}}
		},
	}))
	return reg
}

// TestText holds the whole of what a scrape says of machines to a text written
// by hand.
func TestText(t *testing.T) {
	reg := registry(t, &states{list: []*maintenance.State{busy(t), silent(t)}, stats: ingest.Stats{Taken: 10, SetAside: 2, Repeats: 1, Batches: 3, Queued: 5}})
	want, err := os.Open("testdata/metrics.txt")
	require.NoError(t, err)
	defer want.Close()
	names := []string{
		"hourbell_machine_info", "hourbell_machine_operating_seconds_total", "hourbell_machine_last_reading_timestamp_seconds", "hourbell_machine_heard_timestamp_seconds", "hourbell_machine_engine_running",
		"hourbell_machine_tasks", "hourbell_task_due_in_seconds", "hourbell_machine_warning_starts_total", "hourbell_machine_warnings_active", "hourbell_machine_notices_open", "hourbell_machine_doubts_open",
		"hourbell_machine_readings_held", "hourbell_machine_meter_lives", "hourbell_machines", "hourbell_machines_left_out", "hourbell_tasks", "hourbell_warning_starts_total", "hourbell_warnings_active",
		"hourbell_notices_open", "hourbell_doubts_open", "hourbell_oldest_heard_timestamp_seconds", "hourbell_ingest_events_total", "hourbell_ingest_batches_total", "hourbell_ingest_queued_events", "hourbell_store_works",
		"hourbell_store_journal_bytes", "hourbell_store_probe_timestamp_seconds", "hourbell_agents_connected", "hourbell_notices_raised_total", "hourbell_notice_deliveries_total", "hourbell_notices_pending", "hourbell_build_info",
	}
	require.NoError(t, testutil.GatherAndCompare(reg, want, names...))
}

// TestAggregatesAlwaysExist: with no machine at all every aggregate is there.
func TestAggregatesAlwaysExist(t *testing.T) {
	for name, s := range map[string]*states{"none": {}, "unreadable": {err: fmt.Errorf("the journal is gone")}} {
		t.Run(name, func(t *testing.T) {
			n, err := testutil.GatherAndCount(registry(t, s), "hourbell_machines", "hourbell_tasks", "hourbell_notices_open", "hourbell_doubts_open", "hourbell_warnings_active", "hourbell_warning_starts_total", "hourbell_ingest_events_total")
			require.NoError(t, err)
			assert.Equal(t, 1+5+4+1+1+1+3, n)
		})
	}
}

// TestCodesAreBounded: many codes that the chart does not name are told
// together, and the total is the whole.
func TestCodesAreBounded(t *testing.T) {
	s := silent(t)
	for i := range 200 {
		s.Counts = append(s.Counts, maintenance.CodeCount{Code: maintenance.Code{SPN: uint32(i), FMI: 1}, Starts: 1})
	}
	s.CountsOver = 7
	n, err := testutil.GatherAndCount(registry(t, &states{list: []*maintenance.State{s}}), "hourbell_machine_warning_starts_total")
	require.NoError(t, err)
	assert.Equal(t, 33, n)
	require.NoError(t, testutil.GatherAndCompare(registry(t, &states{list: []*maintenance.State{s}}), strings.NewReader("# HELP hourbell_warning_starts_total Starts of codes on all machines.\n# TYPE hourbell_warning_starts_total counter\nhourbell_warning_starts_total 207\n"), "hourbell_warning_starts_total"))
}

func TestNamesKeepTheConventions(t *testing.T) {
	problems, err := testutil.GatherAndLint(registry(t, &states{list: []*maintenance.State{busy(t), silent(t)}}))
	require.NoError(t, err)
	assert.Empty(t, problems)
}

// TestPromtool asks Prometheus's own checker, where it is installed; CI has it.
func TestPromtool(t *testing.T) {
	promtool, err := exec.LookPath("promtool")
	if err != nil {
		if os.Getenv("CI") == "true" {
			require.Fail(t, "promtool is not installed: CI needs it (Debian's package prometheus)")
		}
		t.Skip("promtool is not installed (Debian's package prometheus)")
	}
	families, err := registry(t, &states{list: []*maintenance.State{busy(t), silent(t)}}).Gather()
	require.NoError(t, err)
	var text strings.Builder
	for _, f := range families {
		_, err := expfmt.MetricFamilyToText(&text, f)
		require.NoError(t, err)
	}
	cmd := exec.CommandContext(t.Context(), promtool, "check", "metrics")
	cmd.Stdin = strings.NewReader(text.String())
	out, err := cmd.CombinedOutput()
	require.NoError(t, err, "%s", out)
	assert.Empty(t, string(out))
}

func BenchmarkScrape(b *testing.B) {
	s := &states{}
	t := &testing.T{}
	for i := range 1000 {
		st := busy(t)
		st.Machine.Machine = fmt.Sprintf("ossa-%d", i)
		s.list = append(s.list, st)
	}
	reg := prometheus.NewRegistry()
	if err := metrics.Watch(reg, metrics.Sources{Ingest: s}); err != nil {
		b.Fatal(err)
	}
	for b.Loop() {
		if _, err := reg.Gather(); err != nil {
			b.Fatal(err)
		}
	}
}
