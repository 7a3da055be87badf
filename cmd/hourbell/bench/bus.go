package bench

import (
	"context"
	"fmt"
	"runtime"
	"time"

	"github.com/hourbell/hourbell/agent/listen"
	"github.com/hourbell/hourbell/internal/chart"
	"github.com/hourbell/hourbell/internal/combinesim"
)

// busFor is how much of a bus's life is made beforehand; it is heard again and
// again.
const busFor = 10 * time.Second

// measureBus puts the frames of a full bus through an agent's ear, by the chart of
// the loaded machines.
func measureBus(ctx context.Context, o *Options, _ string, r *Result) error {
	o.say("hearing a full bus")
	frames, err := fullBus(time.Date(2031, 7, 2, 7, 0, 0, 0, time.UTC))
	if err != nil {
		return fmt.Errorf("make a full bus: %w", err)
	}
	c, err := chart.Compile(fullChart+".points.yaml", []byte(chartYAML))
	if err != nil {
		return err
	}
	ear, err := listen.New(listen.Options{Chart: c})
	if err != nil {
		return err
	}
	ear.SetDerived("separator", 0)
	h := hearing{frames: frames, ear: ear, span: busFor.Nanoseconds()}
	h.once() // controllers' names and the like are heard once
	allocated := totalAlloc()
	begun, passes := time.Now(), 0
	for end := begun.Add(o.share(busShare)); passes == 0 || time.Now().Before(end) && ctx.Err() == nil; passes++ {
		h.once()
	}
	n := float64(passes * len(frames))
	r.Bus = Bus{FramesPerSecond: float64(len(frames)) / busFor.Seconds(), Nanoseconds: float64(time.Since(begun).Nanoseconds()) / n, Allocated: float64(totalAlloc()-allocated) / n}
	r.Bus.CorePercent = r.Bus.FramesPerSecond * r.Bus.Nanoseconds / 1e7
	return ctx.Err()
}

func totalAlloc() uint64 {
	var m runtime.MemStats
	runtime.ReadMemStats(&m)
	return m.TotalAlloc
}

// fullBus is some seconds of a threshing machine on a full 500 kbit/s bus.
func fullBus(start time.Time) ([]combinesim.Frame, error) {
	const before = 30 * time.Second
	c := machineOn(start, combinesim.FullBus(), combinesim.ProgramStep{Do: combinesim.Idle, For: before},
		combinesim.ProgramStep{Do: combinesim.Thresh, For: busFor + before, Load: combinesim.NormalLoad()})
	m, err := combinesim.New(c)
	if err != nil {
		return nil, err
	}
	m.Run(start.Add(2*before), func(combinesim.Frame) {})
	return m.Append(nil, start.Add(2*before+busFor)), nil
}

// machineOn is a machine without faults.
func machineOn(start time.Time, rates combinesim.Rates, program ...combinesim.ProgramStep) combinesim.Config {
	return combinesim.Config{Name: "Bench", Seed: 1, Start: start.Truncate(time.Microsecond), Identity: combinesim.NewIdentity(70_001), Rates: rates,
		Meters: combinesim.Meters{Engine: 1000 * combinesim.Hour, Vehicle: 1100 * combinesim.Hour, PTO: 700 * combinesim.Hour, Separator: 650 * combinesim.Hour}, Program: program}
}

// hearing hears the same frames again and again, each time later.
type hearing struct {
	frames []combinesim.Frame
	ear    *listen.Listener
	span   int64
	shift  int64
	ticked int64
	events []listen.Event
}

// once hears the frames as an agent does: what has gathered in 50 ms, then the
// events.
func (h *hearing) once() {
	origin := h.frames[0].AtNS
	gathered := int64(0)
	for i := range h.frames {
		f := &h.frames[i]
		at := f.AtNS - origin + h.shift
		h.ear.Push(at, f.ID, f.Data[:f.Len])
		if at-gathered >= 50e6 {
			gathered = at
			h.events = h.ear.Take(h.events[:0])
		}
		if at-h.ticked >= int64(time.Second) {
			h.ticked = at
			h.ear.Tick(at)
		}
	}
	h.shift += h.span
}
