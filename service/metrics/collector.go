package metrics

import (
	"context"
	"fmt"

	"github.com/prometheus/client_golang/prometheus"

	"github.com/hourbell/hourbell/internal/maintenance"
	"github.com/hourbell/hourbell/internal/maintenance/civil"
	"github.com/hourbell/hourbell/internal/maintenance/hours"
	"github.com/hourbell/hourbell/internal/maintenance/moment"
	"github.com/hourbell/hourbell/service/api"
	"github.com/hourbell/hourbell/service/api/counter"
)

// collector reads the machines at each scrape.
type collector struct{ Sources }

// Describe tells nothing: which series there are hangs on the fleet.
func (c *collector) Describe(chan<- *prometheus.Desc) {}

// Collect reads the states and totals.
func (c *collector) Collect(out chan<- prometheus.Metric) {
	ctx, cancel := context.WithTimeout(context.Background(), scrapeTime)
	defer cancel()
	s := &scrape{out: out, describe: describe()}
	err := c.Ingest.ViewEach(ctx, func(machine string, st *maintenance.State) bool {
		s.machine(machine, st)
		return ctx.Err() == nil
	})
	if err != nil {
		c.Log.Warn("read the machines for a scrape", "err", err)
	}
	s.fleet()
	s.ingest(c.Ingest.Stats())
	s.service(&c.Sources)
}

// dueStates are the due states in order, as labels.
func dueStates() []string { return []string{"unknown", "not_due", "soon", "due", "overdue"} }

// scrape is one scrape under way: what goes out, and what adds up.
type scrape struct {
	out      chan<- prometheus.Metric
	describe *descs

	machines, left int
	tasks          [5]int
	notices        [4]int // by stage, 0: of doubts
	doubts         int
	active         int
	starts         uint64
	oldest         moment.Instant
}

type descs struct {
	info, operating, reading, heard, running, tasks, dueIn, starts, active, open, doubts, held, lives *prometheus.Desc

	machines, left, allTasks, allStarts, allActive, allNotices, allDoubts, oldest *prometheus.Desc

	events, batches, queued, forks, misplaced, thinned, damaged, turns, checkpoints, longest, stopped, bytes *prometheus.Desc

	works, journal, connected, raised, deliveries, pending *prometheus.Desc
}

func describe() *descs {
	return &descs{
		info:      desc("machine_info", "What a machine is; always 1.", "machine", "customer", "site", "chart", "edition"),
		operating: desc("machine_operating_seconds_total", "Running time of a machine on one meter, over all its meter lives.", "machine", "meter"),
		reading:   desc("machine_last_reading_timestamp_seconds", "When a meter was last read, Unix time.", "machine", "meter"),
		heard:     desc("machine_heard_timestamp_seconds", "Until when a machine's bus was heard, Unix time.", "machine"),
		running:   desc("machine_engine_running", "1 while the engine runs, 0 while it stands, as last heard.", "machine"),
		tasks:     desc("machine_tasks", "Tasks of a machine by due state.", "machine", "state"),
		dueIn:     desc("task_due_in_seconds", "Running time left until a task is due that is soon, due or overdue; below 0 beyond it. By the calendar: whole days.", "machine", "task", "clock"),
		starts:    desc("machine_warning_starts_total", "Starts of one code on a machine. Codes beyond the first of those that its chart does not name are told together as other.", "machine", "code"),
		active:    desc("machine_warnings_active", "Codes that are on, or were when last seen.", "machine"),
		open:      desc("machine_notices_open", "Notices that stand.", "machine"),
		doubts:    desc("machine_doubts_open", "Doubts that wait for a person.", "machine"),
		held:      desc("machine_readings_held", "Readings of a meter held since the last accepted one.", "machine", "meter"),
		lives:     desc("machine_meter_lives", "Meter lives of a meter, the current one included.", "machine", "meter"),

		machines:   desc("machines", "Machines with a stream."),
		left:       desc("machines_left_out", "Machines beyond the bound that have no series of their own."),
		allTasks:   desc("tasks", "Tasks of all machines by due state.", "state"),
		allStarts:  desc("warning_starts_total", "Starts of codes on all machines."),
		allActive:  desc("warnings_active", "Codes that are on, on all machines."),
		allNotices: desc("notices_open", "Notices that stand, by stage.", "stage"),
		allDoubts:  desc("doubts_open", "Doubts that wait for a person, on all machines."),
		oldest:     desc("oldest_heard_timestamp_seconds", "Until when the machine was heard that was not heard for longest, Unix time; 0 where none was heard."),

		events:      desc("ingest_events_total", "Events offered, by what became of them.", "outcome"),
		batches:     desc("ingest_batches_total", "Batches and acts offered."),
		queued:      desc("ingest_queued_events", "Events that wait for the disk."),
		forks:       desc("ingest_forks_total", "Batches refused since their spool's history differs."),
		misplaced:   desc("ingest_misplaced_total", "Events whose own time could not be right."),
		thinned:     desc("ingest_thinned_total", "Events that agents said they dropped before sending."),
		damaged:     desc("ingest_damaged_events", "Events that could not be read when the service started."),
		turns:       desc("ingest_day_turns_total", "Work days turned."),
		checkpoints: desc("ingest_checkpoints_total", "Checkpoints, by what became of them.", "outcome"),
		longest:     desc("ingest_longest_commit_seconds", "The longest append to the journal since the start."),
		stopped:     desc("ingest_stopped", "1 once nothing more is taken in."),
		bytes:       desc("ingest_committed_bytes_total", "Bytes of events appended to the journal."),

		works:      desc("store_works", "1 where the last probe of the store went well."),
		journal:    desc("store_journal_bytes", "What the journal takes on disk."),
		connected:  desc("agents_connected", "Agents that are connected."),
		raised:     desc("notices_raised_total", "Notices that came up since the service started, or waited for it."),
		deliveries: desc("notice_deliveries_total", "Notices by channel and by what became of them.", "channel", "outcome"),
		pending:    desc("notices_pending", "Notices that a channel has still to deliver.", "channel"),
	}
}

func (s *scrape) gauge(d *prometheus.Desc, v float64, labels ...string) {
	s.out <- prometheus.MustNewConstMetric(d, prometheus.GaugeValue, v, labels...)
}

func (s *scrape) count(d *prometheus.Desc, v float64, labels ...string) {
	s.out <- prometheus.MustNewConstMetric(d, prometheus.CounterValue, v, labels...)
}

func seconds(ms hours.Millis) float64 { return float64(ms) / 1000 }

func unix(t moment.Instant) float64 { return float64(t) / 1000 }

// machine tells one machine. Adding up goes on beyond the bound, series don't.
func (s *scrape) machine(id string, st *maintenance.State) {
	s.machines++
	own := s.machines <= MaxMachines
	if !own {
		s.left++
	}
	s.tasksOf(id, st, own)
	s.warnings(id, st, own)
	open, doubts := s.words(st)
	if t := st.Heard.Until; t != 0 && (s.oldest == 0 || t < s.oldest) {
		s.oldest = t
	}
	if !own {
		return
	}
	d := s.describe
	chart, edition := "", ""
	if st.Chart != nil {
		chart, edition = st.Chart.ID, fmt.Sprint(st.Chart.Edition)
	}
	s.gauge(d.info, 1, id, st.Machine.Customer, st.Machine.Site, chart, edition)
	s.meters(id, st)
	if st.Heard.Until != 0 {
		s.gauge(d.heard, unix(st.Heard.Until), id)
	}
	if st.Engine.At != (moment.Span{}) {
		s.gauge(d.running, bit(st.Engine.Running), id)
	}
	s.gauge(d.active, float64(len(st.Warnings)), id)
	s.gauge(d.open, float64(open), id)
	s.gauge(d.doubts, float64(doubts), id)
}

// meters tells the meters that were read; one that was not has no hours.
func (s *scrape) meters(id string, st *maintenance.State) {
	for i := range st.Meters {
		m := &st.Meters[i]
		s.gauge(s.describe.held, float64(m.HeldN), id, m.ID)
		if len(m.Lives) == 0 {
			continue
		}
		s.count(s.describe.operating, seconds(m.Total), id, m.ID)
		s.gauge(s.describe.lives, float64(int(m.Folded)+len(m.Lives)), id, m.ID)
		if m.TotalAt.NotAfter != 0 {
			s.gauge(s.describe.reading, unix(m.TotalAt.NotAfter), id, m.ID)
		}
	}
}

func (s *scrape) tasksOf(id string, st *maintenance.State, own bool) {
	var counts [5]int
	counter.Tasks(st, func(t *maintenance.Task, _ *maintenance.TaskDef) bool {
		if int(t.State) < len(counts) {
			counts[t.State]++
		}
		if own && t.State >= maintenance.DueSoon {
			s.dueIn(id, st, t.ID)
		}
		return true
	})
	for i, name := range dueStates() {
		s.tasks[i] += counts[i]
		if own {
			s.gauge(s.describe.tasks, float64(counts[i]), id, name)
		}
	}
}

// dueIn tells what is left of the interval that comes first.
func (s *scrape) dueIn(id string, st *maintenance.State, task string) {
	c, err := maintenance.Counter(st, task)
	if err != nil {
		return
	}
	first := counter.First(&c)
	if first < 0 {
		return
	}
	l := &c.Limbs[first]
	if l.Kind == maintenance.LimbMonths {
		if l.DueOn != civil.None {
			s.gauge(s.describe.dueIn, float64(l.DaysLeft)*86_400, id, task, "calendar")
		}
		return
	}
	s.gauge(s.describe.dueIn, seconds(l.Left), id, task, l.Meter)
}

// warnings tells starts by code: those that the chart names, the first others,
// and the rest together.
func (s *scrape) warnings(id string, st *maintenance.State, own bool) {
	s.active += len(st.Warnings)
	named := make(map[string]uint64)
	unnamed := 0
	other := st.CountsOver
	for i := range st.Counts {
		c := &st.Counts[i]
		s.starts += c.Starts
		label := ""
		if def := api.CodeDef(st.Chart, c.Code); def != nil {
			label = def.ID
		} else if unnamed++; unnamed <= maxCodes {
			label = codeLabel(c.Code)
		}
		if label == "" {
			other += c.Starts
			continue
		}
		named[label] += c.Starts
	}
	s.starts += st.CountsOver
	if !own {
		return
	}
	for label, n := range named {
		s.count(s.describe.starts, float64(n), id, label)
	}
	s.count(s.describe.starts, float64(other), id, "other")
}

// codeLabel names a code that the chart does not: spn/fmi@source.
func codeLabel(c maintenance.Code) string {
	if c.Ambiguous {
		return fmt.Sprintf("ambiguous %x@%02x", c.Raw, c.Source)
	}
	return fmt.Sprintf("%d/%d@%02x", c.SPN, c.FMI, c.Source)
}

// words counts what waits for people.
func (s *scrape) words(st *maintenance.State) (open, doubts int) {
	for i := range st.Notices {
		n := &st.Notices[i]
		if !n.Withdrawn.IsZero() {
			continue
		}
		open++
		if n.Task == "" {
			s.notices[0]++
		} else if int(n.Stage) < len(s.notices) {
			s.notices[n.Stage]++
		}
	}
	for i := range st.Doubts {
		if st.Doubts[i].Closed.IsZero() {
			doubts++
		}
	}
	s.doubts += doubts
	return open, doubts
}

// fleet tells what adds up over all machines; these series always exist.
func (s *scrape) fleet() {
	d := s.describe
	s.gauge(d.machines, float64(s.machines))
	s.gauge(d.left, float64(s.left))
	for i, name := range dueStates() {
		s.gauge(d.allTasks, float64(s.tasks[i]), name)
	}
	for i, name := range []string{"doubt", "soon", "due", "overdue"} {
		s.gauge(d.allNotices, float64(s.notices[i]), name)
	}
	s.count(d.allStarts, float64(s.starts))
	s.gauge(d.allActive, float64(s.active))
	s.gauge(d.allDoubts, float64(s.doubts))
	s.gauge(d.oldest, unix(s.oldest))
}

func bit(b bool) float64 {
	if b {
		return 1
	}
	return 0
}
