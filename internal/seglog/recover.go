package seglog

import (
	"errors"
	"fmt"
	"sort"
	"strings"
	"syscall"
)

const (
	tornSuffix    = ".torn"
	damagedSuffix = ".damaged"
	copyChunk     = 1 << 20

	maxIndex = 1 << 62 // no log gets there; what claims more is not believed
	// maxClaim is how far a file's name or one frame may move a log at once: far
	// below maxIndex, so that what is appended behind it is believed again.
	maxClaim = 1 << 61
)

// recover finds out what is there, mends the end of the last segment, and makes
// the first segment of a new log.
func (l *Log) recover() (Recovery, error) {
	var rec Recovery
	// Names that an earlier, failed sync left in doubt are settled first.
	if err := l.fs.SyncDir(l.dir); err != nil {
		return rec, fmt.Errorf("sync folder: %w", err)
	}
	entries, err := l.fs.List(l.dir)
	if err != nil {
		return rec, fmt.Errorf("list folder: %w", err)
	}
	if err := l.load(entries, &rec); err != nil {
		return rec, err
	}
	if err := l.clear(entries, &rec); err != nil {
		return rec, err
	}
	if err := l.recoverEnd(&rec); err != nil {
		return rec, err
	}
	for _, d := range rec.Damaged {
		l.noteDamage(d)
	}
	rec.First, rec.Next = l.segs[0].first, l.next
	return rec, nil
}

// load takes in the segments' headers and changes nothing.
func (l *Log) load(entries []Entry, rec *Recovery) error {
	for _, e := range entries {
		first, ok := parseSegName(e.Name)
		if !ok {
			continue
		}
		s := &segment{first: first, end: e.Size, size: e.Size, sealed: true, stride: l.opts.stride()}
		if err := l.loadHeader(s, rec); err != nil {
			return fmt.Errorf("segment %s: %w", e.Name, err)
		}
		if n := len(l.segs); n > 0 {
			l.segs[n-1].next = first
		}
		l.segs = append(l.segs, s)
	}
	return nil
}

func (l *Log) loadHeader(s *segment, rec *Recovery) error {
	f, err := l.fs.Open(l.path(segName(s.first)), false)
	if err != nil {
		return err
	}
	defer f.Close()
	h, err := readHeader(f, s.first)
	if errors.Is(err, errHeader) {
		rec.Damaged = append(rec.Damaged, Damage{Segment: s.first, From: s.first, To: s.first, Bytes: headerSize, Reason: err.Error()})
		h, err = l.guessHeader(f, h)
	}
	s.blocks, s.codec = h.blocks, h.codec
	return err
}

// clear removes unfinished files and counts those set aside.
func (l *Log) clear(entries []Entry, rec *Recovery) error {
	for _, e := range entries {
		switch {
		case strings.HasSuffix(e.Name, tmpSuffix):
			if err := l.fs.Remove(l.path(e.Name)); err != nil {
				return fmt.Errorf("remove unfinished file: %w", err)
			}
			rec.Leftovers++
		case strings.HasSuffix(e.Name, tornSuffix), strings.HasSuffix(e.Name, damagedSuffix):
			l.side += e.Size
		}
	}
	return nil
}

// recoverEnd brings the last segment into a state to append to, or begins one.
func (l *Log) recoverEnd(rec *Recovery) error {
	n := len(l.segs)
	if n == 0 {
		return l.begin(l.opts.FirstIndex)
	}
	last := l.segs[n-1]
	if last.blocks {
		return l.recoverBlocks(last)
	}
	damagedHeader := len(rec.Damaged) > 0 && rec.Damaged[len(rec.Damaged)-1].Segment == last.first
	f, err := l.fs.Open(l.path(segName(last.first)), true)
	if err != nil {
		return fmt.Errorf("open last segment: %w", err)
	}
	l.file = f
	t, err := l.mendTail(f, last, rec)
	if err != nil {
		return fmt.Errorf("last segment %s: %w", segName(last.first), err)
	}
	l.adopt(last, t)
	if !damagedHeader && len(t.gaps) == 0 {
		return nil
	}
	return l.replaceLast(last, f)
}

// recoverBlocks seals a compressed last segment: what was behind it is gone.
func (l *Log) recoverBlocks(last *segment) error {
	f, err := l.fs.Open(l.path(segName(last.first)), false)
	if err != nil {
		return fmt.Errorf("open last segment: %w", err)
	}
	defer f.Close()
	list, err := findBlocks(f, last.size)
	if err != nil {
		return fmt.Errorf("last segment %s: %w", segName(last.first), err)
	}
	last.next = last.first
	if n := len(list); n > 0 {
		last.next = max(last.first, list[n-1].next)
	}
	if last.next == last.first {
		return l.setAsideSegment(last)
	}
	return l.begin(last.next)
}

// begin makes a new active segment.
func (l *Log) begin(first uint64) error {
	f, s, err := l.createSegment(first)
	if err != nil {
		return err
	}
	if n := len(l.segs); n > 0 {
		l.off = l.segs[n-1].size
	}
	l.activate(f, s)
	return nil
}

// adopt takes the mended last segment as the active one.
func (l *Log) adopt(s *segment, t *tail) {
	s.sealed, s.next, s.end = false, t.want, t.off
	l.off, l.next = t.off, t.want
	l.vouch, l.marked = t.vouched, t.vouchOff
	l.synced, l.syncedOff = t.want, t.off
}

// replaceLast seals a last segment in which damage was found, so that what is
// appended from now on stands in a sound file.
func (l *Log) replaceLast(last *segment, f File) error {
	if err := f.Close(); err != nil {
		return fmt.Errorf("close damaged segment: %w", err)
	}
	l.file = nil
	last.sealed = true
	if last.next == last.first {
		return l.setAsideSegment(last)
	}
	return l.begin(last.next)
}

// setAsideSegment renames a last segment that has no record left and begins anew.
func (l *Log) setAsideSegment(last *segment) error {
	name := segName(last.first)
	if err := l.fs.Rename(l.path(name), l.path(strings.TrimSuffix(name, segSuffix)+"-0"+damagedSuffix)); err != nil {
		return fmt.Errorf("set segment %s aside: %w", name, err)
	}
	l.side += last.size
	l.segs = l.segs[:len(l.segs)-1]
	if err := l.keepNewest(damagedSuffix, l.opts.SetAside); err != nil {
		return err
	}
	return l.begin(last.first)
}

// gap is a stretch of bad bytes in the last segment.
type gap struct {
	Damage
	lost bool // a sector of it reads as zeros
}

// tail is what a scan of the last segment found.
type tail struct {
	want     uint64 // index after the last good record
	off      int64  // where its frame ends
	vouched  uint64 // records below were synced, as a mark says
	vouchOff int64  // at or before the first byte that no mark vouches for
	gaps     []gap
	torn     string // why bytes from off on have to go; empty if clean
	pending  []entry
}

// mendTail scans the last segment, cuts a torn end off, and makes sure that all
// that is left is on the disk.
func (l *Log) mendTail(f File, s *segment, rec *Recovery) (*tail, error) {
	t, err := l.scanTail(f, s)
	if err != nil {
		return nil, err
	}
	t.decide()
	for _, g := range t.gaps {
		rec.Damaged = append(rec.Damaged, g.Damage)
	}
	if t.torn != "" {
		if err := l.cut(f, s, t, rec); err != nil {
			return nil, err
		}
	}
	return t, rewriteSpan(f, t.vouchOff, t.off)
}

func (l *Log) scanTail(f File, s *segment) (*tail, error) {
	t := &tail{want: s.first, off: headerSize, vouched: s.first, vouchOff: headerSize}
	c := &plainCursor{f: f, seg: s, max: l.opts.MaxRecord, want: s.first, endIndex: maxIndex, end: s.size,
		base: headerSize, chunk: l.opts.ReadBuffer, note: s.note}
	for {
		fr, err := c.frame()
		if err != nil {
			return nil, err
		}
		switch {
		case fr.kind == kindRecord && fr.good(c.want):
			c.take(fr, span{to: c.want + 1})
		case fr.kind == kindMark && fr.from == c.want:
			t.mark(fr, c.off())
			c.take(fr, span{to: c.want})
		case (fr.kind == kindSkip || fr.kind == kindLost) && fr.from == c.want && fr.to <= maxClaim:
			c.takeSkip(fr)
		default:
			if done, err := t.bad(c); done || err != nil {
				t.want, t.off = c.want, c.off()
				return t, err
			}
		}
	}
}

// mark takes note of what a mark vouches for.
func (t *tail) mark(f frame, off int64) {
	t.pending = append(t.pending, entry{f.from, off})
	t.vouched = max(t.vouched, f.to)
	for len(t.pending) > 0 && t.pending[0].index <= t.vouched {
		t.vouchOff = t.pending[0].off
		t.pending = t.pending[1:]
	}
}

// bad handles bytes that are no good frame; done when nothing good comes behind.
func (t *tail) bad(c *plainCursor) (done bool, err error) {
	off, want := c.off(), c.want
	rest, err := readSpan(c.f, off, c.end)
	if err != nil {
		return true, err
	}
	if allZero(rest) {
		return true, nil
	}
	n, index, ok := resync(rest, want, maxIndex, c.max)
	if !ok {
		t.torn = "no good record behind: " + reasonOf(rest)
		return true, nil
	}
	d := Damage{Segment: c.seg.first, From: want, To: index, Offset: off, Bytes: int64(n), Reason: reasonOf(rest)}
	t.gaps = append(t.gaps, gap{d, lostSector(rest, n, off)})
	c.win, c.base, c.pos, c.want = c.win[:0], off+int64(n), 0, index
	return false, nil
}

// decide tells a tear from damage: bad bytes that no mark vouches for and of which
// a sector is missing are where a crash stopped the writing.
func (t *tail) decide() {
	for i, g := range t.gaps {
		if g.From >= t.vouched && g.lost {
			t.want, t.off, t.gaps = g.From, g.Offset, t.gaps[:i]
			t.torn = "a sector was not written before those behind it"
			return
		}
	}
}

// cut keeps the bytes from t.off on in a side file and takes them off the segment.
func (l *Log) cut(f File, s *segment, t *tail, rec *Recovery) error {
	rest, err := readSpan(f, t.off, s.size)
	if err != nil {
		return err
	}
	rest = trimZeros(rest)
	rec.Torn = &Torn{Segment: s.first, Index: t.want, Bytes: int64(len(rest)), Reason: t.torn}
	name := fmt.Sprintf("%0*d-%d%s", nameDigits, s.first, t.off, tornSuffix)
	switch err := l.setAside(name, rest, tornSuffix); {
	case errors.Is(err, syscall.ENOSPC):
		rec.Torn.KeepErr = err // a full disk must not keep the log from opening
	case err != nil:
		return err
	default:
		rec.Torn.Kept = name
	}
	if err := f.Truncate(t.off); err != nil {
		return fmt.Errorf("cut torn end at %d: %w", t.off, err)
	}
	s.size = t.off
	s.cutMarks(t.off)
	if err := f.Sync(); err != nil {
		return fmt.Errorf("sync cut: %w", err)
	}
	return nil
}

// cutMarks forgets the sparse index from off on.
func (s *segment) cutMarks(off int64) {
	n := sort.Search(len(s.marks), func(i int) bool { return s.marks[i].off >= off })
	s.marks = s.marks[:n]
}

// setAside keeps bytes in a side file, of which the newest few of a sort stay.
func (l *Log) setAside(name string, data []byte, suffix string) error {
	if err := ReplaceFile(l.fs, l.path(name), data); err != nil {
		return fmt.Errorf("set bytes aside: %w", err)
	}
	return l.keepNewest(suffix, l.opts.SetAside)
}

// keepNewest removes all but the newest n files of a sort and counts what is left.
func (l *Log) keepNewest(suffix string, n int) error {
	entries, err := l.fs.List(l.dir)
	if err != nil {
		return fmt.Errorf("list folder: %w", err)
	}
	var have []Entry
	var side int64
	for _, e := range entries {
		if strings.HasSuffix(e.Name, suffix) {
			have = append(have, e)
		}
		if strings.HasSuffix(e.Name, tornSuffix) || strings.HasSuffix(e.Name, damagedSuffix) {
			side += e.Size
		}
	}
	for ; len(have) > n; have = have[1:] {
		if err := l.fs.Remove(l.path(have[0].Name)); err != nil {
			return fmt.Errorf("remove old side file: %w", err)
		}
		side -= have[0].Size
	}
	l.mu.Lock()
	l.side = side
	l.mu.Unlock()
	return l.fs.SyncDir(l.dir)
}

// DropSetAside removes the files in which torn and damaged bytes are kept, for an
// owner that needs their room; it tells how many bytes that gave.
func (l *Log) DropSetAside() (freed int64, err error) {
	l.maint.Lock()
	defer l.maint.Unlock()
	if err := l.usable(); err != nil {
		return 0, fmt.Errorf("drop what was set aside: %w", err)
	}
	l.mu.Lock()
	freed = l.side
	l.mu.Unlock()
	for _, suffix := range []string{tornSuffix, damagedSuffix} {
		if err := l.keepNewest(suffix, 0); err != nil {
			return 0, l.breakWith("drop what was set aside", err)
		}
	}
	return freed, nil
}

// rewriteSpan writes the bytes [from, to) again where they stand, and syncs. After
// a failed sync a kernel may hold pages as clean that never reached the disk; only
// writing them makes the next sync true.
func rewriteSpan(f File, from, to int64) error {
	if from >= to {
		return nil
	}
	for off := from; off < to; off += copyChunk {
		b, err := readSpan(f, off, min(off+copyChunk, to))
		if err != nil {
			return err
		}
		if _, err := f.WriteAt(b, off); err != nil {
			return fmt.Errorf("write unvouched bytes again at %d: %w", off, err)
		}
	}
	if err := f.Sync(); err != nil {
		return fmt.Errorf("sync unvouched bytes: %w", err)
	}
	return nil
}
