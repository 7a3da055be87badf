package listen_test

import (
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"github.com/hourbell/hourbell/agent/listen"
	"github.com/hourbell/hourbell/internal/combinesim"
)

// fullBus is some seconds of a threshing machine on a full bus.
func fullBus(tb testing.TB, d time.Duration) []combinesim.Frame {
	c := plain(combinesim.FullBus(), step(combinesim.Idle, 20*time.Second), combinesim.ProgramStep{Do: combinesim.Thresh, For: 20*time.Second + d, Load: combinesim.NormalLoad()})
	m := machine(tb, c)
	m.Run(start.Add(40*time.Second), func(combinesim.Frame) {})
	return m.Append(nil, m.End())
}

func BenchmarkFullBus(b *testing.B) {
	frames := fullBus(b, 10*time.Second)
	l := listener(b, listen.Options{Chart: chart(b)})
	l.SetDerived("separator", 0)
	span := frames[len(frames)-1].AtNS - frames[0].AtNS + 1e6
	var shift int64
	var buf []listen.Event
	i := 0
	b.ReportAllocs()
	for b.Loop() {
		f := &frames[i]
		l.Push(f.AtNS+shift, f.ID, f.Data[:f.Len])
		if i++; i == len(frames) {
			i, shift = 0, shift+span
			buf = l.Take(buf[:0])
		}
	}
	perFrame := float64(b.Elapsed().Nanoseconds()) / float64(b.N)
	rate := float64(len(frames)) * 1e9 / float64(span)
	b.ReportMetric(rate, "frames/s-on-bus")
	b.ReportMetric(perFrame*rate/1e7, "%core")
}

// Between events nothing is allocated.
func TestNoAllocationsInSteadyState(t *testing.T) {
	frames := fullBus(t, 5*time.Second)
	l := listener(t, listen.Options{Chart: chart(t)})
	for i := range frames {
		l.Push(frames[i].AtNS, frames[i].ID, frames[i].Data[:frames[i].Len])
	}
	l.Take(nil)
	at, i := frames[len(frames)-1].AtNS, 0
	allocs := testing.AllocsPerRun(1000, func() {
		f := &frames[i]
		l.Push(at, f.ID, f.Data[:f.Len])
		i = (i + 1) % len(frames)
		at += 250_000
	})
	require.Zero(t, allocs)
}
