package maintenance

import (
	"cmp"
	"errors"
	"fmt"
	"slices"
)

// ErrUnknownWalk is wrapped where a machine has no such walk-round.
var ErrUnknownWalk = errors.New("the machine has no such walk-round")

// SheetOf is what is looked at on one occasion, in walking order.
type SheetOf struct {
	Occasion, Call string
	Sign           SignWord
	Walk           *WalkSeen // nil: no walk-round was named
	Points         []SheetPoint
	// Gone are answers for tasks that are no longer on the sheet.
	Gone    []LookedAt
	Missing []string // tasks on this machine without an answer
}

// SheetPoint is one place on the sheet.
type SheetPoint struct {
	Point   PointDef
	Fit     BuildWord
	Why     string // why it is not on this machine, or what is not known of it
	Struck  bool   // it is on the plate and not on this machine: shown struck through
	Tasks   []SheetTask
	Never   []NeverDone
	Remarks []RemarkSeen // open there
}

// NeverDone is forbidden work at a place.
type NeverDone struct{ Task, Call, Why string }

// SheetTask is one task on the sheet. What it is done with and looked at for
// stands in Task as the chart has it.
type SheetTask struct {
	Task     *TaskDef // of the chart: not to be changed
	Build    BuildWord
	Question string // what is not known of its build
	Cautions []CautionDef
	Spots    []SheetSpot
	Count    Count
	Left     string // hours or days left, "" not known
	Answer   *LookedAt
}

// SheetSpot is what was measured last at one spot.
type SheetSpot struct {
	Spot        string
	Found, Left *MeasuredAt // nil: none
	FoundWord   string      // how that was by the limits now
	LeftWord    string
	Limits      string
}

// Sheet returns what is looked at on an occasion of the chart on this machine as
// it stands, with the answers so far where a walk-round is named; its occasion
// may then be left out. The error wraps ErrUnknownWalk.
func Sheet(s *State, occasion string, walk Key) (SheetOf, error) {
	var w *WalkSeen
	if !walk.IsZero() {
		if w = s.walkSeen(walk); w == nil {
			return SheetOf{}, fmt.Errorf("walk-round %v on machine %q: %w; name one of the last that were begun", walk, s.Machine.Machine, ErrUnknownWalk)
		}
		occasion = cmp.Or(occasion, w.Occasion)
	}
	d := s.walkDef(occasion)
	if d == nil || w != nil && w.Occasion != occasion {
		f := s.noOccasion(occasion)
		if d != nil {
			f = &fault{"occasion", fmt.Sprintf("the walk-round named is one of %q", w.Occasion), "leave the occasion out"}
		}
		return SheetOf{}, fmt.Errorf("%s: %w: %s; %s", f.field, ErrUnknownWalk, f.why, f.do)
	}
	out := SheetOf{Occasion: d.ID, Call: d.Call, Sign: d.Sign}
	tasks := s.walkTasks(occasion)
	out.Points = s.sheetPoints(occasion, tasks, w)
	if w != nil {
		seen := *w
		seen.Looked = copyOf(w.Looked)
		out.Walk, out.Missing, out.Gone = &seen, s.walkMissing(w), s.answersGone(w, tasks)
	} else {
		out.Missing = s.walkMissing(&WalkSeen{Occasion: occasion})
	}
	return out, nil
}

// Progress returns how many tasks of the sheet are answered in a walk-round, and
// how many on this machine are not. Not looked is an answer; it is never in order.
func Progress(w *WalkSeen, sheet SheetOf) (answered, open int) {
	for i := range sheet.Points {
		for j := range sheet.Points[i].Tasks {
			t := &sheet.Points[i].Tasks[j]
			switch {
			case w != nil && w.answerFor(t.Task.ID) != nil:
				answered++
			case t.Build == BuildFitted:
				open++
			}
		}
	}
	return answered, open
}

// answersGone are the answers for tasks that are not on the sheet now.
func (s *State) answersGone(w *WalkSeen, tasks []int) []LookedAt {
	var out []LookedAt
	for _, l := range w.Looked {
		if !slices.ContainsFunc(tasks, func(i int) bool { return s.Tasks[i].ID == l.Task }) {
			out = append(out, l)
		}
	}
	return out
}

// sheetPoints groups tasks by place, in walking order.
func (s *State) sheetPoints(occasion string, tasks []int, w *WalkSeen) []SheetPoint {
	at := make(map[string]int)
	var out []SheetPoint
	place := func(point string) *SheetPoint {
		if i, there := at[point]; there {
			return &out[i]
		}
		at[point] = len(out)
		out = append(out, s.sheetPoint(point))
		return &out[len(out)-1]
	}
	for _, i := range tasks {
		p := place(s.Chart.Tasks[i].Point)
		p.Tasks = append(p.Tasks, s.sheetTask(i, w))
	}
	for _, point := range s.struck(occasion) {
		place(point).Struck = true
	}
	rank := s.Chart.walkRanks()
	slices.SortStableFunc(out, func(a, b SheetPoint) int { return cmp.Compare(rank.of(a.Point.ID), rank.of(b.Point.ID)) })
	return out
}

// struck are the places that the plate shows and this machine does not have,
// those with a task of the occasion.
func (s *State) struck(occasion string) []string {
	named := slices.ContainsFunc(s.Chart.Tasks, func(d TaskDef) bool { return slices.Contains(d.Walks, occasion) })
	var out []string
	for i := range s.Chart.Points {
		p := &s.Chart.Points[i]
		if build, _ := s.fit(p.FittedIf); !p.OnDecal || build != BuildNot {
			continue
		}
		if slices.ContainsFunc(s.Chart.Tasks, func(d TaskDef) bool {
			return d.Point == p.ID && (slices.Contains(d.Walks, occasion) || !named && looks(&d))
		}) {
			out = append(out, p.ID)
		}
	}
	return out
}

func (s *State) sheetPoint(point string) SheetPoint {
	out := SheetPoint{Point: PointDef{ID: point}}
	if p := s.Chart.point(point); p != nil {
		out.Point = *p
		out.Fit, out.Why = Fit(s, point)
	}
	for i := range s.Chart.Tasks {
		d := &s.Chart.Tasks[i]
		if d.Point == point && d.Do == doNever && i < len(s.Tasks) && s.Tasks[i].Build != BuildNot {
			out.Never = append(out.Never, NeverDone{d.ID, d.Call, d.Why})
		}
	}
	for i := range s.Remarks {
		if r := &s.Remarks[i]; r.Closed.IsZero() && s.remarkPoint(r) == point {
			out.Remarks = append(out.Remarks, *r)
		}
	}
	return out
}

// remarkPoint is where a remark is: its point, or that of its task; "" the
// machine.
func (s *State) remarkPoint(r *RemarkSeen) string {
	if r.Point == "" && r.Task != "" && s.Chart != nil {
		if i := s.taskIndex(r.Task); i >= 0 && i < len(s.Chart.Tasks) {
			return s.Chart.Tasks[i].Point
		}
	}
	return r.Point
}

func (s *State) sheetTask(i int, w *WalkSeen) SheetTask {
	d := &s.Chart.Tasks[i]
	out := SheetTask{Task: d, Build: s.Tasks[i].Build, Cautions: CautionsOf(s.Chart, d.ID), Count: s.counter(i)}
	out.Left = out.Count.leftText()
	if out.Build != BuildFitted {
		_, out.Question = s.fit(s.Chart.fittedIf(d))
	}
	if len(d.Measure) > 0 {
		out.Spots = s.sheetSpots(d.ID, &d.Measure[0])
	}
	if w != nil {
		if l := w.answerFor(d.ID); l != nil {
			seen := *l
			out.Answer = &seen
		}
	}
	return out
}

// leftText says how far the limb that decides the counter is from due.
func (c *Count) leftText() string {
	if c.Limb < 0 || c.Limb >= len(c.Limbs) || !c.Limbs[c.Limb].Known {
		return ""
	}
	l := &c.Limbs[c.Limb]
	switch {
	case l.Kind == LimbHours:
		return leftWords(l.Left)
	case l.Kind == LimbMonths && l.DaysLeft < 0:
		return fmt.Sprintf("%d days over", -l.DaysLeft)
	case l.Kind == LimbMonths:
		return fmt.Sprintf("%d days left", l.DaysLeft)
	}
	return l.Words
}

// CautionsOf returns the cautions of a task in their order. One that the chart
// does not define is given by its id: a caution is never left out. A nil chart
// has none.
func CautionsOf(c *Chart, task string) []CautionDef {
	if c == nil {
		return nil
	}
	var out []CautionDef
	for i := range c.Tasks {
		if c.Tasks[i].ID != task {
			continue
		}
		for _, id := range c.Tasks[i].Cautions {
			out = append(out, c.caution(id))
		}
	}
	return out
}

func (c *Chart) caution(id string) CautionDef {
	for i := range c.Cautions {
		if c.Cautions[i].ID == id {
			return c.Cautions[i]
		}
	}
	return CautionDef{ID: id, Text: id}
}

// sheetSpots gives the last values at each spot that stand.
func (s *State) sheetSpots(task string, d *MeasureDef) []SheetSpot {
	spots := d.Spots
	if len(spots) == 0 {
		spots = []string{""}
	}
	out := make([]SheetSpot, 0, len(spots))
	for _, spot := range spots {
		row := SheetSpot{Spot: spot, Limits: d.limits()}
		for i := range s.Measures {
			if m := &s.Measures[i]; m.Task == task && m.Spot == spot {
				row.Found, row.Left = m.latest(false), m.latest(true)
			}
		}
		if row.Found != nil {
			row.FoundWord = d.judged(row.Found)
		}
		if row.Left != nil {
			row.LeftWord = d.judged(row.Left)
		}
		out = append(out, row)
	}
	return out
}

// latest is the last value that stands, as found or as left.
func (m *MeasureSeen) latest(left bool) *MeasuredAt {
	for i := len(m.Values) - 1; i >= 0; i-- {
		if v := m.Values[i]; v.Left == left && v.Void.IsZero() {
			return &v
		}
	}
	return nil
}

// judged says how a value stands to the limits.
func (d *MeasureDef) judged(v *MeasuredAt) string {
	switch {
	case d.Gauge == GaugeGoNo && v.State == GaugeGoes, d.Gauge == GaugeLoose && v.State == GaugeGoesNot:
		return "in order"
	case d.Gauge == GaugeGoNo:
		return "the gauge does not go in: not right"
	case d.Gauge == GaugeLoose:
		return "the gauge passes: worn"
	case d.ActLo.Set && v.Micro <= d.ActLo.Micro, d.ActHi.Set && v.Micro >= d.ActHi.Micro:
		return "at or beyond the limit at which to act"
	case d.OkLo.Set && v.Micro < d.OkLo.Micro, d.OkHi.Set && v.Micro > d.OkHi.Micro:
		return "outside the acceptable range"
	}
	return "in order"
}

// limits gives the limits in words, with the unit.
func (d *MeasureDef) limits() string {
	text := ""
	if d.Want.Set {
		text = "wanted " + decimal(d.Want.Micro, 6) + " " + d.Unit
	}
	for _, b := range []struct {
		word   string
		lo, hi Bound
	}{{"acceptable", d.OkLo, d.OkHi}, {"act", d.ActLo, d.ActHi}} {
		if r := rangeText(b.word == "act", b.lo, b.hi); r != "" {
			if text != "" {
				text += "; "
			}
			text += b.word + " " + r + " " + d.Unit
		}
	}
	return text
}

// rangeText gives a range; where it is one to act beyond, from its outer side.
func rangeText(act bool, lo, hi Bound) string {
	switch {
	case lo.Set && hi.Set && act:
		return fmt.Sprintf("at %s or less, or %s or more", decimal(lo.Micro, 6), decimal(hi.Micro, 6))
	case lo.Set && act:
		return fmt.Sprintf("at %s or less", decimal(lo.Micro, 6))
	case hi.Set && act:
		return fmt.Sprintf("at %s or more", decimal(hi.Micro, 6))
	case lo.Set && hi.Set:
		return fmt.Sprintf("%s to %s", decimal(lo.Micro, 6), decimal(hi.Micro, 6))
	case lo.Set:
		return fmt.Sprintf("%s or more", decimal(lo.Micro, 6))
	case hi.Set:
		return fmt.Sprintf("up to %s", decimal(hi.Micro, 6))
	}
	return ""
}

// walkRanks are the places of a chart in walking order: by station, those without
// one last, and the author's order within.
type walkRanks map[string]int

func (c *Chart) walkRanks() walkRanks {
	order := make([]int, len(c.Points))
	for i := range order {
		order[i] = i
	}
	slices.SortStableFunc(order, func(a, b int) int { return cmp.Compare(c.Points[a].Station-1, c.Points[b].Station-1) })
	rank := make(walkRanks, len(order))
	for at, i := range order {
		rank[c.Points[i].ID] = at
	}
	return rank
}

// of is the place of a point; one that the chart does not have comes last.
func (r walkRanks) of(point string) int {
	if at, there := r[point]; there {
		return at
	}
	return len(r)
}
