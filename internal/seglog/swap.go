package seglog

import (
	"crypto/sha256"
	"encoding/binary"
	"errors"
	"fmt"
	"hash"
	"io"
)

// A sealed segment is never changed in place: its new form is made beside it,
// synced, read back, and renamed over it.

// segWriter fills the new form of a segment.
type segWriter struct {
	f   File
	off int64
	buf []byte
}

func (w *segWriter) flush(atLeast int) error {
	if len(w.buf) < atLeast || len(w.buf) == 0 {
		return nil
	}
	if _, err := w.f.WriteAt(w.buf, w.off); err != nil {
		return err
	}
	w.off += int64(len(w.buf))
	w.buf = w.buf[:0]
	return nil
}

// digest sums what a reader of a segment gets, to compare two forms of it.
type digest struct{ h hash.Hash }

func newDigest() digest { return digest{sha256.New()} }

func (d digest) add(index uint64, rec []byte) {
	var b [16]byte
	binary.LittleEndian.PutUint64(b[:], index)
	binary.LittleEndian.PutUint64(b[8:], uint64(len(rec)))
	d.h.Write(b[:])
	d.h.Write(rec)
}

func (d digest) sum() string { return string(d.h.Sum(nil)) }

// digestOf reads through a cursor; damage is an error.
func digestOf(c cursor) (string, error) {
	d := newDigest()
	for {
		s, err := c.next()
		switch {
		case errors.Is(err, io.EOF):
			return d.sum(), nil
		case err != nil:
			return "", err
		case s.damage != nil && s.damage.Bytes > 0:
			return "", fmt.Errorf("reads back damaged: %v", s.damage)
		case s.rec != nil:
			d.add(s.from, s.rec)
		}
	}
}

// build makes the file name with fill, syncs it, reads it back and compares.
func (l *Log) build(name string, s segment, fill func(File) (segment, string, error)) (segment, error) {
	f, err := l.fs.Create(name)
	if err != nil {
		return s, fmt.Errorf("create %s: %w", name, err)
	}
	made, want, err := fill(f)
	if err == nil {
		err = f.Sync()
	}
	if err == nil {
		err = l.readBack(f, made, want)
	}
	if cerr := f.Close(); err == nil {
		err = cerr
	}
	if err != nil {
		_ = l.fs.Remove(name) // open would remove it too
		return s, fmt.Errorf("new form of segment %s: %w", segName(s.first), err)
	}
	return made, nil
}

func (l *Log) readBack(f File, s segment, want string) error {
	var c cursor = &plainCursor{f: f, seg: &s, max: l.opts.MaxRecord, want: s.first, endIndex: s.next, end: s.end,
		base: headerSize, chunk: l.opts.ReadBuffer}
	h, err := readHeader(f, s.first)
	if err == nil && h.blocks {
		c, err = l.newBlockCursor(f, s, h, s.first)
	}
	if err != nil {
		return err
	}
	got, err := digestOf(c)
	if err == nil && got != want {
		err = errors.New("reads back differently from what was written")
	}
	return err
}

// swap renames the finished file over the first of the sealed segments
// [made.first, made.next) and removes the others. maint is held.
func (l *Log) swap(tmp string, made segment) error {
	l.mu.Lock()
	i, j := l.at(made.first), l.at(made.next-1)
	old := append([]*segment(nil), l.segs[i:j+1]...)
	made.shape = old[0].shape + 1
	// Under mu, so that a reader never takes one form for the other.
	err := l.fs.Rename(tmp, l.path(segName(made.first)))
	if err == nil {
		l.segs = append(l.segs[:i:i], append([]*segment{&made}, l.segs[j+1:]...)...)
	}
	l.mu.Unlock()
	if err != nil {
		return l.breakWith("rename new form of "+segName(made.first), err)
	}
	if err := l.fs.SyncDir(l.dir); err != nil {
		return l.breakWith("sync folder", err)
	}
	for _, s := range old[1:] {
		if err := l.drop(s); err != nil {
			return err
		}
	}
	return nil
}

// drop removes a segment's file durably. One at a time, so that a crash can't
// leave a hole.
func (l *Log) drop(s *segment) error {
	if err := l.fs.Remove(l.path(segName(s.first))); err != nil {
		return l.breakWith("remove segment "+segName(s.first), err)
	}
	if err := l.fs.SyncDir(l.dir); err != nil {
		return l.breakWith("sync folder", err)
	}
	return nil
}

// TrimBefore drops the sealed segments all of whose records are below index, oldest
// first, and tells how many. The active segment stays: Rotate first to drop all.
func (l *Log) TrimBefore(index uint64) (dropped int, err error) {
	l.maint.Lock()
	defer l.maint.Unlock()
	if err := l.usable(); err != nil {
		return 0, fmt.Errorf("trim: %w", err)
	}
	for ; ; dropped++ {
		l.mu.Lock()
		s := l.segs[0]
		if !s.sealed || s.next > index || len(l.segs) == 1 {
			l.mu.Unlock()
			return dropped, nil
		}
		l.segs = append([]*segment(nil), l.segs[1:]...)
		l.mu.Unlock()
		if err := l.drop(s); err != nil {
			return dropped, err
		}
	}
}

// sealedSpan gives copies of the sealed segments that make up [from, to) exactly.
func (l *Log) sealedSpan(from, to uint64) ([]segment, error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	var out []segment
	for _, s := range l.segs {
		if s.sealed && s.first >= from && s.next <= to {
			out = append(out, *s)
		}
	}
	if len(out) == 0 || out[0].first != from || out[len(out)-1].next != to {
		return nil, fmt.Errorf("records [%d, %d) are not whole sealed segments; see Segments", from, to)
	}
	return out, nil
}
