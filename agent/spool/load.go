package spool

import (
	"errors"
	"fmt"
	"io"
	"log/slog"
	"syscall"

	"github.com/hourbell/hourbell/internal/seglog"
	"github.com/hourbell/hourbell/internal/spoolhash"
)

// epochsMeta is the content of epochs.meta.
type epochsMeta struct {
	Epochs []epoch
	// Segments whose own checkpoint speaks of an earlier epoch than the current one.
	Bases []baseMeta `json:",omitempty"`
	Check pointMeta  // the end of the chain when the current epoch began
}

type baseMeta struct {
	First, Seq uint64
	Hash       spoolhash.Hash
}

type pointMeta struct {
	Index, Seq uint64
	Hash       spoolhash.Hash
}

// ackedMeta is the content of acked.meta.
type ackedMeta struct {
	Ordinal, Seq uint64
	Hash         spoolhash.Hash
	Index        uint64 // of the first record in the log that is not acknowledged
}

// open opens files and log and works out where the chain stands. Readers see the
// outcome, not the way there.
func (s *Spool) open() error {
	s.loading = true
	defer func() { s.loading = false }()
	f, err := openFiles(s.opts.FS, s.dir)
	if err != nil {
		return err
	}
	s.files = f
	err = s.openLog()
	if errors.Is(err, syscall.ENOSPC) { // mending the log may need a segment's room
		if ok, rerr := f.dropReserve(); rerr != nil || !ok {
			return errors.Join(err, rerr)
		}
		err = s.openLog()
	}
	if err != nil {
		return err
	}
	if err := s.load(); err != nil {
		return errors.Join(err, s.log.Close())
	}
	s.show()
	return nil
}

func (s *Spool) openLog() error {
	size := s.opts.segment()
	l, rec, err := seglog.Open(s.logDir(), seglog.Options{FS: s.opts.FS, SegmentBytes: size, Prealloc: size,
		MaxRecord: int(size / 2), ReadBuffer: int(min(size, 32<<10)), SetAside: 2})
	if err != nil {
		return err
	}
	s.log = l
	if rec.Torn != nil {
		s.recovery.Torn += rec.Torn.Bytes
	}
	return nil
}

// reopen finds out the truth after a write that failed for want of room.
func (s *Spool) reopen() error {
	if err := s.log.Close(); err != nil && !errors.Is(err, seglog.ErrBroken) {
		return err
	}
	return s.open()
}

// load reads the meta files and walks what is not acknowledged.
func (s *Spool) load() error {
	var em epochsMeta
	var am ackedMeta
	haveEpochs, err := s.getMeta(epochsFile, &em)
	if err != nil {
		return err
	}
	haveAcked, err := s.getMeta(ackedFile, &am)
	if err != nil {
		return err
	}
	s.update(func(v *view) { *v = view{log: s.log} })
	if !haveEpochs || len(em.Epochs) == 0 {
		return s.loadWithoutEpochs(am, haveAcked)
	}
	s.update(func(v *view) { v.epochs, v.check = em.Epochs, em.Check.Index })
	if err := s.loadSegments(em.Bases); err != nil {
		return err
	}
	s.loadAcked(am, haveAcked)
	reason, err := s.loadChain(em.Check)
	if err != nil || reason == "" {
		return err
	}
	return s.recoverEpoch(reason, s.v.acked.index)
}

func (s *Spool) getMeta(name string, v any) (bool, error) {
	ok, err := s.files.getJSON(name, v)
	var set *StateError
	if errors.As(err, &set) {
		s.recovery.SetAside = append(s.recovery.SetAside, set.Kept)
		s.opts.Log.Warn("spool file damaged and set aside", slog.String("file", name), slog.String("kept", set.Kept))
		return false, nil
	}
	return ok, err
}

// loadSegments finds each segment's base by its checkpoint.
func (s *Spool) loadSegments(bases []baseMeta) error {
	var segs []seg
	for _, info := range s.log.Segments() {
		g := seg{first: info.First}
		e, ok := s.v.at(info.First)
		if !ok { // of an epoch no longer on record, and acknowledged
			g.known = len(s.v.epochs) > 0
			segs = append(segs, g)
			continue
		}
		c, found, err := s.checkpointAt(info.First)
		if err != nil {
			return err
		}
		switch {
		case found && c.ordinal == e.Ordinal && c.id == e.ID:
			g.known, g.base = true, state{e.Ordinal, c.seq, c.hash}
		case e.Ordinal == s.v.current().Ordinal:
			for _, b := range bases {
				if b.First == info.First {
					g.known, g.base = true, state{e.Ordinal, b.Seq, b.Hash}
				}
			}
		}
		segs = append(segs, g)
	}
	s.update(func(v *view) { v.segs = segs })
	return nil
}

// checkpointAt reads the checkpoint at the head of a segment.
func (s *Spool) checkpointAt(first uint64) (checkpoint, bool, error) {
	if first >= s.log.Synced() {
		return checkpoint{}, false, nil
	}
	r, err := s.log.Reader(first)
	if err != nil {
		return checkpoint{}, false, err
	}
	defer r.Close()
	index, b, err := r.Next()
	var bad *seglog.DamagedError
	if errors.Is(err, io.EOF) || errors.As(err, &bad) {
		return checkpoint{}, false, nil
	}
	if err != nil {
		return checkpoint{}, false, err
	}
	rec, err := parse(b)
	return rec.check, err == nil && rec.tag == tagCheckpoint && index == first, nil
}

func (s *Spool) loadAcked(am ackedMeta, have bool) {
	e := s.v.current()
	p := point{e.Start, e.start()}
	if have && am.Ordinal == e.Ordinal {
		p = point{am.Index, state{am.Ordinal, am.Seq, am.Hash}}
	}
	s.update(func(v *view) { v.acked = p })
}

// loadChain walks from the last known place before what is unacknowledged to the
// end. reason is not empty when the chain can't be trusted.
func (s *Spool) loadChain(check pointMeta) (reason string, err error) {
	p, ok := s.v.knownBefore(s.v.acked.index)
	if !ok {
		s.update(func(v *view) { v.tail = v.current().start() })
		return "no checkpoint is sound before what is not acknowledged", nil
	}
	if p.index > s.log.Next() {
		s.update(func(v *view) { v.tail = p.st })
		return "the log ends before the current epoch begins", nil
	}
	w := chainWalk{s: s, segs: append([]seg(nil), s.v.segs...), check: check, st: p.st, passed: p.index > check.Index}
	for w.at < len(w.segs) && w.segs[w.at].first < p.index {
		w.at++
	}
	if err := s.v.walk(p, w.entry); err != nil {
		return "", err
	}
	w.reach(s.log.Next())
	s.recovery.Damaged += w.lost
	s.update(func(v *view) { v.segs, v.tail = w.segs, w.st })
	return w.verdict(s.log.Next()), nil
}

// knownBefore is the last place at or before a log index where the current epoch's
// chain is known.
func (v *view) knownBefore(index uint64) (p point, ok bool) {
	e := v.current()
	if v.kept(e) {
		p, ok = point{e.Start, e.start()}, true
	}
	for _, g := range v.segs {
		if g.known && g.base.ord == e.Ordinal && g.first <= index {
			p, ok = point{g.first, g.base}, true
		}
	}
	return p, ok
}

// chainWalk checks the chain on the way to its end.
type chainWalk struct {
	s      *Spool
	segs   []seg
	check  pointMeta
	st     state
	at     int // the next segment whose base is to be learnt
	lost   uint64
	reason string
	passed bool // by check
}

func (w *chainWalk) entry(e entry) bool {
	w.reach(e.index)
	if e.lost && e.index >= w.s.v.acked.index {
		w.lost += e.rec.gap.Lost
	}
	if e.lost && e.next > w.check.Index {
		w.fault(fmt.Sprintf("%d records are damaged from event %d on", e.rec.gap.Lost, e.rec.gap.From))
	}
	if c := e.rec.check; e.rec.tag == tagCheckpoint && c.ordinal == e.before.ord && (c.seq != e.before.seq || c.hash != e.before.hash) {
		w.fault(fmt.Sprintf("checkpoint at event %d does not match the events before it", c.seq))
	}
	w.st = e.after
	return true
}

// reach takes note of the bases and points up to the index.
func (w *chainWalk) reach(index uint64) {
	if !w.passed && index >= w.check.Index {
		w.passed = true
		st := w.s.v.step(w.st, w.check.Index)
		if cur := w.s.v.current().Ordinal; st.ord == cur && st.seq >= w.check.Seq && (st.seq != w.check.Seq || st.hash != w.check.Hash) {
			w.fault("the events carried over are no longer what they were")
		}
	}
	for ; w.at < len(w.segs) && w.segs[w.at].first <= index; w.at++ {
		if g := &w.segs[w.at]; !g.known {
			g.base, g.known = w.s.v.step(w.st, g.first), true
		}
	}
	w.st = w.s.v.step(w.st, index)
}

func (w *chainWalk) fault(reason string) {
	if w.reason == "" {
		w.reason = reason
	}
}

// verdict is the reason for a new epoch, if there is one.
func (w *chainWalk) verdict(next uint64) string {
	a := w.s.v.acked
	switch {
	case w.reason != "":
		return w.reason
	case a.st.ord == w.st.ord && a.st.seq > w.st.seq, a.index > next:
		return "the log ends before what was acknowledged"
	case a.index == next && a.st.ord == w.st.ord && a.st.hash != w.st.hash:
		return "the log is not what was acknowledged"
	}
	return ""
}

// loadWithoutEpochs begins the first epoch of a new spool, or, where the file is
// lost, a new one that carries over what may be unacknowledged.
func (s *Spool) loadWithoutEpochs(am ackedMeta, haveAcked bool) error {
	epochs, reason := s.epochsFromLog()
	s.update(func(v *view) { v.epochs = epochs })
	if err := s.loadSegments(nil); err != nil {
		return err
	}
	from := s.log.First()
	if haveAcked {
		from = max(from, min(am.Index, s.log.Next()))
	}
	if reason == "" && len(s.recovery.SetAside) == 0 {
		return s.beginEpoch("new spool", from)
	}
	if reason == "" {
		reason = "the list of epochs was damaged"
	}
	return s.recoverEpoch(reason, from)
}

// epochsFromLog puts a list together from the checkpoints.
func (s *Spool) epochsFromLog() (list []epoch, reason string) {
	for _, info := range s.log.Segments() {
		c, ok, err := s.checkpointAt(info.First)
		if err != nil || !ok {
			continue
		}
		reason = "the list of epochs was lost"
		if n := len(list); n > 0 && c.ordinal <= list[n-1].Ordinal {
			continue
		}
		for n := len(list); n > 0 && list[n-1].Ordinal+1 < c.ordinal; n++ {
			list = append(list, epoch{Ordinal: list[n-1].Ordinal + 1, Start: info.First, Ended: true})
		}
		list = append(list, epoch{Ordinal: c.ordinal, ID: c.id, Start: info.First})
	}
	if reason == "" && s.log.Next() > s.log.First() {
		reason = "the list of epochs was lost"
	}
	return list, reason
}

func (s *Spool) recoverEpoch(reason string, from uint64) error {
	s.recovery.NewEpoch = reason
	s.opts.Log.Warn("spool begins a new epoch", slog.String("reason", reason), slog.String("dir", s.dir))
	return s.beginEpoch(reason, from)
}
