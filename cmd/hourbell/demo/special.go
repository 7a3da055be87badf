package demo

import (
	"fmt"
	"time"

	"github.com/hourbell/hourbell/internal/combinesim"
	pb "github.com/hourbell/hourbell/proto/hourbell/v1"
)

// special says what became of the machines that something happened to.
func (s *summary) special() {
	s.head("What became of them")
	for i, k := range s.crew {
		if text := tale(k, s.facts[i]); text != "" {
			if len(s.found[i]) > 0 {
				text += " NOT AS IT HAPPENED: see the differences."
			}
			s.item(k.story.Name, nameWidth, text)
		}
	}
}

// tale is what became of one machine.
func tale(k *known, f *facts) string {
	switch k.story.Part {
	case combinesim.FanSlips:
		return slipped(f)
	case combinesim.ComesAndGoes:
		return cameAndWent(f)
	case combinesim.OutOfSignal:
		return wasDark(k, f)
	case combinesim.AgentKilled:
		return wasKilled(k, f)
	case combinesim.NewMeter:
		return gotMeter(k, f)
	case combinesim.ByHand:
		return byHand(f)
	}
	return ""
}

func slipped(f *facts) string {
	for _, h := range pair(f.changes) {
		return fmt.Sprintf("the fan belt slipped more and more; the machine's own alarm (%s) came on at %s and went at %s.", h.code, clock(h.start), clockOr(h.end, "no time yet"))
	}
	return "the fan belt slipped; no alarm came on."
}

func cameAndWent(f *facts) string {
	var starts, ends int
	for _, h := range pair(f.changes) {
		starts++
		if !h.end.IsZero() {
			ends++
		}
	}
	return fmt.Sprintf("%s of warnings and %s, each at its own time; %d stand open.", counted(starts, "start"), counted(ends, "end"), starts-ends)
}

// wasDark: what was read without a signal, and when it came in.
func wasDark(k *known, f *facts) string {
	n, first := 0, time.Time{}
	for _, r := range f.readings {
		if !k.dark(latest(r.ReadMoment)) {
			continue
		}
		n++
		if in := r.KnownTime.AsTime(); first.IsZero() || in.Before(first) {
			first = in
		}
	}
	text := fmt.Sprintf("no signal from %s to %s. %s of that time came in from %s on, each at its own time.",
		hourAndMinute(k.start.Add(k.story.NoSignalFrom)), hourAndMinute(k.start.Add(k.story.NoSignalTo)), counted(n, "reading"), clock(first))
	for _, n := range f.notices {
		if at := latest(n.RaisedMoment); n.Stage == pb.Stage_STAGE_DUE && k.dark(at) {
			text += fmt.Sprintf(" In it the %s came due, at %s.", f.callOf(n.Task), clock(at))
			break
		}
	}
	return text
}

// wasKilled: what came after the agent was killed.
func wasKilled(k *known, f *facts) string {
	text := ""
	for _, d := range k.dead {
		before, after := 0, 0
		for _, r := range f.readings {
			if latest(r.ReadMoment).UnixNano() < d.ToNS {
				before++
			} else {
				after++
			}
		}
		text += fmt.Sprintf("its agent was killed (SIGKILL) at %s and went on at %s from what it had on disk: %s before, %d after, none lost, none twice. What the shaft turned while nobody listened is not made up.",
			hourAndMinute(instant(d.ToNS).Add(-deadFor)), hourAndMinute(instant(d.ToNS)), counted(before, "reading"), after)
	}
	return text
}

func gotMeter(k *known, f *facts) string {
	m := f.meter(engine)
	text := fmt.Sprintf("its engine's hour meter was replaced and shows %s h; the machine's hours went on to %s h, over %s.",
		hours(m.GetShownMs()), hours(m.GetTotalMs()), counted(int(m.GetLives()), "meter"))
	for _, t := range f.tasks {
		for _, c := range t.Counters {
			if t.Round == k.rounds[0].Name && c.DueAtMs != nil {
				return text + fmt.Sprintf(" Its %s was due at %s h before and after.", roundCall(t), hours(c.GetDueAtMs()))
			}
		}
	}
	return text
}

func byHand(f *facts) string {
	text := "no bus: "
	for i, r := range f.readings {
		if i > 0 {
			text += ", "
		}
		text += fmt.Sprintf("%s h at %s", hours(r.ShownMs), hourAndMinute(latest(r.ReadMoment)))
	}
	return text + ", read off in the cab and written down."
}
