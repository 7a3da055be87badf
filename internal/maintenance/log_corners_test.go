package maintenance

import (
	"fmt"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"github.com/hourbell/hourbell/internal/maintenance/civil"
	"github.com/hourbell/hourbell/internal/maintenance/hours"
	"github.com/hourbell/hourbell/internal/maintenance/moment"
)

func TestHowPointsWereFoundGoesWithTheRecord(t *testing.T) {
	w := newLogWorld(t)
	second := w.logs(after("9"), ServiceDone{Tasks: []string{"crank-bearing/grease"}, Found: []AsFound{{"crank-bearing/grease", FoundPurged}}})
	first := w.logs(after("2"), ServiceDone{Tasks: []string{"crank-bearing/grease"}, Found: []AsFound{{"crank-bearing/grease", FoundDry}}})
	require.Len(t, w.s.FoundAt, 2)
	assert.Equal(t, first, w.s.FoundAt[0].Record, "by time")
	assert.Equal(t, FoundDry, w.s.FoundAt[0].Word)
	w.says(after("10"), &Void{Record: second})
	assert.Equal(t, w.last.Key, w.s.FoundAt[1].Void)
	assert.True(t, w.s.FoundAt[0].Void.IsZero())
}

func TestWhereAMaterialWentIn(t *testing.T) {
	both := []string{"crank-bearing/grease", "hub/level"}
	for _, c := range []struct {
		name  string
		tasks []string
		m     MaterialUsed
		want  string
	}{
		{"as it says", both, MaterialUsed{Material: "blue", Task: "trough/look"}, "trough/look"},
		{"the only task that takes it", both, MaterialUsed{Material: "hub-oil"}, "hub/level"},
		{"the only task done", []string{"trough/look"}, MaterialUsed{Material: "blue"}, "trough/look"},
		{"not told apart", both, MaterialUsed{Material: "white"}, ""},
	} {
		w := newLogWorld(t)
		w.logs(after("1"), ServiceDone{Tasks: c.tasks, Materials: []MaterialUsed{c.m}})
		require.Len(t, w.s.Used, 1, c.name)
		assert.Equal(t, c.want, w.s.Used[0].Task, c.name)
	}
}

func TestTheMaterialsKeptAreTheLatest(t *testing.T) {
	s := New()
	s.Rules = WorkRules
	step := step{s: s}
	for i := range UsedKept + 5 {
		at := moment.At(after("5000").Add(-hours.Millis(i) * hours.Hour))
		step.useMaterials(&ServiceDone{Materials: []MaterialUsed{{Material: "blue", Milli: int64(i)}}}, &TaskRecord{Record: Key{Seq: uint64(i + 1)}, At: at}, nil)
	}
	require.Len(t, s.Used, UsedKept)
	assert.EqualValues(t, UsedKept-1, s.Used[0].Milli)
	assert.EqualValues(t, 0, s.Used[UsedKept-1].Milli)
}

func TestRefusedProperties(t *testing.T) {
	d := MaterialDef{Kind: "grease", Thickener: "clay", NLGI: "2", Grade: "80", Solids: "none"}
	for name, want := range map[string]string{"kind": "grease", "thickener": "clay", "nlgi": "2", "grade": "80", "solids": "none", "colour": ""} {
		assert.Equal(t, want, d.property(name), name)
	}
}

func TestAGaugesWordIsKeptAndJudged(t *testing.T) {
	w := newLogWorld(t)
	*w.s.Chart.wear() = MeasureDef{What: "bore", Gauge: GaugeLoose}
	wear := func(state string) ServiceDone {
		return ServiceDone{Tasks: []string{"trough/wear"}, Date: civil.None, Measured: []Measured{{State: state}}}
	}
	b := wear("loose")
	assert.Contains(t, w.refuses(after("1"), &b).Do, `"does not go"`)
	w.logs(after("1"), wear("does not go"))
	assert.Zero(t, count(w.fx, EffectMeasure))
	w.logs(after("9"), wear("goes"))
	assert.Equal(t, 1, count(w.fx, EffectMeasure))
	require.Len(t, w.s.Remarks, 1)
	assert.Equal(t, "the gauge goes: act", w.s.Remarks[0].Text)
	require.Len(t, w.s.Measures, 1)
	assert.Equal(t, "goes", w.s.Measures[0].Values[1].State)
	assert.EqualValues(t, -1, w.s.Measures[0].Values[1].Hours, "it runs over no meter")
}

func TestWhatFollowsSaysBySoon(t *testing.T) {
	for _, c := range []struct {
		d    TriggerDef
		want string
	}{
		{TriggerDef{}, " at once"},
		{TriggerDef{By: ByNextStart}, " before the next start"},
		{TriggerDef{By: ByHours, In: h("1.5"), Meter: "engine"}, " within 1.50 h on engine"},
		{TriggerDef{By: ByDays, InDays: 3}, " within 3 days"},
	} {
		assert.Equal(t, c.want, soonAfter(&c.d))
	}
}

// A person takes the machine's hours back: what was looked up among the wrong
// figures is looked up anew, of pieces and values too.
func TestHoursTakenBackTakePiecesAlong(t *testing.T) {
	w := newLogWorld(t)
	w.says(after("2"), &HandReading{Reading: Reading{Meter: "engine", Shown: h("1003"), Resolution: hours.Hour}})
	w.logs(after("3"), ServiceDone{Tasks: []string{"chopper-belt/renew", "trough/wear"}, Date: dayOne, Measured: []Measured{gap("mid", false, 300_000)}})
	piece, _, _ := w.s.PieceHours("chopper-belt")
	require.Equal(t, []MeterShown{{"engine", h("1003")}}, piece.Hours)
	w.bus(after("4"), "1001.50")
	w.bus(after("5"), "1001.60")
	require.NotEmpty(t, w.s.Doubts)
	w.says(after("6"), &DoubtAnswer{Doubt: w.s.Doubts[0].Key, Word: DoubtRight})
	piece, ran, known := w.s.PieceHours("chopper-belt")
	assert.True(t, known)
	assert.LessOrEqual(t, piece.Hours[0].Shown, w.meter("engine").Total)
	assert.Equal(t, w.meter("engine").Total-piece.Hours[0].Shown, ran)
	assert.LessOrEqual(t, w.s.Measures[0].Values[0].Hours, w.meter("engine").Total)
}

// A late reading tells that the new meter had run before: pieces move with the
// machine's hours.
func TestMoreHoursOfALifeMovePieces(t *testing.T) {
	w := newLogWorld(t)
	w.bus(after("10"), "1009.00")
	for i, shown := range []string{"2.00", "2.50", "3.00"} {
		w.bus(after(fmt.Sprint(20+i)), shown)
	}
	require.Len(t, w.meter("engine").Lives, 2)
	w.logs(after("22.5"), ServiceDone{Tasks: []string{"chopper-belt/renew", "trough/wear"}, Date: dayOne, Measured: []Measured{gap("mid", false, 300_000)}})
	w.bus(after("24"), "4.00")
	_, before, _ := w.s.PieceHours("chopper-belt")
	require.Equal(t, h("1"), before)
	w.fromBox('b', after("18"), &Reading{Meter: "engine", Shown: h("0.50"), Resolution: busStep, Origin: OriginBus})
	piece, ran, _ := w.s.PieceHours("chopper-belt")
	assert.Equal(t, h("1"), ran, "what it ran stays")
	assert.Equal(t, h("1011.5"), piece.Hours[0].Shown, "1009 + 3.0 - 0.5")
	assert.Equal(t, h("1011.5"), w.s.Measures[0].Values[0].Hours)
}

func TestALaterWordOnAnAttachmentStands(t *testing.T) {
	w := newLogWorld(t)
	w.reelHead("5", false, "head-1", "")
	fx := w.reelHead("3", true, "head-1", "20")
	assert.Equal(t, []EffectKind{EffectIgnored}, kinds(fx))
	assert.False(t, w.s.Attachments[0].On)
}

func TestRecordsOfAnotherPieceComeBackWithIt(t *testing.T) {
	w := newLogWorld(t)
	w.reelHead("0.5", true, "head-1", "300")
	record := w.logs(after("1"), ServiceDone{Tasks: []string{"reel-cam/grease"}, Date: dayOne})
	w.reelHead("2", false, "head-1", "301")
	shown, carried := w.s.CarryOut("reel-head")
	w.reelHead("3", true, "head-2", "20")
	assert.Empty(t, w.with(record))
	assert.Equal(t, DueUnknown, w.task("reel-cam/grease").State)
	w.reelHead("4", false, "head-2", "20")
	w.reelHead("5", true, "head-1", shown[0].Shown.String(), carried...)
	assert.Equal(t, []string{"reel-cam/grease"}, w.with(record))
	assert.Equal(t, h("29"), w.counter("reel-cam/grease").Limbs[0].Left, "1 h of 30")
	w.says(after("6"), &Void{Record: record})
	assert.Equal(t, DueUnknown, w.task("reel-cam/grease").State, "a carried record can be taken back")
}

func TestARecordFromTheCabAndOneFromTheOffice(t *testing.T) {
	w := newLogWorld(t)
	b := ServiceDone{Tasks: []string{"trough/look"}, Date: dayOne}
	w.fromBox('a', after("5"), &b)
	cab := w.last.Key
	office := w.logs(after("4"), b) // written later, of an hour before
	require.Len(t, w.s.Doubts, 1)
	assert.ElementsMatch(t, []Key{cab, office}, w.s.Doubts[0].Records)
	assert.False(t, office.Seq > 0)
}

func TestOpenRemarksAreBounded(t *testing.T) {
	w := newLogWorld(t)
	for i := range RemarksOpen {
		w.s.Remarks = append(w.s.Remarks, RemarkSeen{Key: Key{Seq: uint64(i + 1)}})
	}
	w.logs(after("1"), ServiceDone{Tasks: []string{"trough/look"}, ShieldsOff: 2})
	assert.Len(t, w.s.Remarks, RemarksOpen)
	assert.Equal(t, SaidShields, w.task("trough/look").latest().Said, "it is said all the same")
}

func TestThePiecesOfAnAttachmentGoWithIt(t *testing.T) {
	w := newLogWorld(t)
	w.reelHead("0.5", true, "head-1", "300")
	record := w.logs(after("1"), ServiceDone{Tasks: []string{"reel-cam/grease"}, Date: dayOne, Parts: []PartFitted{{Part: "reel-cam"}, {Part: "breather"}},
		Materials: []MaterialUsed{{Material: "blue", Milli: 2000, Unit: "g"}}})
	w.reelHead("2", false, "head-1", "301")
	w.reelHead("3", true, "head-2", "20")
	_, _, known := w.s.PieceHours("reel-cam")
	assert.False(t, known, "what is in another head is not known")
	_, _, known = w.s.PieceHours("breather")
	assert.True(t, known, "the machine's own stays")
	assert.Zero(t, w.s.usedInSeason("reel-cam/grease", "", "g", dayOne))

	w.reelHead("4", false, "head-2", "20")
	w.reelHead("5", true, "head-1", "301.5")
	_, ran, known := w.s.PieceHours("reel-cam")
	assert.True(t, known, "it came back")
	assert.Equal(t, h("1.5"), ran)
	assert.EqualValues(t, 2000, w.s.usedInSeason("reel-cam/grease", "", "g", dayOne))
	assert.Equal(t, []string{"reel-cam/grease"}, w.with(record))
}
