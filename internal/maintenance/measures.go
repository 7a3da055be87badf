package maintenance

import (
	"cmp"
	"fmt"
	"slices"
	"sort"
	"strconv"
	"strings"

	"github.com/hourbell/hourbell/internal/maintenance/hours"
)

// MeasureWord is how a value stands to its limits.
type MeasureWord uint8

// The words on a value.
const (
	MeasureNotJudged MeasureWord = 0
	MeasureInRange   MeasureWord = 1
	MeasureNear      MeasureWord = 2 // at or beyond the acceptable range, inside the limits at which to act
	MeasureAct       MeasureWord = 3 // at or beyond a limit at which to act
)

// What a gauge says.
const (
	GaugeGoes    = "goes"
	GaugeGoesNot = "does not go"
)

// String gives the word as pages use it.
func (w MeasureWord) String() string {
	switch w {
	case MeasureInRange:
		return "in range"
	case MeasureNear:
		return "near the limit"
	case MeasureAct:
		return "act"
	}
	return "not judged"
}

// Judge says how a figure, in millionths of d's unit, stands to d's limits, with
// figures. A figure at the edge of the acceptable range is near the limit, unless
// it is just what is wanted.
func Judge(d *MeasureDef, micro int64) (MeasureWord, string) {
	word := MeasureInRange
	switch {
	case d.ActLo.Set && micro <= d.ActLo.Micro || d.ActHi.Set && micro >= d.ActHi.Micro:
		word = MeasureAct
	case d.Want.Set && micro == d.Want.Micro:
	case d.OkLo.Set && micro <= d.OkLo.Micro || d.OkHi.Set && micro >= d.OkHi.Micro:
		word = MeasureNear
	case !d.OkLo.Set && !d.OkHi.Set && !d.ActLo.Set && !d.ActHi.Set:
		word = MeasureNotJudged
	}
	text := fmt.Sprintf("%s %s: %v", decimal(micro, 6), d.Unit, word)
	return word, text + limitsText(" (in order", d.OkLo, d.OkHi, "") + limitsText(" (act at", d.ActLo, d.ActHi, " and beyond")
}

// limitsText is a pair of limits in words, "" where neither is set.
func limitsText(what string, lo, hi Bound, more string) string {
	switch {
	case lo.Set && hi.Set && more != "":
		return fmt.Sprintf("%s %s or %s%s)", what, decimal(lo.Micro, 6), decimal(hi.Micro, 6), more)
	case lo.Set && hi.Set:
		return fmt.Sprintf("%s %s to %s)", what, decimal(lo.Micro, 6), decimal(hi.Micro, 6))
	case lo.Set && more == "":
		return fmt.Sprintf("%s from %s)", what, decimal(lo.Micro, 6))
	case hi.Set && more == "":
		return fmt.Sprintf("%s up to %s)", what, decimal(hi.Micro, 6))
	case lo.Set:
		return fmt.Sprintf("%s %s and below)", what, decimal(lo.Micro, 6))
	case hi.Set:
		return fmt.Sprintf("%s %s and above)", what, decimal(hi.Micro, 6))
	}
	return ""
}

// JudgeGauge says what a gauge's word means: of one that goes in when right, or of
// one that passes when the part is worn.
func JudgeGauge(d *MeasureDef, state string) (MeasureWord, string) {
	if state != GaugeGoes && state != GaugeGoesNot || d.Gauge == GaugeNone {
		return MeasureNotJudged, "the gauge says nothing"
	}
	word := MeasureAct
	if (state == GaugeGoes) == (d.Gauge == GaugeGoNo) {
		word = MeasureInRange
	}
	return word, fmt.Sprintf("the gauge %s: %v", state, word)
}

// judgeValue judges a figure or a gauge's word.
func judgeValue(d *MeasureDef, micro int64, state string) (MeasureWord, string) {
	if d.Gauge != GaugeNone {
		return JudgeGauge(d, state)
	}
	return Judge(d, micro)
}

// measureOf is what a task measures, nil where it measures nothing.
func (s *State) measureOf(i int) *MeasureDef {
	if def := s.taskDef(i); def != nil && len(def.Measure) > 0 {
		return &def.Measure[0]
	}
	return nil
}

// measuredTask is the task that a value is of: the one it names, or the only one
// of those done that measures; -1 none.
func (s *State) measuredTask(m *Measured, tasks []int) int {
	if m.Task != "" {
		return s.taskIndex(m.Task)
	}
	only := -1
	for _, i := range tasks {
		if s.measureOf(i) != nil {
			if only >= 0 {
				return -1
			}
			only = i
		}
	}
	return only
}

// keepMeasured takes in the values of a record.
func (t *step) keepMeasured(b *ServiceDone, rec *TaskRecord, tasks []int) {
	t.takeMeasured(b.Measured, rec, tasks, true)
}

// takeMeasured takes in values measured at the time and hours of rec, and, where
// open, opens a task's remark where the last word on a spot is to act.
func (t *step) takeMeasured(list []Measured, rec *TaskRecord, tasks []int, open bool) {
	kept := make([]bool, len(list))
	for k := range list {
		i := t.s.measuredTask(&list[k], tasks)
		if i < 0 {
			t.effect(EffectMeasure, -1, fmt.Sprintf("value of spot %q names no task that measures", list[k].Spot))
			continue
		}
		kept[k] = t.keepValue(i, &list[k], rec)
	}
	for k := range list {
		if kept[k] {
			t.judgeKept(t.s.measuredTask(&list[k], tasks), list, k, rec.Person, open)
		}
	}
}

// judgeKept says of a value that it is near or beyond a limit.
func (t *step) judgeKept(i int, list []Measured, k int, person string, open bool) {
	d, def, m := t.s.measureOf(i), t.s.taskDef(i), &list[k]
	if d == nil {
		return
	}
	word, text := judgeValue(d, m.Micro, m.State)
	if word < MeasureNear {
		return
	}
	text = spotText(m.Spot) + text
	t.effect(EffectMeasure, t.s.spotIndex(def.ID, m.Spot), text)
	if open && word == MeasureAct && !leftAfter(list, k) && len(def.Else) > 0 && def.Else[0].Remark != "" {
		t.openElse(def, m.Spot, text, person)
	}
}

func spotText(spot string) string {
	if spot == "" {
		return ""
	}
	return spot + ": "
}

// leftAfter reports whether a value as found has one as left beside it, which is
// then the last word.
func leftAfter(list []Measured, k int) bool {
	m := &list[k]
	return !m.Left && slices.ContainsFunc(list, func(o Measured) bool { return o.Left && o.Task == m.Task && o.Spot == m.Spot })
}

// keepValue puts a value in its place in time. It reports whether there was room.
func (t *step) keepValue(i int, m *Measured, rec *TaskRecord) bool {
	s := t.s
	v := MeasuredAt{Record: rec.Record, At: rec.At, Date: rec.Date, Hours: -1, Left: m.Left, Micro: m.Micro, State: m.State}
	if d := s.measureOf(i); d != nil && d.Meter != "" {
		v.take(&TaskRecord{Hours: rec.Hours, Looked: rec.Looked}, d.Meter)
	}
	spots := len(s.Measures)
	at := s.spotFor(s.Tasks[i].ID, m.Spot)
	if len(s.Measures) > spots {
		t.inserted(EffectMeasure, at)
	}
	if at < 0 {
		t.effect(EffectMeasure, -1, fmt.Sprintf("spot %q of %s is one too many; %d are kept", m.Spot, s.Tasks[i].ID, MeasuresKept))
		return false
	}
	list := insertBy(s.Measures[at].Values, v, (*MeasuredAt).compare)
	s.Measures[at].Values = lastOf(list, ValuesSeen)
	return true
}

// compare orders values by time, those of one record as found before as left.
func (v *MeasuredAt) compare(o *MeasuredAt) int {
	left := 0
	switch {
	case v.Left && !o.Left:
		left = 1
	case !v.Left && o.Left:
		left = -1
	}
	return cmp.Or(v.At.Compare(o.At), v.Record.Compare(o.Record), left)
}

// spotFor returns the index of a spot, and makes room for it; -1 where there is none.
func (s *State) spotFor(task, spot string) int {
	i, ok := s.findSpot(task, spot)
	switch {
	case ok:
		return i
	case len(s.Measures) >= MeasuresKept:
		return -1
	}
	s.Measures = slices.Insert(s.Measures, i, MeasureSeen{Task: task, Spot: spot})
	return i
}

// spotIndex returns the index of a spot, -1 where nothing was measured at it.
func (s *State) spotIndex(task, spot string) int {
	if i, ok := s.findSpot(task, spot); ok {
		return i
	}
	return -1
}

func (s *State) findSpot(task, spot string) (int, bool) {
	i := sort.Search(len(s.Measures), func(i int) bool {
		m := &s.Measures[i]
		return cmp.Or(strings.Compare(m.Task, task), strings.Compare(m.Spot, spot)) >= 0
	})
	return i, i < len(s.Measures) && s.Measures[i].Task == task && s.Measures[i].Spot == spot
}

// record gives the value's hours on its meter as those of a record.
func (v *MeasuredAt) record(meter string) TaskRecord {
	r := TaskRecord{At: v.At}
	if v.Hours >= 0 {
		r.Hours = []MeterShown{{Meter: meter, Shown: v.Hours}}
		if v.Looked {
			r.Looked = 1
		}
	}
	return r
}

// take keeps the hours that a record has on the value's meter.
func (v *MeasuredAt) take(r *TaskRecord, meter string) {
	v.Hours, v.Looked = -1, false
	if k := r.find(meter); k >= 0 {
		v.Hours, v.Looked = max(r.Hours[k].Shown, hours.Millis(0)), r.Looked&(1<<k) != 0
	}
}

// eachValue gives each value of a task that measures, with the meter it runs over.
func (s *State) eachValue(f func(meter string, v *MeasuredAt)) {
	if s.Chart == nil || len(s.Measures) == 0 {
		return
	}
	for i := range s.Chart.Tasks {
		d := s.measureOf(i)
		if d == nil || d.Meter == "" {
			continue
		}
		id := s.Chart.Tasks[i].ID
		at := sort.Search(len(s.Measures), func(j int) bool { return s.Measures[j].Task >= id })
		for ; at < len(s.Measures) && s.Measures[at].Task == id; at++ {
			for j := range s.Measures[at].Values {
				f(d.Meter, &s.Measures[at].Values[j])
			}
		}
	}
}

// voidMeasured takes back the values of a void record.
func (t *step) voidMeasured(record Key) bool { return t.voidValues(record, t.e.Key) }

// voidValues is voidMeasured by any event.
func (t *step) voidValues(record, by Key) bool {
	found := false
	for i := range t.s.Measures {
		for j := range t.s.Measures[i].Values {
			if v := &t.s.Measures[i].Values[j]; v.Record == record && v.Void.IsZero() {
				v.Void, found = by, true
			}
		}
	}
	return found
}

// forgetValues drops the values of a record at a task.
func (s *State) forgetValues(task string, record Key) {
	for i := range s.Measures {
		if m := &s.Measures[i]; m.Task == task {
			m.Values = slices.DeleteFunc(m.Values, func(v MeasuredAt) bool { return v.Record == record })
		}
	}
}

// suitsMeasured refuses a value in another unit, at an unknown spot, or of nothing
// that is measured.
func (s *State) suitsMeasured(m *Measured, tasks []int) *fault {
	if m.Task != "" {
		if f := s.suitsTask("measured", m.Task); f != nil {
			return f
		}
	}
	i := s.measuredTask(m, tasks)
	d := s.measureOf(i)
	switch {
	case i < 0:
		return &fault{"measured", "it does not say what was measured", "name the task"}
	case d == nil:
		return &fault{"measured", fmt.Sprintf("nothing is measured by task %q", s.Tasks[i].ID), "name a task that measures"}
	case d.Gauge != GaugeNone && m.State != GaugeGoes && m.State != GaugeGoesNot:
		return &fault{"measured", fmt.Sprintf("%q is no word of a gauge", m.State), fmt.Sprintf("say %q or %q", GaugeGoes, GaugeGoesNot)}
	case d.Gauge == GaugeNone && m.Unit != d.Unit:
		given := "unit " + strconv.Quote(m.Unit)
		if m.Unit == "" {
			given = "no unit is given"
		}
		return &fault{"measured", fmt.Sprintf("%s; %s of %s is measured in %s", given, d.What, s.Tasks[i].ID, d.Unit), "give it in " + d.Unit}
	case len(d.Spots) == 0 && m.Spot != "":
		return &fault{"measured", fmt.Sprintf("task %q has no spot %q", s.Tasks[i].ID, m.Spot), "leave the spot out"}
	case len(d.Spots) > 0 && !slices.Contains(d.Spots, m.Spot):
		return &fault{"measured", fmt.Sprintf("task %q has no spot %q", s.Tasks[i].ID, m.Spot), "name one of " + strings.Join(d.Spots, ", ")}
	}
	return nil
}
