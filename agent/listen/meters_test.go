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

// truthRaw is what the meter showed at an instant by the simulated world, in
// steps of 0.05 h.
func truthRaw(truth *combinesim.Truth, begun int64, at time.Time) uint32 {
	return uint32((begun + truth.EngineAt(at)) / combinesim.MeterStep)
}

func TestEngineHoursAreTheMetersOwn(t *testing.T) {
	c := story(t, combinesim.Ordinary).Machine
	e := hear(t, c)
	got := readings(e.all(), "engine")
	truth := e.m.Truth()
	require.Greater(t, len(got), 500, "one a minute while the engine runs")
	for i, r := range got {
		require.Equal(t, maintenance.OriginBus, r.body.Origin)
		require.Equal(t, hours.Millis(combinesim.MeterStep), r.body.Resolution)
		require.Zero(t, int64(r.body.Shown)%combinesim.MeterStep)
		raw, when := uint32(int64(r.body.Shown)/combinesim.MeterStep), time.UnixMilli(r.ms)
		// A frame waits its turn on the bus for less than a step or two.
		low, high := truthRaw(&truth, c.Meters.Engine, when.Add(-2*combinesim.Step)), truthRaw(&truth, c.Meters.Engine, when.Add(combinesim.Step))
		require.True(t, raw >= low && raw <= high, "reading %d at %v: %d, the meter showed %d to %d", i, when, raw, low, high)
		if i > 0 {
			require.LessOrEqual(t, r.ms-got[i-1].ms, int64(60*60*1000))
		}
	}
	require.Equal(t, truth.EngineRaw, uint32(int64(got[len(got)-1].body.Shown)/combinesim.MeterStep), "the last one is told when the engine stops")
}

func TestAMeterIsToldOnceAMinute(t *testing.T) {
	e := hear(t, plain(combinesim.ThinBus(), step(combinesim.Idle, time.Hour), step(combinesim.KeyOn, time.Hour)))
	e.until(start.Add(time.Hour))
	require.InDelta(t, 60, len(readings(e.events, "engine")), 2)
	e.events = nil
	require.InDelta(t, 4, len(readings(e.all(), "engine")), 1, "standing: one a quarter of an hour")
}

func TestAReplacedMeterAndAGlitchFlowThrough(t *testing.T) {
	c := plain(combinesim.ThinBus(), step(combinesim.Idle, 2*time.Hour))
	c.Faults.Replaced = []combinesim.MeterReplaced{{At: time.Hour, NewMS: 15 * combinesim.Hour / 100}}
	c.Faults.Glitches = []combinesim.MeterGlitch{{At: 20 * time.Minute, For: 3 * time.Minute, JumpMS: 37 * combinesim.Hour}}
	e := hear(t, c)
	got := readings(e.all(), "engine")
	low, high, life2 := 0, 0, 0
	for _, r := range got {
		since := time.UnixMilli(r.ms).Sub(start)
		switch raw := int64(r.body.Shown); {
		case raw > 2030*combinesim.Hour:
			high++
			require.True(t, since >= 20*time.Minute && since <= 23*time.Minute+time.Second, "%v", since)
		case raw > 1000*combinesim.Hour:
			low++
			require.Less(t, since, time.Hour)
		default:
			life2++
			require.GreaterOrEqual(t, since, time.Hour)
			require.GreaterOrEqual(t, raw, int64(15*combinesim.Hour/100))
		}
	}
	require.InDelta(t, 3, high, 1)
	require.InDelta(t, 57, low, 2)
	require.InDelta(t, 60, life2, 2)
}

// tolerance is what sampling may cost: a sample interval at each end of a spell,
// and whole spells whose length is that close to the hold.
func tolerance(a combinesim.Above, hold, sample time.Duration) time.Duration {
	tol := time.Duration(0)
	for _, s := range a.Spells {
		tol += 2 * sample
		if d := time.Duration(s.ToNS - s.FromNS); d < hold+2*sample {
			tol += d
		}
	}
	return tol
}

func TestDerivedHoursFollowTheShaft(t *testing.T) {
	for name, tc := range map[string]struct {
		config combinesim.Config
		sample time.Duration
	}{
		"a whole shift, thin bus":    {story(t, combinesim.Ordinary).Machine, time.Second},
		"plugged, thin bus":          {story(t, combinesim.ComesAndGoes).Machine, time.Second},
		"short spells, real bus":     {plain(combinesim.RealBus(), spells()...), 100 * time.Millisecond},
		"short spells, thinnest bus": {plain(combinesim.ThinBus(), spells()...), time.Second},
	} {
		t.Run(name, func(t *testing.T) {
			e := hear(t, tc.config)
			events := e.all()
			truth := e.m.Truth()
			for meter, above := range map[string]combinesim.Above{"separator": truth.Separator, "header": truth.Header} {
				hold := time.Duration(above.HoldMS) * time.Millisecond
				tol := tolerance(above, hold, tc.sample)
				shown, known := e.l.Derived(meter)
				require.True(t, known)
				require.InDelta(t, tc.config.Meters.Separator+above.MS(), int64(shown), float64(tol.Milliseconds()), "%s, %d spells", meter, len(above.Spells))
				got := readings(events, meter)
				require.Equal(t, shown, got[len(got)-1].body.Shown, "the last reading tells it all")
				for i := 1; i < len(got); i++ {
					rose := got[i].body.Shown - got[i-1].body.Shown
					require.GreaterOrEqual(t, rose, hours.Millis(0))
					// A spell counts from its start once the hold is over.
					require.LessOrEqual(t, int64(rose), got[i].ms-got[i-1].ms+above.HoldMS+1)
				}
			}
		})
	}
}

// spells are many short ones, with other things between.
func spells() (p []combinesim.ProgramStep) {
	for i := range 12 {
		p = append(p, step(combinesim.Idle, 20*time.Second), step(combinesim.Thresh, time.Duration(8+3*i)*time.Second))
	}
	return append(p, step(combinesim.Idle, time.Minute))
}

func TestNothingIsInventedOverAGap(t *testing.T) {
	c := plain(combinesim.ThinBus(), step(combinesim.Idle, time.Minute), step(combinesim.Thresh, 3*time.Hour), step(combinesim.Idle, time.Minute))
	c.Faults.Silences = []combinesim.Silence{{From: 30 * time.Minute, To: 90 * time.Minute}, {From: 2 * time.Hour, To: 2*time.Hour + 5*time.Second}}
	e := hear(t, c)
	e.all()
	truth := e.m.Truth()
	shown, _ := e.l.Derived("separator")
	counted := int64(shown) - c.Meters.Separator
	require.Len(t, truth.Separator.Spells, 1)
	heard := truth.Separator.MS() - (time.Hour + 5*time.Second).Milliseconds()
	require.LessOrEqual(t, counted, heard+1000, "no more than was heard")
	require.GreaterOrEqual(t, counted, heard-6000, "and no less, but for a sample at each edge")
}

func TestASensorThatSaysNothingCountsNothing(t *testing.T) {
	c := plain(combinesim.ThinBus(), step(combinesim.Idle, time.Minute), step(combinesim.Thresh, time.Hour))
	c.Faults.Missing = []combinesim.SensorMissing{
		{Signal: combinesim.RotorSpeed, From: 10 * time.Minute, To: 20 * time.Minute},
		{Signal: combinesim.RotorSpeed, From: 30 * time.Minute, To: 40 * time.Minute, Error: true},
		{Signal: combinesim.EngineHours, From: 10 * time.Minute, To: 20 * time.Minute},
	}
	e := hear(t, c)
	events := e.all()
	truth := e.m.Truth()
	shown, _ := e.l.Derived("separator")
	require.InDelta(t, truth.Separator.MS()-(20*time.Minute).Milliseconds(), int64(shown)-c.Meters.Separator, 6000)
	for _, r := range readings(events, "engine") {
		since := time.UnixMilli(r.ms).Sub(start)
		require.False(t, since > 10*time.Minute+combinesim.Step && since < 20*time.Minute, "a reading at %v of a meter that said nothing", since)
	}
}

func TestASwappedBoxGoesOnFromTheLastKnown(t *testing.T) {
	c := plain(combinesim.ThinBus(), step(combinesim.Idle, time.Minute), step(combinesim.Thresh, time.Hour))
	e := &ear{t: t, l: listener(t, listen.Options{Chart: chart(t)}), m: machine(t, c)}
	e.until(start.Add(31 * time.Minute))
	require.Empty(t, readings(e.events, "separator"), "without a start it would not be absolute")
	before, known := e.l.Derived("separator")
	require.False(t, known)
	require.InDelta(t, (30 * time.Minute).Milliseconds(), int64(before), 30_000)

	require.False(t, e.l.SetDerived("cutterbar", 1), "the chart has no such meter")
	require.True(t, e.l.SetDerived("separator", hours.Millis(900*combinesim.Hour)))
	after, known := e.l.Derived("separator")
	require.True(t, known)
	require.Equal(t, 900*hours.Hour+before, after, "what was counted since goes on top")

	require.True(t, e.l.SetDerived("separator", 950*hours.Hour), "the display says otherwise")
	after, _ = e.l.Derived("separator")
	require.Equal(t, 950*hours.Hour, after)
	e.restart()
	after, known = e.l.Derived("separator")
	require.True(t, known)
	require.Equal(t, 950*hours.Hour, after)
	e.all()
	got := readings(e.events, "separator")
	require.InDelta(t, int64(950*hours.Hour)+(30*time.Minute).Milliseconds(), int64(got[len(got)-1].body.Shown), 10_000)
}

func TestTwoThatSpeakInTurnsAreNotToldForEver(t *testing.T) {
	c := chart(t)
	c.Meters[0].Source = maintenance.AnySource
	l := listener(t, listen.Options{Chart: c})
	frames := [][]byte{{0x72, 0x60, 0, 0, 0xFF, 0xFF, 0xFF, 0xFF}, {0x10, 0, 0, 0, 0xFF, 0xFF, 0xFF, 0xFF}}
	at := start.UnixNano()
	for i := range 36_000 {
		l.Push(at+int64(i)*int64(100*time.Millisecond), 0x18FEE500+uint32(i%2), frames[i%2])
	}
	require.LessOrEqual(t, len(readings(l.Take(nil), "engine")), 361, "an hour: one in ten seconds at most")
}

func TestAReadingOffTheDisplayCountsFromItsOwnTime(t *testing.T) {
	c := plain(combinesim.ThinBus(), step(combinesim.Idle, time.Minute), step(combinesim.Thresh, 2*time.Hour), step(combinesim.Idle, 30*time.Minute),
		step(combinesim.Thresh, time.Hour))
	for at, since := range map[time.Duration]time.Duration{ // of running until 3:20
		30 * time.Second:             169 * time.Minute,
		61 * time.Minute:             109 * time.Minute,
		2*time.Hour + 20*time.Minute: 49 * time.Minute,
		3*time.Hour + 20*time.Minute: 0,
		3*time.Hour + 25*time.Minute: 0,
	} {
		e := hear(t, c)
		e.until(start.Add(3*time.Hour + 20*time.Minute))
		require.True(t, e.l.SetDerivedAt("separator", 512*hours.Hour, start.Add(at).UnixNano()))
		got, _ := e.l.Derived("separator")
		require.InDelta(t, (512*time.Hour + since).Milliseconds(), int64(got), 62_000, "read off at %v", at)
	}
	require.False(t, hear(t, c).l.SetDerivedAt("cutterbar", 1, 0))
}
