package maintenance

import (
	"fmt"
	"math/rand/v2"
	"slices"
	"testing"

	"github.com/stretchr/testify/require"

	"github.com/hourbell/hourbell/internal/maintenance/civil"
	"github.com/hourbell/hourbell/internal/maintenance/hours"
	"github.com/hourbell/hourbell/internal/maintenance/moment"
)

// late is an event and the one that it speaks of, nil none: it can't come before
// that one.
type late struct {
	e     *Event
	after *Event
}

// season draws acts of each kind on a machine that ran for some days. All of them
// may come late and in any order, but for what they speak of.
type lateSeason struct {
	r    *rand.Rand
	list []late
	n    int
}

func (d *lateSeason) add(at moment.Instant, b Body, after *Event) *Event {
	d.n++
	e := &Event{Key: ServiceKey("late", fmt.Sprint(d.n)), Writer: WriterPerson, At: moment.At(at), Known: after0("500"), Body: b}
	switch b.(type) {
	case *Trait, *Finding:
		e.Writer = WriterService
	}
	d.list = append(d.list, late{e, after})
	return e
}

func after0(text string) moment.Instant { return after(text) }

// when is a time, another one for each act.
func (d *lateSeason) when() moment.Instant {
	return sunrise.Add(hours.Millis(1+d.r.IntN(100))*hours.Hour + hours.Millis(d.n)*hours.Minute/4)
}

func (d *lateSeason) pick(list ...string) string { return list[d.r.IntN(len(list))] }

func (d *lateSeason) draw() {
	at := d.when()
	switch d.r.IntN(9) {
	case 0, 1:
		b := &ServiceDone{Tasks: []string{d.pick("t/0", "t/1", "t/5", "t/6", "t/7", "t/9", "trough/overhaul", "breather/change", "breather/change:left")}, Date: civil.None, Person: "p1"}
		if d.r.IntN(3) == 0 {
			b.As = "operator"
		}
		e := d.add(at, b, nil)
		if d.r.IntN(4) == 0 {
			d.add(d.when(), &Void{Record: e.Key}, e)
		}
	case 2:
		e := d.add(at, &ServiceDone{Tasks: []string{"t/3"}, Date: civil.None, Parts: []PartFitted{{Part: d.pick("chopper-belt", "shaker-belt"), Variant: d.pick("woven", "")}}}, nil)
		if d.r.IntN(3) == 0 {
			d.add(d.when(), &Void{Record: e.Key}, e)
		}
	case 3:
		b := &ServiceDone{Tasks: []string{"trough/wear"}, Date: civil.None, Measured: []Measured{{Task: "trough/wear", Spot: d.pick("near", "mid"), Unit: "mm", Micro: int64(d.r.IntN(12)) * 100_000}}}
		if d.r.IntN(3) == 0 {
			b.Failed, b.Tasks = []string{"trough/look"}, b.Tasks[:1]
		}
		d.add(at, b, nil)
	case 4:
		d.add(at, &FieldEvent{Event: d.pick("stone", "washed", "plug-cleared", EventConditions), Minutes: uint32(d.r.IntN(200)), Ahead: d.r.IntN(4) == 0,
			Facts: []Fact{{"dust", d.pick("heavy", "light")}}}, nil)
	case 5:
		d.add(at, &Trait{Name: d.pick("serial", "shaker_belt", "chopper_cord", "under-warranty"), Value: ""}, nil)
		b := d.list[len(d.list)-1].e.Body.(*Trait)
		b.Value = map[string]string{"serial": d.pick("7100", "7500"), "shaker_belt": "grey", "chopper_cord": "plain", "under-warranty": d.pick(Yes, No)}[b.Name]
	case 6:
		walk := d.add(at, &Walk{Act: WalkBegin, Occasion: "dawn", Date: civil.None, Person: "p1"}, nil)
		for range d.r.IntN(3) {
			l := Looked{Task: d.pick("ladder/look", "tail-flap/look", "shaker-belt/gap"), Word: LookedWord(1 + d.r.IntN(3)), Text: "seen"}
			if l.Task == "shaker-belt/gap" && l.Word != LookedNot {
				l.Measured = []Measured{walkGap("upper", int64(60+d.r.IntN(110)), false)}
			}
			d.add(at.Add(hours.Millis(1+d.r.IntN(50))*hours.Minute), &Walk{Act: WalkAnswer, Walk: walk.Key, Looked: []Looked{l}, Date: civil.None, Person: "p1"}, walk)
		}
	case 7: // a void brings no postponement back that its record ended: none of these is void
		if d.r.IntN(2) == 0 {
			d.add(at, &ServiceDone{Tasks: []string{"hub/level"}, Date: civil.None, Person: "p1"}, nil)
			return
		}
		d.add(at, &Postponed{Tasks: []string{"hub/level"}, Why: "rain", UntilDate: dayOne.AddDays(20 + d.r.IntN(9))}, nil)
	case 8:
		d.add(at, &SettingsLeft{Settings: []SettingLeft{{Setting: "drum", Left: micro(int64(d.n))}}}, nil)
	}
}

// shuffled is the list in another order, each after what it speaks of.
func (d *lateSeason) shuffled() []*Event {
	rest, out := slices.Clone(d.list), []*Event(nil)
	d.r.Shuffle(len(rest), func(i, j int) { rest[i], rest[j] = rest[j], rest[i] })
	for len(rest) > 0 {
		i := slices.IndexFunc(rest, func(l late) bool { return l.after == nil || slices.Contains(out, l.after) })
		out = append(out, rest[i].e)
		rest = slices.Delete(rest, i, i+1)
	}
	return out
}

// What is told in any order gives the same: due states, records, pieces with their hours, values, answers of the build, remarks and
// walk-rounds.
func TestAnyOrderOfActsGivesTheSame(t *testing.T) {
	runs := uint64(120)
	if testing.Short() {
		runs = 30
	}
	for seed := range runs {
		d := &lateSeason{r: rand.New(rand.NewPCG(seed, programSeed))}
		for range 3 + d.r.IntN(14) {
			d.draw()
		}
		base := newWorld(t)
		base.service("rules", after("0"), &RulesChanged{Version: WorkRules})
		base.service("edition", after("0"), &EditionTaken{Chart: wholeChart()})
		for n := 1; n <= 5; n++ {
			from := dayAt(n, "0")
			d.list = append(d.list, late{e: &Event{Key: DayKey(dayOne.AddDays(n)), Writer: WriterService, At: moment.At(from), Known: from,
				Body: &DayTurned{Date: dayOne.AddDays(n), From: from, Until: dayAt(n+1, "0")}}})
		}
		var readings []*Event
		for i := range 60 {
			readings = append(readings, base.agent('a', moment.At(after("0").Add(hours.Millis(i)*2*hours.Hour)), reading((h("1000")+hours.Millis(i)*hours.Hour/4).String())))
		}
		want := d.told(t, base.s, readings, d.shuffled())
		for range 2 {
			require.Equal(t, want, d.told(t, base.s, readings, d.shuffled()), "seed %d", seed)
		}
	}
}

// told lets readings and acts arrive, mixed, and gives what must be the same.
func (d *lateSeason) told(t *testing.T, base *State, readings, acts []*Event) map[string]string {
	s, i := base.Clone(), 0
	for _, e := range acts {
		for ; i < len(readings) && d.r.IntN(6) > 0; i++ {
			Apply(s, readings[i], nil)
		}
		v := Admit(s, e)
		require.NoError(t, v.Err(), "%T %+v", e.Body, e.Body)
		Apply(s, e, nil)
	}
	for ; i < len(readings); i++ {
		Apply(s, readings[i], nil)
	}
	return sameWhole(s)
}

func sameWhole(s *State) map[string]string {
	out := map[string]string{}
	for i := range s.Tasks {
		task := &s.Tasks[i]
		out[task.ID] = fmt.Sprint(task.State, task.Build, task.latestKey(), task.Postponed)
		if r := task.latest(); r != nil {
			out[task.ID] += fmt.Sprint(r.Hours, r.Date)
		}
	}
	for i := range s.Parts {
		for _, l := range s.PieceHistory(s.Parts[i].ID) {
			out["part "+s.Parts[i].ID] += fmt.Sprint(l.Piece.Record, l.Ran, l.Known, l.On, l.UntilDate, "; ")
		}
	}
	for i := range s.Measures {
		m := &s.Measures[i]
		for _, v := range m.Values {
			out["spot "+m.Task+m.Spot] += fmt.Sprint(v.Micro, v.Hours, v.Date, v.Void.IsZero(), "; ")
		}
	}
	for i := range s.Remarks {
		r := &s.Remarks[i]
		out["remark "+r.Key.String()] = fmt.Sprint(r.Text, r.Verdict, r.Closed.IsZero())
	}
	for _, name := range []string{"serial", "shaker_belt", "chopper_cord", "under-warranty"} {
		if k, why := s.traitKnown(name); k != nil || why != "" {
			out["trait "+name] = fmt.Sprint(k, why)
		}
	}
	for i := range s.Walks {
		for _, l := range s.Walks[i].Looked {
			out["walk "+s.Walks[i].Key.String()+l.Task] = fmt.Sprint(l.Word, l.By)
		}
	}
	for i := range s.Settings {
		out["setting "+s.Settings[i].Setting] = fmt.Sprint(s.Settings[i].By)
	}
	out["conditions"] = fmt.Sprint(s.Conditions)
	return out
}
