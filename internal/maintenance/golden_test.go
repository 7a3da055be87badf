package maintenance

import (
	"bytes"
	"encoding/binary"
	"encoding/hex"
	"flag"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"github.com/hourbell/hourbell/internal/maintenance/civil"
	"github.com/hourbell/hourbell/internal/maintenance/hours"
	"github.com/hourbell/hourbell/internal/maintenance/moment"
)

// writeGolden writes the golden stream where there is none yet. A stream that is
// there is never written again: it is replayed ever after.
var writeGolden = flag.Bool("write-golden", false, "write the golden stream where there is none")

const goldenDir = "testdata/golden"

// goldenSeason is a short season with something of every kind in it.
func goldenSeason(t testing.TB) *world {
	w := newWorld(t, heronChart())
	w.fromBox('a', after("0.2"), &BusNames{Vehicle: "TARN HERON 3", Engine: "E-1", Claims: []BusName{{0, 0xA00E810010612240}}, Confidence: 2})
	w.fromBox('a', after("0.3"), &Engine{Running: true})
	w.bus(after("0.5"), "2054.00")
	derived := func(box byte, at, shown string) {
		w.fromBox(box, after(at), &Reading{Meter: "thresher", Shown: h(shown), Resolution: hours.Second, Origin: OriginDerived})
	}
	derived('a', "0.5", "812.00")
	w.says(after("0.6"), &ServiceDone{Round: "fifty", Date: civil.None, Person: "p1", Note: "before the harvest",
		Materials: []MaterialUsed{{Material: "bearing-grease", Milli: 12_000, Unit: "stroke"}}, Measured: []Measured{{"sieve-pivot/grease", "left", true, 1_500_000, "mm", "ok"}}})
	w.says(after("0.7"), &ServiceDone{Tasks: []string{"engine-sump/change", "cab-filter/look"}, Date: dayOne, Shown: []MeterShown{{"engine", h("2054.1")}}, Person: "p2"})
	for i := range 46 {
		at := after("1").Add(hours.Millis(i) * hours.Hour)
		w.bus(at, (h("2054.45") + hours.Millis(i)*hours.Hour).String())
		w.fromBox('a', at, &Listened{From: at.Add(-30 * hours.Minute), To: at, Frames: 9000, Lost: uint64(i)})
		if i == 22 {
			w.day(1)
		}
	}
	goldenTrouble(w, derived)
	goldenEnd(w)
	return w
}

// goldenTrouble is all that can go wrong with a meter and a box.
func goldenTrouble(w *world, derived func(box byte, at, shown string)) {
	w.bus(after("47.5"), "2137.00") // 37 h more
	w.bus(after("47.6"), "2101.00")
	w.fromBox('a', after("47.7"), &Warning{Code: Code{Source: 3, Name: 9, SPN: 520200, FMI: 5}, Phase: WarningStarted, Occurrences: 9, Lamps: 4})
	w.fromBox('a', after("47.8"), &Warning{Code: Code{Source: 4, Raw: [4]byte{1, 2, 3, 0x84}, Ambiguous: true}, Phase: WarningStarted, Occurrences: 127})
	w.fromBox('a', after("47.9"), &Warning{Code: Code{Source: 3, Name: 9, SPN: 520200, FMI: 5}, Phase: WarningUnknown, Occurrences: 9})
	for i, shown := range []string{"0.15", "0.20", "0.25", "1.15", "2.15"} {
		w.bus(after("48").Add(hours.Millis(i)*hours.Hour), shown)
	}
	w.says(after("52.5"), &NoticeAnswer{Notice: openNotice(w, "sieve-pivot/grease"), Word: NoticeLater, Later: hours.Hour, Person: "p3"})
	derived('b', "53", "0.02")
	w.bus(after("53.5"), "3.20")
	derived('a', "49", "812.90") // the old box, late
	w.says(after("54"), &DoubtAnswer{Doubt: w.s.Doubts[len(w.s.Doubts)-1].Key, Word: DoubtSameMachine, Person: "p1", Why: "box changed"})
	w.apply(w.agent('b', moment.Span{NotBefore: after("10"), NotAfter: after("54")}, reading("2070.00")))
	w.fromBox('a', after("54.1"), &BusNames{Vehicle: "TARN HERON 9"})
	w.bus(after("54.2"), "3.60")
	w.says(after("54.3"), &DoubtAnswer{Doubt: w.s.Moved, Word: DoubtSameMachine, Person: "p1"})
	w.seq['a'] += 6
	w.fromBox('a', after("55"), &Thinned{Events: 7})
}

// goldenEnd is the rest of the kinds, an edition taken and taken back, and the
// end of the year.
func goldenEnd(w *world) {
	w.service("edition 2", after("56"), &EditionTaken{Chart: secondEdition(), Person: "p1"})
	w.service("edition 1 again", after("57"), &EditionTaken{Chart: heronChart(), Person: "p1"})
	rec := w.done(after("58"), "sieve-pivot/grease")
	w.says(after("59"), &Void{Record: rec, Person: "p2", Why: "another machine"})
	w.fromBox('a', after("60"), &DriveMinute{Drive: "fan", Loaded: Ratio{798_000, 600_000, 60}, Missing: 1})
	w.fromBox('a', after("60"), &BusValues{Values: []BusValue{{"drum_speed", ValueOK, 812_500}, {"fan", ValueError, 0}}})
	w.fromBox('a', after("60"), &FieldEvent{Event: "plug-cleared", Minutes: 20, Facts: []Fact{{"straw", "damp"}}, Person: "p3"})
	w.fromBox('a', after("60.1"), &Engine{Running: false})
	w.says(after("60.2"), &HandReading{Reading: Reading{Meter: "engine", Shown: h("4.1"), Resolution: tenthHour, Origin: OriginPerson}, Person: "p3"})
	w.says(after("60.3"), &Trait{Name: "fan_belt", Value: "aramid", Person: "p1"})
	w.says(after("60.4"), &Season{Season: "2031", Crop: "wheat", Open: false, Date: dayOne + 2, Person: "p1"})
	w.says(after("60.5"), &Attachment{Attachment: "header-2", On: false, Shown: []MeterShown{{"cutterbar", h("90")}}, Person: "p1"})
	w.service("finding 1", after("61"), &Finding{Finding: "fan-slip", Method: "ratio", Version: 1, Evidence: []Fact{{"slip", "4 %"}}})
	n := w.s.Notices[len(w.s.Notices)-1].ID
	w.service("fate 1", after("61"), &NoticeFate{Notice: n, Channel: "web", Word: NoticeDelivered, Detail: "201"})
	w.service("rules 1", after("62"), &RulesChanged{Version: 1})
	w.seq['a']++
	w.apply(&Event{Key: Key{Stream: box('a'), Seq: w.seq['a']}, Writer: WriterAgent, At: moment.At(after("62")), Known: after("62"),
		Hash: [32]byte{9}, Body: &SetAside{Reason: "no such kind", Bytes: []byte{0xff, 0}}})
	for _, n := range []int{100, 340, 367} {
		w.day(n)
	}
}

// openNotice is the notice that stands for a task.
func openNotice(w *world, task string) NoticeID {
	for i := range w.s.Notices {
		if n := &w.s.Notices[i]; n.Task == task && n.Withdrawn.IsZero() {
			return n.ID
		}
	}
	require.Fail(w.t, "no notice stands", task)
	return NoticeID{}
}

func frame(events []*Event) []byte {
	var out []byte
	for _, e := range events {
		b := AppendEvent(nil, e)
		out = append(binary.AppendUvarint(out, uint64(len(b))), b...)
	}
	return out
}

func unframe(t *testing.T, b []byte) (out [][]byte) {
	for len(b) > 0 {
		n, k := binary.Uvarint(b)
		require.Positive(t, k)
		out = append(out, b[k:k+int(n)])
		b = b[k+int(n):]
	}
	return out
}

func TestGoldenStream(t *testing.T) {
	path := filepath.Join(goldenDir, "season-1.stream")
	if _, err := os.Stat(path); os.IsNotExist(err) && *writeGolden {
		w := goldenSeason(t)
		require.NoError(t, os.WriteFile(path, frame(w.log), 0o644))
		sums := hex.EncodeToString(w.s.Chain[:]) + "  chain\n" + hash(w.s) + "  state\n"
		require.NoError(t, os.WriteFile(filepath.Join(goldenDir, "season-1.sums"), []byte(sums), 0o644))
	}
	stream, err := os.ReadFile(path)
	require.NoError(t, err)
	sums, err := os.ReadFile(filepath.Join(goldenDir, "season-1.sums"))
	require.NoError(t, err)

	s, kinds := New(), map[Kind]bool{}
	for _, b := range unframe(t, stream) {
		e, err := DecodeEvent(b)
		require.NoError(t, err)
		require.Equal(t, b, AppendEvent(nil, e), "what is once encoded encodes the same for ever")
		require.Equal(t, VerdictTake, Admit(s, e).Word)
		Apply(s, e, nil)
		kinds[e.Kind()] = true
	}
	for _, k := range firstKinds {
		assert.True(t, kinds[k], "kind %d is not in the stream", k)
	}
	assert.Equal(t, strings.TrimSpace(string(sums)), hex.EncodeToString(s.Chain[:])+"  chain\n"+hash(s)+"  state")
	assert.True(t, bytes.Equal(stream, frame(goldenSeason(t).log)), "the season written in this file is the one on disk")
	goldenFacts(t, s)
}

func hash(s *State) string {
	sum := s.Hash()
	return hex.EncodeToString(sum[:])
}

// goldenFacts are what the season comes to, worked out by hand.
func goldenFacts(t *testing.T, s *State) {
	w := &world{t: t, s: s}
	engine, thresher := w.meter("engine"), w.meter("thresher")
	// 2101.00 h on the first meter; the second from 0.15 h to 4.1 h, read by hand.
	assert.Equal(t, h("2104.95"), engine.Total)
	assert.Len(t, engine.Lives, 2)
	// 812.90 h, heard late of the old box, and none since the new one's first.
	assert.Equal(t, h("812.90"), thresher.Total)
	assert.Len(t, thresher.Lives, 2)
	for _, d := range s.Doubts {
		assert.False(t, d.Closed.IsZero(), d.What)
	}
	// Greased at 2054.00 h and due at 2104.00 h: the void took the later one back.
	c := w.counter("sieve-pivot/grease")
	assert.Equal(t, Due, c.State)
	assert.Equal(t, -h("0.95"), c.Limbs[0].Left)
	// Changed on 2031-07-14; 2032-07-15 is a day beyond the year.
	c = w.counter("engine-sump/change")
	assert.Equal(t, Due, c.State)
	assert.Equal(t, 1, c.Limb)
	assert.Equal(t, -1, c.Limbs[1].DaysLeft)
	assert.Equal(t, NotDue, w.task("cab-filter/look").State)
	assert.Len(t, s.Warnings, 2)
	assert.Equal(t, "TARN HERON 9", s.Names.Vehicle)
}
