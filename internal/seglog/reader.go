package seglog

import (
	"errors"
	"fmt"
	"io"
	"io/fs"
)

// Reader reads durable records in order, while the writer goes on. It belongs to
// one goroutine. Several may read one log.
type Reader struct {
	l    *Log
	want uint64
	cur  cursor
	seg  uint64 // first index of the segment under cur
	form int    // its shape
	upTo uint64 // end index told to cur

	found func(Damage) // for Verify
}

// Reader begins at index, which may be up to Synced; *TrimmedError if it is no longer kept.
func (l *Log) Reader(index uint64) (*Reader, error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	if index < l.segs[0].first {
		return nil, &TrimmedError{Index: index, First: l.segs[0].first}
	}
	if index > l.synced {
		return nil, fmt.Errorf("read from record %d: the log ends before %d", index, l.synced)
	}
	return &Reader{l: l, want: index}, nil
}

// Next gives the next record and its index. The bytes are valid until the next
// call. Indexes jump where the owner dropped records by Rewrite. At the end of what
// is durable it returns io.EOF, and later calls go on when there is more (see
// Log.Wait). *DamagedError tells a stretch that can't be read; the call after it
// goes on behind the stretch. *TrimmedError tells that the log was trimmed past the
// reader. Any other error stays.
func (r *Reader) Next() (index uint64, rec []byte, err error) {
	for {
		if r.cur == nil {
			if err := r.open(); err != nil {
				return 0, nil, err
			}
		}
		s, err := r.cur.next()
		if errors.Is(err, io.EOF) {
			if err := r.more(); err != nil {
				return 0, nil, err
			}
			continue
		}
		if err != nil {
			return 0, nil, err
		}
		if index, rec, ok, err := r.judge(s); ok {
			return index, rec, err
		}
	}
}

// judge turns a span into an answer, or ok false when there is nothing to say.
func (r *Reader) judge(s span) (uint64, []byte, bool, error) {
	from := max(s.from, r.want)
	r.want = max(s.to, r.want)
	if s.damage != nil {
		r.l.noteDamage(*s.damage)
		if r.found != nil {
			r.found(*s.damage)
		}
	}
	switch {
	case s.rec != nil || s.damage == nil && !s.skipped:
		return s.from, s.rec, from == s.from, nil
	case s.damage != nil && s.to > from:
		d := s.damage
		return 0, nil, true, &DamagedError{From: from, To: s.to, Path: r.l.path(segName(d.Segment)), Offset: d.Offset, Reason: d.Reason}
	default:
		return 0, nil, false, nil
	}
}

// Index is where the reader stands: the least index that Next can give.
func (r *Reader) Index() uint64 { return r.want }

// Close lets the segment file go.
func (r *Reader) Close() error {
	if r.cur == nil {
		return nil
	}
	err := r.cur.close()
	r.cur = nil
	return err
}

// more finds out what comes after the end that the cursor knew.
func (r *Reader) more() error {
	s, synced, syncedOff, err := r.l.find(r.seg)
	switch {
	case err != nil || s.first != r.seg || s.shape != r.form:
		return r.leave() // trimmed or rewritten: go on by index
	case s.sealed && r.upTo < s.next:
		r.upTo = s.next
		r.cur.extend(s.next, s.end)
	case s.sealed:
		return r.leave()
	case synced > r.upTo:
		r.upTo = synced
		r.cur.extend(synced, syncedOff)
	default:
		return r.atEnd()
	}
	return nil
}

func (r *Reader) atEnd() error {
	if r.l.closed.Load() {
		return ErrClosed
	}
	return io.EOF
}

// leave lets the segment go; what it held is read.
func (r *Reader) leave() error {
	r.want = max(r.want, r.upTo)
	err := r.cur.close()
	r.cur = nil
	return err
}

// open finds the segment that holds want and goes there.
func (r *Reader) open() error {
	for {
		if r.l.closed.Load() {
			return ErrClosed
		}
		s, synced, syncedOff, err := r.l.find(r.want)
		if err != nil {
			return err
		}
		if !s.sealed && r.want >= synced {
			return io.EOF
		}
		if !s.sealed {
			s.next, s.end = synced, syncedOff
		}
		err = r.enter(s)
		if !errors.Is(err, fs.ErrNotExist) {
			return err
		}
		if r.l.closed.Load() {
			return ErrClosed // whoever has the folder now has taken it away
		}
		if !r.l.changed(s) {
			return err
		}
		// Trimmed or rewritten meanwhile.
	}
}

func (r *Reader) enter(s segment) error {
	cur, err := r.l.openCursor(s, r.want)
	if err != nil {
		return err
	}
	r.cur, r.seg, r.form, r.upTo = cur, s.first, s.shape, s.next
	return nil
}

// find gives a copy of the segment that holds index, and how far the log is durable.
func (l *Log) find(index uint64) (s segment, synced uint64, syncedOff int64, err error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	if index < l.segs[0].first {
		return s, 0, 0, &TrimmedError{Index: index, First: l.segs[0].first}
	}
	return *l.segs[l.at(index)], l.synced, l.syncedOff, nil
}

// at is the position of the segment that holds index. mu is held.
func (l *Log) at(index uint64) int {
	lo, hi := 0, len(l.segs)
	for hi-lo > 1 {
		if m := (lo + hi) / 2; l.segs[m].first <= index {
			lo = m
		} else {
			hi = m
		}
	}
	return lo
}

// changed reports whether the segment is no longer what the copy says.
func (l *Log) changed(s segment) bool {
	l.mu.Lock()
	defer l.mu.Unlock()
	now := l.segs[l.at(s.first)]
	return now.first != s.first || now.shape != s.shape
}

// openCursor opens a segment for reading from index on.
func (l *Log) openCursor(s segment, index uint64) (cursor, error) {
	f, err := l.fs.Open(l.path(segName(s.first)), false)
	if err != nil {
		return nil, fmt.Errorf("open segment: %w", err)
	}
	h, err := l.headerOf(f, s)
	if err != nil {
		_ = f.Close()
		return nil, err
	}
	if h.blocks {
		c, err := l.newBlockCursor(f, s, h, index)
		if err != nil {
			_ = f.Close()
			return nil, err
		}
		return c, nil
	}
	// The file may be of a newer shape than s: then its own size is its end.
	at := s.near(index)
	if s.blocks || l.changed(s) {
		at = entry{s.first, headerSize}
		if s.end, err = f.Size(); err != nil {
			_ = f.Close()
			return nil, err
		}
	}
	return &plainCursor{f: f, seg: &s, max: l.opts.MaxRecord, want: at.index, endIndex: s.next, end: s.end,
		base: at.off, chunk: l.opts.ReadBuffer, note: l.noteFor(s)}, nil
}

// headerOf reads the header, telling damage to it; what is in doubt is taken from
// the end of the file.
func (l *Log) headerOf(f File, s segment) (header, error) {
	h, err := readHeader(f, s.first)
	if err == nil {
		return h, nil
	}
	if !errors.Is(err, errHeader) {
		return h, err
	}
	l.noteDamage(Damage{Segment: s.first, From: s.first, To: s.first, Bytes: h.size(), Reason: err.Error()})
	return l.guessHeader(f, h)
}

// noteFor lets a cursor add to the segment's sparse index.
func (l *Log) noteFor(s segment) func(uint64, int64) {
	return func(index uint64, off int64) {
		l.mu.Lock()
		defer l.mu.Unlock()
		now := l.segs[l.at(s.first)]
		if now.first == s.first && now.shape == s.shape {
			now.note(index, off)
		}
	}
}
