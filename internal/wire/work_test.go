package wire_test

import (
	"fmt"
	"math"
	"reflect"
	"testing"

	"github.com/stretchr/testify/require"
	"google.golang.org/protobuf/proto"
	"pgregory.net/rapid"

	"github.com/hourbell/hourbell/internal/maintenance"
	"github.com/hourbell/hourbell/internal/maintenance/civil"
	"github.com/hourbell/hourbell/internal/maintenance/hours"
	"github.com/hourbell/hourbell/internal/maintenance/moment"
	"github.com/hourbell/hourbell/internal/wire"
	pb "github.com/hourbell/hourbell/proto/hourbell/v1"
)

// sum is a picture's sum that begins with b.
func sum(b byte) [32]byte { return [32]byte{b, 31: 0xEE} }

// workBodies has one body of every kind that came with the second rules, and of
// every kind that got more fields then, with every field set.
func workBodies() []maintenance.Body {
	key := maintenance.Key{Stream: [16]byte{1, 2, 3}, Seq: 9}
	act := maintenance.Key{Stream: [16]byte{0xAB, 15: 0x01}}
	shown := []maintenance.MeterShown{{Meter: "engine", Shown: 1234*hours.Hour + 30*hours.Minute}}
	facts := []maintenance.Fact{{Name: "straw", Value: "damp"}}
	return []maintenance.Body{
		&maintenance.FieldEvent{Event: "plug-cleared", Minutes: 35, Facts: facts, Person: "p2", Ahead: true, Milli: 2_500},
		&maintenance.ServiceDone{Tasks: []string{"knife/guards"}, Round: "evening", Date: 22_150, Shown: shown, Person: "p2", Note: "in the dark",
			Materials: []maintenance.MaterialUsed{{Material: "grease", Milli: 12_000, Unit: "stroke", Task: "knife/head", Gun: "shed-2"}},
			Measured:  []maintenance.Measured{{Task: "knife/guards", Spot: "third", Micro: 1_500_000, Unit: "mm", State: "worn"}},
			As:        "operator", About: true, Failed: []string{"knife/play"},
			Found:      []maintenance.AsFound{{Task: "knife/head", Word: maintenance.FoundDry}, {Task: "reel/shaft", Word: maintenance.FoundPurged}},
			Seen:       []maintenance.SeenWord{{Task: "knife/guards", Criterion: "bent", InOrder: true, Note: "one filed"}, {Task: "knife/play"}},
			Parts:      []maintenance.PartFitted{{Part: "guard", Variant: "long", Number: "HB-7", Off: true, Why: maintenance.OffFailed, Note: "cracked", Spare: true}},
			ShieldsOff: 3, ShieldsOn: 2, Closes: []maintenance.Key{act, key}, Walk: act},
		&maintenance.Attachment{Attachment: "header-9", On: true, Shown: shown, Person: "p2", Piece: "long-reel",
			Carried: []maintenance.CarriedRecord{{Record: act, Task: "reel/shaft", At: moment.Span{NotBefore: 1_939_000_000_000, NotAfter: 1_939_003_600_000},
				Date: 22_140, Hours: shown, Person: "p3"}}},
		&maintenance.DoubtAnswer{Doubt: key, Word: maintenance.DoubtTwoActs, Person: "p2", Why: "morning and evening"},
		&maintenance.Confirmed{Record: act, Person: "p3", As: "dealer"},
		&maintenance.Remark{Point: "knife", Task: "knife/guards", Name: "bent-guard", Text: "the third is bent", Verdict: maintenance.RunWatched, Part: "guard",
			DoBy: 22_160, Pictures: [][32]byte{sum(1), sum(2)}, Walk: act, Person: "p2"},
		&maintenance.RemarkWord{Remark: act, Act: maintenance.RemarkChange, Verdict: maintenance.DoNotRun, Part: "guard", DoBy: civil.None,
			Pictures: [][32]byte{sum(3)}, Why: "it caught", Person: "p3"},
		&maintenance.Postponed{Tasks: []string{"reel/shaft"}, Round: "evening", Why: "rain tomorrow", ForHours: 12 * hours.Hour, Meter: "engine",
			UntilDate: 22_170, Person: "p2"},
		&maintenance.Walk{Act: maintenance.WalkBegin, Occasion: "first-light", Date: 22_151, Person: "p2"},
		&maintenance.Walk{Act: maintenance.WalkAnswer, Walk: act, Date: civil.None, Person: "p2", Looked: []maintenance.Looked{
			{Task: "knife/guards", Word: maintenance.LookedRemark, Text: "bent", Verdict: maintenance.MayRun, Pictures: [][32]byte{sum(4)},
				Measured: []maintenance.Measured{{Spot: "third", Left: true, Micro: -2_000_000, Unit: "mm", State: "off"}}},
			{Task: "reel/shaft", Word: maintenance.LookedNotHere}}},
		&maintenance.Walk{Act: maintenance.WalkSign, Walk: act, Date: 22_151, Person: "p3", As: "second"},
		&maintenance.Walk{Act: maintenance.WalkLeave, Walk: act, Date: 22_151, Person: "p2", Why: "called away"},
		&maintenance.SettingsLeft{Person: "p2", Facts: facts, Settings: []maintenance.SettingLeft{
			{Setting: "fan", Found: maintenance.Bound{Set: true}, Left: maintenance.Bound{Set: true, Micro: -850_000_000}},
			{Setting: "upper-sieve", FoundWord: "open", LeftWord: "half"}}},
		&maintenance.CauseFound{Lead: "losses", Code: "520417/1", Remark: act, Point: "knife", Text: "chaff in the fan", Person: "p2"},
		&maintenance.GunMeasured{Gun: "shed-2", Micro: 1_350_000, Person: "p2"},
		&maintenance.HandedOver{Customer: "far-mere", Site: "barn", Zone: "Etc/UTC", TurnsAt: 300, Person: "p3"},
	}
}

// filler draws a value for every exported field, so that one that a mapping
// forgets is found.
type filler struct{ t *rapid.T }

func (f filler) fill(v reflect.Value) {
	switch at := v.Addr().Interface().(type) {
	case *maintenance.Bound:
		if at.Set = rapid.Bool().Draw(f.t, "set"); at.Set {
			at.Micro = rapid.Int64().Draw(f.t, "micro")
		}
		return
	case *moment.Span:
		at.NotBefore = moment.Instant(rapid.Int64Range(0, 1_000_000).Draw(f.t, "not before"))
		at.NotAfter = at.NotBefore + moment.Instant(rapid.Int64Range(0, 1_000_000).Draw(f.t, "for"))
		return
	case *civil.Date:
		*at = civil.Date(rapid.Int32().Draw(f.t, "date"))
		return
	case *maintenance.FoundWord, *maintenance.OffWord, *maintenance.RunVerdict, *maintenance.DoubtWord, *maintenance.RemarkAct, *maintenance.WalkAct,
		*maintenance.LookedWord:
		v.SetUint(rapid.Uint64Range(1, 3).Draw(f.t, "word")) // which each of them has
		return
	}
	f.plain(v)
}

func (f filler) plain(v reflect.Value) {
	switch v.Kind() {
	case reflect.Struct:
		for i := range v.NumField() {
			f.fill(v.Field(i))
		}
	case reflect.Slice:
		for range rapid.IntRange(0, 3).Draw(f.t, "items") {
			item := reflect.New(v.Type().Elem()).Elem()
			f.fill(item)
			v.Set(reflect.Append(v, item))
		}
	case reflect.Array:
		for i := range v.Len() {
			f.fill(v.Index(i))
		}
	case reflect.String:
		v.SetString(rapid.StringN(1, 32, 128).Draw(f.t, "text"))
	case reflect.Bool:
		v.SetBool(rapid.Bool().Draw(f.t, "flag"))
	case reflect.Int64:
		v.SetInt(rapid.Int64Range(1, 1_000_000_000).Draw(f.t, "amount"))
	case reflect.Uint8, reflect.Uint16, reflect.Uint32, reflect.Uint64:
		v.SetUint(rapid.Uint64Range(0, 255).Draw(f.t, "number"))
	default:
		panic("no value for " + v.Type().String())
	}
}

func TestWorkGoesThereAndBack(t *testing.T) {
	kinds := workBodies()
	rapid.Check(t, func(t *rapid.T) {
		body := reflect.New(reflect.TypeOf(rapid.SampledFrom(kinds).Draw(t, "kind")).Elem())
		filler{t}.fill(body.Elem())
		stamp := wire.Stamp{Boot: 3, Mono: 4}
		b, err := wire.Marshal(nil, stamp, body.Interface().(maintenance.Body))
		require.NoError(t, err)
		got, back, err := wire.Unmarshal(b)
		require.NoError(t, err)
		require.Equal(t, stamp, got)
		require.Equal(t, body.Interface(), back)
	})
}

// What may be left out comes back as left out.
func TestBareWorkGoesThereAndBack(t *testing.T) {
	key := maintenance.Key{Stream: [16]byte{1}}
	for _, body := range []maintenance.Body{
		&maintenance.FieldEvent{Event: "washed"}, &maintenance.ServiceDone{}, &maintenance.Attachment{Attachment: "header-9"},
		&maintenance.Confirmed{Record: key}, &maintenance.Remark{Verdict: maintenance.MayRun}, &maintenance.RemarkWord{Remark: key, Act: maintenance.RemarkReopen},
		&maintenance.Postponed{}, &maintenance.Walk{Act: maintenance.WalkBegin}, &maintenance.SettingsLeft{}, &maintenance.CauseFound{},
		&maintenance.GunMeasured{Gun: "shed-2", Micro: 1}, &maintenance.HandedOver{Customer: "far-mere"},
		&maintenance.Attachment{Attachment: "header-9", Carried: []maintenance.CarriedRecord{{Record: key, Task: "reel/shaft", At: moment.Span{NotBefore: 5}}}},
	} {
		b, err := wire.Marshal(nil, wire.Stamp{Time: 1}, body)
		require.NoError(t, err)
		_, got, err := wire.Unmarshal(b)
		require.NoError(t, err)
		require.Equal(t, body, got)
	}
}

// A value that would not come back is not sent.
func TestASettingThatContradictsItselfHasNoForm(t *testing.T) {
	for _, s := range []maintenance.SettingLeft{{Setting: "fan", Found: maintenance.Bound{Micro: 5}}, {Setting: "fan", Left: maintenance.Bound{Micro: 5}}} {
		_, err := wire.Marshal(nil, wire.Stamp{}, &maintenance.SettingsLeft{Settings: []maintenance.SettingLeft{s}})
		var field *wire.FieldError
		require.ErrorAs(t, err, &field)
		require.Equal(t, "settings_left.settings", field.Field)
	}
}

func TestWorkOutOfFormIsNamed(t *testing.T) {
	id := func() *pb.Key { return &pb.Key{Stream: make([]byte, 16)} }
	short := &pb.Key{Stream: make([]byte, 15)}
	remark := func(change func(*pb.Remark)) *pb.Event {
		r := &pb.Remark{Text: "bent", Verdict: pb.RunVerdict_RUN_VERDICT_MAY_RUN}
		change(r)
		return &pb.Event{Body: &pb.Event_Remark{Remark: r}}
	}
	word := func(w *pb.RemarkWord) *pb.Event { return &pb.Event{Body: &pb.Event_RemarkWord{RemarkWord: w}} }
	walk := func(w *pb.Walk) *pb.Event { return &pb.Event{Body: &pb.Event_Walk{Walk: w}} }
	looked := func(l *pb.Looked) *pb.Event {
		return walk(&pb.Walk{Act: pb.WalkAct_WALK_ACT_ANSWER, Looked: []*pb.Looked{l}})
	}
	done := func(d *pb.ServiceDone) *pb.Event { return &pb.Event{Body: &pb.Event_ServiceDone{ServiceDone: d}} }
	carried := func(r *pb.CarriedRecord) *pb.Event {
		return &pb.Event{Body: &pb.Event_Attachment{Attachment: &pb.Attachment{Attachment: "header-9", Carried: []*pb.CarriedRecord{r}}}}
	}
	postponed := func(p *pb.Postponed) *pb.Event { return &pb.Event{Body: &pb.Event_Postponed{Postponed: p}} }
	gun := func(g *pb.GunMeasured) *pb.Event { return &pb.Event{Body: &pb.Event_GunMeasured{GunMeasured: g}} }
	for i, c := range []struct {
		field string
		event *pb.Event
	}{
		{"field_event.milli", &pb.Event{Body: &pb.Event_FieldEvent{FieldEvent: &pb.FieldEvent{Event: "washed", Milli: -1}}}},
		{"doubt_answer.word", &pb.Event{Body: &pb.Event_DoubtAnswer{DoubtAnswer: &pb.DoubtAnswer{Doubt: id(), Word: 7}}}},
		{"service_done.failed", done(&pb.ServiceDone{Failed: []string{""}})},
		{"service_done.found", done(&pb.ServiceDone{Found: make([]*pb.AsFound, 1025)})},
		{"service_done.found.word", done(&pb.ServiceDone{Found: []*pb.AsFound{{Task: "knife/head"}}})},
		{"service_done.found.word", done(&pb.ServiceDone{Found: []*pb.AsFound{{Task: "knife/head", Word: 4}}})},
		{"service_done.seen.task", done(&pb.ServiceDone{Seen: []*pb.SeenWord{{Criterion: "bent"}}})},
		{"service_done.parts.part", done(&pb.ServiceDone{Parts: []*pb.PartFitted{{Number: "HB-7"}}})},
		{"service_done.parts.why", done(&pb.ServiceDone{Parts: []*pb.PartFitted{{Part: "guard", Why: 4}}})},
		{"service_done.closes.stream", done(&pb.ServiceDone{Closes: []*pb.Key{short}})},
		{"service_done.walk.stream", done(&pb.ServiceDone{Walk: short})},
		{"service_done.measured.task", done(&pb.ServiceDone{Measured: []*pb.Measured{{Spot: "third"}}})},
		{"attachment.carried.record.stream", carried(&pb.CarriedRecord{Task: "reel/shaft"})},
		{"attachment.carried.not_before_ms", carried(&pb.CarriedRecord{Record: id(), Task: "reel/shaft", NotBeforeMs: -1, NotAfterMs: 5})},
		{"attachment.carried.not_after_ms", carried(&pb.CarriedRecord{Record: id(), Task: "reel/shaft", NotBeforeMs: 6, NotAfterMs: 5})},
		{"attachment.carried.not_after_ms", carried(&pb.CarriedRecord{Record: id(), Task: "reel/shaft", NotAfterMs: math.MaxInt64})},
		{"attachment.carried.hours.meter", carried(&pb.CarriedRecord{Record: id(), Task: "reel/shaft", Hours: []*pb.MeterShown{{}}})},
		{"confirmed.record.stream", &pb.Event{Body: &pb.Event_Confirmed{Confirmed: &pb.Confirmed{}}}},
		{"remark.verdict", remark(func(r *pb.Remark) { r.Verdict = 0 })},
		{"remark.verdict", remark(func(r *pb.Remark) { r.Verdict = 4 })},
		{"remark.pictures", remark(func(r *pb.Remark) { r.Pictures = [][]byte{make([]byte, 31)} })},
		{"remark.pictures", remark(func(r *pb.Remark) { r.Pictures = [][]byte{make([]byte, 33)} })},
		{"remark.pictures", remark(func(r *pb.Remark) { r.Pictures = [][]byte{nil} })},
		{"remark.walk.stream", remark(func(r *pb.Remark) { r.Walk = &pb.Key{} })},
		{"remark_word.remark.stream", word(&pb.RemarkWord{Act: 1})},
		{"remark_word.act", word(&pb.RemarkWord{Remark: id()})},
		{"remark_word.act", word(&pb.RemarkWord{Remark: id(), Act: 5})},
		{"remark_word.verdict", word(&pb.RemarkWord{Remark: id(), Act: 1, Verdict: -1})},
		{"postponed.tasks", postponed(&pb.Postponed{Tasks: []string{""}})},
		{"postponed.for_ms", postponed(&pb.Postponed{ForMs: -1})},
		{"walk.act", walk(&pb.Walk{})},
		{"walk.act", walk(&pb.Walk{Act: 5})},
		{"walk.walk.stream", walk(&pb.Walk{Act: 2, Walk: short})},
		{"walk.looked", walk(&pb.Walk{Act: 2, Looked: make([]*pb.Looked, 1025)})},
		{"walk.looked.task", looked(&pb.Looked{Word: 1})},
		{"walk.looked.word", looked(&pb.Looked{Task: "reel/shaft"})},
		{"walk.looked.word", looked(&pb.Looked{Task: "reel/shaft", Word: 5})},
		{"walk.looked.verdict", looked(&pb.Looked{Task: "reel/shaft", Word: 2, Verdict: 4})},
		{"walk.looked.pictures", looked(&pb.Looked{Task: "reel/shaft", Word: 2, Pictures: [][]byte{{1}}})},
		{"settings_left.settings.setting", &pb.Event{Body: &pb.Event_SettingsLeft{SettingsLeft: &pb.SettingsLeft{Settings: []*pb.SettingLeft{{}}}}}},
		{"cause_found.remark.stream", &pb.Event{Body: &pb.Event_CauseFound{CauseFound: &pb.CauseFound{Remark: short}}}},
		{"gun_measured.gun", gun(&pb.GunMeasured{StrokeMicro: 5})},
		{"gun_measured.stroke_micro", gun(&pb.GunMeasured{Gun: "shed-2"})},
		{"gun_measured.stroke_micro", gun(&pb.GunMeasured{Gun: "shed-2", StrokeMicro: 1_000_000_001})},
		{"handed_over.customer", &pb.Event{Body: &pb.Event_HandedOver{HandedOver: &pb.HandedOver{}}}},
		{"handed_over.turns_at_minutes", &pb.Event{Body: &pb.Event_HandedOver{HandedOver: &pb.HandedOver{Customer: "far-mere", TurnsAtMinutes: 1440}}}},
	} {
		b, err := proto.Marshal(c.event)
		require.NoError(t, err)
		_, _, err = wire.Unmarshal(b)
		var field *wire.FieldError
		require.ErrorAs(t, err, &field, fmt.Sprint(i, " ", c.field))
		require.Equal(t, c.field, field.Field)
		require.NotEmpty(t, field.Why)
	}
}
