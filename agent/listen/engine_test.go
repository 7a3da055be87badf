package listen_test

import (
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"github.com/hourbell/hourbell/agent/listen"
	"github.com/hourbell/hourbell/internal/combinesim"
	"github.com/hourbell/hourbell/internal/maintenance"
)

func TestEngineStartsAndStops(t *testing.T) {
	for _, part := range []combinesim.Part{combinesim.Ordinary, combinesim.ComesAndGoes} {
		e := hear(t, story(t, part).Machine)
		got := of[*maintenance.Engine](e.all())
		truth := e.m.Truth()
		require.Len(t, got, 2*len(truth.Running))
		for i, s := range truth.Running {
			on, off := got[2*i], got[2*i+1]
			require.True(t, on.body.Running && !off.body.Running)
			require.InDelta(t, s.FromNS/1e6, on.ms, 2500)
			require.InDelta(t, s.ToNS/1e6, off.ms, 5000, "a bus that falls silent with the engine tells its last speed")
		}
	}
}

func TestABusThatFellSilentStoppedTheEngine(t *testing.T) {
	c := plain(combinesim.ThinBus(), step(combinesim.Idle, time.Hour))
	c.Faults.Silences = []combinesim.Silence{{From: 20 * time.Minute, To: 40 * time.Minute}}
	e := hear(t, c)
	got := of[*maintenance.Engine](e.all())
	require.Len(t, got, 3)
	require.False(t, got[1].body.Running)
	require.InDelta(t, start.Add(20*time.Minute).UnixMilli(), got[1].ms, 1100)
	require.True(t, got[2].body.Running)
	require.InDelta(t, start.Add(40*time.Minute).UnixMilli(), got[2].ms, 2100)
}

func TestAnEngineThatStoppedWhileNobodyListened(t *testing.T) {
	e := hear(t, plain(combinesim.ThinBus(), step(combinesim.Idle, 10*time.Minute)))
	e.until(start.Add(9 * time.Minute))
	e.restart()
	e.events = nil
	for s := range int64(20) {
		e.l.Tick(s * 1e9)
	}
	got := of[*maintenance.Engine](e.l.Take(nil))
	require.Len(t, got, 1)
	require.False(t, got[0].body.Running)
	require.Zero(t, got[0].ms)
}

func speed(rpm int) []byte {
	raw := rpm * 8
	return []byte{0xFF, 0xFF, 0xFF, byte(raw), byte(raw >> 8), 0xFF, 0xFF, 0xFF}
}

func TestAStarterThatGivesUpIsNoStart(t *testing.T) {
	l := listener(t, listen.Options{})
	at := start.UnixNano()
	for i, rpm := range []int{0, 260, 180, 0, 260, 180, 190, 180, 260, 0} {
		l.Push(at+int64(i)*4e8, 0x0CF00400, speed(rpm))
	}
	require.Empty(t, of[*maintenance.Engine](l.Take(nil)))
	// An hour later the first speed is no word on the hour.
	l.Push(at+10*4e8, 0x0CF00400, speed(300))
	l.Push(at+3600e9, 0x0CF00400, speed(700))
	l.Push(at+3601e9, 0x0CF00400, speed(700))
	got := of[*maintenance.Engine](l.Take(nil))
	require.Len(t, got, 1)
	require.Equal(t, (at+3600e9)/1e6, got[0].ms)
}

func TestSpansListenedAreTheBusAlive(t *testing.T) {
	for name, c := range map[string]combinesim.Config{
		"a shift": story(t, combinesim.Ordinary).Machine,
		"full":    plain(combinesim.FullBus(), step(combinesim.Idle, 45*time.Second), step(combinesim.Off, 20*time.Second), step(combinesim.Idle, 30*time.Second)),
	} {
		t.Run(name, func(t *testing.T) {
			e := hear(t, c)
			got := of[*maintenance.Listened](e.all())
			truth := e.m.Truth()
			var alive, heard int64
			for _, s := range truth.BusAlive {
				alive += s.MS()
			}
			var frames uint64
			for i, l := range got {
				require.Equal(t, int64(l.body.To), l.ms)
				require.Greater(t, l.body.To, l.body.From)
				require.True(t, i == 0 || l.body.From >= got[i-1].body.To, "spans don't overlap")
				heard += int64(l.body.To - l.body.From)
				frames += l.body.Frames
			}
			require.InDelta(t, alive, heard, float64(1100*len(truth.BusAlive)), "up to a message's interval at the end of each")
			require.Equal(t, uint64(truth.Frames), frames)
		})
	}
}

func TestLostFramesAreInASpan(t *testing.T) {
	e := hear(t, plain(combinesim.ThinBus(), step(combinesim.Idle, time.Minute)))
	e.until(start.Add(30 * time.Second))
	e.l.Lost(17)
	got := of[*maintenance.Listened](e.all())
	require.Len(t, got, 1)
	require.Equal(t, uint64(17), got[0].body.Lost)
}
