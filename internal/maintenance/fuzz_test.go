package maintenance

import (
	"math/rand/v2"
	"testing"

	"github.com/stretchr/testify/require"

	"github.com/hourbell/hourbell/internal/maintenance/civil"
	"github.com/hourbell/hourbell/internal/maintenance/hours"
	"github.com/hourbell/hourbell/internal/maintenance/moment"
)

func FuzzDecodeEvent(f *testing.F) {
	for _, e := range goldenSeason(f).log {
		f.Add(AppendEvent(nil, e))
	}
	f.Fuzz(func(t *testing.T, b []byte) {
		e, err := DecodeEvent(b)
		if err != nil {
			require.ErrorIs(t, err, ErrEncoding)
			return
		}
		require.Equal(t, b, AppendEvent(nil, e))
		s := New()
		Admit(s, e)
		Apply(s, e, nil)
		Admit(s, e)
		require.Equal(t, s.Hash(), s.Clone().Hash())
	})
}

// A state that decodes may be nonsense: it takes events all the same.
func FuzzDecodeState(f *testing.F) {
	w := newWorld(f, heronChart())
	f.Add(AppendState(nil, w.s))
	w.bus(after("1"), "2104.60")
	w.done(after("1"), "sieve-pivot/grease")
	w.bus(after("60"), "0.15")
	f.Add(AppendState(nil, w.s))
	w.bus(after("61"), "2155.00")
	f.Add(AppendState(nil, w.s))
	year := newOtter(f)
	year.trait("1", "serial", "7100")
	year.answerAll("2", year.begin("2", "dawn", "p1"), "p1")
	f.Add(AppendState(nil, year.s))
	chart, whole := heronChart(), wholeChart()
	charts := map[[32]byte]*Chart{year.s.Chart.Hash(): year.s.Chart, whole.Hash(): whole}
	f.Fuzz(func(t *testing.T, b []byte) {
		s, err := DecodeState(b, func(hash [32]byte) (*Chart, error) {
			if c := charts[hash]; c != nil {
				return c, nil
			}
			return chart, nil
		})
		if err != nil {
			return
		}
		if s.Chart == nil || s.work.hash == chart.Hash() {
			require.Equal(t, b, AppendState(nil, s))
		}
		p := program{b: b}
		for range 8 {
			e := p.event()
			Admit(s, e)
			Apply(s, e, nil)
			e = p.wholeEvent()
			Admit(s, e)
			Apply(s, e, nil)
		}
		for i := range s.Tasks {
			_, _ = Explain(s, s.Tasks[i].ID)
		}
		for i := range s.Meters {
			s.DayHours(s.Meters[i].ID)
		}
	})
}

// program reads bytes as a run of events from a small world, most of them
// nearly right.
type program struct {
	b     []byte
	seq   [3]uint64
	clock moment.Instant
	keys  []Key
	ids   []NoticeID
}

func (p *program) byte() byte {
	if len(p.b) == 0 {
		return 0
	}
	b := p.b[0]
	p.b = p.b[1:]
	return b
}

func (p *program) key() Key {
	if len(p.keys) == 0 {
		return Key{Seq: 3}
	}
	return p.keys[int(p.byte())%len(p.keys)]
}

func (p *program) notice() (id NoticeID) {
	if len(p.ids) > 0 {
		id = p.ids[int(p.byte())%len(p.ids)]
	}
	return id
}

func (p *program) hours() hours.Millis {
	switch b := p.byte(); b % 8 {
	case 0:
		return hours.Millis(int64(b)-128) << (p.byte() % 56)
	default:
		return hours.Millis(p.clock.Elapsed(sunrise))/4 + hours.Millis(int(p.byte())-100)*busStep
	}
}

func (p *program) span() moment.Span {
	p.clock = p.clock.Add(hours.Millis(p.byte()) * hours.Minute)
	at := p.clock
	switch b := p.byte(); b % 16 {
	case 0:
		return moment.Span{}
	case 1:
		return moment.Span{NotBefore: at.Add(-hours.Millis(b) * hours.Hour), NotAfter: at}
	case 2:
		return moment.Span{NotAfter: at}
	case 3:
		return moment.At(at.Add(-hours.Millis(p.byte()) * hours.Hour / 4))
	case 4:
		return moment.Span{NotBefore: moment.Instant(int64(b) << (p.byte() % 60)), NotAfter: moment.Instant(int64(p.byte()) << (p.byte() % 60))}
	}
	return moment.At(at)
}

func (p *program) event() *Event {
	e := &Event{Writer: WriterPerson, At: p.span(), Known: p.clock, Body: p.body()}
	if b := p.byte(); b%3 == 0 {
		spool := b % 2
		p.seq[spool]++
		e.Key, e.Writer = Key{Stream: box('a' + spool), Seq: p.seq[spool] + uint64(b/100)}, WriterAgent
	} else {
		e.Key.Stream[0], e.Key.Stream[1], e.Key.Stream[2] = 1, b, p.byte()
	}
	if d, ok := e.Body.(*DayTurned); ok {
		e.Key = DayKey(d.Date)
	}
	p.keys = append(p.keys, e.Key)
	return e
}

func (p *program) reading() Reading {
	return Reading{Meter: []string{"engine", "thresher", "winch"}[p.byte()%3], Shown: p.hours(), Resolution: busStep * hours.Millis(p.byte()%4), Origin: Origin(p.byte() % 5)}
}

func (p *program) body() Body {
	tasks := []string{"sieve-pivot/grease", "drum-bearing/grease", "engine-sump/change", "cab-filter/look", "winch/look", "none"}
	switch p.byte() % 20 {
	case 0, 1, 2, 3, 4, 5:
		r := p.reading()
		return &r
	case 6:
		return &HandReading{Reading: p.reading()}
	case 7, 8:
		d := &ServiceDone{Tasks: []string{tasks[p.byte()%6]}, Date: civil.None}
		if p.byte()%2 == 0 {
			d.Shown = []MeterShown{{"engine", p.hours()}}
		}
		return d
	case 9:
		return &Void{Record: p.key()}
	case 10:
		return &DoubtAnswer{Doubt: p.key(), Word: DoubtWord(p.byte() % 5)}
	case 11:
		return &NoticeAnswer{Notice: p.notice(), Word: NoticeWord(p.byte() % 3), Later: hours.Millis(p.byte()%3) * hours.Hour}
	case 12:
		return &BusNames{Vehicle: []string{"", "A", "B"}[p.byte()%3], Engine: []string{"", "E", "F"}[p.byte()%3], Claims: []BusName{{p.byte() % 2, uint64(p.byte() % 3)}}}
	case 13:
		n := int(p.byte() % 60)
		from := sunrise.Add(hours.Millis(n) * 24 * hours.Hour)
		return &DayTurned{Date: dayOne.AddDays(n), From: from, Until: from.Add(24 * hours.Hour)}
	case 14:
		if p.byte()%2 == 0 {
			return &EditionTaken{Chart: secondEdition()}
		}
		return &EditionTaken{Chart: heronChart()}
	case 15:
		return &Warning{Code: Code{Source: p.byte() % 2, SPN: uint32(p.byte() % 4)}, Phase: WarningPhase(p.byte() % 4)}
	case 16:
		return &Engine{Running: p.byte()%2 == 0}
	case 17:
		return &Listened{From: p.clock.Add(-hours.Millis(p.byte()) * hours.Minute), To: p.clock}
	case 18:
		return &NoticeFate{Notice: p.notice(), Channel: "web", Word: NoticeFateWord(p.byte() % 3)}
	}
	return &Thinned{Events: uint64(p.byte() % 3)}
}

func FuzzApply(f *testing.F) {
	seed := uint32(7)
	for range 12 {
		b := make([]byte, 600)
		for i := range b {
			seed = seed*1664525 + 1013904223
			b[i] = byte(seed >> 24)
		}
		f.Add(b)
	}
	f.Fuzz(func(t *testing.T, b []byte) {
		runProgram(t, b)
	})
}

// runProgram applies a run of events and holds the state to what must hold
// whatever they are.
func runProgram(t require.TestingT, b []byte) {
	p := program{b: b, clock: sunrise}
	s := New()
	Apply(s, &Event{Key: ServiceKey("edition"), Writer: WriterService, Body: &EditionTaken{Chart: heronChart()}}, nil)
	for n := 0; len(p.b) > 0 && n < 400; n++ {
		p.step(t, s)
		if why := unsound(s); why != "" {
			require.Fail(t, why, "after event %d", n)
		}
	}
	charts := func(hash [32]byte) (*Chart, error) {
		if c := secondEdition(); c.Hash() == hash {
			return c, nil
		}
		return heronChart(), nil
	}
	back, err := DecodeState(AppendState(nil, s), charts)
	require.NoError(t, err)
	require.Equal(t, s.Hash(), back.Hash())
	for i := range s.Meters {
		// Too eager costs a look, too lazy misses a crossing.
		require.LessOrEqual(t, s.work.next[i], back.work.next[i])
		require.GreaterOrEqual(t, s.work.looked[i], back.work.looked[i])
	}
	require.Equal(t, s.work.closed, back.work.closed)
	for i := range s.Tasks {
		_, _ = Explain(s, s.Tasks[i].ID)
	}
}

// step applies one event. Only a person's answer may take a counter back, and a
// repeat changes nothing.
func (p *program) step(t require.TestingT, s *State) {
	e := p.event()
	totals := map[string]hours.Millis{}
	for i := range s.Meters {
		totals[s.Meters[i].ID] = s.Meters[i].Total
	}
	v, revision := Admit(s, e), s.Revision
	if v.Word == VerdictRepeat || v.Word == VerdictFork {
		before := s.Hash()
		Apply(s, e, nil)
		require.Equal(t, before, s.Hash())
		return
	}
	for _, f := range Apply(s, e, nil) {
		if f.Kind == EffectNoticeRaised {
			require.Equal(t, f.Notice, s.Notices[f.Index].ID)
			p.ids = append(p.ids, f.Notice)
		}
	}
	require.Equal(t, revision+1, s.Revision)
	if _, answer := e.Body.(*DoubtAnswer); answer {
		return
	}
	for i := range s.Meters {
		if m := &s.Meters[i]; m.Total < totals[m.ID] {
			require.Fail(t, "a counter moved backwards", "%s from %v to %v by %T", m.ID, totals[m.ID], m.Total, e.Body)
		}
	}
}

// unsound holds a state to its bounds and its order, and the due states at hand
// to those worked out anew. It says what is wrong, or "".
func unsound(s *State) string {
	for i := range s.Meters {
		if why := unsoundMeter(&s.Meters[i]); why != "" {
			return s.Meters[i].ID + ": " + why
		}
	}
	open := map[string]int{}
	for i := range s.Notices {
		if n := &s.Notices[i]; n.Withdrawn.IsZero() && n.Task != "" {
			open[n.Task]++
		}
	}
	for i := range s.Tasks {
		if why := unsoundTask(s, &s.Tasks[i], open[s.Tasks[i].ID]); why != "" {
			return s.Tasks[i].ID + ": " + why
		}
	}
	return ""
}

func unsoundMeter(m *Meter) string {
	if len(m.Lives) > LivesKept || len(m.Held) > HeldKept || len(m.Trail) > trailMost || len(m.DayTops) > DaysKept {
		return "beyond its bounds"
	}
	for j := 1; j < len(m.Trail); j++ {
		if m.Trail[j-1].Total > m.Trail[j].Total {
			return "the trail falls"
		}
	}
	for j := 1; j < len(m.DayTops); j++ {
		if m.DayTops[j-1].Date >= m.DayTops[j].Date {
			return "the days are out of order"
		}
	}
	for j := range m.Lives {
		if m.Lives[j].First > m.Lives[j].Last {
			return "a life ends below its first figure"
		}
	}
	if n := len(m.Lives); n > 0 && m.Lives[n-1].End() != m.Total {
		return "the total is not the current life's end"
	}
	return ""
}

func unsoundTask(s *State, task *Task, open int) string {
	if len(task.Records) > RecordsKept || len(task.Crossed) > CrossedKept {
		return "beyond its bounds"
	}
	want := 0
	if task.State >= DueSoon && !task.Gone {
		want = 1
	}
	switch {
	case open != want:
		return "not one notice stands for a task that is due and none for another"
	case task.latest() == nil && task.State != DueUnknown:
		return "known without a record"
	}
	c, err := Counter(s, task.ID)
	if err != nil || len(c.Limbs) == 0 {
		return ""
	}
	most := DueUnknown
	for _, l := range c.Limbs {
		most = max(most, l.State)
	}
	if most != task.State {
		return "it is " + task.State.String() + " and worked out anew " + most.String()
	}
	return ""
}

func TestAnyEventsInAnyOrder(t *testing.T) {
	for seed := range uint64(150) {
		r := rand.New(rand.NewPCG(seed, programSeed))
		b := make([]byte, 200+r.IntN(2000))
		for i := range b {
			b[i] = byte(r.Uint32())
		}
		runProgram(t, b)
	}
}

// programSeed is any number; another one gives other runs.
const programSeed = 31
