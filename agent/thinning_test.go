package agent

import (
	"crypto/rand"
	"log/slog"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"github.com/hourbell/hourbell/agent/spool"
	"github.com/hourbell/hourbell/internal/maintenance"
	"github.com/hourbell/hourbell/internal/maintenance/hours"
	"github.com/hourbell/hourbell/internal/maintenance/moment"
	"github.com/hourbell/hourbell/internal/wire"
)

// A minute of a drive comes between any two readings of a meter; warnings outlive
// both.
func TestWarningsOutliveWhatIsHeardOverAndOver(t *testing.T) {
	at := time.Date(2031, 7, 2, 6, 0, 0, 0, time.UTC)
	s, err := spool.Open(t.TempDir(), spool.Options{MaxBytes: spool.MinMaxBytes, Now: func() time.Time { return at }, Rand: rand.Reader, Log: slog.New(slog.DiscardHandler)})
	require.NoError(t, err)
	defer s.Close()
	a, warnings := &Agent{}, 0
	for minute := range 4000 {
		at = at.Add(time.Minute)
		reading := func(meter string) maintenance.Body {
			return &maintenance.Reading{Meter: meter, Shown: hours.Millis(minute) * hours.Minute, Resolution: hours.Second, Origin: maintenance.OriginBus}
		}
		bodies := []maintenance.Body{reading("engine"), reading("separator"),
			&maintenance.DriveMinute{Drive: "fan", Loaded: maintenance.Ratio{Millionths: 880_000, Load: 700_000, Samples: 60}},
			&maintenance.DriveMinute{Drive: "elevator", Loaded: maintenance.Ratio{Millionths: 720_000, Load: 700_000, Samples: 60}}}
		if minute%40 == 0 {
			warnings++
			bodies = append(bodies, &maintenance.Warning{Code: maintenance.Code{Source: 0xB2, SPN: 520431, FMI: 16}, Phase: maintenance.WarningStarted})
		}
		var events []spool.Event
		for _, b := range bodies {
			payload, err := wire.Marshal(nil, wire.Stamp{Time: moment.Instant(at.UnixMilli())}, b)
			require.NoError(t, err)
			events = append(events, spool.Event{Class: classOf(b), Key: a.keyOf(b), Payload: payload})
		}
		_, err := s.Append(t.Context(), events...)
		require.NoError(t, err)
	}
	require.Positive(t, s.Stats().ThinnedReadings)
	require.Zero(t, s.Stats().ThinnedKeeps, "of %d warnings", warnings)
	require.LessOrEqual(t, s.Stats().Bytes, int64(spool.MinMaxBytes))
}

// What a person wrote in the cab is told nowhere else until it is acknowledged.
func TestWhatPersonsWriteIsNeverDropped(t *testing.T) {
	for _, b := range []maintenance.Body{&maintenance.ServiceDone{}, &maintenance.Confirmed{}, &maintenance.Remark{}, &maintenance.RemarkWord{},
		&maintenance.Postponed{}, &maintenance.Walk{}, &maintenance.SettingsLeft{}, &maintenance.CauseFound{}, &maintenance.GunMeasured{},
		&maintenance.FieldEvent{Event: "washed", Person: "p2"}} {
		require.Equal(t, spool.Record, classOf(b), "%T", b)
	}
	require.Equal(t, spool.Keep, classOf(&maintenance.FieldEvent{Event: "rain"}), "a source's")
}
