package endtoend_test

import (
	"bytes"
	"context"
	"crypto/rand"
	"encoding/binary"
	"fmt"
	"maps"
	"slices"
	"time"

	"github.com/stretchr/testify/require"
	"google.golang.org/protobuf/proto"

	"github.com/hourbell/hourbell/agent"
	"github.com/hourbell/hourbell/internal/combinesim"
	"github.com/hourbell/hourbell/internal/wire"
	pb "github.com/hourbell/hourbell/proto/hourbell/v1"
)

// recipe is what a machine and its box live through for a stream.
type recipe struct {
	about  string
	config func() combinesim.Config
	live   func(*recording)
	// doubts are those that come of it, and whether they are open at the end.
	doubts map[string]string
	// coarse: the readings are so far apart that one crosses several stages.
	coarse bool
	// elsewhere: the box is in another machine at the end, of which the account
	// says nothing.
	elsewhere bool
}

// rookConfig is the machine whose streams are kept: an invented one.
func rookConfig(seed uint64, program combinesim.Program) combinesim.Config {
	const h = combinesim.Hour
	return combinesim.Config{Name: "Rook", Seed: seed, Start: time.Date(2031, 7, 2, 6, 0, 0, 0, time.UTC), Identity: combinesim.NewIdentity(60871),
		Meters: combinesim.Meters{Engine: 1504 * h, Vehicle: 1700 * h, PTO: -1, Separator: 980 * h}, Rates: combinesim.ThinBus(), Program: program}
}

func step(do combinesim.Activity, minutes int) combinesim.ProgramStep {
	return combinesim.ProgramStep{Do: do, For: time.Duration(minutes) * time.Minute}
}

func recipes() map[string]recipe {
	return map[string]recipe{"shift": shiftRecipe(), "no-signal": noSignalRecipe(), "new-meter": newMeterRecipe(),
		"moved": movedRecipe(), "epochs": epochsRecipe(), "thinned": thinnedRecipe()}
}

func shiftRecipe() recipe {
	codes := combinesim.Codes()
	return recipe{
		about: "a short shift with a halt, a signal all the time: every kind of event that the agent makes; the grease round comes due in it",
		config: func() combinesim.Config {
			c := rookConfig(11, combinesim.Program{step(combinesim.KeyOn, 1), step(combinesim.Idle, 4), step(combinesim.Road, 10), step(combinesim.Thresh, 60),
				step(combinesim.Idle, 2), step(combinesim.Off, 20), step(combinesim.KeyOn, 1), step(combinesim.Idle, 2), step(combinesim.Thresh, 50),
				step(combinesim.Unload, 4), step(combinesim.Road, 8), step(combinesim.Idle, 2), step(combinesim.Off, 2)})
			c.Faults.Warnings = []combinesim.Warning{
				{Code: codes[1], From: 15 * time.Minute, To: 150 * time.Minute, While: combinesim.WhileThreshing, OnFor: 40 * time.Second, OffFor: 9 * time.Minute},
				{Code: codes[2], From: 60 * time.Minute, While: combinesim.WhilePowered},
				{Code: codes[3], From: 30 * time.Minute, To: 38 * time.Minute, While: combinesim.WhileRunning},
			}
			c.Faults.Slipping = []combinesim.SlippingDrive{{Drive: combinesim.FanDrive, From: 20 * time.Minute, StartPPM: 6_000, RatePPM: 60_000}}
			return c
		},
		live: func(r *recording) { r.box().listen(0) },
	}
}

func noSignalRecipe() recipe {
	return recipe{
		about: "a box whose clock begins in 1970 at each start: heard once in the yard, started again and 40 minutes without a signal, started again, a signal at last, which goes once more",
		config: func() combinesim.Config {
			return rookConfig(12, combinesim.Program{step(combinesim.KeyOn, 8), step(combinesim.Idle, 4), step(combinesim.Thresh, 90), step(combinesim.Idle, 3), step(combinesim.Off, 2)})
		},
		live: func(r *recording) {
			b := r.box()
			b.wall = func(since time.Duration) time.Time { return time.Unix(0, 0).Add(since) }
			b.listen(6 * time.Minute)
			r.signal(false)
			b.listen(40 * time.Minute)
			time.Sleep(15 * time.Second)
			time.AfterFunc(20*time.Minute, func() { r.signal(true) })
			time.AfterFunc(30*time.Minute, func() { r.signal(false) })
			time.AfterFunc(40*time.Minute, func() { r.signal(true) })
			b.listen(0)
		},
	}
}

func newMeterRecipe() recipe {
	return recipe{
		about: "a meter that shows 37 h too much for four minutes, and one that is replaced in a halt and begins at 0",
		config: func() combinesim.Config {
			c := rookConfig(13, combinesim.Program{step(combinesim.KeyOn, 1), step(combinesim.Idle, 4), step(combinesim.Thresh, 40), step(combinesim.Idle, 2),
				step(combinesim.Off, 15), step(combinesim.KeyOn, 1), step(combinesim.Idle, 2), step(combinesim.Thresh, 40), step(combinesim.Idle, 2), step(combinesim.Off, 2)})
			c.Faults.Glitches = []combinesim.MeterGlitch{{At: 20 * time.Minute, For: 4 * time.Minute, JumpMS: 37 * combinesim.Hour}}
			c.Faults.Replaced = []combinesim.MeterReplaced{{At: 55 * time.Minute}}
			return c
		},
		live:   func(r *recording) { r.box().listen(0) },
		doubts: map[string]string{"fast": "closed", "fell": "closed"},
	}
}

func movedRecipe() recipe {
	return recipe{
		about: "the box is put into another machine: what it hears there is not this machine's",
		config: func() combinesim.Config {
			c := rookConfig(14, combinesim.Program{step(combinesim.KeyOn, 1), step(combinesim.Idle, 4), step(combinesim.Thresh, 30), step(combinesim.Idle, 2),
				step(combinesim.Off, 10), step(combinesim.KeyOn, 2), step(combinesim.Idle, 2), step(combinesim.Thresh, 20), step(combinesim.Off, 2)})
			c.Faults.Moved = &combinesim.BoxMoved{At: 42 * time.Minute, Gap: 2 * time.Minute, Identity: combinesim.NewIdentity(60999),
				Meters: combinesim.Meters{Engine: 2211 * combinesim.Hour, Vehicle: 2500 * combinesim.Hour, PTO: -1, Separator: 1400 * combinesim.Hour}}
			return c
		},
		live:   func(r *recording) { r.box().listen(0) },
		doubts: map[string]string{"moved": "open"}, elsewhere: true,
	}
}

func epochsRecipe() recipe {
	return recipe{
		about: "a box goes on in a new epoch of its spool, with what was not acknowledged; later another box takes its place",
		config: func() combinesim.Config {
			return rookConfig(15, combinesim.Program{step(combinesim.KeyOn, 1), step(combinesim.Idle, 3), step(combinesim.Thresh, 80), step(combinesim.Idle, 3), step(combinesim.Off, 2)})
		},
		live: func(r *recording) {
			b := r.box()
			b.listen(20 * time.Minute)
			r.signal(false)
			b.listen(15 * time.Minute)
			_, err := agent.NewEpoch(context.Background(), agent.Options{Dir: b.dir, Now: r.now, Rand: rand.Reader}, "for the recording")
			require.NoError(r.t, err)
			r.signal(true)
			b.bring(15 * time.Minute)
			time.Sleep(10 * time.Minute)
			r.box().listen(0)
		},
		doubts: map[string]string{"other box": "open"},
	}
}

func thinnedRecipe() recipe {
	return recipe{
		about: "a small spool and a long time without a signal: readings were thinned",
		config: func() combinesim.Config {
			p := combinesim.Program{step(combinesim.KeyOn, 5)}
			for range 4 {
				fuel := step(combinesim.Fuel, 20)
				fuel.FuelML = combinesim.FuelTankML
				p = append(p, step(combinesim.KeyOn, 1), step(combinesim.Idle, 4), step(combinesim.Thresh, 15*60), step(combinesim.Idle, 2), fuel, step(combinesim.Off, 60))
			}
			c := rookConfig(16, p)
			c.Faults.Warnings = []combinesim.Warning{{Code: combinesim.Codes()[1], From: time.Hour, While: combinesim.WhileThreshing, OnFor: time.Minute, OffFor: 50 * time.Minute}}
			return c
		},
		live: func(r *recording) {
			b := r.box()
			b.bytes = 512 << 10
			b.listen(3 * time.Minute)
			r.signal(false)
			time.AfterFunc(65*time.Hour, func() { r.signal(true) })
			b.listen(0)
		},
		coarse: true,
	}
}

// engineTotal is the machine's hours on the engine's meter as they were lived,
// in the meter's own steps: what a replaced meter had run and what its successor
// has run since it was first read.
func (r *recording) engineTotal() (ms int64) {
	for i, l := range r.truth.Lives {
		if i == 0 {
			ms = int64(l.LastRaw) * combinesim.MeterStep
			continue
		}
		ms += int64(l.LastRaw-l.FirstRaw) * combinesim.MeterStep
	}
	return ms
}

// facts are what the stream holds and what must come of it, by the simulated
// machine's own account.
func (r *recording) facts(name string, recipe recipe) []byte {
	var b bytes.Buffer
	say := func(key string, value any) { fmt.Fprintf(&b, "%s = %v\n", key, value) }
	fmt.Fprintf(&b, "# %s: %s.\n# Written down by the recorder from the simulated machine's own account of what it did, and of the\n", name, recipe.about)
	fmt.Fprintf(&b, "# stream itself (sessions, events); none of it is a service's output. Times in milliseconds.\n")
	say("now", r.ended.Format(time.RFC3339Nano))
	for _, line := range r.setup {
		fmt.Fprintln(&b, line)
	}
	r.streamFacts(say)
	r.meterFacts(say, recipe)
	r.taskFacts(say, recipe)
	r.warningFacts(say)
	say("doubts", len(recipe.doubts))
	for _, kind := range slices.Sorted(maps.Keys(recipe.doubts)) {
		say("doubt "+kind, recipe.doubts[kind])
	}
	return b.Bytes()
}

// messages are the stream's.
func (r *recording) messages() (out []*pb.ConnectRequest) {
	for rest := r.stream.Bytes(); len(rest) > 0; {
		n, w := binary.Uvarint(rest)
		m := &pb.ConnectRequest{}
		require.NoError(r.t, proto.Unmarshal(rest[w:w+int(n)], m))
		out, rest = append(out, m), rest[w+int(n):]
	}
	return out
}

// streamFacts count what is in the stream, each event once however often it was
// sent.
func (r *recording) streamFacts(say func(string, any)) {
	type place struct {
		epoch string
		seq   uint64
	}
	kinds, thinned, seen := map[string]int{}, map[place]uint64{}, map[place]bool{}
	epoch, sessions, ahead, unsynced, epochs := "", 0, 0, 0, map[string]bool{}
	for _, m := range r.messages() {
		if h := m.GetHello(); h != nil {
			epoch, sessions = string(h.GetEpoch()), sessions+1
			epochs[epoch] = true
			continue
		}
		if m.GetLiveNow() != nil {
			ahead++
		}
		seq, gaps := m.GetBatch().GetFirstSequence(), m.GetBatch().GetThinned()
		for _, e := range m.GetBatch().GetEvents() {
			if len(e) == 0 {
				thinned[place{epoch, seq}] = max(thinned[place{epoch, seq}], gaps[0].GetCount())
				seq, gaps = seq+gaps[0].GetCount(), gaps[1:]
				continue
			}
			if at := (place{epoch, seq}); !seen[at] {
				seen[at] = true
				stamp, body, err := wire.Unmarshal(e)
				require.NoError(r.t, err)
				if !stamp.Synced() {
					unsynced++
				}
				kinds[fmt.Sprintf("%T", body)[len("*maintenance."):]]++
			}
			seq++
		}
	}
	say("sessions", sessions)
	say("epochs", len(epochs))
	say("live now", ahead)
	say("events", len(seen))
	for _, kind := range slices.Sorted(maps.Keys(kinds)) {
		say("events "+kind, kinds[kind])
	}
	say("events without a time", unsynced)
	gone := uint64(0)
	for _, n := range thinned {
		gone += n
	}
	say("thinned", gone)
	say("set aside", 0)
}

// within is a fact that holds to so many milliseconds.
func within(value, tolerance int64) string { return fmt.Sprintf("%d within %d", value, tolerance) }

// What sampling once a second costs at the ends of a spell or a span, and what a
// box that starts anew misses until it hears and, on a machine that it does not
// know, has its copy.
const (
	sampledMS = 2_000
	startMS   = 12_000
)

// aliveMS is how long the bus was alive.
func aliveMS(t *combinesim.Truth) (ms int64) {
	for _, s := range t.BusAlive {
		ms += s.MS()
	}
	return ms
}

func (r *recording) meterFacts(say func(string, any), recipe recipe) {
	t := &r.truth
	say("meter engine total", r.engine)
	say("meter engine shown", int64(t.Lives[len(t.Lives)-1].LastRaw)*combinesim.MeterStep)
	say("meter engine lives", len(t.Lives))
	// Where the box was off the shaft turned unheard, which is not made up for.
	say("meter separator total", within(t.SeparatorMS-r.deafMS, int64(len(t.Separator.Spells))*sampledMS+int64(r.boots)*startMS))
	say("meter separator lives", 1)
	if listened := aliveMS(t); !recipe.elsewhere {
		say("listened", within(listened-r.deafBusMS, int64(len(t.BusAlive))*sampledMS+int64(r.boots-1)*startMS))
	}
	say("vehicle", combinesim.NewIdentity(60871).VIN)
	for _, s := range t.Running {
		say("engine started", time.Unix(0, s.FromNS).UTC().Format(time.RFC3339Nano))
	}
	loaded, driver := int64(0), int64(0)
	for _, d := range t.Drives {
		if d.Drive == combinesim.FanDrive {
			loaded, driver = loaded+d.Loaded.DrivenSum, driver+d.Loaded.DriverSum
		}
	}
	if r.boots == 1 && !recipe.elsewhere {
		say("drive fan loaded ratio", within(loaded*1_000_000/driver, 4_000))
	}
}

// taskFacts follow from the chart's intervals and from when each round was last
// done: soon from a tenth of the interval before, due, and overdue from a tenth
// after, at least an hour each. Every stage that was reached rang once.
func (r *recording) taskFacts(say func(string, any), recipe recipe) {
	for _, s := range servedBefore() {
		total := r.engine
		if s.meter == "separator" {
			total = r.truth.SeparatorMS - r.deafMS
		}
		since, tenth := total-r.start(s.meter)+s.agoMS, max(s.everyMS/10, combinesim.Hour)
		state := "not due"
		for _, stage := range []struct {
			word string
			at   int64
		}{{"soon", s.everyMS - tenth}, {"due", s.everyMS}, {"overdue", s.everyMS + tenth}} {
			if since >= stage.at {
				state = stage.word
				if recipe.coarse {
					continue
				}
				say(fmt.Sprintf("notice %s %s", s.task, stage.word), 1)
			}
		}
		say("task "+s.task, state)
	}
}

// warningFacts are the codes that were on the bus.
func (r *recording) warningFacts(say func(string, any)) {
	starts, last := map[string]int{}, map[string]combinesim.Warned{}
	for _, w := range r.truth.Warnings {
		key := fmt.Sprintf("%d %d/%d", w.Source, w.SPN, w.FMI)
		starts[key]++
		last[key] = w
	}
	for _, key := range slices.Sorted(maps.Keys(starts)) {
		say("code "+key+" starts", starts[key])
		on := "no"
		if last[key].End == combinesim.Standing {
			on = "out of sight" // the bus is silent at the end
		}
		say("code "+key+" on", on)
	}
}
