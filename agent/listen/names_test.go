package listen_test

import (
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"github.com/hourbell/hourbell/agent/listen"
	"github.com/hourbell/hourbell/internal/combinesim"
	"github.com/hourbell/hourbell/internal/maintenance"
	"github.com/hourbell/hourbell/internal/maintenance/hours"
)

func listenOptions(c *maintenance.Chart) listen.Options { return listen.Options{Chart: c} }

func names(events []listen.Event) (out []*maintenance.BusNames) {
	for _, n := range of[*maintenance.BusNames](events) {
		out = append(out, n.body)
	}
	return out
}

func namesOf(id combinesim.Identity) *maintenance.BusNames {
	return &maintenance.BusNames{Vehicle: id.VIN, Engine: id.EngineComponent.Serial, Confidence: 3, Claims: []maintenance.BusName{
		{Source: combinesim.EngineSource, Name: id.Engine.Bits()}, {Source: combinesim.ThresherSource, Name: id.Thresher.Bits()},
		{Source: combinesim.HeaderSource, Name: id.Header.Bits()}}}
}

func TestNamesAreToldOnce(t *testing.T) {
	c := plain(combinesim.ThinBus(), step(combinesim.Idle, 10*time.Minute), step(combinesim.Off, 10*time.Minute), step(combinesim.Idle, 10*time.Minute))
	e := hear(t, c)
	require.Equal(t, []*maintenance.BusNames{namesOf(c.Identity)}, names(e.all()))
}

func TestABoxMovedToAnotherMachineIsTold(t *testing.T) {
	other := combinesim.NewIdentity(77)
	c := plain(combinesim.ThinBus(), step(combinesim.Idle, 20*time.Minute), step(combinesim.Off, 10*time.Minute), step(combinesim.Idle, 20*time.Minute))
	c.Faults.Moved = &combinesim.BoxMoved{At: 25 * time.Minute, Gap: time.Minute, Identity: other, Meters: combinesim.Meters{Engine: 500 * combinesim.Hour, PTO: -1}}
	e := hear(t, c)
	e.until(start.Add(22 * time.Minute))
	e.restart()
	require.Equal(t, []*maintenance.BusNames{namesOf(c.Identity), namesOf(other)}, names(e.all()), "and of the former one's names nothing is left")
	named, read := "", 0
	for _, ev := range e.events {
		switch b := ev.Body.(type) {
		case *maintenance.BusNames:
			named = b.Vehicle
		case *maintenance.Reading:
			if b.Meter == "engine" && b.Shown < hours.Millis(1000*combinesim.Hour) {
				require.Equal(t, other.VIN, named, "in another machine its hours come after its name")
				read++
			}
		}
	}
	require.Greater(t, read, 10)
}

func TestAShortRecordingWithNamesHasItsHours(t *testing.T) {
	for _, d := range []time.Duration{3 * time.Second, 8 * time.Second, 40 * time.Second} {
		e := hear(t, plain(combinesim.ThinBus(), step(combinesim.Idle, d)))
		events := e.all()
		require.Len(t, names(events), 1)
		require.NotEmpty(t, readings(events, "engine"), "%v", d)
	}
}

// A bus on which names never settle is not silent for it.
func TestNamesThatChangeForEverHoldNoHoursUp(t *testing.T) {
	l := listener(t, listen.Options{Chart: chart(t)})
	for i := range 120 {
		at := start.UnixNano() + int64(i)*int64(time.Second)
		say(l, at, 65260, combinesim.ThresherSource, vin("ZZ0SKELDRW7000"+string(rune('A'+i%26))+"1"))
		l.Push(at+5e8, 0x18FEE500, []byte{0x72, 0x60, 0, 0, 0xFF, 0xFF, 0xFF, 0xFF})
	}
	require.NotEmpty(t, readings(l.Take(nil), "engine"))
}

func TestNamesHeardJustBeforeAnotherChartAreKept(t *testing.T) {
	c := plain(combinesim.ThinBus(), step(combinesim.Idle, 10*time.Minute))
	c.Faults.Warnings = codes(time.Minute, 5*time.Minute, combinesim.WhileRunning, 2)
	e := &ear{t: t, l: listener(t, listen.Options{}), m: machine(t, c)}
	e.until(start.Add(4 * time.Second))
	l, err := e.l.Switch(chart(t))
	require.NoError(t, err)
	e.l = l
	e.until(start.Add(2 * time.Minute))
	broken := chart(t)
	broken.Signals[0].Bits = 77
	_, err = e.l.Switch(broken)
	require.ErrorContains(t, err, "skeldrow-sr7")
	l, err = e.l.Switch(chart(t))
	require.NoError(t, err)
	e.l = l
	e.all()
	require.Equal(t, []*maintenance.BusNames{namesOf(c.Identity)}, names(e.events))
	got, unknown := told(t, e.events)
	truth := e.m.Truth()
	same(t, &truth, got)
	require.Zero(t, unknown)
	require.Len(t, of[*maintenance.Engine](e.events), 1, "it runs to the end")
	require.Len(t, of[*maintenance.Listened](e.events), 1)
}

func vin(text string) []byte { return append([]byte(text), '*') }

// say sends a message of up to 8 bytes at once, a longer one as a broadcast.
func say(l *listen.Listener, at int64, group uint32, source byte, b []byte) int64 {
	if len(b) <= 8 {
		l.Push(at, 0x18000000|group<<8|uint32(source), b)
		return at + 1e6
	}
	packets := (len(b) + 6) / 7
	l.Push(at, 0x18ECFF00|uint32(source), []byte{0x20, byte(len(b)), byte(len(b) >> 8), byte(packets), 0xFF, byte(group), byte(group >> 8), byte(group >> 16)})
	for i := range packets {
		at += 60e6
		d := []byte{byte(i + 1), 0xFF, 0xFF, 0xFF, 0xFF, 0xFF, 0xFF, 0xFF}
		copy(d[1:], b[7*i:])
		l.Push(at, 0x18EBFF00|uint32(source), d)
	}
	return at + 1e6
}

func TestControllersThatDifferMoveNothing(t *testing.T) {
	l := listener(t, listen.Options{})
	at := start.UnixNano()
	for range 30 {
		at = say(l, at, 65260, 0x0B, vin("ZZ9TESTMACH000042"))
		at = say(l, at, 65260, 0x31, vin("ZZ9TESTMACH000007"))
		at = say(l, at, 65260, 0x00, vin("00000000000000000"))
		at = say(l, at, 65260, 0x05, []byte("\xff\xff\xff\xff\xff\xff\xff\xff\xff\xff\xff\xff\xff\xff\xff\xff\xff*"))
		at += 1e9
	}
	got := names(l.Take(nil))
	require.Len(t, got, 1)
	require.Equal(t, "ZZ9TESTMACH000042", got[0].Vehicle, "the lowest source that says something")
	// After the key the other one speaks first, and alone for a while.
	at += 60e9
	at = say(l, at, 65260, 0x31, vin("ZZ9TESTMACH000007"))
	at = say(l, at, 65260, 0x0B, vin("ZZ9TESTMACH000042"))
	for range 60 {
		l.Tick(at)
		at += 1e9
	}
	require.Empty(t, names(l.Take(nil)))
}
