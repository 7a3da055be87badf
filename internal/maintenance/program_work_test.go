package maintenance

import (
	"fmt"
	"math/rand/v2"
	"testing"

	"github.com/stretchr/testify/require"

	"github.com/hourbell/hourbell/internal/maintenance/civil"
	"github.com/hourbell/hourbell/internal/maintenance/hours"
	"github.com/hourbell/hourbell/internal/maintenance/moment"
)

// everyRule is a chart with a task of each sort; its figures are invented and
// small, so that a run of a few hundred events sees them all.
func everyRule() *Chart {
	dusty := []Cond{{Of: "dust", Op: CondIs, Words: []string{"heavy"}}}
	hour := func(every hours.Millis) Limb {
		return Limb{Kind: LimbHours, Meter: "engine", Every: every * hours.Hour}
	}
	return workChart(
		TaskDef{ID: "t/0", Limbs: []Limb{hour(9), {Kind: LimbDays, Days: 2}}},
		TaskDef{ID: "t/1", Limbs: []Limb{{Kind: LimbHours, Meter: "thresher", Every: 15 * hours.Hour, Grid: true}, {Kind: LimbMonths, Months: 1, Grid: true, GridFrom: dayOne}}},
		TaskDef{ID: "t/2", Limbs: []Limb{{Kind: LimbDays, Days: 1, Meter: "thresher", While: dusty}}},
		TaskDef{ID: "t/3", Limbs: []Limb{{Kind: LimbCounted, Of: "stone", Count: 3000}, {Kind: LimbSeason, When: SeasonBefore}}},
		TaskDef{ID: "t/4", Limbs: []Limb{{Kind: LimbSeason, When: SeasonIn}}, Instead: []InsteadDef{{Limbs: []Limb{hour(11)}, Provided: []string{"t/0"}, NotIf: []string{"under-warranty"}}}},
		TaskDef{ID: "t/5", Triggers: []TriggerDef{{Kind: TriggerEvent, Name: "plug-cleared", If: []Cond{{Of: "minutes", Op: CondAbove, Milli: 99_000}}}, {Kind: TriggerCode, Name: "rotor-hot", By: ByHours, In: 7 * hours.Hour}}},
		TaskDef{ID: "t/6", Triggers: []TriggerDef{{Kind: TriggerBefore, Name: "washed", By: ByNextStart}, {Kind: TriggerFinding, Name: "slip", By: ByDays, InDays: 3}}},
		TaskDef{ID: "t/7", Triggers: []TriggerDef{{Kind: TriggerEvent, Name: "stone", Count: 2, Within: 6 * hours.Hour}, {Kind: TriggerDone, Name: "t/3"}, {Kind: TriggerFitted, Name: "chopper-belt"}}},
		TaskDef{ID: "t/8", Soft: true, Round: "evening", Limbs: []Limb{hour(5)}},
		TaskDef{ID: "t/9", Round: "evening", RunIns: []RunInDef{{Part: "chopper-belt", Meter: "engine", Marks: []hours.Millis{hours.Hour / 2, 12 * hours.Hour}}}},
	)
}

// workBody is program.body for a machine under WorkRules.
func (p *program) workBody() Body {
	task := fmt.Sprintf("t/%d", p.byte()%10)
	switch p.byte() % 16 {
	case 0, 1, 2, 3, 4:
		r := p.reading()
		return &r
	case 5, 6:
		return &ServiceDone{Tasks: []string{task}, Date: civil.None}
	case 7:
		return &Void{Record: p.key()}
	case 8, 9:
		return &FieldEvent{Event: []string{"stone", "washed", "plug-cleared", EventConditions}[p.byte()%4], Minutes: uint32(p.byte()),
			Ahead: p.byte()%3 == 0, Facts: []Fact{{"dust", []string{"heavy", "light"}[p.byte()%2]}}}
	case 10:
		return &Season{Season: []string{"y31", "y32"}[p.byte()%2], Open: p.byte()%2 == 0, Date: dayOne.AddDays(int(p.byte() % 70))}
	case 11:
		b := &Postponed{Tasks: []string{task}, Round: "evening", Why: "rain", ForHours: hours.Millis(p.byte()%4) * hours.Hour, UntilDate: civil.None}
		if p.byte()%2 == 0 {
			b.UntilDate = dayOne.AddDays(int(p.byte() % 60))
		}
		return b
	case 12:
		n := int(p.byte() % 60)
		from := sunrise.Add(hours.Millis(n) * 24 * hours.Hour)
		return &DayTurned{Date: dayOne.AddDays(n), From: from, Until: from.Add(24 * hours.Hour)}
	case 13:
		return &Warning{Code: Code{Source: 40, SPN: 520777, FMI: p.byte() % 2}, Phase: WarningPhase(p.byte() % 4)}
	case 14:
		return &Engine{Running: p.byte()%2 == 0}
	}
	return &Finding{Finding: "slip"}
}

func (p *program) workEvent() *Event {
	e := p.event()
	e.Body = p.workBody()
	switch b := e.Body.(type) {
	case *DayTurned:
		e.Key, e.Writer = DayKey(b.Date), WriterService
	case *Season, *Finding:
		e.Writer = WriterService
		if e.Key.Seq != 0 {
			e.Key = Key{Stream: [16]byte{2, p.byte(), p.byte()}}
		}
	}
	p.keys = append(p.keys, e.Key)
	return e
}

// A reading that crosses nothing is not looked at twice: nothing may be left
// undone by that. And a state that was decoded goes on as the one it was.
func TestAnyWorkEventsInAnyOrder(t *testing.T) {
	seen := map[DueState]int{}
	for seed := range uint64(20) {
		r := rand.New(rand.NewPCG(seed, programSeed))
		b := make([]byte, 2000)
		for i := range b {
			b[i] = byte(r.Uint32())
		}
		runWork(t, b, seen)
	}
	for state := DueUnknown; state <= Overdue; state++ {
		require.Positive(t, seen[state], state.String())
	}
}

func runWork(t *testing.T, b []byte, seen map[DueState]int) {
	p := program{b: b, clock: sunrise}
	chart := everyRule()
	require.NoError(t, chart.Check())
	s := New()
	Apply(s, &Event{Key: ServiceKey("rules"), Writer: WriterService, Body: &RulesChanged{Version: WorkRules}}, nil)
	Apply(s, &Event{Key: ServiceKey("edition"), Writer: WriterService, Body: &EditionTaken{Chart: chart}}, nil)
	s.Parts = []Part{{ID: "chopper-belt", Pieces: []Piece{{At: moment.At(sunrise), Hours: []MeterShown{{"engine", 0}}}}}}
	s.Traits = []TraitKnown{{Name: "under-warranty", Value: No}}
	begin := step{s: s, e: &Event{Key: ServiceKey("begin"), Known: sunrise, Body: &Engine{}}, moved: nowhere}
	begin.settleAll()
	charts := func([32]byte) (*Chart, error) { return chart, nil }
	for n := 0; len(p.b) > 0; n++ {
		if n%7 == 0 {
			back, err := DecodeState(AppendState(nil, s), charts)
			require.NoError(t, err)
			require.Equal(t, s.Hash(), back.Hash())
			s = back
		}
		e := p.workEvent()
		twin := s.Clone()
		Admit(s, e)
		Apply(s, e, nil)
		Apply(twin, e, nil)
		require.Equal(t, s.Hash(), twin.Hash(), "event %d: %T", n, e.Body)
		left := step{s: s.Clone(), e: e, moved: nowhere}
		left.settleAll()
		for _, f := range left.fx {
			require.NotContains(t, []EffectKind{EffectDueChanged, EffectNoticeRaised, EffectNoticeWithdrawn, EffectPostponed}, f.Kind, "left undone by event %d: %T, task %d from %v to %v", n, e.Body, f.Index, f.Was, f.Now)
		}
		require.Empty(t, unsoundWork(s))
		for i := range s.Tasks {
			seen[s.Tasks[i].State]++
		}
	}
	for i := range s.Tasks {
		_, err := Explain(s, s.Tasks[i].ID)
		require.NoError(t, err)
	}
}

// unsoundWork holds notices to due states, and lists to their order.
func unsoundWork(s *State) string {
	open := map[string]int{}
	for i := range s.Notices {
		if n := &s.Notices[i]; n.Withdrawn.IsZero() && n.Task != "" {
			open[n.Task]++
		}
	}
	for i := range s.Tasks {
		task, want := &s.Tasks[i], 0
		if task.State >= DueSoon && task.putOff() == nil && !s.Chart.Tasks[i].Soft {
			want = 1
		}
		if open[task.ID] != want {
			return fmt.Sprintf("%d notices for %s, which is %v", open[task.ID], task.ID, task.State)
		}
	}
	for i := 1; i < len(s.Happened); i++ {
		if s.Happened[i-1].compare(&s.Happened[i]) >= 0 {
			return "what happened is out of order"
		}
	}
	return ""
}

// A state that decodes may be nonsense: it takes events all the same.
func FuzzDecodeWorkState(f *testing.F) {
	chart := everyRule()
	w := &world{t: f, s: New(), seq: map[byte]uint64{}}
	w.service("rules 2", after("0"), &RulesChanged{Version: WorkRules})
	w.service("edition", after("0"), &EditionTaken{Chart: chart})
	w.turn(0, 2)
	w.bus(after("1"), "100.00")
	for i := range 10 {
		w.done(after("1"), fmt.Sprintf("t/%d", i))
	}
	w.tells(after("2"), "stone", 30, Fact{"dust", "heavy"})
	w.opens("y31", "wheat", true, dayOne.AddDays(3))
	w.s.Parts = []Part{{ID: "chopper-belt", Pieces: []Piece{fit(w, after("2"), "101.00", "aramid")}}}
	w.says(after("3"), &Postponed{Round: "evening", Why: "rain", ForHours: hours.Hour, UntilDate: civil.None})
	w.bus(after("12"), "111.00")
	f.Add(AppendState(nil, w.s))
	f.Fuzz(func(t *testing.T, b []byte) {
		s, err := DecodeState(b, func([32]byte) (*Chart, error) { return chart, nil })
		if err != nil {
			return
		}
		p := program{b: b}
		for range 8 {
			e := p.workEvent()
			Admit(s, e)
			Apply(s, e, nil)
		}
		for i := range s.Tasks {
			_, _ = Explain(s, s.Tasks[i].ID)
			s.tooSoon(i, moment.At(sunrise), nil, dayOne)
		}
	})
}
