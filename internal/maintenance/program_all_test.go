package maintenance

import (
	"fmt"
	"math/rand/v2"
	"slices"
	"testing"

	"github.com/stretchr/testify/require"

	"github.com/hourbell/hourbell/internal/maintenance/civil"
	"github.com/hourbell/hourbell/internal/maintenance/moment"
)

// wholeChart has all that the charts of the other tests have, on one machine.
func wholeChart() *Chart {
	c, log, walk := everyRule(), logChart(), otterChart()
	c.ID = "heron-whole"
	c.Meters = append(c.Meters, log.Meters[1])
	c.Codes = append(c.Codes, walk.Codes...)
	c.Rounds = append(append(c.Rounds, log.Rounds...), walk.Rounds...)
	c.Cautions, c.Walks, c.Leads, c.Settings = walk.Cautions, walk.Walks, walk.Leads, walk.Settings
	c.Attachments, c.Materials = log.Attachments, log.Materials
	c.Events = append(append(c.Events, log.Events...), walk.Events[1:]...)
	c.Traits = append(append(c.Traits, log.Traits...), walk.Traits...)
	c.Conditions = append(c.Conditions, walk.Conditions...)
	c.Parts = append(log.Parts, walk.Parts...)
	c.Parts[0].Variants = append(c.Parts[0].Variants, "aramid", "polyester")
	c.Points = append(append(c.Points, log.Points...), walk.Points...)
	for i := range c.Tasks {
		c.Tasks[i].Point = "crank-bearing"
	}
	c.Tasks = append(append(c.Tasks, log.Tasks...), walk.Tasks...)
	c.Tasks[0].Who, c.Tasks[1].SignOff = "technician", true
	return c
}

// otherWhole drops every third task, a part, a measure and the attachment.
func otherWhole() *Chart {
	c := wholeChart()
	c.Edition++
	var tasks []TaskDef
	for i, d := range c.Tasks {
		if i%3 == 2 || d.Point == "reel-cam" {
			continue
		}
		d.Measure, d.Instead = nil, nil
		if i < 10 {
			d.Triggers, d.Covers = nil, nil
		}
		tasks = append(tasks, d)
	}
	c.Tasks = tasks
	for i := range c.Tasks {
		c.Tasks[i].Covers = slices.DeleteFunc(slices.Clone(c.Tasks[i].Covers), func(id string) bool { return c.indexOf(id) < 0 })
		c.Tasks[i].Triggers = slices.DeleteFunc(slices.Clone(c.Tasks[i].Triggers), func(tr TriggerDef) bool { return tr.Kind == TriggerDone && c.indexOf(tr.Name) < 0 })
	}
	return c
}

func (c *Chart) indexOf(task string) int {
	return slices.IndexFunc(c.Tasks, func(d TaskDef) bool { return d.ID == task })
}

// wholeTasks are what a program speaks of, with a set, a word that is unknown and
// the empty one.
var wholeTasks = func() []string {
	out := []string{"breather/change", "no/such", ""}
	for _, d := range wholeChart().Tasks {
		out = append(out, d.ID)
	}
	return out
}()

func (p *program) pick(list ...string) string { return list[int(p.byte())%len(list)] }

func (p *program) task() string { return p.pick(wholeTasks...) }

func (p *program) micro() int64 { return int64(p.byte()) * 50_000 }

// wholeBody is program.body with each of the bodies that came with WorkRules.
func (p *program) wholeBody() Body {
	person := p.pick("", "p1", "p2", "p3")
	switch p.byte() % 20 {
	case 0, 1, 2:
		return p.workBody()
	case 3:
		return p.body()
	case 4, 5, 6:
		return p.wholeDone(person)
	case 7:
		return &Void{Record: p.wholeRecord(), Person: person}
	case 8:
		return &Confirmed{Record: p.key(), Person: person, As: p.pick("operator", "technician", "dealer")}
	case 9:
		return &Remark{Point: p.pick("", "ladder", "hub"), Task: p.task(), Name: p.pick("", "flap-stiff"), Text: "seen", Verdict: RunVerdict(p.byte() % 4), DoBy: civil.None, Person: person}
	case 10:
		return &RemarkWord{Remark: p.key(), Act: RemarkAct(p.byte() % 5), Why: "so", DoBy: dayOne.AddDays(int(p.byte() % 9)), Person: person}
	case 11:
		return &Walk{Act: WalkBegin, Occasion: p.pick("dawn", WalkBeforeSeason, "hand-over"), Date: civil.None, Person: person, Looked: p.looked()}
	case 12, 13:
		return &Walk{Act: WalkAnswer, Walk: p.key(), Date: civil.None, Person: person, Looked: p.looked()}
	case 14:
		return &Walk{Act: WalkSign + WalkAct(p.byte()%2), Walk: p.key(), Date: civil.None, Person: person, Why: "so"}
	case 15:
		return p.wholeAttachment()
	case 16:
		return &Trait{Name: p.pick("serial", "shaker_belt", "rented", "chopper_cord", "under-warranty"), Value: p.pick("", "7100", "7500", "grey", "woven", Yes, No), Person: person}
	case 17:
		if p.byte()%2 == 0 {
			return &HandedOver{Customer: p.pick("mill", "farm"), Site: "lower-tarn", Person: person}
		}
		return &GunMeasured{Gun: p.pick("g1", "g2"), Micro: p.micro(), Person: person}
	case 18:
		if p.byte()%2 == 0 {
			return &EditionTaken{Chart: otherWhole()}
		}
		return &EditionTaken{Chart: wholeChart()}
	}
	if p.byte()%3 == 0 {
		return &CauseFound{Lead: "shaker-lags", Remark: p.key(), Point: "tail-flap", Person: person}
	}
	return &SettingsLeft{Settings: []SettingLeft{{Setting: "drum", Left: micro(p.micro())}, {Setting: "grate", LeftWord: p.pick("wide", "narrow")}}, Facts: []Fact{{"crop", "rye"}}, Person: person}
}

func (p *program) wholeRecord() Key {
	if p.byte()%3 == 0 {
		return WalkRecord(p.key(), p.task())
	}
	return p.key()
}

func (p *program) measured(task string) (out []Measured) {
	spots := map[string][]string{"trough/wear": {"near", "mid", "far"}, "shaker-belt/gap": {"upper", "lower"}}[task]
	for _, spot := range spots {
		if b := p.byte(); b%4 > 0 {
			out = append(out, Measured{Task: task, Spot: spot, Unit: "mm", Micro: p.micro(), Left: b%2 == 0})
		}
	}
	return out
}

func (p *program) looked() (out []Looked) {
	for range p.byte() % 4 {
		l := Looked{Task: p.pick("ladder/look", "tail-flap/look", "shaker-belt/gap", "new-filter/drain", p.task()), Word: LookedWord(p.byte()%4 + 1), Text: "seen"}
		l.Measured = p.measured(l.Task)
		out = append(out, l)
	}
	return out
}

func (p *program) wholeDone(person string) Body {
	task := p.task()
	b := &ServiceDone{Tasks: []string{task, p.task()}, Round: p.pick("", "", "dusk", "evening"), Date: civil.None, Person: person, As: p.pick("", "operator", "technician", "dealer")}
	b.Measured = p.measured(task)
	switch p.byte() % 6 {
	case 0:
		b.Parts = []PartFitted{{Part: p.pick("chopper-belt", "breather", "reel-cam", "shaker-belt", "odd"), Variant: p.pick("", "woven"), Off: p.byte()%4 == 0, Why: OffWornOut}}
	case 1:
		b.Failed, b.Tasks = []string{p.task()}, b.Tasks[:1]
	case 2:
		b.Materials = []MaterialUsed{{Material: p.pick("blue", "white", "green", "odd"), Milli: int64(p.byte()) * 100, Unit: p.pick("stroke", "g", "ml"), Task: p.pick("crank-bearing/grease", "")}}
		b.Found = []AsFound{{Task: "crank-bearing/grease", Word: FoundWord(p.byte()%3 + 1)}}
	case 3:
		b.Seen = []SeenWord{{Task: "trough/wear", Criterion: "floor", InOrder: p.byte()%2 == 0}, {Task: "tail-flap/look", Criterion: "hinge"}}
		b.ShieldsOff, b.ShieldsOn = 3, uint32(p.byte()%4)
	case 4:
		b.Closes = []Key{p.key(), p.key()}
	case 5:
		b.Shown = []MeterShown{{p.pick("engine", "thresher", "reel"), p.hours()}}
		b.Date = dayOne.AddDays(int(p.byte() % 60))
	}
	return b
}

func (p *program) wholeAttachment() Body {
	b := &Attachment{Attachment: "reel-head", On: p.byte()%2 == 0, Piece: p.pick("r1", "r2")}
	if p.byte()%2 == 0 {
		b.Shown = []MeterShown{{"reel", max(p.hours(), 0)}}
	}
	if b.On && p.byte()%2 == 0 {
		b.Carried = []CarriedRecord{{Record: p.key(), Task: "reel-cam/grease", At: moment.At(p.clock), Date: civil.None, Hours: b.Shown}}
	}
	return b
}

// wholeEvent gives a body to whom may write it.
func (p *program) wholeEvent() *Event {
	e := p.event()
	e.Body = p.wholeBody()
	if d, ok := e.Body.(*DayTurned); ok {
		e.Key, e.Writer = DayKey(d.Date), WriterService
	} else if e.Key.Seq != 0 && p.byte()%4 > 0 {
		e.Key, e.Writer = Key{Stream: [16]byte{3, p.byte(), p.byte()}}, WriterPerson
	}
	switch e.Body.(type) {
	case *Season, *Finding, *EditionTaken, *Attachment, *Trait, *HandedOver:
		e.Writer = WriterService
	}
	p.keys[len(p.keys)-1] = e.Key
	return e
}

// runWhole applies a run of events to a machine under WorkRules. Each event gives
// a sound state; what is refused changes none but what every event does; a state
// that was decoded goes on as the one it was; nothing is left undone; and every
// view of it can be shown.
func runWhole(t require.TestingT, b []byte, seen map[EffectKind]int) {
	p := program{b: b, clock: sunrise}
	s := New()
	Apply(s, &Event{Key: ServiceKey("rules"), Writer: WriterService, Body: &RulesChanged{Version: WorkRules}}, nil)
	if len(b)%3 > 0 {
		Apply(s, &Event{Key: ServiceKey("edition"), Writer: WriterService, Body: &EditionTaken{Chart: wholeChart()}}, nil)
	}
	for n := 0; len(p.b) > 0 && n < 300; n++ {
		e := p.wholeEvent()
		twin := s
		if n%5 == 0 {
			twin = decoded(t, s)
		}
		v := Admit(s, e)
		fx := Apply(s, e, nil)
		for _, f := range fx {
			seen[f.Kind]++
			if f.Kind == EffectNoticeRaised {
				p.ids = append(p.ids, f.Notice)
			}
		}
		why := fmt.Sprintf("event %d: %T", n, e.Body)
		if v.Word == VerdictRefuse && refusedWhole(e.Body) {
			for _, f := range fx {
				require.Equal(t, EffectIgnored, f.Kind, why)
			}
		}
		if twin != s {
			Apply(twin, e, nil)
			require.Equal(t, s.Hash(), twin.Hash(), "a decoded state goes on otherwise, %s", why)
			nothingLeft(t, s, e, why)
		}
		effectsPoint(t, s, fx, why)
		require.Empty(t, unsoundWhole(s), why)
	}
	shown(t, s)
}

// refusedWhole reports whether Apply ignores the whole of a body that Admit
// refuses. Of a record it takes in what is known.
func refusedWhole(b Body) bool {
	switch b.(type) {
	case *Trait, *Remark, *RemarkWord, *Walk, *SettingsLeft:
		return true
	}
	return false
}

func decoded(t require.TestingT, s *State) *State {
	charts := func(hash [32]byte) (*Chart, error) {
		for _, c := range []*Chart{wholeChart(), otherWhole(), heronChart(), secondEdition()} {
			if c.Hash() == hash {
				return c, nil
			}
		}
		return nil, fmt.Errorf("no chart %x", hash)
	}
	back, err := DecodeState(AppendState(nil, s), charts)
	require.NoError(t, err)
	require.Equal(t, s.Hash(), back.Hash())
	return back
}

// nothingLeft holds the state to one that is worked out anew.
func nothingLeft(t require.TestingT, s *State, e *Event, why string) {
	left := step{s: s.Clone(), e: e, moved: nowhere}
	left.rebuildTasks()
	left.settleAll()
	for _, f := range left.fx {
		require.NotContains(t, []EffectKind{EffectDueChanged, EffectNoticeRaised, EffectNoticeWithdrawn, EffectPostponed, EffectBuild}, f.Kind,
			"left undone by %s, index %d from %v to %v: %s", why, f.Index, f.Was, f.Now, f.Why)
	}
}

// effectsPoint holds the index of each effect to its list.
func effectsPoint(t require.TestingT, s *State, fx []Effect, why string) {
	lists := map[EffectKind]int{EffectDueChanged: len(s.Tasks), EffectRecord: len(s.Tasks), EffectPostponed: len(s.Tasks), EffectBuild: len(s.Tasks), EffectSaid: len(s.Tasks),
		EffectRemark: len(s.Remarks), EffectWalk: len(s.Walks), EffectPart: len(s.Parts), EffectSetting: len(s.Settings), EffectHappened: len(s.Happened),
		EffectAttachment: len(s.Attachments), EffectSeason: len(s.Seasons), EffectMeasure: len(s.Measures), EffectNoticeRaised: len(s.Notices)}
	for _, f := range fx {
		if n, ok := lists[f.Kind]; ok {
			require.Less(t, f.Index, n, "effect %d of %s", f.Kind, why)
		}
	}
}

// unsoundWhole holds a state to its bounds and its lists to their order.
func unsoundWhole(s *State) string {
	for name, over := range map[string]bool{
		"happened": len(s.Happened) > HappenedKept, "traits": len(s.Traits) > TraitsKept || len(s.Conditions) > TraitsKept, "seasons": len(s.Seasons) > SeasonsKept,
		"parts": len(s.Parts) > PartsKept, "measures": len(s.Measures) > MeasuresKept, "walks": len(s.Walks) > WalksKept, "settings": len(s.Settings) > SettingsKept,
		"guns": len(s.Guns) > GunsKept, "attachments": len(s.Attachments) > AttachKept, "causes": len(s.Causes) > CausesKept, "used": len(s.Used) > UsedKept,
		"found": len(s.FoundAt) > FoundKept, "owners": len(s.Owners) > OwnersKept, "remarks": s.remarksOpen() > RemarksOpen+RemarksKept,
	} {
		if over {
			return name + " beyond its bounds"
		}
	}
	for i := range s.Parts {
		if len(s.Parts[i].Pieces) > PiecesKept || i > 0 && s.Parts[i-1].ID >= s.Parts[i].ID {
			return "parts out of bounds or order"
		}
	}
	for i := range s.Measures {
		if m := s.Measures[i].Values; len(m) > ValuesSeen || !slices.IsSortedFunc(m, func(a, b MeasuredAt) int { return a.compare(&b) }) {
			return "values out of bounds or order"
		}
	}
	if !slices.IsSortedFunc(s.Happened, func(a, b Happening) int { return a.compare(&b) }) || !slices.IsSortedFunc(s.Used, func(a, b MaterialUsedAt) int { return a.compare(&b) }) ||
		!slices.IsSortedFunc(s.Seasons, func(a, b SeasonSeen) int { return a.compare(&b) }) {
		return "a list is out of order"
	}
	for i := range s.Tasks {
		task := &s.Tasks[i]
		if len(task.Records) > RecordsKept || len(task.Crossed) > CrossedKept || len(task.Postponed) > 1 {
			return task.ID + " beyond its bounds"
		}
	}
	return unsoundRinging(s)
}

// unsoundRinging holds the notices that stand to the tasks that ring.
func unsoundRinging(s *State) string {
	open := map[string]int{}
	for i := range s.Notices {
		if n := &s.Notices[i]; n.Withdrawn.IsZero() && n.Task != "" {
			open[n.Task]++
		}
	}
	for i := range s.Tasks {
		task, want := &s.Tasks[i], 0
		if def := s.taskDef(i); def != nil && task.State >= DueSoon && task.putOff() == nil && !def.Soft {
			want = 1
		}
		if open[task.ID] != want {
			return fmt.Sprintf("%d notices for %s, which is %v", open[task.ID], task.ID, task.State)
		}
		delete(open, task.ID)
	}
	for id := range open {
		return "a notice stands for " + id + ", which is no task"
	}
	return ""
}

// shown asks for all that pages show.
func shown(t require.TestingT, s *State) {
	for i := range s.Tasks {
		id := s.Tasks[i].ID
		_, _ = Explain(s, id)
		Review(s, id)
		if s.Tasks[i].Gone {
			continue
		}
		_, err := Counter(s, id)
		require.NoError(t, err)
	}
	for i := range s.Parts {
		s.PieceHistory(s.Parts[i].ID)
	}
	for i := range s.Walks {
		if s.walkDef(s.Walks[i].Occasion) != nil {
			_, err := Sheet(s, "", s.Walks[i].Key)
			require.NoError(t, err)
		}
	}
	Ready(s)
	Questions(s)
	SettingWords(s)
	s.CarryOut("reel-head")
	if s.Chart != nil {
		Look(s.Chart, s, Symptoms{Findings: []string{"shaker-drift"}})
	}
}

func TestAnyEventsOfAnyKind(t *testing.T) {
	require.NoError(t, wholeChart().Check())
	require.NoError(t, otherWhole().Check())
	seen, runs := map[EffectKind]int{}, uint64(14)
	if testing.Short() {
		runs = 4
	}
	for seed := range runs {
		r := rand.New(rand.NewPCG(seed, programSeed))
		b := make([]byte, 1500+r.IntN(2500))
		for i := range b {
			b[i] = byte(r.Uint32())
		}
		runWhole(t, b, seen)
	}
	for k := EffectDueChanged; k <= EffectTold; k++ {
		require.Positive(t, seen[k], "no event had effect %d", k)
	}
}

// FuzzApplyWork is FuzzApply under WorkRules, with every kind of body.
func FuzzApplyWork(f *testing.F) {
	r := rand.New(rand.NewPCG(3, programSeed))
	for n := range 8 {
		b := make([]byte, 900+n)
		for i := range b {
			b[i] = byte(r.Uint32())
		}
		f.Add(b)
	}
	f.Fuzz(func(t *testing.T, b []byte) { runWhole(t, b, map[EffectKind]int{}) })
}
