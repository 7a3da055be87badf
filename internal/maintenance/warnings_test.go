package maintenance

import (
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"github.com/hourbell/hourbell/internal/maintenance/hours"
	"github.com/hourbell/hourbell/internal/maintenance/moment"
)

func TestWarnings(t *testing.T) {
	w := newWorld(t, heronChart())
	code := Code{Source: 3, SPN: 520200, FMI: 5}
	say := func(at string, phase WarningPhase, c Code) []Effect {
		return w.fromBox('a', after(at), &Warning{Code: c, Phase: phase, Occurrences: 4, Lamps: 4})
	}
	fx := say("1", WarningStarted, code)
	assert.Equal(t, []Effect{{Kind: EffectWarning, Index: 0, Why: "started"}}, fx)
	fx = say("2", WarningUnknown, code)
	assert.Equal(t, "out of sight", fx[0].Why)
	assert.Equal(t, after("2"), w.s.Warnings[0].Unknown)
	say("2.5", WarningUnknown, code)
	assert.Equal(t, after("2"), w.s.Warnings[0].Unknown, "since it was first lost")
	fx = say("3", WarningStarted, code)
	assert.Equal(t, "goes on", fx[0].Why)
	assert.Equal(t, []ActiveWarning{{Code: code, Started: moment.At(after("1")), Lamps: 4, Occurrences: 4}}, w.s.Warnings)
	assert.EqualValues(t, 1, w.s.Counts[0].Starts, "the same warning")

	fx = say("4", WarningEnded, code)
	assert.Equal(t, []Effect{{Kind: EffectWarning, Index: -1, Why: "ended"}}, fx)
	assert.Empty(t, w.s.Warnings)
	assert.Equal(t, []EffectKind{EffectIgnored}, kinds(say("5", WarningEnded, code)))
	say("6", WarningStarted, code)
	assert.EqualValues(t, 2, w.s.Counts[0].Starts)
	assert.Equal(t, after("6"), w.s.Counts[0].Last)

	// Another FMI, another source and another controller are other codes; a name
	// that becomes known, or other lamps, are not.
	for _, c := range []Code{{Source: 3, SPN: 520200, FMI: 4}, {Source: 4, SPN: 520200, FMI: 5}} {
		say("7", WarningStarted, c)
	}
	assert.Len(t, w.s.Warnings, 3)
	named := code
	named.Name = 0xA00E810010612240
	say("8", WarningStarted, named)
	assert.Len(t, w.s.Warnings, 3)
	assert.Equal(t, named.Name, w.s.Warnings[0].Code.Name)
	moved := named
	moved.Source = 9 // the same controller under another address
	say("9", WarningEnded, moved)
	assert.Len(t, w.s.Warnings, 2)
}

func TestWarningsAreBounded(t *testing.T) {
	w := newWorld(t, heronChart())
	for i := range 300 {
		w.fromBox('a', after("1"), &Warning{Code: Code{SPN: uint32(i)}, Phase: WarningStarted})
	}
	assert.Len(t, w.s.Warnings, WarningsKept)
	assert.Len(t, w.s.Counts, CountsKept)
	assert.EqualValues(t, 300-WarningsKept, w.s.WarningsOver)
	assert.EqualValues(t, 300-CountsKept, w.s.CountsOver)
}

func TestListenedCountsOverlapsOnce(t *testing.T) {
	w := newWorld(t, heronChart())
	w.day(1)
	hear := func(b byte, from, to string) {
		w.fromBox(b, after(to), &Listened{From: after(from), To: after(to), Frames: 10, Lost: 1})
	}
	hear('a', "1", "2")
	hear('a', "2", "3")
	hear('b', "1.5", "2.5") // within
	hear('b', "0.5", "1.5") // before, late, half of it new
	hear('a', "23", "25")   // over the day's turn
	hear('b', "2.5", "24")  // from one to the other
	hc := w.s.Heard
	assert.Equal(t, h("24.5"), hc.Total)
	assert.Equal(t, []HeardSpan{{after("0.5"), after("25")}}, hc.Spans)
	assert.EqualValues(t, 60, hc.Frames)
	assert.EqualValues(t, 6, hc.Lost)
	assert.Equal(t, after("25"), hc.Until)
	assert.Equal(t, []hours.Millis{h("23.5"), h("1")}, []hours.Millis{w.s.Days[0].Listened, w.s.Days[1].Listened})

	// A day that turns late has what was heard in it.
	hear('a', "50", "51")
	w.day(2)
	assert.Equal(t, h("1"), w.s.Days[2].Listened)
	for i := range 100 {
		at := after("100").Add(hours.Millis(i) * hours.Hour)
		w.fromBox('a', at, &Listened{From: at, To: at.Add(hours.Minute)})
	}
	require.Len(t, w.s.Heard.Spans, SpansKept)
	total := w.s.Heard.Total
	hear('a', "60", "70") // of so far back it is not known what was heard
	assert.Equal(t, total, w.s.Heard.Total)
}

func TestBusValues(t *testing.T) {
	w := newWorld(t, heronChart())
	w.fromBox('a', after("1"), &BusValues{Values: []BusValue{{"drum_speed", ValueOK, 500_000}, {"fan", ValueNotAvailable, 0}}})
	w.fromBox('a', after("2"), &BusValues{Values: []BusValue{{"drum_speed", ValueError, 0}}})
	fx := w.fromBox('b', after("1.5"), &BusValues{Values: []BusValue{{"drum_speed", ValueOK, 1}}})
	assert.Equal(t, []EffectKind{EffectIgnored}, kinds(fx))
	assert.Equal(t, []BusValue{{"drum_speed", ValueError, 0}, {"fan", ValueNotAvailable, 0}}, w.s.Latest)
	assert.Equal(t, after("2"), w.s.LatestAt)
}

// Kinds whose rules come later, or live elsewhere, change nothing but revision
// and chain.
func TestTakenIntoTheStreamOnly(t *testing.T) {
	w := newWorld(t, heronChart())
	for _, body := range []Body{
		&DriveMinute{Drive: "fan"}, &FieldEvent{Event: "washed"},
	} {
		before := w.s.Clone()
		assert.Empty(t, w.fromBox('a', after("1"), body))
		before.Epochs = w.s.Epochs
		sameButChain(t, before, w.s)
	}
	for _, body := range []Body{
		&Trait{Name: "serial", Value: "7"}, &Season{Season: "31", Crop: "wheat", Open: true, Date: dayOne},
		&Attachment{Attachment: "header-2", On: true}, &Finding{Finding: "slip"}, &RulesChanged{Version: FirstRules},
	} {
		before := w.s.Clone()
		assert.Empty(t, w.says(after("1"), body))
		before.Acts = w.s.Acts
		sameButChain(t, before, w.s)
	}
}

func sameButChain(t *testing.T, before, now *State) {
	t.Helper()
	assert.Equal(t, before.Revision+1, now.Revision)
	assert.NotEqual(t, before.Chain, now.Chain)
	before.Revision, before.Chain = now.Revision, now.Chain
	assert.Equal(t, AppendState(nil, before), AppendState(nil, now))
}
