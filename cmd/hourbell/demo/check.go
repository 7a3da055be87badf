package demo

import (
	"fmt"
	"time"

	"github.com/hourbell/hourbell/internal/combinesim"
	pb "github.com/hourbell/hourbell/proto/hourbell/v1"
)

// check holds what the service says of a machine against what is known of it and
// names every difference.
func check(k *known, f *facts) []string {
	c := &checker{k: k, f: f}
	c.rebuilt()
	if k.story.HasBus() {
		c.engineHours()
		c.separatorHours()
		c.engineReadings()
		c.separatorReadings()
		c.once()
		c.whole()
		c.listened()
		c.warnings()
	} else {
		c.written()
	}
	c.rings()
	c.unmoved()
	c.afterDark()
	return c.found
}

// checker gathers the differences of one machine.
type checker struct {
	k     *known
	f     *facts
	found []string
}

func (c *checker) differ(format string, args ...any) {
	c.found = append(c.found, c.k.story.Name+": "+fmt.Sprintf(format, args...))
}

// rebuilt: the state rebuilt from the journal is the live one.
func (c *checker) rebuilt() {
	if r := c.f.rebuilt; r == nil || !r.Same {
		c.differ("rebuilt from the journal it is not the same: %s", r.GetWhat())
	}
}

// total gives a meter's hours where it has some.
func (c *checker) total(meter string) (int64, bool) {
	m := c.f.meter(meter)
	if m == nil || m.TotalMs == nil {
		c.differ("the %s has no hours", meter)
		return 0, false
	}
	return *m.TotalMs, true
}

// engineHours: the meter as shown, and the machine's hours to the meter's step.
func (c *checker) engineHours() {
	got, has := c.total(engine)
	if !has {
		return
	}
	m, t := c.f.meter(engine), &c.k.truth
	if want := int64(t.EngineRaw) * combinesim.MeterStep; m.GetShownMs() != want {
		c.differ("the engine's meter shows %s h at the end, the service has %s h", hours(want), hours(m.GetShownMs()))
	}
	if int(m.Lives) != len(t.Lives) {
		c.differ("its engine had %s, the service has %s", counted(len(t.Lives), "meter"), counted(int(m.Lives), "meter"))
	}
	want := c.k.began(engine) + t.EngineRunMS()
	if least := want - c.k.late(engine, c.k.end) - combinesim.MeterStep; got > want || got <= least {
		c.differ("the engine has %s h, the service says %s h", hours(want), hours(got))
	}
}

// separatorHours: what the agent summed up from the shaft's speed.
func (c *checker) separatorHours() {
	got, has := c.total(separator)
	if !has {
		return
	}
	if want := c.k.truth.SeparatorMS; got < want-c.k.late(separator, c.k.end) || got > want+c.k.early(separator, c.k.end) {
		c.differ("the separator has %s h, the service says %s h", hours(want), hours(got))
	}
}

// of gives the readings of one meter that no person wrote.
func (c *checker) of(meter string) (out []*pb.MeterReading) {
	for _, r := range c.f.readings {
		if r.Meter == meter && r.Origin != pb.Origin_ORIGIN_PERSON {
			out = append(out, r)
		}
	}
	return out
}

// engineReadings: each one is what the meter showed at its own time.
func (c *checker) engineReadings() {
	for _, r := range c.of(engine) {
		at := latest(r.ReadMoment)
		if want := c.k.shows(at); !certain(r.ReadMoment) || r.ShownMs > want || r.ShownMs < c.k.shows(at.Add(-time.Second)) {
			c.differ("the engine's meter showed %s h at %s, the service has %s h", hours(want), clock(at), hours(r.ShownMs))
		}
	}
}

// separatorReadings: each one is the sum at its own time.
func (c *checker) separatorReadings() {
	for _, r := range c.of(separator) {
		at := latest(r.ReadMoment)
		want := c.k.began(separator) + c.k.ran(separator, at)
		if !certain(r.ReadMoment) || r.ShownMs < want-c.k.late(separator, at) || r.ShownMs > want+c.k.early(separator, at) {
			c.differ("the separator had %s h at %s, the service has %s h", hours(want), clock(at), hours(r.ShownMs))
		}
	}
}

// once: no reading is there twice.
func (c *checker) once() {
	type reading struct {
		meter string
		at    time.Time
	}
	seen := map[reading]bool{}
	for _, r := range c.f.readings {
		one := reading{r.Meter, latest(r.ReadMoment)}
		if seen[one] {
			c.differ("the reading of the %s of %s is there twice", r.Meter, clock(one.at))
		}
		seen[one] = true
	}
}

// whole: while the engine ran its hours were told once a minute, so nothing that
// was heard got lost on the way.
func (c *checker) whole() {
	for _, s := range c.k.truth.Running {
		last := instant(s.FromNS)
		for _, r := range append(c.of(engine), &pb.MeterReading{ReadMoment: moment(instant(s.ToNS))}) {
			at := latest(r.ReadMoment)
			if at.Before(last) || at.UnixNano() > s.ToNS {
				continue
			}
			from := last
			if until, deaf := c.k.deafAt(last.Add(rhythm)); deaf {
				from = until
			}
			if at.Sub(from) > rhythm {
				c.differ("no reading of the engine from %s to %s, and it ran", clock(last), clock(at))
			}
			last = at
		}
	}
}

// listened: as long as the bus was alive, but for the time without an agent.
func (c *checker) listened() {
	var most, least time.Duration
	for _, s := range c.k.truth.BusAlive {
		most += time.Duration(s.ToNS - s.FromNS)
		least -= sampled
	}
	least += most
	for _, d := range c.k.dead {
		least -= spanKept + time.Duration(d.ToNS-d.FromNS)
	}
	if got := time.Duration(c.f.machine.GetListenedMs()) * time.Millisecond; got > most || got < least {
		c.differ("its bus was alive for %s h, the service says it was heard for %s h", hours(most.Milliseconds()), hours(got.Milliseconds()))
	}
}

// written: the hours that a person wrote down stand as they were written.
func (c *checker) written() {
	words := c.k.story.Written
	if len(c.f.readings) != len(words) {
		c.differ("%s written down, the service has %d", counted(len(words), "reading"), len(c.f.readings))
		return
	}
	for i, w := range words {
		r := c.f.readings[i]
		if at := c.k.start.Add(w.At); r.ShownMs != w.MS || !latest(r.ReadMoment).Equal(at) {
			c.differ("%s h written down at %s, the service has %s h at %s", w.ReadBack, clock(at), hours(r.ShownMs), clock(latest(r.ReadMoment)))
		}
	}
	if got, has := c.total(engine); has && got != words[len(words)-1].MS {
		c.differ("%s h written down last, the service says %s h", words[len(words)-1].ReadBack, hours(got))
	}
}

// unmoved: each round is due at the machine's hours that it always was.
func (c *checker) unmoved() {
	for _, r := range c.k.rounds {
		n := 0
		for _, t := range c.f.tasks {
			if t.Round != r.Name {
				continue
			}
			n++
			for _, l := range t.Counters {
				if l.Meter == r.On && l.GetDueAtMs() != r.DueMS() {
					c.differ("%s is due at %s h, the service says %s h", t.Call, hours(r.DueMS()), hours(l.GetDueAtMs()))
				}
			}
		}
		if n == 0 {
			c.differ("no task of its %s", r.Name)
		}
	}
}

// afterDark: what was heard without a signal came in, none of it before the
// signal was back, each at its own time.
func (c *checker) afterDark() {
	if c.k.story.NoSignalTo == 0 {
		return
	}
	back, n := c.k.start.Add(c.k.story.NoSignalTo), 0
	for _, r := range c.f.readings {
		if !c.k.dark(latest(r.ReadMoment)) {
			continue
		}
		n++
		if known := r.KnownTime.AsTime(); known.Before(back) {
			c.differ("the reading of %s came in at %s, and there was no signal", clock(latest(r.ReadMoment)), clock(known))
		}
	}
	if n == 0 {
		c.differ("nothing of the time without a signal came in")
	}
}
