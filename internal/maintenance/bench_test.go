package maintenance

import (
	"fmt"
	"testing"

	"github.com/hourbell/hourbell/internal/maintenance/hours"
	"github.com/hourbell/hourbell/internal/maintenance/moment"
)

// bigChart has as many tasks as a combine's book.
func bigChart(tasks int) *Chart {
	c := heronChart()
	c.ID, c.Tasks = "heron-big", nil
	for i := range tasks {
		limbs := []Limb{{Kind: LimbHours, Meter: "engine", Every: hours.Millis(50+10*(i%40)) * 10_000 * hours.Hour}}
		if i%3 == 0 {
			limbs = append(limbs, Limb{Kind: LimbMonths, Months: 12})
		}
		c.Tasks = append(c.Tasks, TaskDef{ID: fmt.Sprintf("point-%d/grease", i), Point: "p", Do: "grease", Limbs: limbs})
	}
	return c
}

func benchWorld(b *testing.B) (*State, *Event) {
	w := newWorld(b, bigChart(60))
	w.bus(after("1"), "1000.00")
	for i := range 60 {
		w.done(after("1"), fmt.Sprintf("point-%d/grease", i))
	}
	w.bus(after("1.1"), "1000.05")
	if len(w.s.Tasks) != 60 || w.s.Tasks[59].State != NotDue {
		b.Fatal("the tasks do not count")
	}
	return w.s, w.agent('a', moment.At(after("1.2")), &Reading{Meter: "engine", Shown: h("1000.10"), Resolution: busStep, Origin: OriginBus})
}

// next makes e the reading after it: a minute on, and a step of the meter every
// third one.
func next(e *Event) {
	e.Key.Seq++
	e.Hash[3]++
	e.At = moment.At(e.At.NotAfter.Add(hours.Minute))
	e.Known = e.At.NotAfter
	if e.Key.Seq%3 == 0 {
		e.Body.(*Reading).Shown += busStep
	}
}

func BenchmarkReading60Tasks(b *testing.B) {
	s, e := benchWorld(b)
	var fx []Effect
	b.ReportAllocs()
	for b.Loop() {
		fx = Apply(s, e, fx[:0])
		next(e)
	}
	if len(fx) != 1 || fx[0].Kind != EffectReadingTaken {
		b.Fatal(fx)
	}
}

func BenchmarkReading60TasksWithoutChain(b *testing.B) {
	s, e := benchWorld(b)
	var fx []Effect
	b.ReportAllocs()
	for b.Loop() {
		fx = s.take(e, fx[:0])
		next(e)
	}
	if len(fx) != 1 || fx[0].Kind != EffectReadingTaken {
		b.Fatal(fx)
	}
}

func BenchmarkAdmitReading(b *testing.B) {
	s, e := benchWorld(b)
	b.ReportAllocs()
	for b.Loop() {
		if v := Admit(s, e); v.Word != VerdictTake {
			b.Fatal(v)
		}
	}
}

// BenchmarkCrossing60Tasks settles every task: what a reading costs that
// crosses a threshold.
func BenchmarkCrossing60Tasks(b *testing.B) {
	s, e := benchWorld(b)
	t := step{s: s, e: e}
	b.ReportAllocs()
	for b.Loop() {
		t.fx = t.fx[:0]
		t.settleMoved(movedFrom{meter: 0, was: h("1000.00")})
	}
}

func BenchmarkAppendEventReading(b *testing.B) {
	_, e := benchWorld(b)
	var buf []byte
	b.ReportAllocs()
	for b.Loop() {
		buf = AppendEvent(buf[:0], e)
	}
	b.ReportMetric(float64(len(buf)), "bytes")
}

func BenchmarkAppendState60Tasks(b *testing.B) {
	s, e := benchWorld(b)
	for range 20_000 {
		Apply(s, e, nil)
		next(e)
	}
	var buf []byte
	b.ReportAllocs()
	for b.Loop() {
		buf = AppendState(buf[:0], s)
	}
	b.ReportMetric(float64(len(buf)), "bytes")
}

func BenchmarkDecodeState60Tasks(b *testing.B) {
	s, e := benchWorld(b)
	for range 20_000 {
		Apply(s, e, nil)
		next(e)
	}
	buf := AppendState(nil, s)
	b.ReportAllocs()
	for b.Loop() {
		if _, err := DecodeState(buf, func([32]byte) (*Chart, error) { return s.Chart, nil }); err != nil {
			b.Fatal(err)
		}
	}
}

// mixedTasks are tasks of each sort under WorkRules, none of them due in the run
// of a benchmark.
func mixedTasks(n int) []TaskDef {
	far := 10_000 * hours.Hour
	limbs := [][]Limb{
		{{Kind: LimbHours, Meter: "engine", Every: 50 * far}, {Kind: LimbMonths, Months: 12}},
		{{Kind: LimbHours, Meter: "engine", Every: 30 * far, Grid: true}},
		{{Kind: LimbDays, Days: 1000}, {Kind: LimbHours, Meter: "engine", Every: 60 * far}},
		{{Kind: LimbSeason, When: SeasonBefore}},
		{{Kind: LimbCounted, Of: "stone", Count: 500_000}},
		{{Kind: LimbHours, Meter: "engine", Every: 45 * far, While: []Cond{{Of: "dust", Op: CondIs, Words: []string{"heavy"}}}}},
	}
	var out []TaskDef
	for i := range n {
		t := TaskDef{ID: fmt.Sprintf("mixed-%d/do", i), Do: "check", Limbs: limbs[i%len(limbs)]}
		switch i % 4 {
		case 1:
			t.Triggers = []TriggerDef{{Kind: TriggerEvent, Name: "washed"}, {Kind: TriggerEvent, Name: "stone", Count: 400, Within: far}}
		case 2:
			t.RunIns = []RunInDef{{Part: "chopper-belt", Meter: "engine", Marks: []hours.Millis{70 * far}}}
		}
		out = append(out, t)
	}
	return out
}

func mixedWorld(b *testing.B) (*State, *Event) {
	w := workWorld(b, mixedTasks(60)...)
	w.s.Parts = []Part{{ID: "chopper-belt", Pieces: []Piece{{At: moment.At(after("0")), Hours: []MeterShown{{Meter: "engine", Shown: h("1000")}}}}}}
	for i := range 60 {
		w.done(after("1"), fmt.Sprintf("mixed-%d/do", i))
	}
	for i := range 100 {
		at := after("1.05").Add(hours.Millis(i) * hours.Second)
		w.service(fmt.Sprintf("stone %d", i), at, &FieldEvent{Event: "stone", Milli: 100})
	}
	w.tells(after("1.09"), EventConditions, 0, Fact{"dust", "heavy"})
	w.bus(after("1.1"), "1000.05")
	for i := range w.s.Tasks {
		if w.s.Tasks[i].State != NotDue {
			b.Fatal("a task does not count", w.s.Tasks[i])
		}
	}
	return w.s, w.agent('a', moment.At(after("1.2")), &Reading{Meter: "engine", Shown: h("1000.10"), Resolution: busStep, Origin: OriginBus})
}

// BenchmarkReading60MixedTasks is BenchmarkReading60Tasks with tasks that count
// hours, months, days worked, seasons and events, with triggers and run-ins.
func BenchmarkReading60MixedTasks(b *testing.B) {
	s, e := mixedWorld(b)
	var fx []Effect
	b.ReportAllocs()
	for b.Loop() {
		fx = Apply(s, e, fx[:0])
		next(e)
	}
	if len(fx) != 1 || fx[0].Kind != EffectReadingTaken {
		b.Fatal(fx)
	}
}

func BenchmarkReading60MixedTasksWithoutChain(b *testing.B) {
	s, e := mixedWorld(b)
	var fx []Effect
	b.ReportAllocs()
	for b.Loop() {
		fx = s.take(e, fx[:0])
		next(e)
	}
	if len(fx) != 1 || fx[0].Kind != EffectReadingTaken {
		b.Fatal(fx)
	}
}

// BenchmarkSettle60MixedTasks is what a crossing, a day's first advance or an
// event of the field costs.
func BenchmarkSettle60MixedTasks(b *testing.B) {
	s, e := mixedWorld(b)
	t := step{s: s, e: e, moved: nowhere}
	b.ReportAllocs()
	for b.Loop() {
		t.fx = t.fx[:0]
		t.settleAll()
	}
}
