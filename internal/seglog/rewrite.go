package seglog

import (
	"encoding/binary"
	"errors"
	"fmt"
	"io"
	"strings"
)

// Edit decides about one record of a Rewrite: what is to stand in its place, or
// keep false to drop it. out may be rec.
type Edit func(index uint64, rec []byte) (out []byte, keep bool)

// Rewritten says what a Rewrite did.
type Rewritten struct {
	Kept, Dropped uint64
	Damaged       uint64 // records that could not be read and stay said as damaged
	Before, After int64  // bytes of the segment files
}

// Rewrite makes one plain segment out of the sealed segments that hold exactly
// [from, to), each record as edit says. Indexes stay as they are: readers see them
// jump over what was dropped. It needs room for the new form beside the old ones;
// an error before the new form has its name (no space, say) changes nothing and
// doesn't break the log. The bytes of damaged spans are set aside in a side file.
func (l *Log) Rewrite(from, to uint64, edit Edit) (Rewritten, error) {
	l.maint.Lock()
	defer l.maint.Unlock()
	var res Rewritten
	if err := l.usable(); err != nil {
		return res, fmt.Errorf("rewrite: %w", err)
	}
	olds, err := l.sealedSpan(from, to)
	if err != nil {
		return res, fmt.Errorf("rewrite: %w", err)
	}
	whole := segment{first: from, next: to, sealed: true, stride: l.opts.stride()}
	name := l.path(segName(from) + tmpSuffix)
	made, err := l.build(name, whole, func(f File) (segment, string, error) {
		w := &rewriter{l: l, w: segWriter{f: f, buf: header{first: from}.encode()}, edit: edit, res: &res, d: newDigest(), seg: whole}
		return w.run(olds)
	})
	if err != nil {
		return Rewritten{}, fmt.Errorf("rewrite: %w", err)
	}
	res.After = made.size
	return res, l.swap(name, made)
}

// rewriter carries one Rewrite.
type rewriter struct {
	l      *Log
	w      segWriter
	edit   Edit
	res    *Rewritten
	d      digest
	seg    segment
	marked int64
	skip   uint64 // first of the run being dropped
	run0   bool   // a run is being dropped
}

func (w *rewriter) run(olds []segment) (segment, string, error) {
	for _, s := range olds {
		w.res.Before += s.size
		if err := w.copySegment(s); err != nil {
			return w.seg, "", err
		}
	}
	if err := w.w.flush(0); err != nil {
		return w.seg, "", err
	}
	w.seg.end, w.seg.size = w.w.off, w.w.off
	return w.seg, w.d.sum(), nil
}

// copySegment copies one segment. A dropped run ends with it, so that a crash
// between the rename and the removal of the others leaves frames that fit.
func (w *rewriter) copySegment(s segment) error {
	c, err := w.l.openCursor(s, s.first)
	if err != nil {
		return err
	}
	defer c.close()
	for {
		sp, err := c.next()
		switch {
		case errors.Is(err, io.EOF):
			w.endRun(s.next)
			return nil
		case err != nil:
			return err
		case sp.damage != nil:
			err = w.lost(sp)
		case sp.skipped:
			w.drop(sp.from)
		default:
			w.record(sp)
		}
		if err == nil {
			err = w.w.flush(copyChunk / 4)
		}
		if err != nil {
			return err
		}
	}
}

func (w *rewriter) drop(from uint64) {
	if !w.run0 {
		w.run0, w.skip = true, from
	}
}

func (w *rewriter) endRun(to uint64) {
	if w.run0 && w.skip < to {
		w.w.buf = appendSkip(w.w.buf, tagSkip, w.skip, to)
	}
	w.run0 = false
}

func (w *rewriter) record(sp span) {
	out, keep := w.edit(sp.from, sp.rec)
	if !keep || len(out) > w.l.opts.MaxRecord {
		w.res.Dropped++
		w.drop(sp.from)
		return
	}
	w.endRun(sp.from)
	off := w.w.off + int64(len(w.w.buf))
	w.seg.note(sp.from, off)
	if off-w.marked >= scanWindow {
		w.marked = off
		w.w.buf = append(w.w.buf, make([]byte, markSize)...)
		putMark(w.w.buf[len(w.w.buf)-markSize:], sp.from, sp.from)
	}
	n := len(w.w.buf)
	w.w.buf = appendRecord(w.w.buf, out)
	patchIndexes(w.w.buf[n:], sp.from)
	w.d.add(sp.from, out)
	w.res.Kept++
}

// lost carries damage over: the gap stays said, the bytes go into a side file.
func (w *rewriter) lost(sp span) error {
	w.l.noteDamage(*sp.damage)
	if sp.damage.Bytes > 0 {
		if err := w.l.keepDamaged(*sp.damage); err != nil {
			return err
		}
	}
	if sp.to > sp.from {
		w.endRun(sp.from)
		w.w.buf = appendSkip(w.w.buf, tagLost, sp.from, sp.to)
		w.res.Damaged += sp.to - sp.from
	}
	return nil
}

// keepDamaged copies bad bytes into a side file.
func (l *Log) keepDamaged(d Damage) error {
	f, err := l.fs.Open(l.path(segName(d.Segment)), false)
	if err != nil {
		return fmt.Errorf("open damaged segment: %w", err)
	}
	defer f.Close()
	b, err := readSpan(f, d.Offset, d.Offset+d.Bytes)
	if err != nil {
		return err
	}
	name := fmt.Sprintf("%s-%d%s", strings.TrimSuffix(segName(d.Segment), segSuffix), d.Offset, damagedSuffix)
	return l.setAside(name, b, damagedSuffix)
}

// appendBlockFrame appends a frame as it stands inside a block.
func appendBlockFrame(b []byte, s span) []byte {
	switch {
	case s.rec != nil:
		b = binary.AppendUvarint(b, uint64(len(s.rec))+tagRecord)
		return append(b, s.rec...)
	case s.damage != nil:
		b = append(b, tagLost)
	default:
		b = append(b, tagSkip)
	}
	b = binary.LittleEndian.AppendUint64(b, s.from)
	return binary.LittleEndian.AppendUint64(b, s.to)
}
