package maintenance

import (
	"testing"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"github.com/hourbell/hourbell/internal/maintenance/civil"
	"github.com/hourbell/hourbell/internal/maintenance/hours"
	"github.com/hourbell/hourbell/internal/maintenance/moment"
)

// drawWork draws an act about build, remarks, walk-rounds, settings or causes,
// most of them nearly right.
func drawWork(t *rapid.T, keys []Key) Body {
	pick := func(list ...string) string { return rapid.SampledFrom(list).Draw(t, "name") }
	key := Key{Seq: 1}
	if len(keys) > 0 {
		key = rapid.SampledFrom(keys).Draw(t, "key")
	}
	person := pick("", "p1", "p2", "p3")
	switch rapid.IntRange(0, 9).Draw(t, "act") {
	case 0:
		return &Trait{Name: pick("serial", "shaker_belt", "rented", "odd"), Value: pick("", "7100", "7500", "grey", "blue", "yes", "odd"), Person: person}
	case 1:
		return &Remark{Point: pick("", "ladder", "roof"), Task: pick("", "ladder/look", "roof/look"), Name: pick("", "flap-stiff", "odd"), Text: "seen",
			Verdict: RunVerdict(rapid.IntRange(1, 3).Draw(t, "verdict")), DoBy: civil.None, Person: person}
	case 2, 3:
		return &RemarkWord{Remark: key, Act: RemarkAct(rapid.IntRange(1, 4).Draw(t, "word")), Why: "so", DoBy: civil.None, Person: person}
	case 4:
		return &Walk{Act: WalkBegin, Occasion: pick("dawn", WalkBeforeSeason, "hand-over", "noon"), Date: civil.None, Person: person}
	case 5, 6:
		b := &Walk{Act: WalkAnswer, Walk: key, Date: civil.None, Person: person}
		for range rapid.IntRange(1, 5).Draw(t, "answers") {
			l := Looked{Task: pick("ladder/look", "tail-flap/look", "old-filter/drain", "new-filter/drain", "shaker-belt/gap", "odd"), Word: LookedWord(rapid.IntRange(1, 4).Draw(t, "word")), Text: "seen"}
			if l.Task == "shaker-belt/gap" {
				l.Measured = []Measured{walkGap(pick("upper", "lower"), 110, false)}
			}
			b.Looked = append(b.Looked, l)
		}
		return b
	case 7:
		return &Walk{Act: WalkAct(rapid.IntRange(3, 4).Draw(t, "end")), Walk: key, Why: "so", Date: civil.None, Person: person}
	case 8:
		c := otterChart()
		c.Edition += uint32(rapid.IntRange(0, 2).Draw(t, "edition"))
		if c.Edition == 4 {
			c.Tasks, c.Walks, c.Settings = c.Tasks[2:], c.Walks[1:], nil
			for i := range c.Tasks {
				c.Tasks[i].Walks = nil
			}
		}
		return &EditionTaken{Chart: c}
	}
	return &SettingsLeft{Settings: []SettingLeft{{Setting: pick("drum", "grate", "odd"), Left: micro(1), LeftWord: pick("", "wide")}}, Person: person}
}

// Whatever is told in whatever order, the state stays sound: what is refused
// changes nothing, what is told can be shown, and one notice at most stands for a
// task of this machine.
func TestAnyActsLeaveASoundState(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		w := newOtter(t)
		w.bus(after("1"), "500.00")
		s := w.s
		var keys []Key
		for n := range rapid.IntRange(1, 60).Draw(rt, "acts") {
			e := &Event{Key: ServiceKey("act", string(rune(n))), Writer: WriterPerson, At: moment.At(after("1").Add(hours.Millis(rapid.IntRange(0, 99).Draw(rt, "at")) * hours.Hour)),
				Known: after("100"), Body: drawWork(rt, keys)}
			keys = append(keys, e.Key)
			v := Admit(s, e)
			remarks, walks, looked := len(s.Remarks), len(s.Walks), answersOf(s)
			fx := Apply(s, e, nil)
			if v.Word == VerdictRefuse {
				require.Equal(rt, []EffectKind{EffectIgnored}, kinds(fx))
				require.Equal(rt, [3]int{remarks, walks, looked}, [3]int{len(s.Remarks), len(s.Walks), answersOf(s)})
			}
			soundEffects(rt, s, fx)
			require.Empty(rt, unsound(s))
			soundWork(rt, s)
		}
		back, err := DecodeState(AppendState(nil, s), func([32]byte) (*Chart, error) { return s.Chart, nil })
		require.NoError(rt, err)
		require.Equal(rt, s.Hash(), back.Hash())
		require.Equal(rt, Ready(s), Ready(back))
	})
}

func answersOf(s *State) int {
	n := 0
	for i := range s.Walks {
		n += len(s.Walks[i].Looked)
	}
	return n
}

func soundEffects(rt *rapid.T, s *State, fx []Effect) {
	for _, f := range fx {
		switch f.Kind {
		case EffectRemark:
			require.Less(rt, f.Index, len(s.Remarks))
		case EffectWalk:
			require.Less(rt, f.Index, len(s.Walks))
			require.GreaterOrEqual(rt, f.Index, 0)
		case EffectSetting:
			require.Less(rt, f.Index, len(s.Settings))
		case EffectMeasure:
			require.Less(rt, f.Index, len(s.Measures))
		}
	}
}

func soundWork(rt *rapid.T, s *State) {
	require.LessOrEqual(rt, len(s.Walks), WalksKept)
	for i := range s.Tasks {
		if k := &s.Tasks[i]; k.Build != BuildFitted {
			require.Equal(rt, DueUnknown, k.State, k.ID)
			require.Empty(rt, openNotices(s, k.ID))
		}
	}
	for i := range s.Walks {
		w := &s.Walks[i]
		require.True(rt, w.SignedBy == "" || w.SignedBy != w.Person)
		if s.walkDef(w.Occasion) == nil {
			continue
		}
		sheet, err := Sheet(s, "", w.Key)
		require.NoError(rt, err)
		answered, open := Progress(sheet.Walk, sheet)
		require.Equal(rt, len(w.Looked), answered+len(sheet.Gone))
		require.Len(rt, sheet.Missing, open)
	}
	Questions(s)
	Look(s.Chart, s, Symptoms{Findings: []string{"shaker-drift"}})
}

// Answers about the build and settings that come in any order give the same: of
// each the latest by time, and by key where two are of one time.
func TestWhatIsToldInAnyOrder(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		base := newOtter(t)
		var events []*Event
		for n := range rapid.IntRange(1, 10).Draw(rt, "told") {
			at := moment.At(after("1").Add(hours.Millis(rapid.IntRange(0, 4).Draw(rt, "at")) * hours.Hour))
			var b Body = &Trait{Name: "serial", Value: rapid.SampledFrom([]string{"", "7100", "7300"}).Draw(rt, "serial")}
			if rapid.Bool().Draw(rt, "setting") {
				b = drum(int64(300 + n))
			}
			events = append(events, &Event{Key: ServiceKey("told", string(rune(n))), Writer: WriterPerson, At: at, Known: after("9"), Body: b})
		}
		serial, left := lastTold(events)
		for range 2 {
			s := base.s.Clone()
			for _, i := range rapid.Permutation(indexes(len(events))).Draw(rt, "order") {
				require.Equal(rt, VerdictTake, Admit(s, events[i]).Word)
				Apply(s, events[i], nil)
			}
			old, twin := s.Tasks[s.taskIndex("old-filter/drain")].Build, s.Tasks[s.taskIndex("new-filter/drain")].Build
			want := map[string][2]BuildWord{"": {BuildAsked, BuildAsked}, "7100": {BuildFitted, BuildNot}, "7300": {BuildNot, BuildFitted}}[serial]
			require.Equal(rt, want, [2]BuildWord{old, twin})
			if left > 0 {
				require.Equal(rt, left, s.Settings[0].Left.Micro)
			}
		}
	})
}

func lastTold(events []*Event) (serial string, left int64) {
	var trait, setting *Event
	newer := func(e, o *Event) bool {
		return o == nil || e.At.NotAfter > o.At.NotAfter || e.At.NotAfter == o.At.NotAfter && string(e.Key.Stream[:]) > string(o.Key.Stream[:])
	}
	for _, e := range events {
		switch b := e.Body.(type) {
		case *Trait:
			if newer(e, trait) {
				trait, serial = e, b.Value
			}
		case *SettingsLeft:
			if newer(e, setting) {
				setting, left = e, b.Settings[0].Left.Micro
			}
		}
	}
	return serial, left
}
