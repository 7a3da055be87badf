package maintenance

import (
	"fmt"
	"slices"
	"strings"
)

// SettingWord says that a setting, as it was left, does not suit what is said of
// crop and weather now.
type SettingWord struct {
	Setting, Call, Point string
	Left                 string // as it was left, with its unit
	Wanted               string // what suits now, with its unit
	Say                  string // the chart's words
	Text                 string // all of it in one sentence
	SetFor               []Fact // the conditions that it was set for
	Now                  []Fact // the conditions that decide
	// Turned is set where it was not so under the conditions that it was set for.
	Turned bool
	By     Key
}

// SettingWords returns the settings against which conditions turned, in the
// chart's order. What is not known decides nothing.
func SettingWords(s *State) []SettingWord {
	if s.Chart == nil {
		return nil
	}
	var out []SettingWord
	for i := range s.Chart.Settings {
		d := &s.Chart.Settings[i]
		j := slices.IndexFunc(s.Settings, func(n SettingSeen) bool { return n.Setting == d.ID })
		if j < 0 {
			continue
		}
		for k := range d.Suits {
			if w, said := s.settingWord(d, &d.Suits[k], &s.Settings[j]); said {
				out = append(out, w)
			}
		}
	}
	return out
}

func (s *State) settingWord(d *SettingDef, suit *SuitDef, n *SettingSeen) (SettingWord, bool) {
	if s.truthOf(suit.If, nil) != certain || suit.suits(d, &n.SettingLeft) {
		return SettingWord{}, false
	}
	w := SettingWord{Setting: d.ID, Call: d.call(), Point: d.Point, Left: d.text(n.Left, n.LeftWord), Wanted: suit.wanted(d),
		Say: suit.Say, SetFor: copyOf(n.Facts), By: n.By}
	for i := range suit.If {
		if k, _ := s.told(suit.If[i].Of); k != nil {
			w.Now = append(w.Now, Fact{suit.If[i].Of, k.Value})
		}
	}
	// Held to its own facts alone: what it was not set for is not known of it.
	var unknown *State
	w.Turned = unknown.truthOf(suit.If, n.Facts) != certain
	w.Text = fmt.Sprintf("conditions turned against it: %s was left at %s, and %s suits now (%s)", w.Call, w.Left, w.Wanted, factsText(w.Now))
	if !w.Turned {
		w.Text = fmt.Sprintf("%s was left at %s, and %s suits (%s)", w.Call, w.Left, w.Wanted, factsText(w.Now))
	}
	return w, true
}

// suits reports whether a setting as it was left is within what suits.
func (d *SuitDef) suits(def *SettingDef, n *SettingLeft) bool {
	if len(def.Choices) > 0 {
		return d.Word == "" || n.LeftWord == d.Word
	}
	return !n.Left.Set || (!d.Lo.Set || n.Left.Micro >= d.Lo.Micro) && (!d.Hi.Set || n.Left.Micro <= d.Hi.Micro)
}

func (d *SuitDef) wanted(def *SettingDef) string {
	if len(def.Choices) > 0 {
		return d.Word
	}
	return strings.TrimSpace(rangeText(false, d.Lo, d.Hi) + " " + def.Unit)
}

func (d *SettingDef) call() string {
	if d.Call != "" {
		return d.Call
	}
	return d.ID
}

// text gives a setting's value with its unit.
func (d *SettingDef) text(figure Bound, word string) string {
	if len(d.Choices) > 0 {
		return word
	}
	if !figure.Set {
		return "not said"
	}
	return strings.TrimSpace(decimal(figure.Micro, 6) + " " + d.Unit)
}

func factsText(facts []Fact) string {
	words := make([]string, 0, len(facts))
	for _, f := range facts {
		words = append(words, f.Name+" "+f.Value)
	}
	return strings.Join(words, ", ")
}

// settingsLeft takes in how the machine is set. Of each setting the latest by
// time stands.
func (t *step) settingsLeft(b *SettingsLeft) {
	s := t.s
	if f := s.suitsSettings(b); f != nil {
		t.ignore(f.text())
		return
	}
	for i := range b.Settings {
		t.settingLeft(SettingSeen{SettingLeft: b.Settings[i], At: t.e.At, By: t.e.Key, Facts: copyOf(b.Facts), Person: b.Person})
	}
}

func (t *step) settingLeft(n SettingSeen) {
	s := t.s
	if len(s.Settings) >= SettingsKept {
		// One that the chart does not name any more makes room.
		s.Settings = dropFirst(s.Settings, 1, func(o *SettingSeen) bool { return s.Chart.setting(o.Setting) == nil })
	}
	i, there := slices.BinarySearchFunc(s.Settings, n.Setting, func(o SettingSeen, id string) int { return strings.Compare(o.Setting, id) })
	switch {
	case !there:
		s.Settings = slices.Insert(s.Settings, i, n)
		t.inserted(EffectSetting, i)
	case !comesAfter(n.At, n.By, s.Settings[i].At, s.Settings[i].By):
		t.effect(EffectSetting, i, "a later one stands")
		return
	default:
		s.Settings[i] = n
	}
	d := s.Chart.setting(n.Setting)
	t.effect(EffectSetting, i, fmt.Sprintf("%s: found %s, left %s", d.call(), d.text(n.Found, n.FoundWord), d.text(n.Left, n.LeftWord)))
}

// setting returns a setting of the chart, nil where there is none of that id.
func (c *Chart) setting(id string) *SettingDef {
	for i := range c.Settings {
		if c.Settings[i].ID == id {
			return &c.Settings[i]
		}
	}
	return nil
}

// suitsSettings refuses settings that the chart does not have, or values that
// they can't take.
func (s *State) suitsSettings(b *SettingsLeft) *fault {
	if s.Chart == nil {
		return &fault{"setting", "the machine has no chart yet", "let it take an edition first"}
	}
	seen := make(map[string]bool, len(b.Settings))
	for i := range b.Settings {
		n := &b.Settings[i]
		d := s.Chart.setting(n.Setting)
		switch {
		case d == nil:
			return &fault{"setting", fmt.Sprintf("the chart has no setting %q", n.Setting),
				"name one of " + listed(s.Chart.Settings, func(d *SettingDef) string { return d.ID })}
		case seen[n.Setting]:
			return &fault{"setting", fmt.Sprintf("setting %q twice", n.Setting), "give each setting once"}
		}
		seen[n.Setting] = true
		if f := d.takes(n); f != nil {
			return f
		}
	}
	return s.suitsFacts(b.Facts)
}

func (d *SettingDef) takes(n *SettingLeft) *fault {
	if len(d.Choices) == 0 {
		switch {
		case n.FoundWord != "" || n.LeftWord != "":
			return &fault{"left", fmt.Sprintf("a word for %q, which is a figure", d.ID), "give a figure in " + d.Unit}
		case !n.Left.Set:
			return &fault{"left", fmt.Sprintf("it is not said how %q was left", d.ID), "give a figure in " + d.Unit}
		}
		return nil
	}
	switch {
	case n.Found.Set || n.Left.Set:
		return &fault{"left", fmt.Sprintf("a figure for %q, which is a word", d.ID), "give one of " + strings.Join(d.Choices, ", ")}
	case !slices.Contains(d.Choices, n.LeftWord):
		return &fault{"left", fmt.Sprintf("%q can't be left at %q", d.ID, n.LeftWord), "give one of " + strings.Join(d.Choices, ", ")}
	case n.FoundWord != "" && !slices.Contains(d.Choices, n.FoundWord):
		return &fault{"found", fmt.Sprintf("%q can't have been found at %q", d.ID, n.FoundWord), "give one of " + strings.Join(d.Choices, ", ")}
	}
	return nil
}

// suitsFacts refuses a stated condition of the chart with a value that does not
// answer it.
func (s *State) suitsFacts(facts []Fact) *fault {
	if s.Chart == nil {
		return nil
	}
	for i := range facts {
		f := &facts[i]
		j := slices.IndexFunc(s.Chart.Conditions, func(d TraitDef) bool { return d.ID == f.Name })
		if j >= 0 && f.Value != "" && !s.Chart.Conditions[j].takes(f.Value) {
			return &fault{"fact", fmt.Sprintf("%q does not answer %q", f.Value, f.Name), s.Chart.Conditions[j].allowed()}
		}
	}
	return nil
}
