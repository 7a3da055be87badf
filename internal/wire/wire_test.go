package wire_test

import (
	"bytes"
	"encoding/hex"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
	"google.golang.org/protobuf/proto"

	"github.com/hourbell/hourbell/internal/maintenance"
	"github.com/hourbell/hourbell/internal/maintenance/hours"
	"github.com/hourbell/hourbell/internal/maintenance/moment"
	"github.com/hourbell/hourbell/internal/wire"
	pb "github.com/hourbell/hourbell/proto/hourbell/v1"
)

// bodies has one body of every kind, with every field set.
func bodies() []maintenance.Body { return append(firstBodies(), workBodies()...) }

// firstBodies has those of the first rules, with every field that they had then.
func firstBodies() []maintenance.Body {
	key := maintenance.Key{Stream: [16]byte{1, 2, 3}, Seq: 9}
	notice := maintenance.NoticeID{4, 5}
	shown := []maintenance.MeterShown{{Meter: "engine", Shown: 1234*hours.Hour + 30*hours.Minute}}
	facts := []maintenance.Fact{{Name: "crop", Value: "barley"}}
	return []maintenance.Body{
		&maintenance.Reading{Meter: "engine", Shown: 4_444_200_000, Resolution: 180_000, Origin: maintenance.OriginBus},
		&maintenance.Engine{Running: true},
		&maintenance.Listened{From: -600_000, Frames: 7, Lost: 1},
		&maintenance.Warning{Code: maintenance.Code{Source: 3, Name: 0xA00E810010_16E240, SPN: 520417, FMI: 1}, Phase: maintenance.WarningStarted, Occurrences: 127, Lamps: 0x04},
		&maintenance.Warning{Code: maintenance.Code{Source: 3, Raw: [4]byte{0xFE, 1, 5, 0x89}, Ambiguous: true}, Phase: maintenance.WarningUnknown},
		&maintenance.DriveMinute{Drive: "fan", Loaded: maintenance.Ratio{Millionths: 812_000, Load: 600_000, Samples: 50}, Empty: maintenance.Ratio{Millionths: 830_000, Samples: 10}, Missing: 2},
		&maintenance.BusValues{Values: []maintenance.BusValue{{Signal: "rotor", State: maintenance.ValueOK, Milli: -5}}},
		&maintenance.BusNames{Vehicle: "ZZ9TESTMACH000042", Engine: "E77", Claims: []maintenance.BusName{{Source: 0, Name: 12}}, Confidence: 3},
		&maintenance.FieldEvent{Event: "washed", Minutes: 20, Facts: facts, Person: "p1"},
		&maintenance.Thinned{Events: 12},
		&maintenance.ServiceDone{Tasks: []string{"rotor/grease"}, Round: "hour-50", Date: 22_000, Shown: shown, Person: "p1", Note: "fine",
			Materials: []maintenance.MaterialUsed{{Material: "grease", Milli: 3_000, Unit: "stroke"}},
			Measured:  []maintenance.Measured{{Task: "belt/tension", Spot: "left", Left: true, Micro: 80_000_000, Unit: "mm", State: "ok"}}},
		&maintenance.Void{Record: key, Person: "p1", Why: "the other machine"},
		&maintenance.HandReading{Reading: maintenance.Reading{Meter: "engine", Shown: 1, Resolution: 360_000, Origin: maintenance.OriginPerson}, Person: "p1"},
		&maintenance.DoubtAnswer{Doubt: key, Word: maintenance.DoubtNewMeter, Person: "p1", Why: "new display"},
		&maintenance.NoticeAnswer{Notice: notice, Word: maintenance.NoticeLater, Later: hours.Hour, Person: "p1"},
		&maintenance.Commissioned{Machine: "lark", Display: "Lark", Customer: "c", Site: "s", Zone: "Etc/UTC", TurnsAt: 240},
		&maintenance.EditionTaken{Chart: &maintenance.Chart{ID: "kind", Edition: 2, Meters: []maintenance.MeterDef{{ID: "engine", Kind: maintenance.MeterBroadcast, Resolution: 180_000, Group: 65253, Source: -1, SPN: 247}}}, Person: "p1"},
		&maintenance.Trait{Name: "serial", Value: "51200", Person: "p1"},
		&maintenance.Season{Season: "2031", Crop: "barley", Open: true, Date: 22_100, Person: "p1"},
		&maintenance.DayTurned{Date: 22_001, From: 1_900_800_000_000, Until: 1_900_886_400_000},
		&maintenance.Attachment{Attachment: "header-9", On: true, Shown: shown, Person: "p1"},
		&maintenance.Finding{Finding: "fan-slip", Method: "drift", Version: 1, Evidence: facts},
		&maintenance.NoticeFate{Notice: notice, Channel: "webhook", Word: maintenance.NoticeDelivered, Detail: "204"},
		&maintenance.SetAside{Reason: "not an event", Bytes: []byte{1, 2}},
		&maintenance.RulesChanged{Version: 1},
	}
}

func TestEveryBodyGoesThereAndBack(t *testing.T) {
	seen := map[maintenance.Kind]bool{}
	for _, body := range bodies() {
		seen[(&maintenance.Event{Body: body}).Kind()] = true
		b, err := wire.Marshal(nil, wire.Stamp{Time: 1_940_000_000_123}, body)
		require.NoError(t, err)
		_, got, err := wire.Unmarshal(b)
		require.NoError(t, err)
		require.Equal(t, body, got)
	}
	require.Len(t, seen, 33, "one of every kind")
}

func TestStampsGoThereAndBack(t *testing.T) {
	for _, stamp := range []wire.Stamp{{Time: 1_940_000_000_123}, {Boot: 7, Mono: 55_000}} {
		b, err := wire.Marshal(nil, stamp, &maintenance.Engine{Running: true})
		require.NoError(t, err)
		got, _, err := wire.Unmarshal(b)
		require.NoError(t, err)
		require.Equal(t, stamp, got)
		require.Equal(t, stamp.Boot == 0, got.Synced())
	}
	stamp := wire.Stamp{Time: 5, HashAfter: [32]byte{9}}
	for _, body := range []maintenance.Body{&maintenance.Thinned{Events: 3}, &maintenance.SetAside{Reason: "x"}} {
		b, err := wire.Marshal(nil, stamp, body)
		require.NoError(t, err)
		got, _, err := wire.Unmarshal(b)
		require.NoError(t, err)
		require.Equal(t, stamp, got)
	}
}

// The bytes were made by a program that knows only the protobuf encoding's
// published rules (tag = field number << 3 | wire type, varints) and the field
// numbers of hourbell/v1/event.proto.
func TestAReadingsBytes(t *testing.T) {
	const want = "08fb908b88bb3852140a06656e67696e6510c0b894c71018a0fe0a2001"
	b, err := wire.Marshal(nil, wire.Stamp{Time: 1_940_000_000_123}, bodies()[0])
	require.NoError(t, err)
	require.Equal(t, want, hex.EncodeToString(b))
}

func TestListenedIsPlacedByItsEnd(t *testing.T) {
	e := wire.Event(maintenance.Key{Seq: 1}, maintenance.WriterAgent, moment.Span{NotBefore: 1_000_000, NotAfter: 1_000_500}, 2_000_000, [32]byte{}, &maintenance.Listened{From: -600_000})
	require.Equal(t, &maintenance.Listened{From: 400_000, To: 1_000_000}, e.Body)
}

func TestWhatIsOutOfFormIsNamed(t *testing.T) {
	long := strings.Repeat("x", 5000)
	cases := []struct {
		field string
		event *pb.Event
	}{
		{"body", &pb.Event{TimeMs: 1}},
		{"time_ms", &pb.Event{TimeMs: -1, Body: &pb.Event_Engine{Engine: &pb.Engine{}}}},
		{"monotonic_ms", &pb.Event{MonotonicMs: 1 << 60, Body: &pb.Event_Engine{Engine: &pb.Engine{}}}},
		{"reading.meter", &pb.Event{Body: &pb.Event_Reading{Reading: &pb.Reading{ShownMs: 1, ResolutionMs: 1, Origin: 1}}}},
		{"reading.shown_ms", &pb.Event{Body: &pb.Event_Reading{Reading: &pb.Reading{Meter: "engine", ShownMs: -1, ResolutionMs: 1, Origin: 1}}}},
		{"reading.resolution_ms", &pb.Event{Body: &pb.Event_Reading{Reading: &pb.Reading{Meter: "engine", Origin: 1}}}},
		{"reading.origin", &pb.Event{Body: &pb.Event_Reading{Reading: &pb.Reading{Meter: "engine", ResolutionMs: 1, Origin: 9}}}},
		{"warning.code.spn", &pb.Event{Body: &pb.Event_Warning{Warning: &pb.Warning{Phase: 1, Code: &pb.Code{Spn: 1 << 19}}}}},
		{"warning.code.fmi", &pb.Event{Body: &pb.Event_Warning{Warning: &pb.Warning{Phase: 1, Code: &pb.Code{Fmi: 32}}}}},
		{"warning.code.raw", &pb.Event{Body: &pb.Event_Warning{Warning: &pb.Warning{Phase: 1, Code: &pb.Code{Raw: []byte{1}}}}}},
		{"warning.phase", &pb.Event{Body: &pb.Event_Warning{Warning: &pb.Warning{Code: &pb.Code{}}}}},
		{"void.record.stream", &pb.Event{Body: &pb.Event_Void{Void: &pb.Void{}}}},
		{"void.why", &pb.Event{Body: &pb.Event_Void{Void: &pb.Void{Record: &pb.Key{Stream: make([]byte, 16)}, Why: long}}}},
		{"notice_answer.notice", &pb.Event{Body: &pb.Event_NoticeAnswer{NoticeAnswer: &pb.NoticeAnswer{Word: 1}}}},
		{"commissioned.turns_at_minutes", &pb.Event{Body: &pb.Event_Commissioned{Commissioned: &pb.Commissioned{Machine: "m", TurnsAtMinutes: 1440}}}},
		{"edition_taken.chart", &pb.Event{Body: &pb.Event_EditionTaken{EditionTaken: &pb.EditionTaken{Chart: []byte("no chart")}}}},
		{"day_turned.until_ms", &pb.Event{Body: &pb.Event_DayTurned{DayTurned: &pb.DayTurned{FromMs: 5, UntilMs: 5}}}},
		{"set_aside.received", &pb.Event{Body: &pb.Event_SetAside{SetAside: &pb.SetAside{Received: make([]byte, 70_000)}}}},
		{"hash_after", &pb.Event{Body: &pb.Event_Thinned{Thinned: &pb.Thinned{Events: 1, HashAfter: []byte{1}}}}},
		{"thinned.events", &pb.Event{Body: &pb.Event_Thinned{Thinned: &pb.Thinned{}}}},
		{"service_done.tasks", &pb.Event{Body: &pb.Event_ServiceDone{ServiceDone: &pb.ServiceDone{Tasks: make([]string, 2000)}}}},
	}
	for _, c := range cases {
		b, err := proto.Marshal(c.event)
		require.NoError(t, err)
		_, _, err = wire.Unmarshal(b)
		var field *wire.FieldError
		require.ErrorAs(t, err, &field, c.field)
		require.Equal(t, c.field, field.Field)
		require.NotEmpty(t, field.Why)
	}
	_, _, err := wire.Unmarshal([]byte("\xff\xff\xff"))
	require.ErrorContains(t, err, "hourbell.v1.Event")
	_, _, err = wire.Unmarshal(make([]byte, wire.MaxEvent+1))
	require.ErrorContains(t, err, "at most")
}

func TestNamesOfKeys(t *testing.T) {
	act := maintenance.Key{Stream: [16]byte{0xAB, 15: 0x01}}
	require.Equal(t, "ab000000000000000000000000000001", wire.KeyName(act))
	require.Equal(t, "ab000000000000000000000000000001-17", wire.KeyName(maintenance.Key{Stream: act.Stream, Seq: 17}))
}

// What agents in the field have sent stays readable for ever, and is written as it
// was: the bytes in testdata/events are never made anew, only added to. Those of
// the second revision were made by a program that knows only the protobuf
// encoding's published rules and the field numbers of hourbell/v1/event.proto.
func TestRecordedEventsAreStillUnderstood(t *testing.T) {
	for file, want := range map[string][]maintenance.Body{"revision1": firstBodies(), "revision2": workBodies()} {
		text, err := os.ReadFile(filepath.Join("testdata/events", file+".hex"))
		require.NoError(t, err)
		lines := strings.Split(strings.TrimSpace(string(text)), "\n")
		require.Len(t, lines, len(want), file)
		for i, l := range lines {
			b, err := hex.DecodeString(l)
			require.NoError(t, err)
			stamp, body, err := wire.Unmarshal(b)
			require.NoError(t, err, "%s:%d", file, i+1)
			require.Equal(t, wire.Stamp{Time: 1_940_000_000_123}, stamp)
			require.Equal(t, want[i], body, "%s:%d", file, i+1)
			again, err := wire.Marshal(nil, stamp, body)
			require.NoError(t, err)
			require.Equal(t, l, hex.EncodeToString(again), "%s:%d", file, i+1)
		}
	}
}

func FuzzUnmarshal(f *testing.F) {
	for _, body := range bodies() {
		b, err := wire.Marshal(nil, wire.Stamp{Time: 1}, body)
		if err != nil {
			f.Fatal(err)
		}
		f.Add(b)
	}
	f.Fuzz(func(t *testing.T, b []byte) {
		stamp, body, err := wire.Unmarshal(b)
		if err != nil {
			return
		}
		again, err := wire.Marshal(nil, stamp, body)
		if err != nil {
			t.Fatalf("taken, but has no form: %v", err)
		}
		stamp2, body2, err := wire.Unmarshal(again)
		if err != nil {
			t.Fatalf("own form is not taken: %v", err)
		}
		third, err := wire.Marshal(nil, stamp2, body2)
		if err != nil || !bytes.Equal(again, third) {
			t.Fatalf("the form is not stable")
		}
	})
}

func BenchmarkUnmarshalReading(b *testing.B) {
	buf, err := wire.Marshal(nil, wire.Stamp{Time: 1_940_000_000_123}, bodies()[0])
	if err != nil {
		b.Fatal(err)
	}
	var d wire.Decoder
	b.ReportAllocs()
	for b.Loop() {
		if _, _, err := d.Unmarshal(buf); err != nil {
			b.Fatal(err)
		}
	}
	b.ReportMetric(float64(len(buf)), "bytes/event")
}
