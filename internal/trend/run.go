package trend

import (
	"cmp"
	"slices"
	"strings"

	"github.com/hourbell/hourbell/internal/maintenance"
	"github.com/hourbell/hourbell/internal/maintenance/hours"
	"github.com/hourbell/hourbell/internal/maintenance/moment"
)

// mostValues is how many of a run's latest values are reckoned with.
const mostValues = 100

// run is what was found since the last remedy.
type run struct {
	points  []point // by time
	after   bool    // there was a remedy before
	noHours int     // found values whose hours are not known
}

// since takes the found values after the latest remedy or start out of values.
func since(values []maintenance.MeasuredAt, starts []moment.Span) run {
	var r run
	all := inOrder(values)
	for _, v := range all {
		switch {
		case !started(v.At, starts):
		case v.Left && remedied(v, all):
			r = run{after: true}
		case !v.Left:
			r.add(v)
		}
	}
	r.after = r.after || len(starts) > 0
	r.points = r.points[max(len(r.points)-mostValues, 0):]
	return r
}

func (r *run) add(v maintenance.MeasuredAt) {
	if !v.Hours.Valid() || v.Micro > most || v.Micro < -most {
		r.noHours++
		return
	}
	r.points = append(r.points, point{int64(v.Hours), v.Micro})
}

// inOrder gives the standing values that are figures by effective time, in an
// order that doesn't hang on the one they came in.
func inOrder(values []maintenance.MeasuredAt) []maintenance.MeasuredAt {
	out := slices.DeleteFunc(slices.Clone(values), func(v maintenance.MeasuredAt) bool {
		return !v.Void.IsZero() || v.State != ""
	})
	slices.SortFunc(out, func(a, b maintenance.MeasuredAt) int {
		return cmp.Or(a.At.Compare(b.At), a.Record.Compare(b.Record), foundFirst(a, b),
			cmp.Compare(a.Hours, b.Hours), cmp.Compare(a.Micro, b.Micro))
	})
	return out
}

func foundFirst(a, b maintenance.MeasuredAt) int {
	switch {
	case a.Left == b.Left:
		return 0
	case b.Left:
		return -1
	}
	return 1
}

// started says that a value is later than every start. One of the same time was
// found before the part was renewed.
func started(at moment.Span, starts []moment.Span) bool {
	for _, s := range starts {
		if at.Compare(s) <= 0 {
			return false
		}
	}
	return true
}

// remedied says that something was altered: what was left is not what the same
// record found.
func remedied(left maintenance.MeasuredAt, all []maintenance.MeasuredAt) bool {
	return !slices.ContainsFunc(all, func(v maintenance.MeasuredAt) bool {
		return !v.Left && v.Record == left.Record && v.Micro == left.Micro
	})
}

// different counts different hours.
func (r *run) different() int {
	seen := map[int64]bool{}
	for _, p := range r.points {
		seen[p.x] = true
	}
	return len(seen)
}

// span gives the least and most hours.
func (r *run) span() (first, last hours.Millis) {
	for i, p := range r.points {
		x := hours.Millis(p.x)
		if i == 0 {
			first, last = x, x
		}
		first, last = min(first, x), max(last, x)
	}
	return first, last
}

// starts gives when a task's measure began anew: a piece of the point's part
// was fitted, or a task that the measure names as a remedy was done.
func starts(s *maintenance.State, def *maintenance.TaskDef, d *maintenance.MeasureDef) []moment.Span {
	var out []moment.Span
	for i := range s.Parts {
		if s.Parts[i].ID != def.Point {
			continue
		}
		for _, piece := range s.Parts[i].Pieces {
			if piece.Void.IsZero() {
				out = append(out, piece.At)
			}
		}
	}
	for i := range s.Tasks {
		if !isRemedy(d, def.Point, s.Tasks[i].ID) {
			continue
		}
		for _, r := range s.Tasks[i].Records {
			if r.Void.IsZero() && !r.Waiting {
				out = append(out, r.At)
			}
		}
	}
	return out
}

// isRemedy takes a remedy with or without its point: "pulley/renew" or "renew".
func isRemedy(d *maintenance.MeasureDef, point, task string) bool {
	return slices.ContainsFunc(d.Remedies, func(r string) bool {
		return r == task || !strings.Contains(r, "/") && point+"/"+r == task
	})
}
