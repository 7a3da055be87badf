package maintenance

import (
	"fmt"
	"slices"

	"github.com/hourbell/hourbell/internal/maintenance/moment"
)

// openRemark opens a remark under a key, which is its id, in its place by time.
// One of that key that is there already, or beyond RemarksOpen, is not opened.
func (t *step) openRemark(r Remark, key Key, at moment.Span) {
	s := t.s
	if s.remarkIndex(key) >= 0 {
		return
	}
	if s.remarksOpen() >= RemarksOpen {
		t.effect(EffectRemark, -1, fmt.Sprintf("%d remarks are open, and no more are taken", RemarksOpen))
		return
	}
	s.pruneRemarks()
	r.Pictures = copyOf(r.Pictures)
	pos := len(s.Remarks)
	for pos > 0 && comesAfter(s.Remarks[pos-1].At, s.Remarks[pos-1].Key, at, key) {
		pos--
	}
	s.Remarks = slices.Insert(s.Remarks, pos, RemarkSeen{Remark: r, Key: key, At: at})
	t.inserted(EffectRemark, pos)
	t.effect(EffectRemark, pos, "opened: "+r.Verdict.String())
}

// remarkIndex returns the index of a remark, -1 where it is not kept.
func (s *State) remarkIndex(key Key) int {
	for i := len(s.Remarks) - 1; i >= 0; i-- {
		if s.Remarks[i].Key == key {
			return i
		}
	}
	return -1
}

func (s *State) remarksOpen() int {
	n := 0
	for i := range s.Remarks {
		if s.Remarks[i].Closed.IsZero() {
			n++
		}
	}
	return n
}

// pruneRemarks drops the oldest closed remarks beyond RemarksKept. It runs
// before an event's own effects, so that no index of theirs moves.
func (s *State) pruneRemarks() {
	closed := len(s.Remarks) - s.remarksOpen()
	s.Remarks = dropFirst(s.Remarks, closed-RemarksKept, func(r *RemarkSeen) bool { return !r.Closed.IsZero() })
}

// String gives the verdict in the words that pages use.
func (v RunVerdict) String() string {
	switch v {
	case 0:
		return "no verdict"
	case MayRun:
		return "run"
	case RunWatched:
		return "watch"
	case DoNotRun:
		return "do not run"
	}
	return fmt.Sprintf("verdict %d", uint8(v))
}

// closeRemarkBy closes a remark by the record at hand.
func (t *step) closeRemarkBy(key Key) {
	i := t.s.remarkIndex(key)
	if i < 0 || !t.s.Remarks[i].Closed.IsZero() {
		t.effect(EffectRemark, -1, fmt.Sprintf("remark %v is not open", key))
		return
	}
	r := &t.s.Remarks[i]
	if !r.Carried && r.Told != (moment.Span{}) && r.Told.Compare(t.e.At) > 0 {
		t.effect(EffectRemark, i, "it was opened again after that record: it stays open")
		return
	}
	r.Closed, r.Record, r.How, r.Told = t.e.Key, t.e.Key, "done: record "+t.e.Key.String(), t.e.At
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
