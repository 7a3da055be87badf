package demo

import (
	"time"

	"github.com/hourbell/hourbell/internal/combinesim"
	pb "github.com/hourbell/hourbell/proto/hourbell/v1"
)

// The rules by which a listener tells that a code is over, as the agent's
// documentation has them: a controller that sends codes only while it has some is
// believed after it has said other things for so long.
const hush = 6 * time.Second

// precise is how exactly the time of a message is kept.
const precise = 2 * time.Millisecond

// warnings: each code started and ended when it did on the bus, and the counts
// of starts are the bus's.
func (c *checker) warnings() {
	want := map[string][]combinesim.Warned{}
	for _, w := range c.k.truth.Warnings {
		want[w.Name] = append(want[w.Name], w)
	}
	got := map[string][]heard{}
	for _, h := range pair(c.f.changes) {
		got[h.code] = append(got[h.code], h)
	}
	counts := map[string]uint64{}
	for _, n := range c.f.counts {
		counts[n.Code.GetCode()] = n.Starts
	}
	for _, code := range combinesim.Codes() {
		c.warning(code.Name, want[code.Name], got[code.Name])
		if n := counts[code.Name]; n != uint64(len(want[code.Name])) {
			c.differ("%s started %s, the service counts %d", code.Name, times(len(want[code.Name])), n)
		}
		delete(got, code.Name)
	}
	for name := range got {
		c.differ("%q was never on its bus, the service heard it", name)
	}
}

// heard is one warning as the service has it.
type heard struct {
	code       string
	start, end time.Time // end zero: not seen to end
	unknown    bool      // it went out of sight in between
}

// pair makes warnings of starts and ends.
func pair(changes []*pb.WarningChange) (out []heard) {
	open := map[string]int{}
	for _, ch := range changes {
		name, at := ch.Code.GetCode(), latest(ch.Moment)
		i, is := open[name]
		switch {
		case ch.Phase == pb.WarningPhase_WARNING_PHASE_STARTED && !is:
			open[name] = len(out)
			out = append(out, heard{code: name, start: at})
		case ch.Phase == pb.WarningPhase_WARNING_PHASE_ENDED && is:
			out[i].end = at
			delete(open, name)
		case is:
			out[i].unknown = true
		}
	}
	return out
}

func (c *checker) warning(name string, want []combinesim.Warned, got []heard) {
	if len(got) != len(want) {
		c.differ("%s started %s, the service has %s", name, times(len(want)), counted(len(got), "start"))
		return
	}
	for i, w := range want {
		if start := instant(w.FirstNS); apart(got[i].start, start) > precise {
			c.differ("%s started at %s, the service says %s", name, clock(start), clock(got[i].start))
		}
		if from, to, ends := c.over(w); ends && (got[i].end.Before(from.Add(-precise)) || got[i].end.After(to.Add(precise))) {
			c.differ("%s ended at %s, the service says %s", name, clock(from), clockOr(got[i].end, "it did not"))
		}
	}
}

// over is when a warning must be said to have ended.
func (c *checker) over(w combinesim.Warned) (from, to time.Time, ends bool) {
	last, end := instant(w.LastNS), instant(w.EndNS)
	switch w.End {
	case combinesim.Gone:
		return end, end, true
	case combinesim.Hushed:
		for i, s := range c.k.truth.BusAlive {
			if w.LastNS < s.ToNS && instant(s.ToNS).Sub(last) < hush {
				// The key was off before the silence told: the next key-on tells.
				if i+1 == len(c.k.truth.BusAlive) {
					return last, last, false
				}
				return last, instant(c.k.truth.BusAlive[i+1].FromNS).Add(hush), true
			}
		}
		return last, last, true
	}
	return last, last, false
}

func apart(a, b time.Time) time.Duration {
	return a.Sub(b).Abs()
}
