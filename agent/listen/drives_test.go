package listen_test

import (
	"math"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"github.com/hourbell/hourbell/internal/combinesim"
	"github.com/hourbell/hourbell/internal/maintenance"
)

type sum struct{ weight, ratio float64 }

func (s *sum) add(n, ratio float64) { s.weight += n; s.ratio += n * ratio }
func (s *sum) mean() float64        { return s.ratio / s.weight }

func TestDriveRatiosWithAndWithoutLoad(t *testing.T) {
	c := plain(combinesim.RealBus(), step(combinesim.Idle, time.Minute), combinesim.ProgramStep{Do: combinesim.Thresh, For: 40 * time.Minute,
		Load: combinesim.Load{MeanPct: 80, NoisePct: 8, RowFor: 3 * time.Minute, TurnFor: 40 * time.Second}})
	c.Faults.Slipping = []combinesim.SlippingDrive{{Drive: combinesim.FanDrive, From: 10 * time.Minute, StartPPM: 30_000, RatePPM: 20_000}}
	e := hear(t, c)
	got := of[*maintenance.DriveMinute](e.all())
	truth := e.m.Truth()
	for _, d := range combinesim.Drives() {
		if d.Drive != combinesim.FanDrive && d.Drive != combinesim.ElevatorDrive {
			continue // the clutch slips while it goes in, which no ratio of two speeds can tell
		}
		var loaded, empty, wantLoaded, wantEmpty sum
		for _, m := range truth.Drives {
			if m.Drive == d.Drive {
				wantLoaded.add(float64(m.Loaded.DriverSum), float64(m.Loaded.RatioPPM()))
				wantEmpty.add(float64(m.Unloaded.DriverSum), float64(m.Unloaded.RatioPPM()))
			}
		}
		last := int64(0)
		for _, m := range got {
			if m.body.Drive != d.Name {
				continue
			}
			require.True(t, last == 0 || m.ms-last == 60_000 || m.ms == e.m.End().UnixMilli(), "one a minute, on the minute")
			last = m.ms
			loaded.add(float64(m.body.Loaded.Samples), float64(m.body.Loaded.Millionths))
			empty.add(float64(m.body.Empty.Samples), float64(m.body.Empty.Millionths))
			if m.body.Loaded.Samples > 0 {
				require.InDelta(t, 800_000, m.body.Loaded.Load, 250_000, "millionths of full")
			}
		}
		require.Greater(t, loaded.weight, 10_000.0)
		require.Greater(t, empty.weight, 2_000.0)
		require.InEpsilon(t, wantLoaded.mean(), loaded.mean(), 0.001, "%s under load", d.Name)
		require.InEpsilon(t, wantEmpty.mean(), empty.mean(), 0.001, "%s without", d.Name)
		if d.Drive == combinesim.FanDrive {
			require.Greater(t, empty.mean()-loaded.mean(), 10_000.0, "it slips under load only")
		}
	}
}

func TestADriveMinuteIsTheMinutes(t *testing.T) {
	c := plain(combinesim.RealBus(), step(combinesim.Idle, time.Minute), combinesim.ProgramStep{Do: combinesim.Thresh, For: 20 * time.Minute,
		Load: combinesim.Load{MeanPct: 80, NoisePct: 8}})
	c.Faults.Slipping = []combinesim.SlippingDrive{{Drive: combinesim.FanDrive, From: 2 * time.Minute, StartPPM: 10_000, RatePPM: 300_000}}
	e := hear(t, c)
	want := map[int64]combinesim.DriveMinute{}
	got := of[*maintenance.DriveMinute](e.all())
	for _, m := range e.m.Truth().Drives {
		if m.Drive == combinesim.FanDrive {
			want[m.MinuteNS/1e6] = m
		}
	}
	held := 0
	for _, m := range got {
		w, ok := want[m.ms-60_000]
		if m.body.Drive != combinesim.FanDrive.String() || m.body.Loaded.Samples < 500 || !ok {
			continue
		}
		held++
		require.InEpsilon(t, float64(w.Loaded.RatioPPM()), float64(m.body.Loaded.Millionths), 0.001)
	}
	require.Greater(t, held, 15)
}

func TestASensorThatIsMissingIsCountedAsMissing(t *testing.T) {
	c := plain(combinesim.ThinBus(), step(combinesim.Idle, time.Minute), step(combinesim.Thresh, 20*time.Minute))
	c.Faults.Missing = []combinesim.SensorMissing{{Signal: combinesim.FanSpeed, From: 5*time.Minute + 30*time.Second, To: 8*time.Minute + 30*time.Second, Error: true}}
	e := hear(t, c)
	missing := 0
	for _, m := range of[*maintenance.DriveMinute](e.all()) {
		if m.body.Drive == combinesim.FanDrive.String() {
			missing += int(m.body.Missing)
			require.Less(t, m.body.Loaded.Millionths, uint32(2_000_000))
		}
	}
	// Of the minutes with no sample at all nothing is told, two in the middle.
	require.InDelta(t, 60, missing, 3)
}

func TestLatestValuesAreToldWhenTheyChanged(t *testing.T) {
	e := hear(t, plain(combinesim.ThinBus(), step(combinesim.Idle, 31*time.Minute)))
	e.until(start.Add(10 * time.Minute))
	speed := e.m.Value(combinesim.EngineSpeed)
	got := of[*maintenance.BusValues](e.all())
	require.Len(t, got, 3)
	first := map[string]maintenance.BusValue{}
	for _, v := range got[0].body.Values {
		first[v.Signal] = v
	}
	require.Equal(t, maintenance.ValueOK, first["engine_speed"].State)
	require.InDelta(t, speed, first["engine_speed"].Milli, 60_000)
	require.Contains(t, first, "road_mode")
	for _, later := range got[1:] {
		for _, v := range later.body.Values {
			require.NotEqual(t, "road_mode", v.Signal, "it did not change")
		}
	}
}

func TestValuesOfAnySizeOverflowNothing(t *testing.T) {
	c := chart(t)
	for i := range c.Signals {
		if c.Signals[i].ID == "fan_shaft" || c.Signals[i].ID == "fan_speed" {
			c.Signals[i].Bits, c.Signals[i].Byte, c.Signals[i].ScaleNum, c.Signals[i].ScaleDen = 64, 1, 1<<40, 1
		}
	}
	e := &ear{t: t, m: machine(t, plain(combinesim.ThinBus(), step(combinesim.Thresh, 2*time.Minute)))}
	e.l = listener(t, listenOptions(c))
	e.until(e.m.End())
	for i := range 4000 {
		e.l.Push(e.m.End().UnixNano()+int64(i)*1e6, 0x18FF62B2, []byte{0xFF, 0xFF, 0xFF, 0xFF, 0xFF, 0xFF, 0xFF, 0x7F})
	}
	e.l.Close(e.m.End().Add(time.Minute).UnixNano())
	for _, m := range of[*maintenance.DriveMinute](e.l.Take(nil)) {
		require.LessOrEqual(t, m.body.Loaded.Millionths, uint32(math.MaxUint32))
		require.NotEqual(t, combinesim.FanDrive.String(), m.body.Drive)
	}
}
