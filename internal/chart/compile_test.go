package chart_test

import (
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"github.com/hourbell/hourbell/internal/chart"
	"github.com/hourbell/hourbell/internal/combinesim"
	"github.com/hourbell/hourbell/internal/maintenance"
	"github.com/hourbell/hourbell/internal/maintenance/hours"
)

func compileFile(t testing.TB, name string) *maintenance.Chart {
	t.Helper()
	src, err := os.ReadFile(filepath.Join("testdata", name))
	require.NoError(t, err)
	c, err := chart.Compile(name, src)
	require.NoError(t, err)
	return c
}

func TestEveryFieldArrives(t *testing.T) {
	want := &maintenance.Chart{
		ID: "every-field", Edition: 12,
		Meters: []maintenance.MeterDef{
			{ID: "engine", Kind: maintenance.MeterBroadcast, Resolution: 180_000, Group: 65253, Source: maintenance.AnySource, SPN: 247},
			{ID: "pto", Kind: maintenance.MeterBroadcast, Resolution: 1_800_000, Group: 65255, Source: 0x21, SPN: 248},
			{ID: "drum", Kind: maintenance.MeterDerived, Resolution: 72_000, Source: maintenance.AnySource, Signal: "drum_speed", Above: 149_500, Hold: 2_250, SetFrom: "the dial"},
			{ID: "belt", Kind: maintenance.MeterPerson, Resolution: 900_000, Source: maintenance.AnySource, SetFrom: "the counter"},
			{ID: "tally", Kind: maintenance.MeterPerson, Resolution: 360_000, Source: maintenance.AnySource, SetFrom: "the tally"},
		},
		Signals: []maintenance.SignalDef{
			{ID: "drum_speed", Group: 65296, Source: 157, Byte: 3, Bit: 1, Bits: 16, ScaleNum: 1, ScaleDen: 8, OffsetNum: -21, OffsetDen: 2, Unit: "rpm"},
			{ID: "angle", Group: 65297, Source: maintenance.AnySource, Byte: 1, Bit: 8, Bits: 12, BigEndian: true, Signed: true, ScaleNum: 1, ScaleDen: 3, OffsetNum: 0, OffsetDen: 1, Unit: "°"},
			{ID: "gate", Group: 65297, Source: maintenance.AnySource, Byte: 4, Bit: 3, Bits: 2, ScaleNum: 1, ScaleDen: 1, OffsetNum: 0, OffsetDen: 1},
			{ID: "shaft", Group: 61184, Source: 7, Byte: 2, Bit: 5, Bits: 9, BigEndian: true, ScaleNum: 1, ScaleDen: 1, OffsetNum: 0, OffsetDen: 1},
		},
		Codes: []maintenance.CodeDef{
			{ID: "drum-slow", SPN: 524287, FMI: 1, Source: 157, Text: "Drum slow"},
			{ID: "any-way", SPN: 7, AnyFMI: true, Source: maintenance.AnySource},
		},
		Methods: []maintenance.ConversionDef{{Source: 157, Method: 2}, {Source: 3, Method: 1}},
		Drives: []maintenance.DriveDef{
			{ID: "drum", Driver: "shaft", Driven: "gate", RatioMicro: 1_000_001, DriverAbove: 1},
			{ID: "chain", Driver: "gate", Driven: "shaft", Load: "angle", RatioMicro: 500_000, LoadedAbove: -2_500, DriverAbove: 30_000},
		},
		Rounds:   []maintenance.RoundDef{{ID: "weekly", Call: "the weekly round", Minutes: 45}, {ID: "small", Call: "small round"}},
		Cautions: []maintenance.CautionDef{{ID: "still", Text: "Engine off, key out"}, {ID: "shields", Text: "Count the shields"}},
		Points:   []maintenance.PointDef{{ID: "drum-bearing", Station: 4, Side: "under", Reach: "lying"}, {ID: "gate_pivot"}},
		Tasks: []maintenance.TaskDef{
			{ID: "drum-bearing/grease", Point: "drum-bearing", Do: "grease", Call: "Grease it", Round: "weekly",
				Limbs: []maintenance.Limb{
					{Kind: maintenance.LimbHours, Meter: "drum", Every: 50 * hours.Hour, Soon: 9_000_000, Late: 4 * hours.Hour},
					{Kind: maintenance.LimbMonths, Months: 12, SoonDays: 20},
					{Kind: maintenance.LimbHours, Meter: "engine", Every: 225_000_000, Soon: 9_000_000, Late: 4 * hours.Hour},
				},
				Who: "technician", Material: "grease", Amount: "1 stroke per fitting, at most 3", Minutes: 7, Cautions: []string{"still", "shields"}},
			{ID: "drum-bearing/look", Point: "drum-bearing", Do: "check", Call: "Check drum bearing", Who: "anyone"},
			{ID: "gate_pivot/oil", Point: "gate_pivot", Do: "oil", Call: "Oil gate pivot", Who: "dealer", Amount: "3 drops",
				Limbs: []maintenance.Limb{{Kind: maintenance.LimbMonths, Months: 1, LateDays: 5}}},
		},
	}
	got := compileFile(t, "whole.points.yaml")
	assert.Equal(t, want, got)

	// The domain's own encoding takes it and gives it back.
	back, err := maintenance.DecodeChart(maintenance.AppendChart(nil, got))
	require.NoError(t, err)
	assert.Equal(t, want, back)
	assert.Equal(t, want.Hash(), got.Hash())
}

func TestBasisIsKeptAsText(t *testing.T) {
	src, err := os.ReadFile("testdata/whole.points.yaml")
	require.NoError(t, err)
	doc, err := chart.Read("whole.points.yaml", src)
	require.NoError(t, err)
	assert.Equal(t, chart.Basis{Book: "a book", Decal: "a plate", Shop: "agreed in the shop", Owner: "asked for"}, doc.Basis)
}

func TestOrderIsTheAuthorsEveryTime(t *testing.T) {
	first := compileFile(t, "demo.points.yaml")
	for range 20 {
		require.Equal(t, first, compileFile(t, "demo.points.yaml"))
	}
	src, err := os.ReadFile("testdata/demo.points.yaml")
	require.NoError(t, err)
	at := 0
	for _, s := range first.Signals {
		i := strings.Index(string(src)[at:], "\n  "+s.ID+": {group")
		require.GreaterOrEqual(t, i, 0, "%s stands after the one before it", s.ID)
		at += i
	}
}

// Line ends, a byte order mark and layout change nothing.
func TestLayoutMakesNoDifference(t *testing.T) {
	src, err := os.ReadFile("testdata/whole.points.yaml")
	require.NoError(t, err)
	want := compileFile(t, "whole.points.yaml")
	for name, text := range map[string]string{
		"CRLF":            strings.ReplaceAll(string(src), "\n", "\r\n"),
		"byte order mark": "\ufeff" + string(src),
		"no last newline": strings.TrimRight(string(src), "\n"),
		"document marks":  "---\n" + string(src) + "...\n",
	} {
		got, err := chart.Compile("f", []byte(text))
		require.NoError(t, err, name)
		assert.Equal(t, want, got, name)
	}
}

func TestColumnsUnderAByteOrderMark(t *testing.T) {
	for _, mark := range []string{"", "\ufeff"} {
		_, err := chart.Compile("f", []byte(mark+"chart: A\nedition: 1\n"))
		require.Error(t, err)
		assert.Contains(t, err.Error(), "f:1:8: ")
		_, err = chart.Compile("f", []byte(mark+"chart: \x01\n"))
		require.Error(t, err)
		assert.Contains(t, err.Error(), "f:1:8: ")
	}
}

func TestAnchorsWorkWithinLimits(t *testing.T) {
	in := `chart: a
edition: 1
meters: {engine: {group: 65253}}
cautions: {still: "off"}
points:
  - id: one
    tasks: [{id: a, do: check, who: anyone, every: &e {hours: 10, on: engine}, cautions: &c [still]}]
  - id: two
    tasks: [{id: a, do: check, who: anyone, every: *e, cautions: *c}]
`
	c, err := chart.Compile("f", []byte(in))
	require.NoError(t, err)
	require.Len(t, c.Tasks, 2)
	assert.Equal(t, c.Tasks[0].Limbs, c.Tasks[1].Limbs)
	assert.Equal(t, []string{"still"}, c.Tasks[1].Cautions)

	_, err = chart.Compile("f", []byte(strings.ReplaceAll(in, "hours: 10", "hours: 0")))
	require.Error(t, err)
	assert.Equal(t, 1, strings.Count(err.Error(), "\n")+1, "a mistake behind an alias is told once: %s", err)
}

func TestHostileFilesAreRefusedCheaply(t *testing.T) {
	for name, tc := range map[string]struct{ in, want string }{
		"too large":      {strings.Repeat("#", 1<<20+1), "f: the file has 1048577 bytes; want at most 1048576; a chart is for one kind of machine: make one file for each"},
		"too deep":       {head + "points: " + strings.Repeat("[", 40) + strings.Repeat("]", 40), "f:3:41: not YAML: "},
		"deeper yet":     {strings.Repeat("[", 1<<19), "not YAML: "},
		"a million keys": {head + "cautions: {" + strings.Repeat("a: b,", 150_000) + "}", "f:3:11: 150000 entries here; want at most 2000"},
		"itself":         {head + "cautions: &a {b: *a}", `f:3:11: fields in braces or on lines of their own; want a text of up to 600 characters`},
		"many aliases":   {manyAliases(201), "more than 200 uses of anchors"},
		"bomb":           {bomb(), "more than 200000 values in one chart"},
		"many meters":    {head + "meters: {" + strings.Repeat("a: b,", 33) + "}", "f:3:9: 33 entries here; want at most 32"},
		"many tasks":     {manyTasks(2001), "more than 2000 tasks in one chart"},
		"many points":    {head + "points: [" + strings.Repeat("{},", 2001) + "]", "f:3:9: 2001 entries here; want at most 2000"},
	} {
		t.Run(name, func(t *testing.T) {
			_, err := chart.Compile("f", []byte(tc.in))
			require.Error(t, err)
			assert.Contains(t, err.Error(), tc.want)
		})
	}
}

func manyAliases(n int) string {
	var b strings.Builder
	b.WriteString(head + "cautions:\n  c0: &c off\n")
	for i := 1; i <= n; i++ {
		fmt.Fprintf(&b, "  c%d: *c\n", i)
	}
	return b.String()
}

func manyTasks(n int) string {
	var b strings.Builder
	b.WriteString(head + "points:\n")
	for i := range n {
		if i%100 == 0 {
			fmt.Fprintf(&b, "  - id: p%d\n    tasks:\n", i)
		}
		fmt.Fprintf(&b, "      - {id: t%d, do: check, who: anyone}\n", i)
	}
	return b.String()
}

// bomb is a list of points that each stand for two hundred tasks of fifty
// cautions by an alias: more than two million values in 20 kB.
func bomb() string {
	var b strings.Builder
	b.WriteString(head + "cautions: {c: off}\npoints:\n  - id: a\n    tasks: &t\n      - &one {id: x, do: check, who: anyone, cautions: &c [" + strings.Repeat("c,", 50) + "]}\n")
	for range 40 {
		b.WriteString("      - {id: x, do: check, who: anyone, cautions: [" + strings.Repeat("c,", 50) + "]}\n")
	}
	for range 190 {
		b.WriteString("  - {id: a, tasks: *t}\n")
	}
	return b.String()
}

func TestMistakesBeyondTheListAreCounted(t *testing.T) {
	in := head + "cautions:\n"
	for i := range 700 {
		in += fmt.Sprintf("  c%d:\n", i)
	}
	_, err := chart.Compile("f", []byte(in))
	require.Error(t, err)
	lines := strings.Split(err.Error(), "\n")
	require.Len(t, lines, 501)
	assert.Equal(t, "f:503:8: 200 more mistakes are not listed; mend these first", lines[500])
}

// --- the demo's chart fits the simulated machine ---

func TestDemoChartFitsTheSimulatedMachine(t *testing.T) {
	c := compileFile(t, "demo.points.yaml")
	for _, l := range combinesim.Layouts() {
		if strings.HasSuffix(l.Name, "_hours") || l.Name == "fuel_rate" || l.Name == "fuel_level" {
			continue // meters, and what the chart has no use for
		}
		i := slices.IndexFunc(c.Signals, func(s maintenance.SignalDef) bool { return s.ID == l.Name })
		require.GreaterOrEqual(t, i, 0, l.Name)
		s := c.Signals[i]
		assert.Equal(t, []any{l.Group, int16(l.Source), l.Byte, l.Bit, l.Bits, l.Unit},
			[]any{s.Group, s.Source, int(s.Byte), int(s.Bit), int(s.Bits), s.Unit}, l.Name)
	}
	require.Len(t, c.Drives, len(combinesim.Drives()))
	for i, d := range combinesim.Drives() {
		got := c.Drives[i]
		assert.Equal(t, []any{d.Name, d.Driver.String(), d.Driven.String(), d.RatioPPM},
			[]any{got.ID, got.Driver, got.Driven, int64(got.RatioMicro)})
		assert.Equal(t, "crop_feed", got.Load)
	}
	for _, k := range combinesim.Codes() {
		assert.True(t, slices.ContainsFunc(c.Codes, func(d maintenance.CodeDef) bool {
			return d.ID == k.Name && d.SPN == k.SPN && d.FMI == k.FMI && !d.AnyFMI && d.Source == int16(k.Source)
		}), k.Name)
	}
	i := slices.IndexFunc(c.Meters, func(m maintenance.MeterDef) bool { return m.ID == "separator" })
	require.GreaterOrEqual(t, i, 0)
	assert.Equal(t, int64(combinesim.SeparatorAbove), c.Meters[i].Above)
	assert.Equal(t, hours.Millis(combinesim.SeparatorHold.Milliseconds()), c.Meters[i].Hold)
}

// A task that needs hands in the machine says that it stands still. Those that
// don't are named here.
func TestDemoChartHasItsCautions(t *testing.T) {
	c := compileFile(t, "demo.points.yaml")
	handsOff := []string{"fire-extinguishers/pressure"}
	require.GreaterOrEqual(t, len(c.Tasks), 20)
	for _, task := range c.Tasks {
		if slices.Contains(handsOff, task.ID) {
			continue
		}
		assert.Contains(t, task.Cautions, "still", task.ID)
		reach := ""
		for _, p := range c.Points {
			if p.ID == task.Point {
				reach = p.Reach
			}
		}
		if strings.Contains(reach, "shield") || strings.Contains(reach, "hood") {
			assert.Contains(t, task.Cautions, "shields", task.ID)
		}
	}
}

func TestDemoChartHasItsRounds(t *testing.T) {
	c := compileFile(t, "demo.points.yaml")
	want := map[string]string{
		"grease-10":   "every 10 h on engine (soon 1.5 h before, overdue 2 h after)",
		"grease-50":   "every 50 h on engine",
		"grease-100":  "every 100 h on separator",
		"service-250": "every 250 h on engine (soon 20 h before) or 12 months (soon 30 days before), whichever comes first",
	}
	for _, r := range c.Rounds {
		n := 0
		for _, task := range c.Tasks {
			if task.Round != r.ID {
				continue
			}
			n++
			got := chart.IntervalWords(task.Limbs)
			if task.ID == "rotor-front-bearing/grease" {
				got = strings.TrimSuffix(got, " (overdue 8 h after)")
			}
			assert.Equal(t, want[r.ID], got, task.ID)
		}
		assert.GreaterOrEqual(t, n, 3, r.ID)
	}
}

// --- cost ---

// large makes a chart of n tasks at n/4 points.
func large(n int) []byte {
	var b strings.Builder
	b.WriteString(head + "meters: {engine: {group: 65253}}\nrounds: {r: {call: a round}}\ncautions: {still: \"engine off\", shields: \"count them\"}\nsignals:\n")
	for i := range 40 {
		fmt.Fprintf(&b, "  s%d: {group: %d, source: 0x9D, byte: 1, bits: 16, order: little, scale: 0.125, unit: rpm, test: [{frame: \"18FF%02X9D#A00F0000FFFFFFFF\", value: 500}]}\n", i, 65280+i, i)
	}
	b.WriteString("points:\n")
	for i := range n / 4 {
		fmt.Fprintf(&b, "  - id: p%d\n    where: {station: %d, side: left, reach: \"from below\"}\n    tasks:\n", i, i+1)
		for j := range 4 {
			fmt.Fprintf(&b, "      - {id: t%d, do: grease, call: \"Grease it\", round: r, every: {first_of: [{hours: %d.5, on: engine}, {months: 12}]}, soon: {hours: 2, days: 14}, who: operator, material: grease, amount: {strokes: 3, most: 4, per: fitting}, minutes: 3, cautions: [still, shields]}\n", j, 10+i)
		}
	}
	return []byte(b.String())
}

func BenchmarkCompile200Tasks(b *testing.B) {
	src := large(200)
	b.SetBytes(int64(len(src)))
	b.ReportAllocs()
	for b.Loop() {
		c, err := chart.Compile("f", src)
		if err != nil || len(c.Tasks) != 200 {
			b.Fatal(err)
		}
	}
}

func FuzzCompile(f *testing.F) {
	for _, name := range []string{"whole.points.yaml", "whole2.points.yaml", "evening.points.yaml", "demo.points.yaml"} {
		src, err := os.ReadFile(filepath.Join("testdata", name))
		require.NoError(f, err)
		f.Add(src)
	}
	for _, tc := range wordMistakes {
		f.Add([]byte(tc.in))
	}
	for _, tc := range mistakes {
		f.Add([]byte(tc.in))
	}
	f.Fuzz(func(t *testing.T, src []byte) {
		c, err := chart.Compile("f", src)
		if err != nil {
			var all chart.Errors
			require.ErrorAs(t, err, &all)
			require.NotEmpty(t, all)
			require.LessOrEqual(t, len(all), 501)
			require.Nil(t, c)
			return
		}
		require.NotEmpty(t, c.ID)
		require.NoError(t, chart.Describe(discard{}, c, chart.Basis{}))
		require.NoError(t, chart.Table(discard{}, c, nil))
		back, err := maintenance.DecodeChart(maintenance.AppendChart(nil, c))
		require.NoError(t, err)
		require.Equal(t, c.Hash(), back.Hash())
		require.Empty(t, chart.Compare(c, c))
		checkWhole(t, c)
	})
}

type discard struct{}

func (discard) Write(p []byte) (int, error) { return len(p), nil }

// checkWhole holds a compiled chart to what the domain may rely on.
func checkWhole(t *testing.T, c *maintenance.Chart) {
	meters := make(map[string]bool)
	for _, m := range c.Meters {
		require.Positive(t, m.Resolution)
		meters[m.ID] = true
	}
	for _, s := range c.Signals {
		require.Positive(t, s.ScaleDen)
		require.Positive(t, s.OffsetDen)
		require.NotZero(t, s.ScaleNum)
	}
	for _, task := range c.Tasks {
		for _, l := range task.Limbs {
			if l.Kind == maintenance.LimbHours {
				require.True(t, meters[l.Meter])
				require.Positive(t, l.Every)
				require.Less(t, l.Soon, l.Every)
			}
		}
	}
}
