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
