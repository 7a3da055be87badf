package demo

import (
	"fmt"
	"time"

	"github.com/hourbell/hourbell/internal/combinesim"
)

// The rhythm of an agent that listens: a meter that runs is told once a minute,
// at a message that the bus brings every five seconds.
const rhythm = 66 * time.Second

// What an agent that was killed may have heard and not kept: of a running sum
// what came after the last reading, of a span listened to all of it.
const (
	sumKept  = rhythm
	spanKept = 10*time.Minute + 2*time.Second
)

// sampled is how far a sum over samples once a second may be off, for each time
// that the shaft starts and stops, and settles how long it takes to count at all.
const (
	sampled = 2 * time.Second
	settles = 6 * time.Second
)

// known is what is known of a machine's shift from the simulated world and the
// story alone. Nothing in it comes from an agent or the service.
type known struct {
	story  combinesim.Story
	start  time.Time
	end    time.Time
	truth  combinesim.Truth  // of a machine with a bus
	dead   []combinesim.Span // while its agent was not there, from what it last told on
	rounds []round
}

// round is a round of tasks with its thresholds, in milliseconds of the meter.
type round struct {
	combinesim.Round
	soonMS, lateMS int64 // before and after due
}

// stages are how long before due a round is soon and how long after it is
// overdue, in hours, as the charts say.
var stages = map[string]struct{ soon, late float64 }{
	"grease-10": {1.5, 2}, "grease-50": {5, 5}, "grease-100": {10, 8}, winterRound: {20, 25},
}

// winterRound is the round that the workshop did in winter, winterHours of engine
// and winterDays ago.
const (
	winterRound = "service-250"
	winterHours = 150
	winterDays  = 150
)

// newKnown lives a machine's shift once without anybody listening.
func newKnown(s combinesim.Story, start time.Time) (*known, error) {
	k := &known{story: s, start: start, end: start.Add(combinesim.ShiftLength)}
	rounds := s.Rounds
	if s.HasBus() {
		m, err := combinesim.New(s.Machine)
		if err != nil {
			return nil, fmt.Errorf("know the shift of %s: %w", s.Name, err)
		}
		m.Run(k.end, func(combinesim.Frame) {})
		k.truth = m.Truth()
		rounds = append(rounds[:len(rounds):len(rounds)], combinesim.Round{Name: winterRound, On: engine,
			EveryMS: 250 * combinesim.Hour, LastMS: s.Machine.Meters.Engine - winterHours*combinesim.Hour})
	}
	for _, r := range rounds {
		h := stages[r.Name]
		k.rounds = append(k.rounds, round{r, int64(h.soon * float64(combinesim.Hour)), int64(h.late * float64(combinesim.Hour))})
	}
	return k, nil
}

// The meters by name.
const (
	engine    = "engine"
	separator = "separator"
)

// began is what a meter stood at when the shift began.
func (k *known) began(meter string) int64 {
	if meter == separator {
		return k.story.Machine.Meters.Separator
	}
	return k.story.Machine.Meters.Engine
}

// ran is how long a meter had run in the shift at an instant.
func (k *known) ran(meter string, at time.Time) int64 {
	if meter == separator {
		return ranBy(k.truth.Separator.Spells, at)
	}
	return ranBy(k.truth.Running, at)
}

func ranBy(spans []combinesim.Span, at time.Time) (ms int64) {
	for _, s := range spans {
		if s.FromNS < at.UnixNano() {
			ms += (min(s.ToNS, at.UnixNano()) - s.FromNS) / 1e6
		}
	}
	return ms
}

// reaches is when a meter had run so long in the shift.
func (k *known) reaches(meter string, ms int64) (time.Time, bool) {
	if meter == separator {
		return k.truth.SeparatorReaches(ms)
	}
	return k.truth.EngineReaches(ms)
}

// early and late are by how much what the service can know of a meter, in
// milliseconds of running, may be ahead of and behind the truth at an instant.
func (k *known) early(meter string, at time.Time) int64 {
	if meter == separator {
		return k.sampling(at)
	}
	return 0
}

func (k *known) late(meter string, at time.Time) int64 {
	if meter == engine {
		// A meter that was replaced kept what it did not show any more.
		return int64(len(k.truth.Lives)-1) * combinesim.MeterStep
	}
	ms := k.sampling(at)
	for _, d := range k.dead {
		if at.UnixNano() > d.FromNS {
			ms += k.ran(meter, instant(d.ToNS)) - k.ran(meter, instant(d.FromNS).Add(-sumKept))
		}
	}
	return ms
}

func (k *known) sampling(at time.Time) int64 {
	tolerance := settles
	for _, s := range k.truth.Separator.Spells {
		if s.FromNS < at.UnixNano() {
			tolerance += sampled
		}
	}
	return tolerance.Milliseconds()
}

// shows is what the engine's hour meter shows at an instant.
func (k *known) shows(at time.Time) int64 {
	for i := len(k.truth.Lives) - 1; i >= 0; i-- {
		l := &k.truth.Lives[i]
		if at.UnixNano() >= l.FromNS || i == 0 {
			ms := l.FirstMS + k.ran(engine, at) - k.ran(engine, instant(l.FromNS))
			return ms / combinesim.MeterStep * combinesim.MeterStep
		}
	}
	return 0
}

// deafAt tells whether nobody listened at an instant, and until when.
func (k *known) deafAt(at time.Time) (until time.Time, deaf bool) {
	for _, d := range k.dead {
		if at.UnixNano() >= d.FromNS && at.UnixNano() < d.ToNS {
			return instant(d.ToNS), true
		}
	}
	return at, false
}

// dark tells whether the machine had no signal at an instant.
func (k *known) dark(at time.Time) bool {
	return !at.Before(k.start.Add(k.story.NoSignalFrom)) && at.Before(k.start.Add(k.story.NoSignalTo))
}

func instant(ns int64) time.Time { return time.Unix(0, ns).UTC() }

// ring is a notice that must come up: of each task of a round, once.
type ring struct {
	round    string
	stage    int // 1 soon, 2 due, 3 overdue
	from, to time.Time
	maybe    bool // so close to the shift's end that it may not come up any more
}

// rings are the notices that must come up.
func (k *known) rings() (out []ring) {
	for _, r := range k.rounds {
		thresholds := [3]int64{r.DueMS() - r.soonMS, r.DueMS(), r.DueMS() + r.lateMS}
		if !k.story.HasBus() {
			out = append(out, k.handRings(r, thresholds)...)
			continue
		}
		out = append(out, k.busRings(r, thresholds)...)
	}
	return out
}

// busRings are those of a meter that is heard. Of the stages passed before the
// shift only the last comes up, at the first reading.
func (k *known) busRings(r round, thresholds [3]int64) (out []ring) {
	for i, at := range thresholds {
		more := at - k.began(r.On)
		switch {
		case more <= 0 && i < 2 && thresholds[i+1] <= k.began(r.On):
			continue
		case more <= 0:
			out = append(out, ring{r.Name, i + 1, k.start, instant(k.truth.Running[0].FromNS).Add(rhythm), false})
			continue
		}
		from, comes := k.reaches(r.On, more-k.early(r.On, k.end))
		if !comes {
			continue
		}
		to, sure := k.reaches(r.On, more+k.late(r.On, k.end))
		to, _ = k.deafAt(to)
		out = append(out, ring{r.Name, i + 1, from, to.Add(rhythm), !sure})
	}
	return out
}

// handRings are those of a meter that is read off now and then: of the stages
// passed between two readings only the last comes up, at the second.
func (k *known) handRings(r round, thresholds [3]int64) (out []ring) {
	rung := 0
	for _, w := range k.story.Written {
		stage := 0
		for stage < 3 && w.Meter == r.On && w.MS >= thresholds[stage] {
			stage++
		}
		if stage > rung {
			rung = stage
			out = append(out, ring{r.Name, stage, k.start.Add(w.At), k.start.Add(w.At), false})
		}
	}
	return out
}
