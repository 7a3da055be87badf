package local

import (
	"cmp"
	"crypto/sha256"
	"encoding/binary"
	"errors"
	"fmt"
	"slices"

	bolt "go.etcd.io/bbolt"

	"github.com/hourbell/hourbell/internal/store"
)

// checkpointCommit is how many bytes of folds go into one commit.
const checkpointCommit = 4 << 20

const checkpointVersion = 1

var errCheckpoint = errors.New("checkpoint is damaged")

// checkpointHead is a checkpoint's value without the fold.
type checkpointHead struct {
	revision uint64
	chain    [32]byte
	previous [32]byte // hash of the checkpoint that this one took the place of
	hash     [32]byte // over the stream, all above and the fold
	size     uint64   // of the fold when packed, 0 where it is plain
	body     []byte
}

func decodeCheckpoint(value []byte) (checkpointHead, error) {
	s := scanner{rest: value}
	if v := s.byte(); v != checkpointVersion {
		return checkpointHead{}, fmt.Errorf("%w: version %d, this build knows %d", errCheckpoint, v, checkpointVersion)
	}
	h := checkpointHead{revision: s.uvarint()}
	copy(h.chain[:], s.bytes(32))
	copy(h.previous[:], s.bytes(32))
	copy(h.hash[:], s.bytes(32))
	h.size = s.uvarint()
	if h.body = s.rest; s.err != nil {
		return checkpointHead{}, fmt.Errorf("%w: it is cut", errCheckpoint)
	}
	return h, nil
}

// openCheckpoint unpacks and checks a checkpoint's value. The fold is a copy.
func (f *folds) openCheckpoint(stream string, value []byte) (store.Checkpoint, error) {
	h, err := decodeCheckpoint(value)
	if err != nil {
		return store.Checkpoint{}, err
	}
	fold := h.body
	if h.size > 0 {
		if fold, err = f.pack.unpack(nil, h.body, h.size); err != nil {
			return store.Checkpoint{}, fmt.Errorf("%w: %w", errCheckpoint, err)
		}
	} else {
		fold = slices.Clone(fold)
	}
	c := store.Checkpoint{Stream: stream, Revision: h.revision, Fold: fold, Chain: h.chain}
	if checkpointHash(&c, h.previous) != h.hash {
		return store.Checkpoint{}, fmt.Errorf("%w: its hash does not hold", errCheckpoint)
	}
	return c, nil
}

// appendCheckpoint makes a checkpoint's value.
func (f *folds) appendCheckpoint(dst []byte, c *store.Checkpoint, previous [32]byte) []byte {
	hash := checkpointHash(c, previous)
	dst = binary.AppendUvarint(append(dst, checkpointVersion), c.Revision)
	dst = append(append(append(dst, c.Chain[:]...), previous[:]...), hash[:]...)
	if len(c.Fold) >= packFrom {
		if packed := f.pack.pack(nil, c.Fold); len(packed) < len(c.Fold) {
			return append(binary.AppendUvarint(dst, uint64(len(c.Fold))), packed...)
		}
	}
	return append(binary.AppendUvarint(dst, 0), c.Fold...)
}

func checkpointHash(c *store.Checkpoint, previous [32]byte) (sum [32]byte) {
	h := sha256.New()
	head := append([]byte(c.Stream), 0)
	head = binary.BigEndian.AppendUint64(head, c.Revision)
	head = append(append(head, c.Chain[:]...), previous[:]...)
	_, _ = h.Write(head) // never fails
	_, _ = h.Write(c.Fold)
	h.Sum(sum[:0])
	return sum
}

// checkpoint reads a stream's checkpoint; false if there is none.
func (f *folds) checkpoint(stream string) (c store.Checkpoint, ok bool, err error) {
	err = f.view(func(v *bolt.Bucket) error {
		value := v.Bucket(bucketCheckpoints).Get([]byte(stream))
		if value == nil {
			return nil
		}
		c, err = f.openCheckpoint(stream, value)
		ok = err == nil
		return err
	})
	return c, ok, err
}

// saveCheckpoints writes checkpoints in the order of their streams, a few
// megabytes a commit.
func (f *folds) saveCheckpoints(checkpoints []store.Checkpoint) error {
	sorted := make([]*store.Checkpoint, len(checkpoints))
	for i := range checkpoints {
		sorted[i] = &checkpoints[i]
	}
	slices.SortStableFunc(sorted, func(a, b *store.Checkpoint) int { return cmp.Compare(a.Stream, b.Stream) })
	for len(sorted) > 0 {
		n, size := 0, 0
		for n < len(sorted) && (n == 0 || size+len(sorted[n].Fold) <= checkpointCommit) {
			size += len(sorted[n].Fold)
			n++
		}
		if err := f.commitCheckpoints(sorted[:n]); err != nil {
			return fmt.Errorf("save checkpoints: %w", err)
		}
		sorted = sorted[n:]
	}
	return nil
}

func (f *folds) commitCheckpoints(some []*store.Checkpoint) error {
	return f.update(func(v *bolt.Bucket) error {
		kept := v.Bucket(bucketCheckpoints)
		for _, c := range some {
			var previous [32]byte
			if value := kept.Get([]byte(c.Stream)); value != nil {
				// One that is damaged gives way to any.
				if _, err := f.openCheckpoint(c.Stream, value); err == nil {
					h, _ := decodeCheckpoint(value) // decoded just before
					if h.revision > c.Revision {
						continue
					}
					previous = h.hash
				}
			}
			if err := kept.Put([]byte(c.Stream), f.appendCheckpoint(nil, c, previous)); err != nil {
				return err
			}
		}
		return nil
	})
}

// dropCheckpoints removes the checkpoints that stand beyond their stream's end,
// and those that are too damaged to tell, and returns how many stood beyond.
func (f *folds) dropCheckpoints(last func(stream string) uint64) (beyond int, err error) {
	var drop [][]byte
	err = f.view(func(v *bolt.Bucket) error {
		return v.Bucket(bucketCheckpoints).ForEach(func(k, value []byte) error {
			h, err := decodeCheckpoint(value)
			if err == nil && h.revision <= last(string(k)) {
				return nil
			}
			if _, err := f.openCheckpoint(string(k), value); err == nil {
				beyond++
			}
			drop = append(drop, slices.Clone(k))
			return nil
		})
	})
	if err != nil || len(drop) == 0 {
		return 0, err
	}
	return beyond, f.update(func(v *bolt.Bucket) error {
		for _, k := range drop {
			if err := v.Bucket(bucketCheckpoints).Delete(k); err != nil {
				return err
			}
		}
		return nil
	})
}
