package seglog

import (
	"context"
	"errors"
	"fmt"
	"io"
	"sync"
	"sync/atomic"
)

const lockName = "lock"

// maxDamageNotes bounds the list that Damage returns; the count goes on.
const maxDamageNotes = 256

// Log is an open log. Append, AppendBatch, Sync and Rotate are for one writer at a
// time in spirit but safe to call from several goroutines; a Sync runs beside
// Appends. Readers never wait for any of them.
type Log struct {
	dir  string
	opts Options
	fs   FS
	lock io.Closer

	// Taken in this order.
	maint sync.Mutex // held by what removes or rewrites sealed segments
	amu   sync.Mutex // held by an Append from end to end
	smu   sync.Mutex // held while syncing
	wmu   sync.Mutex // held while writing; mu comes after it

	// Guarded by wmu.
	file   File
	off    int64 // where the next frame goes
	next   uint64
	vouch  uint64 // synced as the last mark said
	marked int64  // where the last mark ended

	batch Batch // guarded by amu

	mu        sync.Mutex
	segs      []*segment // the last is active
	synced    uint64
	syncedOff int64 // in the active segment
	notes     []Damage
	damages   int
	side      int64 // bytes in files set aside
	waiters   chan struct{}

	broken atomic.Pointer[breakError]
	closed atomic.Bool
}

// Open opens the log in dir, making the folder if needed, and reports what it
// found. It fails with *LockedError while another process has the log, and with
// ErrVersion where a segment is of a newer format; it changes nothing then.
func Open(dir string, o Options) (*Log, Recovery, error) {
	o = o.withDefaults()
	if err := o.validate(); err != nil {
		return nil, Recovery{}, fmt.Errorf("open log %s: %w", dir, err)
	}
	l := &Log{dir: dir, opts: o, fs: o.FS}
	if err := MakeDir(l.fs, dir); err != nil {
		return nil, Recovery{}, fmt.Errorf("open log %s: %w", dir, err)
	}
	lock, err := l.fs.Lock(l.path(lockName))
	if err != nil {
		return nil, Recovery{}, fmt.Errorf("open log %s: %w", dir, err)
	}
	l.lock = lock
	rec, err := l.recover()
	if err != nil {
		l.closeFiles()
		return nil, rec, fmt.Errorf("open log %s: %w", dir, err)
	}
	return l, rec, nil
}

// Append writes records with one write and gives the index of the first. They are
// durable after the next Sync. On error nothing was appended, unless it is
// ErrBroken: then only opening again tells.
func (l *Log) Append(recs [][]byte) (first uint64, err error) {
	l.amu.Lock()
	defer l.amu.Unlock()
	l.wmu.Lock()
	defer l.wmu.Unlock()
	l.batch.Reset()
	for _, r := range recs {
		l.batch.Add(r)
	}
	return l.appendLocked(&l.batch)
}

// AppendBatch is Append of a batch, which is spent by it: Reset it to fill it anew.
func (l *Log) AppendBatch(b *Batch) (first uint64, err error) {
	l.amu.Lock()
	defer l.amu.Unlock()
	l.wmu.Lock()
	defer l.wmu.Unlock()
	return l.appendLocked(b)
}

func (l *Log) appendLocked(b *Batch) (uint64, error) {
	if err := l.usable(); err != nil {
		return 0, fmt.Errorf("append: %w", err)
	}
	if err := b.check(l.opts.MaxRecord); err != nil {
		return 0, fmt.Errorf("append: %w", err)
	}
	if b.n == 0 {
		return l.next, nil
	}
	if err := l.makeRoom(len(b.buf)); err != nil {
		return 0, err
	}
	b.used = true
	patchIndexes(b.buf[markSize:], l.next)
	out := l.withMark(b.buf)
	if _, err := l.file.WriteAt(out, l.off); err != nil {
		return 0, l.breakWith("append to "+l.activeName(), err)
	}
	l.publishWritten(len(out), b.n)
	return l.next - uint64(b.n), nil
}

// makeRoom seals the active segment if size bytes would overfill it. wmu is held,
// and let go for a moment so that smu can be taken before it; amu keeps other
// appends out meanwhile.
func (l *Log) makeRoom(size int) error {
	full := func() bool { return l.off > headerSize && l.off+int64(size) > l.opts.SegmentBytes }
	if !full() {
		return nil
	}
	l.wmu.Unlock()
	l.smu.Lock()
	l.wmu.Lock()
	defer l.smu.Unlock()
	if err := l.usable(); err != nil {
		return fmt.Errorf("append: %w", err)
	}
	if !full() {
		return nil
	}
	return l.rotateLocked()
}

// withMark puts a mark before the frames where one is due; buf begins with room for it.
func (l *Log) withMark(buf []byte) []byte {
	l.mu.Lock()
	synced := l.synced
	l.mu.Unlock()
	since := l.off - l.marked
	if since < sectorSize || synced == l.vouch && since < scanWindow {
		return buf[markSize:]
	}
	putMark(buf, l.next, synced)
	l.vouch, l.marked = synced, l.off+markSize
	return buf
}

func (l *Log) publishWritten(bytes, records int) {
	l.mu.Lock()
	s := l.segs[len(l.segs)-1]
	s.note(l.next, l.off)
	l.off += int64(bytes)
	s.size = max(s.size, l.off)
	l.mu.Unlock()
	l.next += uint64(records)
}

// Sync makes durable what was appended before it began. After an error the log is
// broken and nothing is known of what was appended since the last good Sync.
func (l *Log) Sync() error {
	l.smu.Lock()
	defer l.smu.Unlock()
	l.wmu.Lock()
	err, f, off, next := l.usable(), l.file, l.off, l.next
	l.wmu.Unlock()
	if err != nil {
		return fmt.Errorf("sync: %w", err)
	}
	return l.syncTo(f, off, next)
}

// syncTo syncs f and publishes that all up to next, ending at off, is durable. smu is held.
func (l *Log) syncTo(f File, off int64, next uint64) error {
	if l.Synced() == next {
		return nil
	}
	if err := f.Sync(); err != nil {
		return l.breakWith("sync "+l.activeName(), err)
	}
	l.mu.Lock()
	l.synced, l.syncedOff = next, off
	waiters := l.waiters
	l.waiters = nil
	l.mu.Unlock()
	if waiters != nil {
		close(waiters)
	}
	return nil
}

// Rotate seals the active segment and begins a new one, syncing on the way. An
// empty active segment stays.
func (l *Log) Rotate() error {
	l.smu.Lock()
	defer l.smu.Unlock()
	l.wmu.Lock()
	defer l.wmu.Unlock()
	if err := l.usable(); err != nil {
		return fmt.Errorf("rotate: %w", err)
	}
	if l.off == headerSize {
		return nil
	}
	return l.rotateLocked()
}

// rotateLocked: all of the old segment is durable before the new one has its name. smu and wmu are held.
func (l *Log) rotateLocked() error {
	if err := l.syncTo(l.file, l.off, l.next); err != nil {
		return err
	}
	if err := l.file.Truncate(l.off); err != nil {
		return l.breakWith("cut spare room off "+l.activeName(), err)
	}
	f, s, err := l.createSegment(l.next)
	if err != nil {
		return l.breakWith("rotate", err)
	}
	old := l.file
	l.activate(f, s)
	if err := old.Close(); err != nil {
		return l.breakWith("close sealed segment", err)
	}
	return nil
}

// activate makes s, empty and open as f, the active segment.
func (l *Log) activate(f File, s *segment) {
	l.mu.Lock()
	defer l.mu.Unlock()
	if n := len(l.segs); n > 0 {
		last := l.segs[n-1]
		last.next, last.end, last.size, last.sealed = s.first, l.off, l.off, true
	}
	l.segs = append(l.segs, s)
	l.file, l.off, l.next, l.marked, l.vouch = f, headerSize, s.first, headerSize, s.first
	l.synced, l.syncedOff = s.first, headerSize
}

// Wait returns when the record of that index is synced, or with ctx's error, or
// ErrClosed.
func (l *Log) Wait(ctx context.Context, index uint64) error {
	for {
		l.mu.Lock()
		if l.closed.Load() {
			l.mu.Unlock()
			return ErrClosed
		}
		if l.synced > index {
			l.mu.Unlock()
			return nil
		}
		if l.waiters == nil {
			l.waiters = make(chan struct{})
		}
		ch := l.waiters
		l.mu.Unlock()
		select {
		case <-ch:
		case <-ctx.Done():
			return ctx.Err()
		}
	}
}

// First is the index of the first record kept.
func (l *Log) First() uint64 {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.segs[0].first
}

// Next is the index that the next record appended will have.
func (l *Log) Next() uint64 {
	l.wmu.Lock()
	defer l.wmu.Unlock()
	return l.next
}

// Synced is the index after the last durable record.
func (l *Log) Synced() uint64 {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.synced
}

// Size is the bytes of all segment files and files set aside.
func (l *Log) Size() int64 {
	l.mu.Lock()
	defer l.mu.Unlock()
	n := l.side
	for _, s := range l.segs {
		n += s.size
	}
	return n
}

// Room is how many more bytes of frames the active segment takes before it is
// sealed; compare Batch.Size with it.
func (l *Log) Room() int64 {
	l.wmu.Lock()
	defer l.wmu.Unlock()
	return l.opts.SegmentBytes - l.off
}

// Segments describes the segments, oldest first; the last is the active one.
func (l *Log) Segments() []SegmentInfo {
	next := l.Next()
	l.mu.Lock()
	defer l.mu.Unlock()
	out := make([]SegmentInfo, 0, len(l.segs))
	for _, s := range l.segs {
		info := SegmentInfo{First: s.first, Next: s.next, Bytes: s.size, Sealed: s.sealed, Codec: s.codec}
		if !s.sealed {
			info.Next = max(next, s.first)
		}
		out = append(out, info)
	}
	return out
}

// Damage lists what Open and reading have found damaged so far (at most 256) and how many spans in all.
func (l *Log) Damage() (list []Damage, count int) {
	l.mu.Lock()
	defer l.mu.Unlock()
	return append([]Damage(nil), l.notes...), l.damages
}

func (l *Log) noteDamage(d Damage) {
	l.mu.Lock()
	defer l.mu.Unlock()
	for _, have := range l.notes {
		if have.Segment == d.Segment && have.From == d.From && have.To == d.To && have.Offset == d.Offset {
			return
		}
	}
	l.damages++
	if len(l.notes) < maxDamageNotes {
		l.notes = append(l.notes, d)
	}
}

// Close syncs what was appended, leaves a mark that vouches for it, and lets the
// lock go. Readers then fail with ErrClosed. A second Close does nothing.
func (l *Log) Close() error {
	l.maint.Lock()
	defer l.maint.Unlock()
	l.smu.Lock()
	defer l.smu.Unlock()
	l.wmu.Lock()
	defer l.wmu.Unlock()
	if l.closed.Swap(true) {
		return nil
	}
	var err error
	if l.broken.Load() == nil {
		err = l.finish()
	}
	l.wakeAll()
	return errors.Join(err, l.closeFiles())
}

// finish syncs and leaves the mark.
func (l *Log) finish() error {
	if err := l.syncTo(l.file, l.off, l.next); err != nil {
		return err
	}
	if l.vouch == l.next {
		return nil
	}
	b := make([]byte, markSize)
	putMark(b, l.next, l.next)
	if _, err := l.file.WriteAt(b, l.off); err != nil {
		return l.breakWith("leave mark in "+l.activeName(), err)
	}
	if err := l.file.Sync(); err != nil {
		return l.breakWith("sync "+l.activeName(), err)
	}
	return nil
}

func (l *Log) wakeAll() {
	l.mu.Lock()
	defer l.mu.Unlock()
	if l.waiters != nil {
		close(l.waiters)
		l.waiters = nil
	}
}

func (l *Log) closeFiles() error {
	var err error
	if l.file != nil {
		err = l.file.Close()
	}
	return errors.Join(err, l.lock.Close())
}

// usable is nil while changes are allowed.
func (l *Log) usable() error {
	if l.closed.Load() {
		return ErrClosed
	}
	if e := l.broken.Load(); e != nil {
		return e
	}
	return nil
}

// breakWith marks the log broken for ever by its first failure.
func (l *Log) breakWith(doing string, cause error) error {
	e := &breakError{doing: doing, cause: cause}
	l.broken.CompareAndSwap(nil, e)
	return e
}

func (l *Log) activeName() string {
	l.mu.Lock()
	defer l.mu.Unlock()
	return segName(l.segs[len(l.segs)-1].first)
}
