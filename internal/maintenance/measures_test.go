package maintenance

import (
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"github.com/hourbell/hourbell/internal/maintenance/hours"
)

func TestJudge(t *testing.T) {
	both := MeasureDef{Unit: "mm", OkLo: micro(200_000), OkHi: micro(600_000), ActLo: micro(100_000), ActHi: micro(1_000_000)}
	wanted := MeasureDef{Unit: "mm", Want: micro(381_000_000), OkLo: micro(381_000_000), OkHi: micro(388_000_000), ActHi: micro(392_430_000)}
	for _, c := range []struct {
		name  string
		d     *MeasureDef
		micro int64
		want  MeasureWord
	}{
		{"inside", &both, 400_000, MeasureInRange},
		{"just inside", &both, 599_999, MeasureInRange},
		{"at the upper edge", &both, 600_000, MeasureNear},
		{"at the lower edge", &both, 200_000, MeasureNear},
		{"between", &both, 999_999, MeasureNear},
		{"at the upper limit", &both, 1_000_000, MeasureAct},
		{"at the lower limit", &both, 100_000, MeasureAct},
		{"beyond it", &both, 0, MeasureAct},
		{"20 pitches of a new chain 60", &wanted, 381_000_000, MeasureInRange},
		{"3 % longer", &wanted, 392_430_000, MeasureAct},
		{"shorter than new, with no limit there", &wanted, 380_000_000, MeasureNear},
		{"no limits", &MeasureDef{Unit: "mm"}, 7, MeasureNotJudged},
		{"below 0", &MeasureDef{Unit: "degree", ActLo: micro(-5_000_000)}, -6_000_000, MeasureAct},
	} {
		word, text := Judge(c.d, c.micro)
		assert.Equal(t, c.want, word, c.name)
		assert.Contains(t, text, word.String(), c.name)
	}
	_, text := Judge(&both, 600_000)
	assert.Equal(t, "0.6 mm: near the limit (in order 0.2 to 0.6) (act at 0.1 or 1 and beyond)", text)
}

func TestJudgeGauge(t *testing.T) {
	for _, c := range []struct {
		kind  GaugeKind
		state string
		want  MeasureWord
	}{
		{GaugeGoNo, "goes", MeasureInRange},
		{GaugeGoNo, "does not go", MeasureAct},
		{GaugeLoose, "goes", MeasureAct},
		{GaugeLoose, "does not go", MeasureInRange},
		{GaugeLoose, "", MeasureNotJudged},
		{GaugeNone, "goes", MeasureNotJudged},
	} {
		word, _ := JudgeGauge(&MeasureDef{Gauge: c.kind}, c.state)
		assert.Equal(t, c.want, word, "%d %q", c.kind, c.state)
	}
}

func gap(spot string, left bool, um int64) Measured {
	return Measured{Task: "trough/wear", Spot: spot, Left: left, Micro: um, Unit: "mm"}
}

func TestASpotIsJudgedByItself(t *testing.T) {
	w := newLogWorld(t)
	key := w.logs(after("2"), ServiceDone{Tasks: []string{"trough/wear"}, Date: dayOne, Measured: []Measured{
		gap("near", false, 400_000), gap("mid", false, 600_000), gap("far", false, 300_000)}})
	require.Len(t, w.s.Measures, 3)
	var at []string
	for _, f := range w.fx {
		if f.Kind == EffectMeasure {
			at = append(at, w.s.Measures[f.Index].Spot)
			assert.Contains(t, f.Why, "mid: 0.6 mm: near the limit")
		}
	}
	assert.Equal(t, []string{"mid"}, at)
	assert.Empty(t, w.s.Remarks)
	v := w.s.Measures[0].Values[0]
	assert.Equal(t, "far", w.s.Measures[0].Spot)
	assert.Equal(t, MeasuredAt{Record: key, At: v.At, Date: dayOne, Hours: h("1000"), Micro: 300_000, Looked: true}, v)
}

func TestBeyondTheLimitOpensARemarkOnceASpot(t *testing.T) {
	w := newLogWorld(t)
	key := w.logs(after("2"), ServiceDone{Tasks: []string{"trough/wear"}, Date: dayOne, Person: "p2", Measured: []Measured{
		gap("near", false, 1_200_000), gap("mid", false, 1_000_000), gap("mid", true, 450_000), gap("far", false, 1_300_000), gap("far", true, 1_100_000)}})
	require.Len(t, w.s.Remarks, 2, "mid was put right")
	assert.ElementsMatch(t, []string{"near: 1.2 mm: act (in order 0.2 to 0.6) (act at 0.1 or 1 and beyond)",
		"far: 1.1 mm: act (in order 0.2 to 0.6) (act at 0.1 or 1 and beyond)"}, []string{w.s.Remarks[0].Text, w.s.Remarks[1].Text})
	assert.Equal(t, "trough-worn", w.s.Remarks[0].Name)
	w.says(after("3"), &Void{Record: key})
	for _, r := range w.s.Remarks {
		assert.Equal(t, "the record is void", r.How)
	}
	for _, m := range w.s.Measures {
		for _, v := range m.Values {
			assert.Equal(t, w.last.Key, v.Void)
		}
	}
}

func TestValuesStandInTimeAndTheLatestAreKept(t *testing.T) {
	w := newLogWorld(t)
	w.bus(after("40"), "1010.00")
	for i := range ValuesSeen + 4 {
		w.logs(after("40").Add(-hours.Millis(i)*hours.Hour), ServiceDone{Tasks: []string{"trough/wear"}, Date: dayOne, Measured: []Measured{gap("mid", false, int64(i))}})
	}
	list := w.s.Measures[0].Values
	require.Len(t, list, ValuesSeen)
	for i := range list {
		assert.EqualValues(t, ValuesSeen-1-i, list[i].Micro)
	}
	assert.Equal(t, h("1000"), list[0].Hours)
	w.fromBox('b', after("15"), &Reading{Meter: "engine", Shown: h("1005"), Resolution: busStep, Origin: OriginBus})
	assert.Equal(t, h("1005"), w.s.Measures[0].Values[3].Hours, "a late reading refines it")
	assert.Equal(t, h("1010"), w.s.Measures[0].Values[ValuesSeen-1].Hours)
}
