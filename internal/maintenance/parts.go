package maintenance

import (
	"cmp"
	"fmt"
	"slices"
	"sort"
	"strings"

	"github.com/hourbell/hourbell/internal/maintenance/civil"
	"github.com/hourbell/hourbell/internal/maintenance/hours"
	"github.com/hourbell/hourbell/internal/maintenance/moment"
)

// PieceLife is one piece of a part: how long it ran, and why it came off.
type PieceLife struct {
	Piece Piece
	On    bool         // it is on the machine
	Ran   hours.Millis // machine's hours on the part's meter; with Known only
	Known bool
	// Until and UntilDate are when it came off; not set while it is on.
	Until     moment.Span
	UntilDate civil.Date
	Why       OffWord
	Note      string // with Why
}

// fitParts takes in the pieces of a record: those it names, and one at each point
// with a tracked part that it changed something at.
func (t *step) fitParts(b *ServiceDone, rec *TaskRecord, tasks []int) {
	var parts []string
	var pieces []Piece
	for i := range b.Parts {
		p := &b.Parts[i]
		parts = append(parts, p.Part)
		pieces = append(pieces, Piece{Variant: p.Variant, Number: p.Number, Off: p.Off, Why: p.Why, Note: p.Note, Spare: p.Spare})
	}
	for i := 0; t.s.Chart != nil && i < len(t.s.Chart.Parts); i++ {
		part := t.s.Chart.Parts[i].ID
		if note, changed := t.s.changedAt(part, tasks); changed && !slices.Contains(parts, part) {
			parts, pieces = append(parts, part), append(pieces, Piece{Note: note})
		}
	}
	for _, part := range parts {
		if t.s.partDef(part) != nil {
			t.s.partFor(part) // first, so that no effect's index moves
		}
	}
	for i := range parts {
		t.fit(parts[i], pieces[i], rec)
	}
}

// changedAt reports whether tasks put a new piece in at a point, and which items
// of several where not all of them are new.
func (s *State) changedAt(point string, tasks []int) (note string, changed bool) {
	var items []string
	all := true
	for i := range s.Chart.Tasks {
		def := s.taskDef(i)
		if def.Point != point || def.Do != doChange && def.Do != doReplace {
			continue
		}
		switch done := slices.Contains(tasks, i); {
		case done && def.Item == "":
			return "", true
		case done:
			items = append(items, def.Item)
		case def.Item != "" && s.Tasks[i].Build != BuildNot:
			all = false
		}
	}
	if all {
		return "", len(items) > 0
	}
	return strings.Join(items, ", "), len(items) > 0
}

// fit puts a piece in its place in time.
func (t *step) fit(part string, p Piece, rec *TaskRecord) {
	s := t.s
	if s.partDef(part) == nil {
		t.effect(EffectPart, -1, fmt.Sprintf("part %q is unknown on this machine", part))
		return
	}
	p.Record, p.At, p.Date, p.Hours, p.Looked = rec.Record, rec.At, rec.Date, rec.Hours, rec.Looked
	i := s.partFor(part)
	if i < 0 {
		t.effect(EffectPart, -1, fmt.Sprintf("part %q is one too many; %d are kept", part, PartsKept))
		return
	}
	list := s.Parts[i].Pieces
	if slices.ContainsFunc(list, func(o Piece) bool { return o.Record == p.Record }) {
		return
	}
	list = insertBy(list, p, func(a, b *Piece) int { return cmp.Or(a.At.Compare(b.At), a.Record.Compare(b.Record)) })
	s.Parts[i].Pieces = lastOf(list, PiecesKept)
	t.effect(EffectPart, i, fittedText(&p))
	t.partRenewed(part, p.Variant, p.At, p.Record)
}

func fittedText(p *Piece) string {
	if p.Off {
		return "taken off"
	}
	return strings.TrimSpace("fitted " + p.Variant)
}

// insertBy puts v in its place in an ordered list, after its equals.
func insertBy[T any](list []T, v T, compare func(a, b *T) int) []T {
	pos := len(list)
	for pos > 0 && compare(&list[pos-1], &v) > 0 {
		pos--
	}
	return slices.Insert(list, pos, v)
}

// lastOf keeps the last elements of a list. Which are kept depends on the list
// alone, not on the order in which they came.
func lastOf[T any](list []T, most int) []T {
	if over := len(list) - most; over > 0 {
		return slices.Delete(list, 0, over)
	}
	return list
}

// partDef is a part of the chart in force, nil where there is none of that name.
func (s *State) partDef(id string) *PartDef {
	if s.Chart == nil {
		return nil
	}
	for i := range s.Chart.Parts {
		if s.Chart.Parts[i].ID == id {
			return &s.Chart.Parts[i]
		}
	}
	return nil
}

// partIndex returns the index of a part, -1 where no piece of it is on record.
func (s *State) partIndex(id string) int {
	i := sort.Search(len(s.Parts), func(i int) bool { return s.Parts[i].ID >= id })
	if i < len(s.Parts) && s.Parts[i].ID == id {
		return i
	}
	return -1
}

// partFor is partIndex, and makes room for a part.
func (s *State) partFor(id string) int {
	i := sort.Search(len(s.Parts), func(i int) bool { return s.Parts[i].ID >= id })
	if i < len(s.Parts) && s.Parts[i].ID == id {
		return i
	}
	if len(s.Parts) >= PartsKept {
		return -1
	}
	s.Parts = slices.Insert(s.Parts, i, Part{ID: id})
	return i
}

// voidPieces takes back the pieces of a void record: those before are on again.
func (t *step) voidPieces(record Key) bool {
	found := false
	for i := range t.s.Parts {
		for j := range t.s.Parts[i].Pieces {
			p := &t.s.Parts[i].Pieces[j]
			if p.Record != record || !p.Void.IsZero() {
				continue
			}
			p.Void, found = t.e.Key, true
			t.effect(EffectPart, i, "void")
			t.partRenewed(t.s.Parts[i].ID, "", p.At, t.e.Key)
		}
	}
	return found
}

// partRenewed tells that the answers on a build which a part's renewal settles
// may be other ones now. What they are, renewedTrait works out.
func (t *step) partRenewed(part, variant string, at moment.Span, key Key) {
	for _, d := range t.s.Chart.traitsOf(part) {
		value := "not known"
		if slices.Contains(d.Choices, variant) {
			value = variant
		}
		t.effect(EffectTold, -1, fmt.Sprintf("%s: %s, since %s was renewed", d.ID, value, part))
	}
	t.rebuildTasks()
}

// traitsOf are the questions that the renewal of a part opens again.
func (c *Chart) traitsOf(part string) (out []*TraitDef) {
	if c == nil {
		return nil
	}
	for i := range c.Traits {
		if c.Traits[i].Renewed == part {
			out = append(out, &c.Traits[i])
		}
	}
	return out
}

// renewedTrait says what a part's renewal made of a question that was answered
// at a time (zero: never). Where a standing piece was fitted after it, renewed is
// set, and the answer is the piece's variant, or "" for not known.
func (s *State) renewedTrait(d *TraitDef, told moment.Span) (value string, by *Piece, renewed bool) {
	i := -1
	if d.Renewed != "" {
		i = s.partIndex(d.Renewed)
	}
	if i < 0 {
		return "", nil, false
	}
	p := s.Parts[i].standing()
	if p == nil || told != (moment.Span{}) && p.At.Compare(told) <= 0 {
		return "", nil, false
	}
	if !p.Off && slices.Contains(d.Choices, p.Variant) {
		value = p.Variant
	}
	return value, p, true
}

// standing is the last piece that stands, nil where there is none.
func (p *Part) standing() *Piece {
	for j := len(p.Pieces) - 1; j >= 0; j-- {
		if p.Pieces[j].Void.IsZero() {
			return &p.Pieces[j]
		}
	}
	return nil
}

// on returns the machine's hours on a meter when the piece was fitted.
func (p *Piece) on(meter string) (hours.Millis, bool) {
	r := TaskRecord{Hours: p.Hours}
	return r.on(meter)
}

// PieceHours returns the piece of a part that is on the machine and how long it
// has run: the machine's hours on the part's meter now, less those at fitting.
// known is false where no piece is on, or its hours can't be told; the piece is
// then zero, or one without hours.
func (s *State) PieceHours(part string) (piece Piece, ran hours.Millis, known bool) {
	list := s.PieceHistory(part)
	if len(list) == 0 || !list[len(list)-1].On {
		return Piece{}, 0, false
	}
	l := &list[len(list)-1]
	return l.Piece, l.Ran, l.Known
}

// PieceHistory returns the pieces of a part whose records stand, oldest first.
func (s *State) PieceHistory(part string) []PieceLife {
	i, def := s.partIndex(part), s.partDef(part)
	if i < 0 {
		return nil
	}
	var out []PieceLife
	open := false
	for j := range s.Parts[i].Pieces {
		p := &s.Parts[i].Pieces[j]
		if !p.Void.IsZero() {
			continue
		}
		if open {
			out[len(out)-1].end(def, p)
		}
		if open = !p.Off; open {
			out = append(out, PieceLife{Piece: *p, On: true, UntilDate: civil.None})
		}
	}
	if open {
		s.runsOn(def, &out[len(out)-1])
	}
	return out
}

// end is how a piece came off when the next was fitted, or none.
func (l *PieceLife) end(def *PartDef, next *Piece) {
	l.On, l.Until, l.UntilDate, l.Why, l.Note = false, next.At, next.Date, next.Why, next.Note
	if def == nil {
		return
	}
	from, ok := l.Piece.on(def.Meter)
	to, known := next.on(def.Meter)
	if l.Known = ok && known; l.Known {
		l.Ran = max(hours.Sub(to, from), 0)
	}
}

// runsOn counts a piece that is on the machine.
func (s *State) runsOn(def *PartDef, l *PieceLife) {
	if def == nil {
		return
	}
	from, ok := l.Piece.on(def.Meter)
	m := s.meterIndex(def.Meter)
	if l.Known = ok && m >= 0 && len(s.Meters[m].Lives) > 0; l.Known {
		l.Ran = max(hours.Sub(s.Meters[m].Total, from), 0)
	}
}

// eachOther gives the hours of pieces, and of values measured on a meter, to f as
// those of records, and keeps what f makes of them.
func (s *State) eachOther(meter string, f func(r *TaskRecord)) {
	for i := range s.Parts {
		for j := range s.Parts[i].Pieces {
			p := &s.Parts[i].Pieces[j]
			r := TaskRecord{At: p.At, Hours: p.Hours, Looked: p.Looked}
			f(&r)
			p.Hours, p.Looked = r.Hours, r.Looked
		}
	}
	s.eachValue(func(on string, v *MeasuredAt) {
		if on == meter {
			r := v.record(on)
			f(&r)
			v.take(&r, on)
		}
	})
}

// otherLookups notes until when news of a meter may change the hours of pieces
// and values.
func (s *State) otherLookups() {
	for i := range s.Parts {
		for j := range s.Parts[i].Pieces {
			p := &s.Parts[i].Pieces[j]
			r := TaskRecord{At: p.At, Hours: p.Hours, Looked: p.Looked}
			s.recordLookups(&r)
		}
	}
	s.eachValue(func(on string, v *MeasuredAt) {
		m := s.meterIndex(on)
		switch {
		case v.Hours < 0:
			s.lookedUp(m, v.At.Hi().Add(LookupReach))
		case v.Looked:
			s.lookedUp(m, v.At.Hi())
		}
	})
}

// suitsParts refuses parts that the chart does not have.
func (s *State) suitsParts(b *ServiceDone) *fault {
	for i := range b.Parts {
		p := &b.Parts[i]
		def := s.partDef(p.Part)
		switch {
		case def == nil:
			return &fault{"parts", fmt.Sprintf("part %q is unknown on this machine", p.Part), "name a part of its chart"}
		case p.Variant != "" && len(def.Variants) > 0 && !slices.Contains(def.Variants, p.Variant):
			return &fault{"parts", fmt.Sprintf("part %q has no variant %q", p.Part, p.Variant), "say one of " + strings.Join(def.Variants, ", ")}
		case p.Off && (p.Variant != "" || p.Number != ""):
			return &fault{"parts", fmt.Sprintf("part %q is taken off and fitted at once", p.Part), "leave variant and number out, or say that it was fitted"}
		}
		for j := range i {
			if b.Parts[j].Part == p.Part {
				return &fault{"parts", fmt.Sprintf("part %q twice", p.Part), "name each part once"}
			}
		}
	}
	return nil
}
