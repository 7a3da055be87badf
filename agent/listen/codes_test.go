package listen_test

import (
	"cmp"
	"slices"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"github.com/hourbell/hourbell/agent/listen"
	"github.com/hourbell/hourbell/internal/combinesim"
	"github.com/hourbell/hourbell/internal/maintenance"
)

type warned struct {
	spn    uint32
	fmi    uint8
	source uint8
	from   int64 // ms
	to     int64 // 0: not ended
}

// expected is what a listener can tell. Silence ends a code of a controller that
// is heard on at the last message that had it, once five seconds went by; where
// the key went off in them, it was out of sight, and is seen to be gone when the
// controller speaks again.
func expected(truth *combinesim.Truth) (out []warned) {
	for _, w := range truth.Warnings {
		x := warned{w.SPN, w.FMI, w.Source, w.FirstNS / 1e6, 0}
		switch w.End {
		case combinesim.Gone:
			x.to = w.EndNS / 1e6
		case combinesim.Hushed:
			x.to = w.LastNS / 1e6
			for i, s := range truth.BusAlive {
				if s.ToNS > w.LastNS && s.ToNS < w.LastNS+5e9 && i+1 < len(truth.BusAlive) {
					x.to = truth.BusAlive[i+1].FromNS / 1e6
				}
			}
		}
		out = append(out, x)
	}
	return sorted(out)
}

// same allows for the time that a controller takes to say its first word.
func same(t *testing.T, truth *combinesim.Truth, got []warned) {
	t.Helper()
	want := expected(truth)
	require.Len(t, got, len(want))
	for i := range want {
		require.InDelta(t, want[i].to, got[i].to, 500)
		got[i].to = want[i].to
	}
	require.Equal(t, want, got)
}

func sorted(w []warned) []warned {
	slices.SortFunc(w, func(a, b warned) int { return cmp.Or(cmp.Compare(a.from, b.from), cmp.Compare(a.spn, b.spn)) })
	return w
}

// told folds the events as the domain does: a start of a code that is on is no
// new one.
func told(t *testing.T, events []listen.Event) (out []warned, unknown int) {
	open := map[maintenance.Code]warned{}
	dark := map[maintenance.Code]bool{}
	for _, e := range of[*maintenance.Warning](events) {
		k := e.body.Code
		w, on := open[k]
		switch e.body.Phase {
		case maintenance.WarningStarted:
			require.True(t, !on || dark[k], "%d/%d started twice", k.SPN, k.FMI)
			if !on {
				open[k] = warned{k.SPN, k.FMI, k.Source, e.ms, 0}
			}
			delete(dark, k)
		case maintenance.WarningEnded:
			require.True(t, on, "%d/%d ended without a start", k.SPN, k.FMI)
			w.to = e.ms
			out = append(out, w)
			delete(open, k)
			delete(dark, k)
		case maintenance.WarningUnknown:
			require.True(t, on && !dark[k])
			unknown++
			dark[k] = true
		}
	}
	for _, w := range open {
		out = append(out, w)
	}
	return sorted(out), unknown
}

func TestWarningsOfAShift(t *testing.T) {
	for _, part := range []combinesim.Part{combinesim.ComesAndGoes, combinesim.FanSlips} {
		e := hear(t, story(t, part).Machine)
		got, _ := told(t, e.all())
		truth := e.m.Truth()
		require.NotEmpty(t, truth.Warnings)
		same(t, &truth, got)
	}
}

func codes(from, to time.Duration, while combinesim.While, n int) (out []combinesim.Warning) {
	for _, k := range combinesim.Codes()[:n] {
		out = append(out, combinesim.Warning{Code: k, From: from, To: to, While: while})
	}
	return out
}

func TestSeveralCodesComeByTransportAndSilentEndsAreSeen(t *testing.T) {
	for name, quiet := range map[string]bool{"each second": false, "silent without": true} {
		t.Run(name, func(t *testing.T) {
			c := plain(combinesim.ThinBus(), step(combinesim.Idle, 30*time.Minute))
			c.Habits.QuietThresher, c.Habits.QuietEngine = quiet, quiet
			c.Faults.Warnings = codes(5*time.Minute, 12*time.Minute, combinesim.WhileRunning, 4)
			e := hear(t, c)
			got, unknown := told(t, e.all())
			truth := e.m.Truth()
			require.Len(t, truth.Warnings, 4)
			same(t, &truth, got)
			require.Zero(t, unknown)
			for _, w := range of[*maintenance.Warning](e.events) {
				require.NotZero(t, w.body.Code.Name, "the controllers said who they are")
				require.NotZero(t, w.body.Lamps)
			}
		})
	}
}

func TestAKeyTurnedOffEndsNoCode(t *testing.T) {
	c := plain(combinesim.ThinBus(), step(combinesim.Idle, 10*time.Minute), step(combinesim.Off, time.Hour), step(combinesim.Idle, 10*time.Minute))
	c.Faults.Warnings = codes(2*time.Minute, 75*time.Minute, combinesim.WhilePowered, 3)
	e := hear(t, c)
	got, unknown := told(t, e.all())
	truth := e.m.Truth()
	same(t, &truth, got)
	require.Len(t, got, 3)
	require.Equal(t, 3, unknown)
	for _, w := range of[*maintenance.Warning](e.events) {
		if w.body.Phase == maintenance.WarningUnknown {
			require.InDelta(t, truth.BusAlive[0].ToNS/1e6, w.ms, 1100, "since the bus fell silent")
		}
	}
}

func TestARestartStartsNoCodeTwice(t *testing.T) {
	c := plain(combinesim.ThinBus(), step(combinesim.Idle, 30*time.Minute))
	c.Faults.Warnings = codes(5*time.Minute, 20*time.Minute, combinesim.WhileRunning, 3)
	e := hear(t, c)
	e.until(start.Add(10 * time.Minute))
	n := len(e.events)
	e.restart()
	require.Len(t, e.events, n+3)
	for _, ev := range e.events[n:] {
		require.True(t, ev.Before, "nobody listens from here on, on the former run's axis")
		require.Equal(t, maintenance.WarningUnknown, ev.Body.(*maintenance.Warning).Phase)
		require.InDelta(t, start.Add(10*time.Minute).UnixMilli(), ev.AtMs, 1000)
	}
	got, unknown := told(t, e.all())
	truth := e.m.Truth()
	same(t, &truth, got)
	require.Equal(t, 3, unknown)
	require.Len(t, of[*maintenance.BusNames](e.events), 1, "the names were told already")
	require.Len(t, of[*maintenance.Engine](e.events), 1, "the engine ran already")
}

// The box's axis begins at 0 with every start of the agent.
func TestARestartBeginsAnotherAxis(t *testing.T) {
	c := plain(combinesim.ThinBus(), step(combinesim.Idle, 30*time.Minute))
	c.Faults.Warnings = codes(5*time.Minute, 20*time.Minute, combinesim.WhileRunning, 3)
	e := hear(t, c)
	e.until(start.Add(10 * time.Minute))
	e.restart()
	e.events = nil
	zero := start.Add(10 * time.Minute).UnixNano()
	e.m.Run(e.m.End(), func(f combinesim.Frame) { e.l.Push(f.AtNS-zero, f.ID, f.Data[:f.Len]) })
	e.events = e.l.Take(e.events)
	goesOn, ended := 0, 0
	for _, w := range of[*maintenance.Warning](e.events) {
		switch w.body.Phase {
		case maintenance.WarningStarted:
			goesOn++
			require.InDelta(t, 1000, w.ms, 1500)
		case maintenance.WarningEnded:
			ended++
			require.InDelta(t, (10 * time.Minute).Milliseconds(), w.ms, 1500)
		case maintenance.WarningUnknown:
			t.Error("told before the restart")
		}
	}
	require.Equal(t, 3, goesOn)
	require.Equal(t, 3, ended)
}

func TestACodeThatEndedWhileNobodyListened(t *testing.T) {
	c := plain(combinesim.ThinBus(), step(combinesim.Idle, 30*time.Minute))
	c.Faults.Warnings = codes(5*time.Minute, 15*time.Minute, combinesim.WhileRunning, 2)
	e := hear(t, c)
	e.until(start.Add(10 * time.Minute))
	e.restart()
	e.m.Run(start.Add(20*time.Minute), func(combinesim.Frame) {})
	got, unknown := told(t, e.all())
	require.Equal(t, 2, unknown)
	require.Len(t, got, 2)
	for _, w := range got {
		require.InDelta(t, start.Add(20*time.Minute).UnixMilli(), w.to, 1500, "ended as seen, at the first message that lacks it")
	}
}

func TestAnOldPackingIsAmbiguousUnlessTheChartNamesIt(t *testing.T) {
	// SPN 520200, FMI 5, nine occurrences, in packing 2 with its bit set (computed in the standards' notes).
	code := []byte{0x04, 0xFF, 0x01, 0xFE, 0x05, 0x89, 0xFF, 0xFF}
	hearIt := func(c *maintenance.Chart) *maintenance.Warning {
		l := listener(t, listen.Options{Chart: c})
		for i := range 4 {
			code[5] = 0x80 | byte(9+i)
			l.Push(start.UnixNano()+int64(i)*1e9, 0x18FECA00, code)
		}
		w := of[*maintenance.Warning](l.Take(nil))
		require.Len(t, w, 1, "the count is no part of which code it is")
		return w[0].body
	}
	c := chart(t)
	require.Equal(t, maintenance.Code{Ambiguous: true, Raw: [4]byte{0x01, 0xFE, 0x05, 0x80}}, hearIt(c).Code)
	c.Methods = []maintenance.ConversionDef{{Source: 0, Method: 2}}
	require.Equal(t, maintenance.Code{SPN: 520200, FMI: 5}, hearIt(c).Code)
}
