package local

import (
	"cmp"
	"fmt"
	"slices"

	"github.com/hourbell/hourbell/agent/cab"
	"github.com/hourbell/hourbell/internal/maintenance"
	"github.com/hourbell/hourbell/internal/maintenance/hours"
	"github.com/hourbell/hourbell/internal/maintenance/moment"
)

// DueOf tells what a cab knows.
func DueOf(c *cab.Cab, office Office) Due {
	d := Due{Office: office, Meters: []Meter{}, Tasks: []Task{}, Notices: []Notice{}, Doubts: []Doubt{}}
	d.CopyRevision, _ = c.Copy()
	now, until := c.Reach()
	d.AsOfMs, d.GoodUntilMs = int64(now), int64(until)
	c.View(func(s *maintenance.State) {
		if s != nil {
			d.fill(s)
		}
	})
	return d
}

func (d *Due) fill(s *maintenance.State) {
	d.Known, d.Machine, d.Display = true, s.Machine.Machine, s.Machine.Display
	if n := len(s.Days); n > 0 {
		d.Day = s.Days[n-1].Date.String()
	}
	for i := range s.Meters {
		if m := &s.Meters[i]; !m.Gone && len(m.Lives) > 0 {
			d.Meters = append(d.Meters, Meter{Meter: m.ID, TotalMs: int64(m.Total), ShownMs: int64(m.Lives[len(m.Lives)-1].Last), StepMs: int64(m.Step),
				Origin: m.Origin.String(), AtMs: latest(m.TotalAt)})
		}
	}
	if s.Chart != nil {
		d.Chart, d.Edition = s.Chart.ID, s.Chart.Edition
		d.Tasks = tasks(s)
	}
	for i := range s.Notices {
		if n := &s.Notices[i]; n.Withdrawn.IsZero() {
			d.Notices = append(d.Notices, noticeOf(s, n))
		}
	}
	for i := range s.Doubts {
		if x := &s.Doubts[i]; x.Closed.IsZero() {
			d.Doubts = append(d.Doubts, Doubt{Meter: x.Meter, What: x.What, AtMs: latest(x.At)})
		}
	}
}

// latest is the latest that something may have been, 0 where nobody knows.
func latest(s moment.Span) int64 { return int64(s.NotAfter) }

func tasks(s *maintenance.State) []Task {
	type row struct {
		Task
		state maintenance.DueState
	}
	var rows []row
	for i := range s.Chart.Tasks {
		def := &s.Chart.Tasks[i]
		if count, err := maintenance.Counter(s, def.ID); err == nil && count.Build != maintenance.BuildNot && def.Do != "never" {
			rows = append(rows, row{taskOf(s.Chart, def, count), count.State})
		}
	}
	slices.SortStableFunc(rows, func(a, b row) int { return cmp.Or(cmp.Compare(b.state, a.state), cmp.Compare(a.Station, b.Station)) })
	out := make([]Task, len(rows))
	for i := range rows {
		out[i] = rows[i].Task
	}
	return out
}

func taskOf(c *maintenance.Chart, def *maintenance.TaskDef, count maintenance.Count) Task {
	t := Task{Task: def.ID, Call: cmp.Or(def.Call, def.ID), Do: def.Do, Point: def.Point, Round: def.Round, Who: def.Who, Material: def.Material, Amount: def.Amount,
		Minutes: def.Minutes, State: count.State.String(), First: count.Limb, Limbs: []Limb{}, Cautions: []string{}}
	if i := slices.IndexFunc(c.Points, func(p maintenance.PointDef) bool { return p.ID == def.Point }); i >= 0 {
		t.Station, t.Side, t.Reach, t.Shields = c.Points[i].Station, c.Points[i].Side, c.Points[i].Reach, c.Points[i].Shields
	}
	t.Postponed, t.Soft, t.Practice = count.Postponed, count.Soft, count.Practice
	if count.Build != maintenance.BuildFitted {
		t.Build = count.Build.String()
	}
	if i := slices.IndexFunc(c.Rounds, func(r maintenance.RoundDef) bool { return r.ID == def.Round }); i >= 0 {
		t.RoundCall = c.Rounds[i].Call
	}
	for _, id := range def.Cautions {
		if i := slices.IndexFunc(c.Cautions, func(k maintenance.CautionDef) bool { return k.ID == id }); i >= 0 {
			t.Cautions = append(t.Cautions, c.Cautions[i].Text)
		}
	}
	for i := range count.Limbs {
		t.Limbs = append(t.Limbs, limbOf(&count.Limbs[i]))
	}
	t.Reason = reason(&count)
	return t
}

func limbOf(l *maintenance.LimbCount) Limb {
	out := Limb{Kind: kindOf(l), State: l.State.String(), Known: l.Known, Why: l.Why, Meter: l.Meter, EveryMs: int64(l.Every), EveryMonths: l.Months, Words: l.Words}
	if !l.Known {
		return out
	}
	if l.InDays {
		out.LeftDays, out.DueOn = &l.DaysLeft, l.DueOn.String()
	}
	if l.InHours {
		out.SinceMs, out.LeftMs, out.DueAtMs = new(int64(l.Since)), new(int64(l.Left)), new(int64(l.DueAt))
	}
	return out
}

func kindOf(l *maintenance.LimbCount) string {
	switch l.Kind {
	case maintenance.LimbHours:
		return "hours"
	case maintenance.LimbMonths:
		return "months"
	case maintenance.LimbDays:
		return "days worked"
	case maintenance.LimbSeason:
		return "season"
	case maintenance.LimbCounted:
		return "count"
	}
	if l.RunIn {
		return "run-in"
	}
	return "trigger"
}

// reason says why a task stands as it does: by what decides, else by the first
// interval.
func reason(c *maintenance.Count) string {
	if c.Postponed != "" {
		return "put off: " + c.Postponed
	}
	if len(c.Limbs) == 0 {
		return "by hand only: it has no interval"
	}
	l := &c.Limbs[max(0, c.Limb)]
	switch {
	case !l.Known:
		return l.Why
	case l.Kind == maintenance.LimbMonths:
		return fmt.Sprintf("%s, due %s, every %s", days(l.DaysLeft), l.DueOn, counted(int(l.Months), "month"))
	case l.Kind == maintenance.LimbHours && l.Left < 0:
		return fmt.Sprintf("%s h over: %s h run on %s, every %s h", h(-l.Left), h(l.Since), l.Meter, h(l.Every))
	case l.Kind == maintenance.LimbHours:
		return fmt.Sprintf("%s h left: %s h run on %s, every %s h", h(l.Left), h(l.Since), l.Meter, h(l.Every))
	case l.InHours:
		return joined(l.Words, h(l.Left)+" h left")
	case l.InDays:
		return joined(l.Words, days(l.DaysLeft))
	}
	return cmp.Or(l.Words, l.Why)
}

func joined(words, left string) string {
	if words == "" {
		return left
	}
	return words + ", " + left
}

func h(m hours.Millis) string { return string(m.Append(nil, 2)) }

func days(left int) string {
	if left < 0 {
		return counted(-left, "day") + " over"
	}
	return counted(left, "day") + " left"
}

func counted(n int, what string) string {
	if n == 1 {
		return "1 " + what
	}
	return fmt.Sprintf("%d %ss", n, what)
}

func noticeOf(s *maintenance.State, n *maintenance.Notice) Notice {
	out := Notice{ID: n.ID.String(), Task: n.Task, Stage: n.Stage.String(), RaisedMs: latest(n.Raised), Person: n.Person}
	switch n.Word {
	case maintenance.NoticeMine:
		out.Answer = "mine"
	case maintenance.NoticeLater:
		out.Answer = "later"
	}
	b := cab.Bell{Notice: *n}
	if s.Chart != nil {
		if i := slices.IndexFunc(s.Chart.Tasks, func(t maintenance.TaskDef) bool { return t.ID == n.Task }); i >= 0 {
			b.Task = &s.Chart.Tasks[i]
		}
	}
	if i := slices.IndexFunc(s.Doubts, func(d maintenance.Doubt) bool { return d.Key == n.Doubt }); i >= 0 && n.Task == "" {
		b.Doubt = s.Doubts[i].What
	}
	out.Says = Says(b)
	return out
}

// Says is a bell in words.
func Says(b cab.Bell) string {
	switch {
	case b.Doubt != "":
		return "A question: " + b.Doubt
	case b.Task != nil && b.Task.Call != "":
		return b.Task.Call + " (" + b.Task.ID + "): " + b.Notice.Stage.String()
	}
	return b.Notice.Task + ": " + b.Notice.Stage.String()
}
