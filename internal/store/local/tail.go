package local

import (
	"cmp"
	"slices"

	"github.com/hourbell/hourbell/internal/store"
)

const (
	arenaBytes = 1 << 20
	// refBytes is about what a record costs in memory beside its bytes.
	refBytes = 96
)

// ref is a record of a stream that is not folded yet, or a span of revisions
// whose records are lost.
type ref struct {
	first, count uint64
	index        uint64 // in the journal
	data         []byte // the record, nil for a lost span
	why          string // of a lost span
}

// next is the revision behind it.
func (r *ref) next() uint64 { return r.first + r.count }

func (r *ref) cost() int64 { return int64(len(r.data)) + refBytes }

// stream is what is known of one stream in memory.
type stream struct {
	name     string
	reserved uint64 // last revision given out, synced or not
	head     uint64 // last revision synced
	folded   uint64 // last revision folded
	// refs reach from folded+1 to head. What stands in it never changes, so a
	// reader may keep the slice.
	refs []ref
}

// arena holds records in large pieces, which are freed when nothing in them is
// referred to.
type arena struct{ free []byte }

// encode appends a stretch's record to the arena and returns it.
func (a *arena) encode(x *store.Stretch) []byte {
	a.reserve(recordBound(x))
	data := appendRecord(a.free, x)
	a.free = data[len(data):]
	return data[:len(data):len(data)]
}

// keep copies a record into the arena.
func (a *arena) keep(record []byte) []byte {
	a.reserve(len(record))
	data := append(a.free, record...)
	a.free = data[len(data):]
	return data[:len(data):len(data)]
}

func (a *arena) reserve(n int) {
	if cap(a.free) < n {
		a.free = make([]byte, 0, max(arenaBytes, n))
	}
}

// tail is all that is not folded. It is guarded by the store's mutex.
type tail struct {
	streams map[string]*stream
	pending []pendingRef
	dirty   []*stream // those with refs

	records int
	bytes   int64
	// cuts are journal indexes behind which FoldBytes have gathered: a round of
	// folding goes up to one, so that it stands for a position and is bounded.
	cuts     []uint64
	sinceCut int64

	next uint64 // journal index behind the last record that is synced
}

// pendingRef is a record that is written and not synced.
type pendingRef struct {
	s *stream
	r ref
}

// of returns a stream, made if need be.
func (t *tail) of(name string) *stream {
	s := t.streams[name]
	if s == nil {
		s = &stream{name: name}
		t.streams[name] = s
	}
	return s
}

// reserve gives out the stretches' revisions, or none if one expects another.
func (t *tail) reserve(stretches []store.Stretch) *store.ConflictError {
	for i := range stretches {
		x := &stretches[i]
		s := t.of(x.Stream)
		if have := s.reserved; have != x.Expect {
			t.forget(s)
			for k := i - 1; k >= 0; k-- {
				if s := t.streams[stretches[k].Stream]; s != nil {
					s.reserved = stretches[k].Expect
					t.forget(s)
				}
			}
			return &store.ConflictError{Stream: x.Stream, Want: x.Expect, Have: have}
		}
		s.reserved += uint64(len(x.Entries))
		t.forget(s)
	}
	return nil
}

// forget drops a stream that has no entries after all.
func (t *tail) forget(s *stream) {
	if s.reserved == 0 {
		delete(t.streams, s.name)
	}
}

// note counts a record or a lost span in the order of the journal.
func (t *tail) note(r *ref, foldBytes int64) {
	t.records++
	t.bytes += r.cost()
	t.sinceCut += r.cost()
	if t.sinceCut >= foldBytes {
		t.cuts, t.sinceCut = append(t.cuts, r.index+1), 0
	}
}

// publish makes readable what was written before a journal index.
func (t *tail) publish(next uint64) {
	n := 0
	for n < len(t.pending) && t.pending[n].r.index < next {
		p := &t.pending[n]
		t.add(p.s, p.r)
		n++
	}
	if n == len(t.pending) {
		clear(t.pending)
		t.pending = t.pending[:0]
	} else {
		t.pending = t.pending[n:]
	}
	t.next = max(t.next, next)
}

// add puts a synced record behind the stream's others.
func (t *tail) add(s *stream, r ref) {
	if len(s.refs) == 0 {
		t.dirty = append(t.dirty, s)
	}
	s.refs = append(s.refs, r)
	s.head = r.next() - 1
}

// round gives what the next commit of folds is to hold: what is synced before a
// journal index, up to the first cut.
func (t *tail) round(upTo uint64) (jobs []job, next uint64) {
	next = min(t.next, upTo)
	if len(t.cuts) > 0 {
		next = min(next, t.cuts[0])
	}
	for _, s := range t.dirty {
		if n := before(s.refs, next); n > 0 {
			jobs = append(jobs, job{stream: s.name, folded: s.folded, refs: s.refs[:n:n]})
		}
	}
	slices.SortFunc(jobs, func(a, b job) int { return cmp.Compare(a.stream, b.stream) })
	return jobs, next
}

// folded drops what a commit of folds has taken in.
func (t *tail) folded(jobs []job, next uint64) {
	for i := range jobs {
		s, n := t.streams[jobs[i].stream], len(jobs[i].refs)
		for k := range jobs[i].refs {
			t.records--
			t.bytes -= jobs[i].refs[k].cost()
		}
		s.folded = jobs[i].refs[n-1].next() - 1
		if s.refs = s.refs[n:]; len(s.refs) == 0 {
			s.refs = nil
		}
		s.refs = slices.Clone(s.refs) // readers keep the old one
	}
	t.dirty = slices.DeleteFunc(t.dirty, func(s *stream) bool { return len(s.refs) == 0 })
	for len(t.cuts) > 0 && t.cuts[0] <= next {
		t.cuts = t.cuts[1:]
	}
}

// before counts the refs whose records stand before a journal index.
func before(refs []ref, next uint64) int {
	n, _ := slices.BinarySearchFunc(refs, next, func(r ref, next uint64) int { return cmp.Compare(r.index, next) })
	return n
}
