package maintenance

import (
	"github.com/hourbell/hourbell/internal/maintenance/moment"
)

// same reports whether two codes are one: the same source by its NAME, or by
// its address where one of them has none, and the same numbers. How often it
// occurred does not matter.
func (c *Code) same(o *Code) bool {
	if c.SPN != o.SPN || c.FMI != o.FMI || c.Ambiguous != o.Ambiguous || c.Raw != o.Raw {
		return false
	}
	if c.Name != 0 && o.Name != 0 {
		return c.Name == o.Name
	}
	return c.Source == o.Source
}

// warning takes in the start, the end or the loss from sight of a code. A code
// that was out of sight and starts again without having ended is the same
// warning going on, and is not counted again.
func (t *step) warning(b *Warning) {
	s := t.s
	i := 0
	for i < len(s.Warnings) && !s.Warnings[i].Code.same(&b.Code) {
		i++
	}
	there := i < len(s.Warnings)
	switch {
	case b.Phase == WarningStarted:
		t.warningStarted(b, i)
	case !there:
		t.ignore("the code is not on")
	case b.Phase == WarningEnded:
		s.Warnings = append(s.Warnings[:i], s.Warnings[i+1:]...)
		t.effect(EffectWarning, -1, "ended")
	default:
		if w := &s.Warnings[i]; w.Unknown == 0 {
			w.Unknown = instantOf(t.e)
			t.effect(EffectWarning, i, "out of sight")
		}
	}
}

func (t *step) warningStarted(b *Warning, i int) {
	s := t.s
	if i < len(s.Warnings) {
		w := &s.Warnings[i]
		w.Unknown, w.Lamps, w.Occurrences = 0, b.Lamps, b.Occurrences
		if w.Code.Name == 0 {
			w.Code.Name = b.Code.Name
		}
		t.effect(EffectWarning, i, "goes on")
		return
	}
	s.countStart(&b.Code, instantOf(t.e))
	t.codeStarted(&b.Code)
	if len(s.Warnings) >= WarningsKept {
		s.WarningsOver++
		t.effect(EffectWarning, -1, "started; more codes are on than are listed")
		return
	}
	s.Warnings = append(s.Warnings, ActiveWarning{Code: b.Code, Started: t.e.At, Lamps: b.Lamps, Occurrences: b.Occurrences})
	t.effect(EffectWarning, i, "started")
}

// countStart counts a code's start.
func (s *State) countStart(c *Code, at moment.Instant) {
	for i := range s.Counts {
		if n := &s.Counts[i]; n.Code.same(c) {
			n.Starts++
			n.Last = max(n.Last, at)
			return
		}
	}
	if len(s.Counts) >= CountsKept {
		s.CountsOver++
		return
	}
	s.Counts = append(s.Counts, CodeCount{Code: *c, Starts: 1, Last: at})
}
