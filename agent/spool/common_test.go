package spool_test

import (
	"context"
	"crypto/sha256"
	"encoding/binary"
	"errors"
	"fmt"
	"log/slog"
	"math/rand/v2"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"github.com/hourbell/hourbell/agent/spool"
	"github.com/hourbell/hourbell/internal/seglog"
	"github.com/hourbell/hourbell/internal/seglog/seglogtest"
)

const (
	root = "/disk"
	dir  = root + "/agent/spool"
)

var bg = context.Background()

// seeded is randomness that a test can set.
type seeded struct{ r *rand.Rand }

func (s seeded) Read(p []byte) (int, error) {
	for i := range p {
		p[i] = byte(s.r.Uint32())
	}
	return len(p), nil
}

// clock is a time that a test moves.
type clock struct{ t time.Time }

func newClock() *clock { return &clock{time.Date(2031, 7, 20, 9, 0, 0, 0, time.UTC)} }

func (c *clock) now() time.Time { return c.t }

func options(fsys seglog.FS, c *clock) spool.Options {
	return spool.Options{FS: fsys, MaxBytes: 256 << 10, Now: c.now, Rand: seeded{rand.New(rand.NewPCG(1, 2))}, Log: slog.New(slog.DiscardHandler)}
}

func mustOpen(t testing.TB, o spool.Options) *spool.Spool {
	t.Helper()
	s, err := spool.Open(dir, o)
	require.NoError(t, err)
	return s
}

// hashChain is the formula written out again, apart from the product's code.
func hashChain(epoch [16]byte) [32]byte {
	return sha256.Sum256(append([]byte("hourbell spool epoch"), epoch[:]...))
}

func hashNext(prev [32]byte, seq uint64, payload []byte) [32]byte {
	h := sha256.New()
	h.Write(prev[:])
	_ = binary.Write(h, binary.BigEndian, seq)
	h.Write(payload)
	return [32]byte(h.Sum(nil))
}

// book is what a test knows to have been appended in one epoch.
type book struct {
	id     [16]byte
	events []spool.Event // event n at n-1
	hashes [][32]byte    // H(n) at n
}

func newBook(id [16]byte) *book { return &book{id: id, hashes: [][32]byte{hashChain(id)}} }

func (b *book) add(events ...spool.Event) {
	for _, e := range events {
		b.events = append(b.events, e)
		b.hashes = append(b.hashes, hashNext(b.hashes[len(b.hashes)-1], uint64(len(b.events)), e.Payload))
	}
}

func (b *book) last() uint64 { return uint64(len(b.events)) }

// walk reads the spool from seq to its end in batches and holds every item against
// the book: numbers without holes, payloads, the chain across gaps. It returns the
// events read by number and what the gaps count.
func (b *book) walk(s *spool.Spool, seq uint64, per int) (map[uint64]spool.Item, spool.Gap, error) {
	got := map[uint64]spool.Item{}
	var sum spool.Gap
	for next := seq; ; {
		batch, err := s.ReadFrom(bg, next, per, 1<<20)
		if err != nil {
			return got, sum, err
		}
		if batch.Epoch != b.id {
			return got, sum, fmt.Errorf("epoch %v", batch.Epoch)
		}
		for _, it := range batch.Items {
			if it.Seq != next {
				return got, sum, fmt.Errorf("item %d where %d was expected", it.Seq, next)
			}
			if next, err = b.item(it, &sum); err != nil {
				return got, sum, err
			}
			if it.Gap == nil {
				got[it.Seq] = it
			}
		}
		if batch.Last != next-1 || next <= b.last()+1 && [32]byte(batch.Hash) != b.hashes[next-1] {
			return got, sum, fmt.Errorf("batch ends at %d with %v, want %d with %x", batch.Last, batch.Hash, next-1, b.hashes[next-1])
		}
		if len(batch.Items) == 0 {
			break
		}
	}
	last, hash := s.Last()
	if last != b.last() || [32]byte(hash) != b.hashes[last] {
		return got, sum, fmt.Errorf("last is %d %v, want %d %x", last, hash, b.last(), b.hashes[b.last()])
	}
	return got, sum, nil
}

// item judges one item and tells the next number.
func (b *book) item(it spool.Item, sum *spool.Gap) (uint64, error) {
	if g := it.Gap; g != nil {
		switch {
		case g.From != it.Seq || g.To <= g.From || g.To > b.last()+1:
			return 0, fmt.Errorf("gap [%d, %d) at %d, last %d", g.From, g.To, it.Seq, b.last())
		case g.Lost == 0 && [32]byte(g.Hash) != b.hashes[g.To-1]:
			return 0, fmt.Errorf("gap [%d, %d): hash %v, want %x", g.From, g.To, g.Hash, b.hashes[g.To-1])
		}
		sum.Readings += g.Readings
		sum.Keeps += g.Keeps
		sum.Records += g.Records
		sum.Lost += g.Lost
		return g.To, nil
	}
	if it.Seq > b.last() {
		return 0, fmt.Errorf("event %d was never appended", it.Seq)
	}
	want := b.events[it.Seq-1]
	if it.Class != want.Class || it.Key != want.Key || string(it.Payload) != string(want.Payload) {
		return 0, fmt.Errorf("event %d: got %v %d %q, want %v %d %q", it.Seq, it.Class, it.Key, it.Payload, want.Class, want.Key, want.Payload)
	}
	return it.Seq + 1, nil
}

// mustWalk walks all of the epoch that is kept.
func (b *book) mustWalk(t testing.TB, s *spool.Spool, seq uint64) (map[uint64]spool.Item, spool.Gap) {
	t.Helper()
	got, sum, err := b.walk(s, seq, 100)
	require.NoError(t, err)
	return got, sum
}

// event makes an event that can be told from others.
func event(class spool.Class, key uint16, n int, size int) spool.Event {
	p := fmt.Appendf(nil, "%v %d of key %d ", class, n, key)
	for len(p) < size {
		p = append(p, byte(n))
	}
	return spool.Event{Class: class, Key: key, Payload: p}
}

// watchSize fails the test when the files together ever take more than max bytes.
func watchSize(fs *seglogtest.FS, max int64, over *error) {
	fs.OnOp(func(op seglogtest.Op, name string) {
		if used := fs.Used(); used > max && *over == nil {
			*over = fmt.Errorf("%d bytes of at most %d after %s %s", used, max, op, name)
		}
	})
}

func isFull(err error) bool {
	var f *spool.FullError
	return errors.As(err, &f) && errors.Is(err, spool.ErrFull)
}
