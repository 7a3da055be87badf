package endtoend_test

import (
	"bufio"
	"fmt"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"google.golang.org/protobuf/encoding/protojson"

	"github.com/hourbell/hourbell/internal/combinesim"
	pb "github.com/hourbell/hourbell/proto/hourbell/v1"
)

// greased is a moment before all recordings, at which the rounds were done.
func greased() time.Time { return time.Now().Add(-20 * time.Hour) }

// foundFleet is a service with machines of the kind whose chart is kept with the
// streams.
func foundFleet(t *testing.T, machines ...string) *world {
	w := found(t)
	w.run("chart", "import", filepath.Join(streamsDir, streamChart))
	for _, m := range machines {
		w.run("machine", "add", m, "--site", "yard", "--chart", "rook-8")
	}
	return w
}

// A stranger sees all of this with the real programs.
func TestAStrangerSees(t *testing.T) {
	w := foundFleet(t, "finch", "siskin", "wren", "rail", "plover", "dove", "heron")
	for _, row := range []struct {
		name string
		see  func(*world)
	}{
		{"live hours with the age of the reading", (*world).seeLiveHours},
		{"hours by hand", (*world).seeHoursByHand},
		{"derived meter after the box is swapped", (*world).seeDerivedMeter},
		{"meter replaced", (*world).seeMeterReplaced},
		{"implausible", (*world).seeImplausible},
		{"due mid-shift and why", (*world).seeDueMidShift},
	} {
		t.Run(row.name, func(t *testing.T) { row.see(w.in(t)) })
	}
}

// told is what a watch tells, by the machine's hours on the engine's meter.
type told struct {
	total int64
	at    time.Time // when it was read here
}

func (w *world) watch(machine string) <-chan told {
	cmd := w.command("watch", machine, "--json")
	out, err := cmd.StdoutPipe()
	require.NoError(w.t, err)
	c := startChild(w.t, cmd)
	tells := make(chan told, 64)
	heard := make(chan struct{})
	go func() {
		defer close(heard)
		defer close(tells)
		lines := bufio.NewScanner(out)
		for lines.Scan() {
			a := &pb.WatchResponse{}
			if protojson.Unmarshal(lines.Bytes(), a) != nil {
				return
			}
			m := a.GetMachine()
			if m == nil {
				m = a.GetChange().GetMachine()
			}
			for _, meter := range m.GetMeters() {
				if meter.Meter == "engine" {
					tells <- told{meter.GetTotalMs(), time.Now()}
				}
			}
		}
	}()
	c.done = after(c.done, heard)
	return tells
}

// until reads what is told until the total is such, and gives when that came.
func until(t *testing.T, tells <-chan told, total int64) time.Time {
	t.Helper()
	timeout := time.After(30 * time.Second)
	for {
		select {
		case x, ok := <-tells:
			require.True(t, ok, "the watch ended")
			if x.total == total {
				return x.at
			}
		case <-timeout:
			require.Fail(t, "the watch did not tell the reading")
		}
	}
}

// Live hours: a reading pushed shows within two seconds; a silent machine shows
// its age, never a zero.
func (w *world) seeLiveHours() {
	t := w.t
	tells := w.watch("finch")
	until(t, tells, 0) // as it stands: never read
	live := w.box("finch").listenLive()
	begun := time.Now().Add(-25 * time.Minute)
	soonest := time.Hour
	var last time.Time
	for i := range int64(5) {
		last = begun.Add(time.Duration(i) * 3 * time.Minute)
		sent := time.Now()
		live.say(engineHours(last, at(123_400+5*i)))
		took := until(t, tells, at(123_400+5*i)).Sub(sent)
		if i > 0 { // the first has to wait for the agent to start and connect
			soonest = min(soonest, took)
		}
	}
	require.Less(t, soonest, 2*time.Second, "pushed and shown")
	live.end()

	seen := func(w *world) {
		m := w.meter("finch", "engine")
		require.Equal(t, at(123_420), m.GetTotalMs())
		require.WithinDuration(t, last, m.ReadMoment.NotBeforeTime.AsTime(), time.Millisecond)
		require.Equal(t, m.ReadMoment.NotBeforeTime.AsTime(), m.ReadMoment.NotAfterTime.AsTime())
		require.Regexp(t, `finch +finch +engine +1234\.2 +1[2-9] minutes ago`, w.run("machine", "list"))
	}
	seen(w)
	never := w.meter("siskin", "engine")
	require.Nil(t, never.TotalMs, "never read is not 0 hours")
	require.Nil(t, never.ReadMoment)
	require.Regexp(t, `siskin +siskin +engine +not read yet +-`, w.run("machine", "list"))
	w.kill()
	w.start()
	seen(w)
}

// Hours by hand: 1234.5 by hand after 1234.55 from the bus agrees and resets
// nothing.
func (w *world) seeHoursByHand() {
	t := w.t
	w.run("done", "wren", "--round", "grease-10", "--hours", "engine=1230", "--at", stamp(greased()))
	w.box("wren").hear(engineSeries(time.Now().Add(-10*time.Minute), 3*time.Minute, 123_450, 123_455))
	before := w.task("wren", "points/knife-drive/tasks/grease")
	out := w.run("hours", "wren", "engine", "1234.5")
	require.NotContains(t, out, "Held")
	require.Contains(t, out, "1234.55")
	m := w.meter("wren", "engine")
	require.Equal(t, at(123_455), m.GetTotalMs())
	require.EqualValues(t, 1, m.Lives)
	require.Zero(t, m.Held)
	require.Empty(t, w.openDoubts("wren"))
	now := w.task("wren", "points/knife-drive/tasks/grease")
	require.Equal(t, at(455), now.Counters[0].GetSinceMs())
	require.Equal(t, before.Counters[0].GetSinceMs(), now.Counters[0].GetSinceMs())
	require.Equal(t, before.LastService.GetRecord(), now.LastService.GetRecord())
}

// Derived meter: the box is swapped; its total goes on from the last known, and
// the gap is stated, not invented.
func (w *world) seeDerivedMeter() {
	t := w.t
	begun := time.Now().Add(-3 * time.Hour).Truncate(time.Second)
	m := newMachine(t, begun, 21, combinesim.Program{step(combinesim.KeyOn, 1), step(combinesim.Idle, 2), step(combinesim.Thresh, 90), step(combinesim.Idle, 2), step(combinesim.Off, 1)}, nil)
	w.run("hours", "rail", "separator", "980", "--at", stamp(begun.Add(-time.Hour)))
	w.run("done", "rail", "--round", "grease-50", "--hours", "separator=960", "--at", stamp(greased()))

	first := w.box("rail")
	first.greet(m.Append(nil, begun.Add(20*time.Second)))
	first.hear(m.Append(nil, begun.Add(40*time.Minute)))
	ran := m.Truth().Separator.MS()
	known := w.meter("rail", "separator").GetTotalMs()
	require.InDelta(t, 980*h+ran, known, 3000)

	m.Append(nil, begun.Add(60*time.Minute)) // nobody listens
	second := w.box("rail", "--replace")
	second.greet(m.Append(nil, begun.Add(61*time.Minute)))
	require.Equal(t, known, w.meter("rail", "separator").GetTotalMs(), "what nobody heard is not invented")
	from := m.Truth().Separator.MS()
	second.hear(m.Append(nil, m.End()))
	heard := m.Truth().Separator.MS() - from
	require.Greater(t, heard, int64(20*60_000))
	now := w.meter("rail", "separator")
	require.InDelta(t, known+heard, now.GetTotalMs(), 5000)
	require.Equal(t, pb.Origin_ORIGIN_DERIVED, now.Origin)
	require.InDelta(t, 50*h-(20*h+ran+heard), w.task("rail", "points/rotor-front-bearing/tasks/grease").Counters[0].GetLeftMs(), 8000)

	const stated = "what it ran between the two was not heard and is not counted"
	require.Contains(t, w.run("explain", "rail", "rotor-front-bearing/grease"), stated)
	require.Contains(t, w.run("notices", "rail"), stated)
	doubts := w.openDoubts("rail")
	require.Len(t, doubts, 1)
	require.Equal(t, pb.DoubtKind_DOUBT_KIND_OTHER_BOX, doubts[0].Kind)
	require.Contains(t, doubts[0].What, stated)
	// A person reads the display, and the total is whole again.
	shown := 980*h + m.Truth().Separator.MS()
	w.run("hours", "rail", "separator", fmt.Sprintf("%d.%02d", shown/h, shown%h*100/h))
	require.InDelta(t, shown, w.meter("rail", "separator").GetTotalMs(), float64(h/100))
	w.run("doubt", "answer", "rail", lastPart(doubts[0].Name), "right", "--why", "read off the display")
	require.Empty(t, w.openDoubts("rail"))
}

func lastPart(name string) string { return name[strings.LastIndexByte(name, '/')+1:] }

// newMachine is a simulated machine of the kind that the streams' chart is for.
func newMachine(t *testing.T, begun time.Time, seed uint64, p combinesim.Program, faults *combinesim.Faults) *combinesim.Machine {
	cfg := rookConfig(seed, p)
	cfg.Start = begun
	if faults != nil {
		cfg.Faults = *faults
	}
	m, err := combinesim.New(cfg)
	require.NoError(t, err)
	return m
}

func stamp(t time.Time) string { return t.UTC().Format(time.RFC3339) }

// Meter replaced: 2104.60, then 0.15, 0.20 ...: the machine's hours go on, what
// is due does not move.
func (w *world) seeMeterReplaced() {
	t := w.t
	const task = "points/knife-drive/tasks/grease"
	w.run("done", "plover", "--round", "grease-10", "--hours", "engine=2100", "--at", stamp(greased()))
	box := w.box("plover")
	begun := time.Now().Add(-40 * time.Minute)
	box.hear(engineSeries(begun, 3*time.Minute, 210_455, 210_460, 15, 20))
	m := w.meter("plover", "engine")
	require.Equal(t, at(210_460), m.GetTotalMs(), "held until it is sure")
	require.EqualValues(t, 2, m.Held)
	require.Len(t, w.openDoubts("plover"), 1)
	require.Equal(t, pb.DoubtKind_DOUBT_KIND_FELL, w.openDoubts("plover")[0].Kind)

	box.hear(engineSeries(begun.Add(12*time.Minute), 3*time.Minute, 25, 30, 35))
	m = w.meter("plover", "engine")
	require.Equal(t, at(210_460+20), m.GetTotalMs(), "2104.60, and 0.20 since the new meter was first read")
	require.Equal(t, at(35), m.GetShownMs())
	require.EqualValues(t, 2, m.Lives)
	require.Zero(t, m.Held)
	require.Empty(t, w.openDoubts("plover"))
	now := w.task("plover", task)
	require.Equal(t, at(211_000), now.Counters[0].GetDueAtMs(), "what is due has not moved")
	require.Equal(t, at(211_000-210_480), now.Counters[0].GetLeftMs())
	require.Equal(t, pb.DueState_DUE_STATE_NOT_DUE, now.DueState)
	require.Contains(t, w.run("machine", "show", "plover"), "engine was replaced or reset 1 times; it shows 0.35 now")
	for _, n := range ask[pb.ListNoticesResponse](w, "notices", "plover").Notices {
		require.Fail(t, "a notice stands", "%v", n)
	}
}

// Implausible: 37 h more in 30 minutes is held and said, counters still, cleared
// by the next true reading.
func (w *world) seeImplausible() {
	t := w.t
	const task = "points/knife-drive/tasks/grease"
	w.run("done", "dove", "--round", "grease-10", "--hours", "engine=495", "--at", stamp(greased()))
	box := w.box("dove")
	begun := time.Now().Add(-time.Hour)
	box.hear([]combinesim.Frame{engineHours(begun, at(50_000)), engineHours(begun.Add(30*time.Minute), at(53_700))})
	m := w.meter("dove", "engine")
	require.Equal(t, at(50_000), m.GetTotalMs(), "the counter stands still")
	require.EqualValues(t, 1, m.Held)
	before := w.task("dove", task)
	require.Equal(t, at(500), before.Counters[0].GetSinceMs())
	require.Equal(t, pb.DueState_DUE_STATE_NOT_DUE, before.DueState)
	doubts := w.openDoubts("dove")
	require.Len(t, doubts, 1)
	require.Equal(t, pb.DoubtKind_DOUBT_KIND_FAST, doubts[0].Kind)
	require.Contains(t, doubts[0].What, "537.00")
	require.Contains(t, w.run("notices", "dove"), "537.00")
	require.Regexp(t, `dove +dove +engine +500\.0.*1 held`, w.run("machine", "list"))

	box.hear([]combinesim.Frame{engineHours(begun.Add(33*time.Minute), at(50_050))})
	m = w.meter("dove", "engine")
	require.Equal(t, at(50_050), m.GetTotalMs())
	require.Zero(t, m.Held)
	require.EqualValues(t, 1, m.Lives)
	require.Empty(t, w.openDoubts("dove"))
	require.Equal(t, at(550), w.task("dove", task).Counters[0].GetSinceMs())
	require.Contains(t, w.run("notices", "dove"), "No notices stand")
	require.Contains(t, w.run("doubts", "dove", "--closed"), "closed: ")
}

// Due mid-shift: the crossing reading itself makes it due, at its own time; one
// notice a stage however often events repeat. Why: explain prints every input of
// the counter with its time.
func (w *world) seeDueMidShift() {
	t := w.t
	const task = "points/knife-drive/tasks/grease"
	begun := time.Now().Add(-4 * time.Hour).Truncate(time.Second)
	m := newMachine(t, begun, 22, combinesim.Program{step(combinesim.KeyOn, 1), step(combinesim.Idle, 4), step(combinesim.Thresh, 125), step(combinesim.Idle, 2), step(combinesim.Off, 1)}, nil)
	const start, last = 1504 * h, 1504*h - 17*h/2 // soon after half an hour, due after an hour and a half
	w.run("done", "heron", "--round", "grease-10", "--hours", "engine=1495.5", "--at", stamp(greased()))
	box := w.box("heron")
	box.greet(m.Append(nil, begun.Add(20*time.Second)))
	frames := m.Append(nil, m.End())
	said := box.hear(frames)
	truth := m.Truth()
	crossed, reached := truth.EngineReaches(last + 10*h - start)
	require.True(t, reached)

	stages := func(w *world) (out []string) {
		for _, n := range ask[pb.ListNoticesResponse](w, "notices", "heron", "--closed").Notices {
			if n.Task == "machines/heron/"+task {
				out = append(out, n.Stage.String())
			}
			if n.Stage == pb.Stage_STAGE_DUE && n.Task == "machines/heron/"+task {
				crossing(t, crossed, n.RaisedMoment)
				require.False(t, n.Closed)
			}
		}
		return out
	}
	want := []string{"STAGE_DUE", "STAGE_SOON"}
	now := w.task("heron", task)
	require.Equal(t, pb.DueState_DUE_STATE_DUE, now.DueState)
	crossing(t, crossed, now.SinceMoment)
	require.ElementsMatch(t, want, stages(w))
	require.Equal(t, 1, strings.Count(said, "BELL  Grease the knife drive (knife-drive/grease): due"), "the cab rang once: %s", said)

	// The same shift heard again, and the service killed in between.
	w.kill()
	w.start()
	require.NotContains(t, box.hear(frames), "BELL")
	require.ElementsMatch(t, want, stages(w))
	require.Equal(t, int64(truth.EngineRaw)*combinesim.MeterStep, w.meter("heron", "engine").GetTotalMs())

	w.why(crossed)
}

// crossing holds a moment to be that of the first reading at or after an instant:
// one a minute is told.
func crossing(t *testing.T, crossed time.Time, got *pb.Moment) {
	t.Helper()
	require.Equal(t, got.NotBeforeTime.AsTime(), got.NotAfterTime.AsTime())
	read := got.NotAfterTime.AsTime()
	require.False(t, read.Before(crossed.Add(-combinesim.Step)), "read at %v, crossed at %v", read, crossed)
	require.Less(t, read.Sub(crossed), 66*time.Second)
}

func (w *world) why(crossed time.Time) {
	t := w.t
	a := ask[pb.ExplainTaskResponse](w, "explain", "heron", "knife-drive/grease")
	by := map[string]*pb.Reason{}
	for _, r := range a.Reasons {
		by[r.What] = r
		if r.Event != "" && r.What != "notice closed" {
			assert.NotNil(t, r.Moment, "%s: %s has an event and no time", r.What, r.Value)
		}
	}
	for what, value := range map[string]string{"state": `^due$`, "edition": `^1 of chart rook-8$`, "service record": `engine 1495\.50 h`,
		"interval": `every 10\.00 h of engine: soon from 1504\.50 h, due from 1505\.50 h, overdue from 1506\.50 h`,
		"counter":  ` h since, 0\.\d+ h over; it decides the state`, "machine's hours": `engine 1506\.\d+ h \(bus\)`, "meter life": `engine showed`, "notice": `due`} {
		if assert.Contains(t, by, what) {
			assert.Regexp(t, value, by[what].Value, what)
		}
	}
	if s := by["state"]; s != nil {
		crossing(t, crossed, s.Moment)
	}
	text := w.run("explain", "heron", "knife-drive/grease")
	for _, r := range a.Reasons {
		require.Contains(t, text, r.Value)
		if r.Moment != nil && exact(r.Moment) {
			require.Contains(t, text, r.Moment.NotAfterTime.AsTime().UTC().Format("2006-01-02 15:04"), "%s: %s", r.What, r.Value)
		}
	}
}

func exact(m *pb.Moment) bool { return m.NotBeforeTime.AsTime().Equal(m.NotAfterTime.AsTime()) }
