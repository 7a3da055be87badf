package maintenance

import (
	"fmt"
	"slices"
	"testing"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"github.com/hourbell/hourbell/internal/maintenance/civil"
	"github.com/hourbell/hourbell/internal/maintenance/hours"
	"github.com/hourbell/hourbell/internal/maintenance/moment"
)

// Two tasks and a part whose intervals lie within the part of the trail that is
// kept in full: 1 h each, 0.1 h before and after.
const (
	modelGrease = "ram/grease"
	modelRenew  = "ram/renew"
	modelPart   = "ram"
)

func logModelChart() *Chart {
	limb := []Limb{{Kind: LimbHours, Meter: "engine", Every: hours.Hour, Soon: tenthHour, Late: tenthHour}}
	return &Chart{ID: "log-model", Edition: 1,
		Meters:    []MeterDef{{ID: "engine", Kind: MeterBroadcast, Resolution: busStep, SPN: 247}},
		Points:    []PointDef{{ID: "ram"}},
		Parts:     []PartDef{{ID: "ram", Meter: "engine"}},
		Materials: []MaterialDef{{ID: "blue", Kind: "grease"}},
		Tasks: []TaskDef{
			{ID: modelGrease, Point: "ram", Do: "grease", Material: "blue", Limbs: limb},
			{ID: modelRenew, Point: "ram", Do: "replace", Who: "technician", Limbs: limb,
				Measure: []MeasureDef{{What: "gap", Unit: "mm", OkHi: micro(1000), Meter: "engine"}}},
		}}
}

// logRecord is one record as the oracle sees it.
type logRecord struct {
	key                 Key
	at                  int // minute
	read                bool
	grease, renew, part bool
	as                  string
	milli               int64
	gap                 int64
	void, confirm       bool
	event               *Event
}

// logOracle has the records and the minutes at which the engine, which always
// runs, was read. It shares nothing with the rules.
type logOracle struct {
	records []*logRecord
	reads   []int
}

const modelStart = 1000 * hours.Hour

// by is the machine's hours known of a minute: the highest read by then.
func (o *logOracle) by(minute int) hours.Millis {
	best := 0
	for _, r := range o.reads {
		if r <= minute {
			best = max(best, r)
		}
	}
	return modelStart + hours.Millis(best)*hours.Minute
}

func (o *logOracle) due(renew bool) DueState {
	var latest *logRecord
	for _, r := range o.records {
		does, waits := r.grease, false
		if renew {
			does, waits = r.renew, r.as == "operator" && !r.confirm
		}
		if does && !waits && !r.void && (latest == nil || r.at > latest.at) {
			latest = r
		}
	}
	if latest == nil {
		return DueUnknown
	}
	switch ran := o.by(1<<30) - o.by(latest.at); {
	case ran >= 66*hours.Minute:
		return Overdue
	case ran >= 60*hours.Minute:
		return Due
	case ran >= 54*hours.Minute:
		return DueSoon
	}
	return NotDue
}

// piece is what the piece on the machine has run; ok is false where none is on.
func (o *logOracle) piece() (ran hours.Millis, ok bool) {
	at := -1
	for _, r := range o.records {
		if (r.renew || r.part) && !r.void {
			at = max(at, r.at)
		}
	}
	return o.by(1<<30) - o.by(max(at, 0)), at >= 0
}

func (o *logOracle) used() (sum int64) {
	for _, r := range o.records {
		if r.grease && !r.void {
			sum += r.milli
		}
	}
	return sum
}

// drawLog draws records and readings at minutes of their own, each three minutes
// apart so that every figure is a whole step of the meter.
func drawLog(t *rapid.T) (*logOracle, [][]*Event) {
	o := &logOracle{reads: []int{0}}
	var streams [][]*Event
	slots := rapid.Permutation(rangeOf(1, 79)).Draw(t, "minutes")
	next := func() int { m := slots[0] * 3; slots = slots[1:]; return m }
	for i := range rapid.IntRange(1, 12).Draw(t, "readings") {
		at := next()
		o.reads = append(o.reads, at)
		streams = append(streams, []*Event{{Key: Key{Stream: [16]byte{'r', byte(i)}, Seq: 1}, Writer: WriterAgent, At: moment.At(minute(at)), Known: minute(1 << 20),
			Body: &Reading{Meter: "engine", Shown: modelStart + hours.Millis(at)*hours.Minute, Resolution: busStep, Origin: OriginBus}}})
	}
	for i := range rapid.IntRange(1, CyclesKept).Draw(t, "records") {
		r := drawLogRecord(t, byte(i), next())
		if r.read {
			o.reads = append(o.reads, r.at)
		}
		o.records = append(o.records, r)
		streams = append(streams, r.stream(t))
	}
	return o, streams
}

func rangeOf(from, to int) (out []int) {
	for i := from; i < to; i++ {
		out = append(out, i)
	}
	return out
}

func drawLogRecord(t *rapid.T, n byte, at int) *logRecord {
	r := &logRecord{at: at, read: rapid.Bool().Draw(t, "read"), grease: rapid.Bool().Draw(t, "grease"), renew: rapid.Bool().Draw(t, "renew"),
		part: rapid.Bool().Draw(t, "part"), as: rapid.SampledFrom([]string{"", "operator", "technician"}).Draw(t, "as"),
		milli: int64(rapid.IntRange(1, 9).Draw(t, "grams")) * 1000, gap: int64(rapid.IntRange(0, 2000).Draw(t, "gap")),
		void: rapid.Bool().Draw(t, "void"), confirm: rapid.Bool().Draw(t, "confirm")}
	if !r.grease && !r.renew {
		r.grease = true
	}
	b := &ServiceDone{Date: dayOne, As: r.as, Person: "p2"}
	if r.grease {
		b.Tasks = append(b.Tasks, modelGrease)
		b.Materials = []MaterialUsed{{Material: "blue", Milli: r.milli, Unit: "g", Task: modelGrease}}
		b.Found = []AsFound{{Task: modelGrease, Word: FoundDry}}
	}
	if r.renew {
		b.Tasks = append(b.Tasks, modelRenew)
		b.Measured = []Measured{{Task: modelRenew, Micro: r.gap, Unit: "mm"}}
	}
	if r.part {
		b.Parts = []PartFitted{{Part: modelPart, Number: fmt.Sprint(n)}}
	}
	if r.read {
		b.Shown = []MeterShown{{"engine", modelStart + hours.Millis(at)*hours.Minute}}
	}
	r.event = logAct('d', n, at, b)
	r.key = r.event.Key
	return r
}

func logAct(kind, n byte, at int, body Body) *Event {
	return &Event{Key: Key{Stream: [16]byte{kind, n}}, Writer: WriterPerson, At: moment.At(minute(at)), Known: minute(1 << 20), Body: body}
}

// stream is the record and, in any order after it, what was said of it.
func (r *logRecord) stream(t *rapid.T) []*Event {
	out := []*Event{r.event}
	if r.confirm {
		out = append(out, logAct('c', r.key.Stream[1], r.at, &Confirmed{Record: r.key, As: "technician"}))
	}
	if r.void {
		out = append(out, logAct('v', r.key.Stream[1], r.at, &Void{Record: r.key}))
	}
	if len(out) == 3 && rapid.Bool().Draw(t, "void first") {
		out[1], out[2] = out[2], out[1]
	}
	return out
}

// mergeLog merges the streams in a drawn order, with repeats.
func mergeLog(t *rapid.T, streams [][]*Event) []*Event {
	out := []*Event{
		{Key: ServiceKey("commissioned"), Writer: WriterService, At: moment.At(sunrise), Known: sunrise, Body: &Commissioned{Machine: "heron-3"}},
		{Key: ServiceKey("rules"), Writer: WriterService, At: moment.At(sunrise), Known: sunrise, Body: &RulesChanged{Version: WorkRules}},
		{Key: ServiceKey("edition"), Writer: WriterService, At: moment.At(sunrise), Known: sunrise, Body: &EditionTaken{Chart: logModelChart()}},
		{Key: Key{Stream: [16]byte{'f'}, Seq: 1}, Writer: WriterAgent, At: moment.At(sunrise), Known: sunrise,
			Body: &Reading{Meter: "engine", Shown: modelStart, Resolution: busStep, Origin: OriginBus}},
	}
	streams = slices.Clone(streams)
	for len(streams) > 0 {
		i := rapid.IntRange(0, len(streams)-1).Draw(t, "stream")
		out = append(out, streams[i][0])
		if streams[i] = streams[i][1:]; len(streams[i]) == 0 {
			streams = slices.Delete(streams, i, i+1)
		}
		if rapid.IntRange(0, 5).Draw(t, "repeat") == 0 {
			out = append(out, out[rapid.IntRange(0, len(out)-1).Draw(t, "which")])
		}
	}
	return out
}

// counted is what of a state must not depend on the order of arrival: neither who
// opened a cycle or a notice nor what was said at once.
func counted(s *State) []byte {
	c := &State{Rules: s.Rules, Parts: s.Parts, Used: s.Used, FoundAt: s.FoundAt, Measures: s.Measures}
	for _, task := range s.Tasks {
		n := Task{ID: task.ID, State: task.State, Limb: task.Limb, Records: slices.Clone(task.Records)}
		for i := range n.Records {
			n.Records[i].Said = 0
		}
		c.Tasks = append(c.Tasks, n)
	}
	for _, m := range s.Meters {
		c.Meters = append(c.Meters, Meter{ID: m.ID, Total: m.Total})
	}
	return AppendState(nil, c)
}

func TestAnyOrderOfRecordsGivesTheOraclesLog(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		o, streams := drawLog(t)
		var want []byte
		for range 2 {
			s := New()
			for _, e := range mergeLog(t, streams) {
				Apply(s, e, nil)
			}
			require.Equal(t, o.due(false), s.Tasks[0].State, "grease")
			require.Equal(t, o.due(true), s.Tasks[1].State, "renew")
			ran, on := o.piece()
			_, got, known := s.PieceHours(modelPart)
			require.Equal(t, on, known)
			if on {
				require.Equal(t, ran, got)
			}
			require.Equal(t, o.used(), s.usedInSeason(modelGrease, "", "g", dayOne))
			for _, m := range s.Measures {
				for i, v := range m.Values {
					require.Equal(t, o.by(int(v.At.Hi().Elapsed(sunrise)/hours.Minute)), v.Hours)
					require.True(t, i == 0 || m.Values[i-1].At.Compare(v.At) <= 0)
				}
			}
			b := counted(s)
			require.True(t, want == nil || string(want) == string(b), "another order gives other bytes")
			want = b
			back, err := DecodeState(AppendState(nil, s), func([32]byte) (*Chart, error) { return logModelChart(), nil })
			require.NoError(t, err)
			require.Equal(t, s.Hash(), back.Hash())
		}
	})
}

// Whatever comes, in whatever state, gives a state that can be written and read.
func TestTheLogIsTotal(t *testing.T) {
	charts := []*Chart{logChart(), logModelChart(), heronChart()}
	ids := []string{"", "trough/wear", "breather/change", "breather/change:left", "chopper-belt/renew", "chopper-belt", "breather", "reel-cam/grease", "hub/level",
		"crank-bearing/grease", "reel-head", "reel", "engine", "dusk", "blue", "green", "red", "stroke", "g", "mm", "mid", "floor", "operator", "dealer", "goes", "none"}
	rapid.Check(t, func(t *rapid.T) {
		s := New()
		if rapid.IntRange(0, 4).Draw(t, "rules") > 0 {
			s.Rules = WorkRules
		}
		var keys []Key
		d := logDraw{t: t, ids: ids, keys: &keys}
		for range rapid.IntRange(1, 40).Draw(t, "events") {
			e := d.event(charts)
			keys = append(keys, e.Key)
			Admit(s, e)
			before := s.Hash()
			Says(s, e)
			require.Equal(t, before, s.Hash())
			for _, f := range Apply(s, e, nil) {
				require.GreaterOrEqual(t, f.Index, -1)
			}
		}
		s.CarryOut("reel-head")
		s.PieceHistory("chopper-belt")
		chart := s.Chart
		back, err := DecodeState(AppendState(nil, s), func([32]byte) (*Chart, error) { return chart, nil })
		require.NoError(t, err)
		require.Equal(t, s.Hash(), back.Hash())
	})
}

type logDraw struct {
	t    *rapid.T
	ids  []string
	keys *[]Key
}

func (d *logDraw) id() string     { return rapid.SampledFrom(d.ids).Draw(d.t, "id") }
func (d *logDraw) n(most int) int { return rapid.IntRange(0, most).Draw(d.t, "n") }
func (d *logDraw) milli() int64   { return int64(d.n(20)) * 1000 }
func (d *logDraw) list() []string {
	return rapid.SliceOfN(rapid.SampledFrom(d.ids), 0, 3).Draw(d.t, "ids")
}
func (d *logDraw) h() hours.Millis { return hours.Millis(d.n(4000)) * hours.Hour / 2 }

func (d *logDraw) key() Key {
	if len(*d.keys) == 0 {
		return Key{Seq: 7}
	}
	return (*d.keys)[d.n(len(*d.keys)-1)]
}

func (d *logDraw) at() moment.Span {
	at := minute(d.n(6000))
	switch d.n(7) {
	case 0:
		return moment.Span{}
	case 1:
		return moment.Span{NotBefore: at, NotAfter: at.Add(hours.Millis(d.n(300)) * hours.Minute)}
	}
	return moment.At(at)
}

func (d *logDraw) shown() []MeterShown {
	if d.n(2) > 0 {
		return nil
	}
	return []MeterShown{{rapid.SampledFrom([]string{"engine", "reel"}).Draw(d.t, "meter"), d.h()}}
}

func (d *logDraw) event(charts []*Chart) *Event {
	e := &Event{Key: Key{Stream: [16]byte{'x', byte(len(*d.keys)), 1}}, Writer: WriterPerson, At: d.at(), Known: minute(d.n(7000)), Body: d.body(charts)}
	if e.Kind() >= KindCommissioned {
		e.Writer = WriterService
	}
	return e
}

func (d *logDraw) body(charts []*Chart) Body {
	switch d.n(13) {
	case 0:
		return &EditionTaken{Chart: charts[d.n(2)]}
	case 1:
		return &Void{Record: d.key()}
	case 2:
		return &Confirmed{Record: d.key(), As: d.id()}
	case 3:
		return &GunMeasured{Gun: d.id(), Micro: d.milli() * 1000}
	case 4:
		return &HandedOver{Customer: d.id()}
	case 5, 6:
		return &Attachment{Attachment: d.id(), Piece: d.id(), On: d.n(1) == 0, Shown: d.shown(),
			Carried: []CarriedRecord{{Record: d.key(), Task: d.id(), At: d.at(), Date: dayOne, Hours: d.shown()}}}
	case 7:
		return &HandReading{Reading: Reading{Meter: d.id(), Shown: d.h(), Resolution: busStep}}
	case 8:
		return &DoubtAnswer{Doubt: sameActKey(d.key(), d.key()), Word: DoubtWord(1 + d.n(5))}
	case 9:
		return &RulesChanged{Version: WorkRules}
	}
	b := &ServiceDone{Tasks: append(d.list(), "trough/wear"), Round: d.id(), Date: civil.None, Shown: d.shown(), As: d.id(), About: d.n(5) == 0, Failed: d.list(),
		ShieldsOff: uint32(d.n(1)), Closes: []Key{d.key()}}
	b.Materials = []MaterialUsed{{Material: d.id(), Milli: d.milli(), Unit: d.id(), Task: d.id(), Gun: d.id()}}
	b.Measured = []Measured{{Task: d.id(), Spot: d.id(), Micro: d.milli(), Unit: d.id(), State: d.id(), Left: d.n(1) == 0}}
	b.Parts = []PartFitted{{Part: d.id(), Variant: d.id(), Off: d.n(3) == 0}}
	b.Seen = []SeenWord{{Task: d.id(), Criterion: d.id()}}
	b.Found = []AsFound{{Task: d.id(), Word: FoundWord(1 + d.n(2))}}
	return b
}
