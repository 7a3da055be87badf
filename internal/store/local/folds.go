package local

import (
	"bytes"
	"encoding/binary"
	"errors"
	"fmt"
	"hash/crc32"
	"hash/fnv"
	"io/fs"
	"math"
	"os"
	"path/filepath"
	"runtime/debug"
	"sync/atomic"
	"time"

	bolt "go.etcd.io/bbolt"
	bolterrors "go.etcd.io/bbolt/errors"

	"github.com/hourbell/hourbell/internal/store"
)

const (
	foldsName    = "folds.bolt"
	foldsNewName = "folds.bolt.new"
	foldsMode    = 0o600

	// mergeBlocks small blocks are made one with what comes.
	mergeBlocks = 3

	// lockTimeout bounds the wait for another process that has the file.
	lockTimeout = 2 * time.Second
)

// The buckets, all under the version's.
var (
	bucketVersion     = []byte("v1")
	bucketMeta        = []byte("meta")
	bucketHeads       = []byte("heads")
	bucketHistory     = []byte("history")
	bucketCheckpoints = []byte("checkpoints")

	keyPosition = []byte("position")
)

// errFolds says that the folds can't be used as they are: they are set aside
// and rebuilt from the journal.
var errFolds = errors.New("folds are damaged")

// position is what the folds stand for.
type position struct {
	next  uint64 // everything in the journal before this index is folded
	last  uint64 // index of the last good record folded, 0 for none
	check uint32 // CRC32C of that record, so that another journal's is noticed
	// Of all heads: how many there are, and the exclusive or of their hashes.
	heads   uint64
	headSum uint64
}

// folds is the bbolt file.
type folds struct {
	db   *bolt.DB
	file *os.File
	path string
	pack *packer

	pos  position    // as committed
	lost atomic.Bool // bbolt panicked: its locks may be held for ever

	// Used while folding; one at a time.
	writer blockWriter
	reader blockReader
	key    []byte
	value  []byte
}

// createFolds makes an empty file under another name and puts it in place whole:
// bbolt's own first writing can be cut in half.
func createFolds(dir string, o *Options) error {
	tmp := filepath.Join(dir, foldsNewName)
	if err := os.Remove(tmp); err != nil && !errors.Is(err, fs.ErrNotExist) {
		return fmt.Errorf("remove what is left of new folds: %w", err)
	}
	db, err := bolt.Open(tmp, foldsMode, boltOptions(o, nil))
	if err != nil {
		return fmt.Errorf("make new folds: %w", err)
	}
	if err := errors.Join(db.Update(makeBuckets), db.Close()); err != nil {
		return fmt.Errorf("make new folds: %w", err)
	}
	if err := os.Rename(tmp, filepath.Join(dir, foldsName)); err != nil {
		return fmt.Errorf("make new folds: %w", err)
	}
	return syncDir(dir)
}

func makeBuckets(tx *bolt.Tx) error {
	v, err := tx.CreateBucket(bucketVersion)
	if err != nil {
		return err
	}
	for _, name := range [][]byte{bucketMeta, bucketHeads, bucketHistory, bucketCheckpoints} {
		if _, err := v.CreateBucket(name); err != nil {
			return err
		}
	}
	return putPosition(v, position{next: 1})
}

// boltOptions: every commit is synced. The folds could be rebuilt without, but a
// rebuild of years takes minutes in which nobody hears a bell, and commits are
// few: one for some megabytes of journal, and one for a set of checkpoints.
func boltOptions(o *Options, file **os.File) *bolt.Options {
	return &bolt.Options{
		Timeout:      lockTimeout,
		FreelistType: bolt.FreelistMapType,
		MaxSize:      int(min(o.MaxFoldsBytes, math.MaxInt)),
		NoSync:       o.unsynced, // false but in tests
		OpenFile: func(name string, flag int, mode os.FileMode) (*os.File, error) {
			f, err := os.OpenFile(name, flag, mode)
			if file != nil {
				*file = f
			}
			return f, err
		},
	}
}

// openFolds opens the folds of a folder. errFolds is in the error if they are
// damaged or of another version; other errors (no rights, locked) are the
// operator's.
func openFolds(dir string, o *Options, pack *packer) (*folds, error) {
	f := &folds{path: filepath.Join(dir, foldsName), pack: pack}
	err := checkPages(f.path)
	if err != nil && !errors.Is(err, errPages) {
		return nil, fmt.Errorf("open folds: %w", err)
	}
	if err != nil {
		return nil, fmt.Errorf("%w: %w", errFolds, err)
	}
	err = f.guard(func() (err error) {
		f.db, err = bolt.Open(f.path, foldsMode, boltOptions(o, &f.file))
		return err
	})
	if err == nil {
		err = f.view(f.load)
	}
	switch {
	case err == nil:
		return f, nil
	case errors.Is(err, bolterrors.ErrTimeout):
		return nil, fmt.Errorf("open folds: %s is locked by another process; only one may write here: stop it first", f.path)
	case errors.Is(err, fs.ErrPermission):
		return nil, fmt.Errorf("open folds: %w", err)
	}
	_ = f.close() // the first error is the one to tell
	return nil, fmt.Errorf("%w: %w", errFolds, err)
}

// load reads and checks the position.
func (f *folds) load(v *bolt.Bucket) error {
	for _, name := range [][]byte{bucketMeta, bucketHeads, bucketHistory, bucketCheckpoints} {
		if v.Bucket(name) == nil {
			return fmt.Errorf("%w: bucket %s is missing", errFolds, name)
		}
	}
	pos, err := decodePosition(v.Bucket(bucketMeta).Get(keyPosition))
	f.pos = pos
	return err
}

// heads calls yield with the last revision folded of each stream, and fails
// unless they are all there and as they were written.
func (f *folds) heads(yield func(stream string, last uint64)) error {
	return f.view(func(v *bolt.Bucket) error {
		var count, sum uint64
		err := v.Bucket(bucketHeads).ForEach(func(k, value []byte) error {
			last, n := binary.Uvarint(value)
			if n <= 0 {
				return fmt.Errorf("%w: head of %q", errFolds, k)
			}
			count, sum = count+1, sum^headHash(string(k), last)
			yield(string(k), last)
			return nil
		})
		if err == nil && (count != f.pos.heads || sum != f.pos.headSum) {
			err = fmt.Errorf("%w: %d heads are not the %d that were written", errFolds, count, f.pos.heads)
		}
		return err
	})
}

// job is what one stream brings to a round of folding.
type job struct {
	stream string
	folded uint64 // last revision folded before
	refs   []ref  // consecutive, from folded+1
}

func (j *job) entries() (n uint64) {
	for i := range j.refs {
		n += j.refs[i].count
	}
	return n
}

// fold takes in jobs, which come in order of stream, and stands for pos after
// it. One commit: all or nothing.
func (f *folds) fold(jobs []job, pos position) error {
	pos.heads, pos.headSum = f.pos.heads, f.pos.headSum
	err := f.update(func(v *bolt.Bucket) error {
		history, heads := v.Bucket(bucketHistory), v.Bucket(bucketHeads)
		for i := range jobs {
			if err := f.foldStream(history, &jobs[i]); err != nil {
				return fmt.Errorf("fold stream %q: %w", jobs[i].stream, err)
			}
			if err := putHead(heads, &jobs[i], &pos); err != nil {
				return err
			}
		}
		return putPosition(v, pos)
	})
	if err != nil {
		return fmt.Errorf("fold: %w", err)
	}
	f.pos = pos
	return nil
}

func (f *folds) foldStream(history *bolt.Bucket, j *job) error {
	f.writer.reset()
	if err := f.mergeTail(history, j); err != nil {
		return err
	}
	next := j.folded + 1
	for i := range j.refs {
		r := &j.refs[i]
		if r.first != next {
			return fmt.Errorf("revision %d comes after %d", r.first, next-1)
		}
		next = r.next()
		if err := f.foldRef(history, j.stream, r); err != nil {
			return err
		}
	}
	return f.flush(history, j.stream)
}

// foldRef takes a record's entries into blocks, or makes a lost span a block.
func (f *folds) foldRef(history *bolt.Bucket, stream string, r *ref) error {
	if r.data != nil {
		return f.foldSpan(history, stream, r, r.first, r.next())
	}
	if err := f.flush(history, stream); err != nil {
		return err
	}
	return f.putDamaged(history, stream, r)
}

// foldSpan takes a record's revisions [lo, hi) into blocks.
func (f *folds) foldSpan(history *bolt.Bucket, stream string, r *ref, lo, hi uint64) error {
	rec, err := openRecord(r.data)
	if err != nil {
		return err
	}
	var e store.Entry
	for {
		more, err := rec.next(&e)
		if err != nil || !more || e.Revision >= hi {
			return err
		}
		if e.Revision < lo {
			continue
		}
		if err := f.addEntry(history, stream, &e, r.index, r.index); err != nil {
			return err
		}
	}
}

func (f *folds) addEntry(history *bolt.Bucket, stream string, e *store.Entry, from, to uint64) error {
	if f.writer.full() {
		if err := f.flush(history, stream); err != nil {
			return err
		}
	}
	return f.writer.add(e, from, to)
}

// flush puts the entries gathered as a block.
func (f *folds) flush(history *bolt.Bucket, stream string) error {
	if f.writer.count == 0 {
		return nil
	}
	f.key = blockKey(f.key[:0], stream, f.writer.first)
	f.value = f.writer.finish(f.value[:0], f.key, f.pack)
	return history.Put(f.key, bytes.Clone(f.value)) // bbolt keeps the value until the commit
}

func (f *folds) putDamaged(history *bolt.Bucket, stream string, r *ref) error {
	b := block{kind: blockDamaged, first: r.first, count: r.count, from: r.index, to: r.index, body: []byte(r.why)}
	f.key = blockKey(f.key[:0], stream, r.first)
	return history.Put(f.key, appendBlock(nil, f.key, &b))
}

// mergeTail takes the stream's last blocks into the writer and removes them, when
// mergeBlocks of them are small beside what comes, and then again beside the sum.
// So a block is rewritten a few times on its way to full size, not at every round.
func (f *folds) mergeTail(history *bolt.Bucket, j *job) error {
	coming, next := j.entries(), j.folded+1
	var keys, values [][]byte
	merged, small := 0, uint64(0) // of keys; entries in the others
	f.key = blockKey(f.key[:0], j.stream, math.MaxUint64)
	c := history.Cursor()
	for k, v := seekBefore(c, f.key); k != nil; k, v = c.Prev() {
		if name, _, ok := splitBlockKey(k); !ok || string(name) != j.stream {
			break
		}
		b, err := openBlock(k, v)
		if err != nil || b.kind == blockDamaged || b.next() != next || b.count >= blockEntries || b.size >= blockBytes || b.count > 2*coming {
			break // full, or for a reader to find and repair
		}
		small, next = small+b.count, b.first
		keys, values = append(keys, bytes.Clone(k)), append(values, bytes.Clone(v))
		if len(keys)-merged == mergeBlocks {
			merged, coming, small = len(keys), coming+small, 0
		}
	}
	keys, values = keys[:merged], values[:merged]
	for i := len(keys) - 1; i >= 0; i-- {
		if err := f.mergeBlock(history, j.stream, keys[i], values[i]); err != nil {
			return err
		}
	}
	return nil
}

func (f *folds) mergeBlock(history *bolt.Bucket, stream string, key, value []byte) error {
	b, err := openBlock(key, value)
	if err != nil {
		return err
	}
	if err := f.reader.open(b, f.pack); err != nil {
		return err
	}
	if err := history.Delete(key); err != nil {
		return err
	}
	var e store.Entry
	for {
		more, err := f.reader.next(&e)
		if err != nil || !more {
			return err
		}
		if err := f.addEntry(history, stream, &e, b.from, b.to); err != nil {
			return err
		}
	}
}

// found is what find gives: the last block at or before a revision, and where
// the next one begins.
type found struct {
	key, value []byte // copies; nil if the stream has no block there
	after      uint64 // first revision of the block behind, 0 if there is none
	afterFrom  uint64 // its first journal index, 0 if it isn't known
}

// find copies the stream's last block at or before a revision. It reuses the
// memory of old.
func (f *folds) find(stream string, revision uint64, old found) (found, error) {
	got := found{key: old.key[:0], value: old.value[:0]}
	err := f.view(func(v *bolt.Bucket) error {
		key := blockKey(nil, stream, revision)
		c := v.Bucket(bucketHistory).Cursor()
		k, value := c.Seek(key)
		behind, behindValue := k, value
		if bytes.Equal(k, key) {
			behind, behindValue = c.Next()
		} else if k == nil {
			k, value = c.Last()
		} else {
			k, value = c.Prev()
		}
		if name, first, ok := splitBlockKey(behind); ok && string(name) == stream {
			got.after, got.afterFrom = first, fromOf(behind, behindValue)
		}
		if name, _, ok := splitBlockKey(k); ok && string(name) == stream {
			got.key, got.value = append(got.key, k...), append(got.value, value...)
		}
		return nil
	})
	return got, err
}

// fromOf is the first journal index of a block, 0 if it is damaged.
func fromOf(key, value []byte) uint64 {
	b, err := openBlock(key, value)
	if err != nil || b.kind == blockDamaged {
		return 0
	}
	return b.from
}

// replace puts a wound's records in the place of whatever blocks begin in it,
// and says as damaged what they leave open.
func (f *folds) replace(w *wound) error {
	return f.update(func(v *bolt.Bucket) error {
		history := v.Bucket(bucketHistory)
		if err := dropBlocks(history, w.stream, w.lo, w.hi); err != nil {
			return err
		}
		f.writer.reset()
		next := w.lo
		for i := range w.refs {
			r := &w.refs[i]
			if r.next() <= next {
				continue
			}
			if r.first > next {
				if err := f.foldLost(history, w.stream, next, min(r.first, w.hi), r.index); err != nil {
					return err
				}
				next = r.first
			}
			hi := min(r.next(), w.hi)
			if err := f.foldSpan(history, w.stream, r, next, hi); err != nil {
				return err
			}
			next = hi
		}
		if next < w.hi {
			return f.foldLost(history, w.stream, next, w.hi, w.to)
		}
		return f.flush(history, w.stream)
	})
}

func (f *folds) foldLost(history *bolt.Bucket, stream string, lo, hi, index uint64) error {
	if err := f.flush(history, stream); err != nil {
		return err
	}
	return f.putDamaged(history, stream, &ref{first: lo, count: hi - lo, index: index, why: whyUnreadable})
}

func dropBlocks(history *bolt.Bucket, stream string, lo, hi uint64) error {
	var stale [][]byte
	c := history.Cursor()
	for k, _ := c.Seek(blockKey(nil, stream, lo)); k != nil; k, _ = c.Next() {
		name, first, ok := splitBlockKey(k)
		if !ok || string(name) != stream || first >= hi {
			break
		}
		stale = append(stale, bytes.Clone(k))
	}
	for _, k := range stale {
		if err := history.Delete(k); err != nil {
			return err
		}
	}
	return nil
}

func (f *folds) view(do func(v *bolt.Bucket) error) error {
	return f.guard(func() error {
		return f.db.View(func(tx *bolt.Tx) error {
			v := tx.Bucket(bucketVersion)
			if v == nil {
				return fmt.Errorf("%w: no bucket %s: they are of another version", errFolds, bucketVersion)
			}
			return do(v)
		})
	})
}

func (f *folds) update(do func(v *bolt.Bucket) error) error {
	return f.guard(func() error {
		return f.db.Update(func(tx *bolt.Tx) error {
			v := tx.Bucket(bucketVersion)
			if v == nil {
				return fmt.Errorf("%w: no bucket %s", errFolds, bucketVersion)
			}
			return do(v)
		})
	})
}

// bytes is the size of the file, and what is used of it.
func (f *folds) bytes() (size, used int64) {
	_ = f.guard(func() error { // figures only; 0 once the file is closed
		tx, err := f.db.Begin(false)
		if err != nil {
			return err
		}
		size = tx.Size()
		st := f.db.Stats()
		used = size - int64(st.FreePageN+st.PendingPageN)*int64(f.db.Info().PageSize)
		return tx.Rollback()
	})
	return size, used
}

// close lets go of the file. Where bbolt has lost its way its own Close could
// wait for ever for a lock that a panic left held; closing the file frees the
// lock on it. The mapping stays until the process ends.
func (f *folds) close() error {
	if f.lost.Load() || f.db == nil {
		if f.file != nil {
			_ = f.file.Close() // nothing was written that counts
		}
		return nil
	}
	return f.db.Close()
}

// guard runs what reads or writes bbolt pages. bbolt has no checksums on its
// pages and panics on ones that make no sense; a file that is cut short faults.
// Both are damage.
func (f *folds) guard(do func() error) (err error) {
	old := debug.SetPanicOnFault(true)
	defer debug.SetPanicOnFault(old)
	defer func() {
		if p := recover(); p != nil {
			f.lost.Store(true)
			err = fmt.Errorf("%w: %v", errFolds, p)
		}
	}()
	return do()
}

func putHead(heads *bolt.Bucket, j *job, pos *position) error {
	last := j.folded + j.entries()
	if j.folded > 0 {
		pos.headSum ^= headHash(j.stream, j.folded)
	} else {
		pos.heads++
	}
	pos.headSum ^= headHash(j.stream, last)
	return heads.Put([]byte(j.stream), binary.AppendUvarint(nil, last))
}

func headHash(stream string, last uint64) uint64 {
	h := fnv.New64a()
	_, _ = h.Write(binary.BigEndian.AppendUint64([]byte(stream), last)) // never fails
	return h.Sum64()
}

const positionSize = 8 + 8 + 4 + 8 + 8 + 4

func putPosition(v *bolt.Bucket, p position) error {
	b := binary.LittleEndian.AppendUint64(nil, p.next)
	b = binary.LittleEndian.AppendUint64(b, p.last)
	b = binary.LittleEndian.AppendUint32(b, p.check)
	b = binary.LittleEndian.AppendUint64(b, p.heads)
	b = binary.LittleEndian.AppendUint64(b, p.headSum)
	b = binary.LittleEndian.AppendUint32(b, crc32.Checksum(b, castagnoli))
	return v.Bucket(bucketMeta).Put(keyPosition, b)
}

func decodePosition(b []byte) (position, error) {
	if len(b) != positionSize || crc32.Checksum(b[:positionSize-4], castagnoli) != binary.LittleEndian.Uint32(b[positionSize-4:]) {
		return position{}, fmt.Errorf("%w: the position they stand for is not readable", errFolds)
	}
	u := binary.LittleEndian
	return position{next: u.Uint64(b), last: u.Uint64(b[8:]), check: u.Uint32(b[16:]), heads: u.Uint64(b[20:]), headSum: u.Uint64(b[28:])}, nil
}

// seekBefore puts the cursor on the last key before one that is not there.
func seekBefore(c *bolt.Cursor, key []byte) (k, v []byte) {
	if k, _ := c.Seek(key); k == nil {
		return c.Last()
	}
	return c.Prev()
}

func syncDir(dir string) error {
	d, err := os.Open(dir)
	if err != nil {
		return fmt.Errorf("sync folder: %w", err)
	}
	if err := errors.Join(d.Sync(), d.Close()); err != nil {
		return fmt.Errorf("sync folder %s: %w", dir, err)
	}
	return nil
}
