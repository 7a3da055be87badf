package maintenance

import (
	"fmt"
	"slices"

	"github.com/hourbell/hourbell/internal/maintenance/moment"
)

// openRemark opens a remark that the rules make of a record. One of that key is
// opened once.
func (t *step) openRemark(r Remark, key Key, at moment.Span) {
	s := t.s
	open := 0
	for i := range s.Remarks {
		if s.Remarks[i].Key == key {
			return
		}
		if s.Remarks[i].Closed.IsZero() {
			open++
		}
	}
	if open >= RemarksOpen {
		t.effect(EffectRemark, -1, fmt.Sprintf("%d remarks are open; close some of them", open))
		return
	}
	s.Remarks = append(s.Remarks, RemarkSeen{Remark: r, Key: key, At: at})
	s.Remarks = dropFirst(s.Remarks, len(s.Remarks)-open-1-RemarksKept, func(r *RemarkSeen) bool { return !r.Closed.IsZero() })
	t.effect(EffectRemark, len(s.Remarks)-1, r.Text)
}

// remarkAt returns the index of a remark, or -1.
func (s *State) remarkAt(key Key) int {
	return slices.IndexFunc(s.Remarks, func(r RemarkSeen) bool { return r.Key == key })
}

// closeRemarkBy closes a remark by the record at hand.
func (t *step) closeRemarkBy(key Key) {
	i := t.s.remarkAt(key)
	if i < 0 || !t.s.Remarks[i].Closed.IsZero() {
		t.effect(EffectRemark, -1, fmt.Sprintf("remark %v is not open", key))
		return
	}
	r := &t.s.Remarks[i]
	r.Closed, r.Record, r.How = t.e.Key, t.e.Key, "done: record "+t.e.Key.String()
	t.effect(EffectRemark, i, r.How)
}

// voidRemarks closes what a void record opened, and opens again what it closed.
func (t *step) voidRemarks(record Key) bool {
	found := false
	for i := range t.s.Remarks {
		r := &t.s.Remarks[i]
		switch {
		case r.Closed.IsZero() && t.s.openedBy(r, record):
			r.Closed, r.How = t.e.Key, "the record is void"
		case r.Closed == record && r.Record == record:
			r.Closed, r.Record, r.How = Key{}, Key{}, ""
		default:
			continue
		}
		found = true
		t.effect(EffectRemark, i, "record "+record.String()+" is void")
	}
	return found
}

// openedBy reports whether the rules made a remark of a record.
func (s *State) openedBy(r *RemarkSeen, record Key) bool {
	if r.Key == record {
		return true
	}
	if r.Task == "" {
		return false
	}
	for i := range s.Measures {
		if m := &s.Measures[i]; m.Task == r.Task && elseKey(record, m.Task, m.Spot) == r.Key {
			return true
		}
	}
	if def := s.taskDef(s.taskIndex(r.Task)); def != nil {
		for i := range def.See {
			if elseKey(record, def.ID, def.See[i].Name) == r.Key {
				return true
			}
		}
	}
	return elseKey(record, r.Task, "") == r.Key
}
