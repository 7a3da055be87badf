package trend

import (
	"math/big"

	"github.com/hourbell/hourbell/internal/maintenance"
	"github.com/hourbell/hourbell/internal/maintenance/hours"
	"github.com/hourbell/hourbell/internal/maintenance/moment"
)

// What a trend takes.
const (
	LeastValues = 5 // found values in the run
	LeastHours  = 3 // different hours among them
)

// Options say what the values alone don't.
type Options struct {
	Spot string // for the words only
	// Starts are the times at which a run begins besides the values left: a part
	// fitted, a remedy done. A value of the same time belongs to the run before.
	Starts []moment.Span
}

// Trend is how a measure moves at one spot.
type Trend struct {
	Spot string
	// Said: the values carry a trend. Otherwise Why says in words why none is
	// said, and slope, intercept and reaches are zero.
	Said bool
	Why  string
	Text string // the trend in words, "" where none is said

	Values      int          // found values in the run that were reckoned with
	Different   int          // different hours among them
	First, Last hours.Millis // least and most of their hours; 0 with no values

	// Slope in millionths of the unit in 1,000 hours, with its 95 % interval, and
	// the line's value at 0 and at Last hours in millionths of the unit. Rounded
	// to the nearest and held at the ends of the range.
	Slope, SlopeLo, SlopeHi int64
	Intercept, Level        int64

	Ok, Act Reach // in the direction of the trend
}

// ReachWord says whether a limit is reached.
type ReachWord uint8

// The words on a limit.
const (
	ReachNone  ReachWord = 0 // no trend, or no limit on that side
	ReachAhead ReachWord = 1
	ReachPast  ReachWord = 2 // the line is at or beyond the limit by the last value
	ReachFar   ReachWord = 3 // further ahead than the values can speak for
)

// Reach is when the line comes to a limit.
type Reach struct {
	Word  ReachWord
	Limit int64  // millionths of the unit
	Text  string // in words, "" for ReachNone
	// Machine's hours, for ReachAhead and ReachPast: by the slope, and the earliest
	// and latest by its interval, cut down and up to the millisecond. They are held
	// between 0 and Horizon.
	Likely, Earliest, Latest hours.Millis
	// Open: the latest lies beyond Horizon, so how late isn't known.
	Open bool
	// Horizon is how far the values can speak: as far beyond the last as they span.
	Horizon hours.Millis
}

// Of gives the trend of one spot's values. Values may come in any order; voided
// ones and those of a gauge count for nothing, those without hours are only
// counted in the words. A definition that is nil or has a gauge gives no trend.
func Of(values []maintenance.MeasuredAt, d *maintenance.MeasureDef, o Options) Trend {
	t := Trend{Spot: o.Spot}
	if d == nil || d.Gauge != maintenance.GaugeNone {
		t.Why = "there is no figure to follow: it is judged by a gauge"
		if d == nil {
			t.Why = "nothing is measured"
		}
		return t
	}
	r := since(values, o.Starts)
	t.Values, t.Different = len(r.points), r.different()
	t.First, t.Last = r.span()
	if t.Why = tooFew(&r, t.Different); t.Why != "" {
		return t
	}
	f, ok := line(r.points, z95)
	if !ok || f.clipped || f.lo.Sign()*f.hi.Sign() <= 0 {
		t.Why = unsure(d, f, &t)
		return t
	}
	t.say(d, r.points, f)
	return t
}

// OfTask gives the trends of a task's measure, one for each of its spots in the
// chart's order. None where the chart in force has no such task or it measures
// nothing.
func OfTask(s *maintenance.State, task string) []Trend {
	def := taskDef(s, task)
	if def == nil || len(def.Measure) == 0 {
		return nil
	}
	d := &def.Measure[0]
	spots := d.Spots
	if len(spots) == 0 {
		spots = []string{""}
	}
	began := starts(s, def, d)
	out := make([]Trend, 0, len(spots))
	for _, spot := range spots {
		out = append(out, Of(valuesOf(s, task, spot), d, Options{Spot: spot, Starts: began}))
	}
	return out
}

func taskDef(s *maintenance.State, task string) *maintenance.TaskDef {
	if s.Chart == nil {
		return nil
	}
	for i := range s.Chart.Tasks {
		if s.Chart.Tasks[i].ID == task {
			return &s.Chart.Tasks[i]
		}
	}
	return nil
}

func valuesOf(s *maintenance.State, task, spot string) []maintenance.MeasuredAt {
	for i := range s.Measures {
		if s.Measures[i].Task == task && s.Measures[i].Spot == spot {
			return s.Measures[i].Values
		}
	}
	return nil
}

// say fills in what a sure line says.
func (t *Trend) say(d *maintenance.MeasureDef, points []point, f fit) {
	t.Said = true
	t.Slope, t.SlopeLo, t.SlopeHi = perThousand(f.slope), perThousand(f.lo), perThousand(f.hi)
	t.Intercept = round(f.intercept)
	level := new(big.Rat).SetInt64(int64(t.Last))
	t.Level = round(level.Add(level.Mul(level, f.slope), f.intercept))
	t.Text = t.words(d)
	ok, act := d.OkHi, d.ActHi
	if f.slope.Sign() < 0 {
		ok, act = d.OkLo, d.ActLo
	}
	t.Ok = t.reach(points, f, ok)
	t.Act = t.reach(points, f, act)
	t.Ok.Text = t.Ok.words("leaves what is acceptable", "out of what is acceptable", d.Unit, t.Last)
	t.Act.Text = t.Act.words("comes to the limit at which to act", "at or past the limit at which to act", d.Unit, t.Last)
}

// perThousand turns millionths a millisecond into millionths in 1,000 hours.
func perThousand(slope *big.Rat) int64 {
	return round(new(big.Rat).Mul(slope, new(big.Rat).SetInt64(int64(1000*hours.Hour))))
}

// reach tells when the line comes to a limit.
func (t *Trend) reach(points []point, f fit, limit maintenance.Bound) Reach {
	if !limit.Set {
		return Reach{}
	}
	r := Reach{Limit: limit.Micro, Horizon: t.Last + (t.Last - t.First)}
	likely := crossing(points, f.slope, limit.Micro)
	first, last := likely, likely
	for _, slope := range []*big.Rat{f.lo, f.hi} {
		x := crossing(points, slope, limit.Micro)
		if x.Cmp(first) < 0 {
			first = x
		}
		if x.Cmp(last) > 0 {
			last = x
		}
	}
	horizon := new(big.Rat).SetInt64(int64(r.Horizon))
	switch {
	case likely.Cmp(horizon) > 0:
		r.Word = ReachFar
		return r
	case likely.Cmp(new(big.Rat).SetInt64(int64(t.Last))) <= 0:
		r.Word = ReachPast
	default:
		r.Word = ReachAhead
	}
	hold := func(x int64) hours.Millis { return min(max(hours.Millis(x), 0), r.Horizon) }
	r.Likely, r.Earliest, r.Latest = hold(round(likely)), hold(floor(first)), hold(ceil(last))
	r.Open = last.Cmp(horizon) > 0
	return r
}
