package listen_test

import (
	"encoding/json"
	"math/big"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"github.com/hourbell/hourbell/agent/listen"
	"github.com/hourbell/hourbell/internal/combinesim"
	"github.com/hourbell/hourbell/internal/maintenance"
	"github.com/hourbell/hourbell/internal/maintenance/hours"
)

var start = time.Date(2031, 8, 1, 4, 0, 0, 0, time.UTC)

const (
	fanDriverAbove    = 400_000
	engineDriverAbove = 1_200_000
)

// chart describes the simulated machine by its own data sheet.
func chart(t testing.TB) *maintenance.Chart {
	t.Helper()
	c := &maintenance.Chart{ID: "skeldrow-sr7", Edition: 1, Meters: []maintenance.MeterDef{
		{ID: "engine", Kind: maintenance.MeterBroadcast, Group: 65253, Source: 0, SPN: 247, Resolution: 180_000},
		{ID: "separator", Kind: maintenance.MeterDerived, Signal: "rotor_speed", Above: combinesim.SeparatorAbove,
			Hold: hours.Millis(combinesim.SeparatorHold.Milliseconds()), Resolution: 1000},
		{ID: "header", Kind: maintenance.MeterDerived, Signal: "header_shaft", Above: combinesim.HeaderAbove,
			Hold: hours.Millis(combinesim.HeaderHold.Milliseconds()), Resolution: 1000},
	}}
	for _, l := range combinesim.Layouts() {
		if l.Bits == 32 {
			continue // the hour meters
		}
		scale, offset := decimal(t, l.Scale), decimal(t, l.Offset)
		c.Signals = append(c.Signals, maintenance.SignalDef{ID: l.Name, Group: l.Group, Source: int16(l.Source), Byte: uint16(l.Byte), Bit: uint8(l.Bit),
			Bits: uint8(l.Bits), Unit: l.Unit, ScaleNum: scale.Num().Int64(), ScaleDen: scale.Denom().Int64(),
			OffsetNum: offset.Num().Int64(), OffsetDen: offset.Denom().Int64()})
	}
	for _, d := range combinesim.Drives() {
		above := int64(fanDriverAbove)
		if d.Driver == combinesim.EngineSpeed {
			above = engineDriverAbove
		}
		c.Drives = append(c.Drives, maintenance.DriveDef{ID: d.Name, Driver: d.Driver.String(), Driven: d.Driven.String(), Load: "crop_feed",
			RatioMicro: uint32(d.RatioPPM), LoadedAbove: 20_000, DriverAbove: above})
	}
	return c
}

func decimal(t testing.TB, s string) *big.Rat {
	t.Helper()
	r, ok := new(big.Rat).SetString(s)
	require.True(t, ok, s)
	return r
}

// plain is a machine with a program of its own.
func plain(rates combinesim.Rates, p ...combinesim.ProgramStep) combinesim.Config {
	return combinesim.Config{Name: "test", Seed: 7, Start: start, Identity: combinesim.NewIdentity(41), Rates: rates, Program: p,
		Meters: combinesim.Meters{Engine: 2000*combinesim.Hour + 100_000, Vehicle: 2300 * combinesim.Hour, PTO: -1, Separator: 1300 * combinesim.Hour}}
}

func step(do combinesim.Activity, d time.Duration) combinesim.ProgramStep {
	return combinesim.ProgramStep{Do: do, For: d}
}

func machine(t testing.TB, c combinesim.Config) *combinesim.Machine {
	t.Helper()
	m, err := combinesim.New(c)
	require.NoError(t, err)
	return m
}

func listener(t testing.TB, opts listen.Options) *listen.Listener {
	t.Helper()
	l, err := listen.New(opts)
	require.NoError(t, err)
	return l
}

// ear hears a machine with whichever listener is at it.
type ear struct {
	t      testing.TB
	l      *listen.Listener
	m      *combinesim.Machine
	events []listen.Event
}

func hear(t testing.TB, c combinesim.Config) *ear {
	e := &ear{t: t, l: listener(t, listen.Options{Chart: chart(t)}), m: machine(t, c)}
	for _, id := range []string{"separator", "header"} {
		require.True(t, e.l.SetDerived(id, hours.Millis(c.Meters.Separator)))
	}
	return e
}

// until hears up to an instant, in pieces as an agent does.
func (e *ear) until(at time.Time) {
	e.m.Run(at, func(f combinesim.Frame) {
		e.l.Push(f.AtNS, f.ID, f.Data[:f.Len])
	})
	e.events = e.l.Take(e.events)
}

// all hears the rest and closes.
func (e *ear) all() []listen.Event {
	e.until(e.m.End())
	e.l.Close(e.m.End().UnixNano())
	e.events = e.l.Take(e.events)
	return e.events
}

// restart puts another listener there, from what the first remembered on disk.
func (e *ear) restart() {
	b, err := json.Marshal(e.l.State())
	require.NoError(e.t, err)
	var s listen.State
	require.NoError(e.t, json.Unmarshal(b, &s))
	e.l = listener(e.t, listen.Options{Chart: chart(e.t), State: &s})
	e.events = e.l.Take(e.events)
}

type at[T any] struct {
	ms   int64
	body T
}

// of gives the events of one kind.
func of[T maintenance.Body](events []listen.Event) (out []at[T]) {
	for _, e := range events {
		if b, ok := e.Body.(T); ok {
			out = append(out, at[T]{e.AtMs, b})
		}
	}
	return out
}

// readings gives those of one meter.
func readings(events []listen.Event, meter string) (out []at[*maintenance.Reading]) {
	for _, r := range of[*maintenance.Reading](events) {
		if r.body.Meter == meter {
			out = append(out, r)
		}
	}
	return out
}

func story(t testing.TB, part combinesim.Part) combinesim.Story {
	t.Helper()
	for _, s := range combinesim.Crew(start, 3) {
		if s.Part == part {
			return s
		}
	}
	t.Fatalf("no story %d", part)
	return combinesim.Story{}
}
