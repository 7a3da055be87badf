package maintenance

import (
	"cmp"
	"fmt"
	"slices"
	"strings"

	"github.com/hourbell/hourbell/internal/maintenance/civil"
)

// WalkBeforeSeason is the walk-round whose tasks must be done before a machine
// is ready.
const WalkBeforeSeason = "before-season"

// Readiness is whether anything holds a machine, in walking order: what is on the
// machine as a whole first, what is not known of it last.
type Readiness struct {
	Ready bool
	Holds []Hold
}

// Hold is one thing that holds a machine, or that people should know of it.
type Hold struct {
	Holds  bool // it holds the machine; otherwise it is only said
	Point  string
	Task   string
	Remark Key
	Walk   Key
	Text   string
}

// Ready says whether a machine is ready for the field, and what holds it. A
// machine without a chart is not: nothing is known of what it needs.
func Ready(s *State) Readiness {
	r := readying{s: s}
	if s.Chart == nil {
		r.add(Hold{Holds: true, Text: "the machine has no chart yet, so nothing is known of what it needs"})
	}
	r.remarks()
	r.tasks()
	r.walks()
	if s.Chart != nil {
		rank := s.Chart.walkRanks()
		slices.SortStableFunc(r.holds, func(a, b Hold) int { return cmp.Compare(rank.held(a.Point), rank.held(b.Point)) })
	}
	r.unknown()
	r.questions()
	return Readiness{Ready: !slices.ContainsFunc(r.holds, func(h Hold) bool { return h.Holds }), Holds: r.holds}
}

// held is of, with the machine as a whole before all places.
func (r walkRanks) held(point string) int {
	if point == "" {
		return -1
	}
	return r.of(point)
}

// readying is what Ready gathers.
type readying struct {
	s     *State
	holds []Hold
}

func (r *readying) add(h Hold) { r.holds = append(r.holds, h) }

func (r *readying) remarks() {
	for i := range r.s.Remarks {
		n := &r.s.Remarks[i]
		if !n.Closed.IsZero() {
			continue
		}
		late := n.DoBy != civil.None && r.s.today() != civil.None && n.DoBy < r.s.today()
		h := Hold{Point: r.s.remarkPoint(n), Task: n.Task, Remark: n.Key, Holds: n.Verdict == DoNotRun || late, Text: n.words()}
		if late {
			h.Text += "; to be done by " + n.DoBy.String() + ", which has passed"
		}
		if h.Holds || n.Verdict == RunWatched {
			r.add(h)
		}
	}
}

// words gives a remark in one line.
func (r *RemarkSeen) words() string {
	text := r.Verdict.String() + ": " + cmp.Or(r.Text, r.Name, "see its pictures")
	if r.Part != "" {
		text += "; wanted: " + r.Part
	}
	if r.Carried {
		text += "; carried to the winter's work"
	}
	return text
}

// tasks gives those of before the season that are due, and those whose second
// signature is missing.
func (r *readying) tasks() {
	s := r.s
	if s.Chart == nil {
		return
	}
	for i := range min(len(s.Chart.Tasks), len(s.Tasks)) {
		d, task := &s.Chart.Tasks[i], &s.Tasks[i]
		if task.Build != BuildFitted || !s.attached(d.Point) {
			continue
		}
		h := Hold{Holds: true, Point: d.Point, Task: d.ID}
		if d.beforeSeason() && task.State >= Due {
			h.Text = fmt.Sprintf("%s is %s, and is done before the season", d.call(), task.State)
			if p := s.putOff(task); p != nil {
				h.Holds, h.Text = false, h.Text+"; put off: "+p.Why
			}
			r.add(h)
		}
		if rec := task.last(); d.SignOff && rec != nil && rec.Confirm.IsZero() && !s.walkSignedFor(d.ID, rec.Record) {
			r.add(Hold{Holds: true, Point: d.Point, Task: d.ID, Text: d.call() + " is not signed for by a second person"})
		}
	}
}

// walkSignedFor reports whether a record was made in a walk-round that another
// person signed.
func (s *State) walkSignedFor(task string, record Key) bool {
	for i := range s.Walks {
		w := &s.Walks[i]
		if l := w.answerFor(task); !w.Signed.IsZero() && l != nil && WalkRecord(l.By, task) == record {
			return true
		}
	}
	return false
}

// beforeSeason reports whether a task belongs before a season.
func (d *TaskDef) beforeSeason() bool {
	return slices.Contains(d.Walks, WalkBeforeSeason) ||
		slices.ContainsFunc(d.Limbs, func(l Limb) bool { return l.Kind == LimbSeason && l.When == SeasonBefore })
}

func (d *TaskDef) call() string { return cmp.Or(d.Call, d.ID) }

// last is the last record that was not taken back, counting or not.
func (t *Task) last() *TaskRecord {
	for i := len(t.Records) - 1; i >= 0; i-- {
		if t.Records[i].Void.IsZero() {
			return &t.Records[i]
		}
	}
	return nil
}

// putOff is the postponement of a task that has not ended, nil where there is
// none.
func (s *State) putOff(t *Task) *Postponement {
	for i := range t.Postponed {
		p := &t.Postponed[i]
		m := s.meterIndex(p.Meter)
		over := p.At > 0 && m >= 0 && s.Meters[m].Total >= p.At || p.Until != civil.None && s.today() != civil.None && s.today() >= p.Until
		if !over {
			return p
		}
	}
	return nil
}

// walks gives the walk-rounds before the season that want a signature: the last
// of each occasion that was not given up.
func (r *readying) walks() {
	s := r.s
	seen := make(map[string]bool)
	for i := len(s.Walks) - 1; i >= 0; i-- {
		w := &s.Walks[i]
		d := s.walkDef(w.Occasion)
		if d == nil || seen[w.Occasion] || !w.Left.IsZero() {
			continue
		}
		seen[w.Occasion] = true
		if d.Sign == SignNone || !w.Signed.IsZero() {
			continue
		}
		h := Hold{Holds: true, Walk: w.Key, Text: fmt.Sprintf("the walk-round %s is not signed by the %s", cmp.Or(d.Call, d.ID), s.signAs(w))}
		if n := len(s.walkMissing(w)); n > 0 {
			h.Text += fmt.Sprintf("; %d tasks have no answer", n)
		}
		r.add(h)
	}
}

// unknown says in one line which tasks have no service on record.
func (r *readying) unknown() {
	s := r.s
	if s.Chart == nil {
		return
	}
	var names []string
	for i := range min(len(s.Chart.Tasks), len(s.Tasks)) {
		if len(s.Chart.Tasks[i].Limbs) > 0 && s.Tasks[i].Build == BuildFitted && s.Tasks[i].State == DueUnknown && s.attached(s.Chart.Tasks[i].Point) {
			names = append(names, s.Tasks[i].ID)
		}
	}
	switch len(names) {
	case 0:
	case 1:
		r.add(Hold{Task: names[0], Text: "1 task is unknown, with no service on record: " + names[0]})
	default:
		r.add(Hold{Text: fmt.Sprintf("%d tasks are unknown, with no service on record: %s", len(names), namesListed(names, 3))})
	}
}

func (r *readying) questions() {
	for _, q := range Questions(r.s) {
		h := Hold{Text: "not known: " + q.Ask}
		if len(q.Points) > 0 {
			h.Text += "; it decides about " + strings.Join(q.Points[:min(len(q.Points), 3)], ", ")
			if more := len(q.Points) - 3; more > 0 {
				h.Text += fmt.Sprintf(" and %d more", more)
			}
		}
		r.add(h)
	}
}
