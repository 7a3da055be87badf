package seglog_test

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"math/rand/v2"
	"testing"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"github.com/hourbell/hourbell/internal/seglog"
	"github.com/hourbell/hourbell/internal/seglog/seglogtest"
)

const root = "/disk"
const dir = root + "/log"

// chooser draws numbers in [0, n): from rapid, or from a seed.
type chooser interface{ pick(what string, n int) int }

type rapidChooser struct{ t *rapid.T }

func (c rapidChooser) pick(what string, n int) int { return rapid.IntRange(0, n-1).Draw(c.t, what) }

type seedChooser struct{ r *rand.Rand }

func (c seedChooser) pick(_ string, n int) int { return c.r.IntN(n) }

// model drives a log and a plain list side by side.
type model struct {
	c       chooser
	fs      *seglogtest.FS
	opts    seglog.Options
	log     *seglog.Log
	recs    map[uint64][]byte // nil: dropped by a rewrite
	first   uint64
	next    uint64
	synced  uint64
	serial  int
	crashes int
}

var errLost = errors.New("synced record lost")

func newModel(c chooser, fs *seglogtest.FS) (*model, error) {
	m := &model{c: c, fs: fs, recs: map[uint64][]byte{}, first: 1, next: 1, synced: 1}
	m.opts = seglog.Options{FS: fs, SegmentBytes: int64(600 + c.pick("segment", 3)*3000), MaxRecord: 8192, ReadBuffer: 512, Codec: runCodec{}}
	if c.pick("prealloc", 2) == 1 {
		m.opts.Prealloc = m.opts.SegmentBytes
	}
	_, err := m.open()
	return m, err
}

func (m *model) open() (rec seglog.Recovery, err error) {
	m.log, rec, err = seglog.Open(dir, m.opts)
	return rec, err
}

// run does a number of random steps.
func (m *model) run(steps int) error {
	type step struct {
		name string
		do   func() error
	}
	all := []step{
		{"append", m.append}, {"append", m.append}, {"append", m.append}, {"sync", m.sync}, {"sync", m.sync},
		{"rotate", m.rotate}, {"trim", m.trim}, {"rewrite", m.rewrite}, {"compress", m.compress},
		{"reopen", m.reopen}, {"crash", m.crash}, {"read", m.read},
	}
	for range steps {
		s := all[m.c.pick("step", len(all))]
		if err := s.do(); err != nil {
			return fmt.Errorf("%s: %w", s.name, err)
		}
	}
	if err := m.crash(); err != nil {
		return fmt.Errorf("last crash: %w", err)
	}
	return m.read()
}

func (m *model) append() error {
	var b seglog.Batch
	n := 1 + m.c.pick("records", 12)
	for i := range n {
		size := m.c.pick("size", 200)
		if m.c.pick("large", 12) == 0 {
			size *= 15
		}
		m.serial++
		rec := bytes.Repeat([]byte{byte(m.serial), byte(m.serial >> 8), byte(size) & 0x3}, size/3+1)[:size]
		b.Add(rec)
		m.recs[m.next+uint64(i)] = rec
	}
	first, err := m.log.AppendBatch(&b)
	if err == nil && first != m.next {
		err = fmt.Errorf("first index %d, want %d", first, m.next)
	}
	m.next += uint64(n)
	m.synced = max(m.synced, m.log.Synced()) // a rotation syncs what was before it
	return err
}

func (m *model) sync() error {
	err := m.log.Sync()
	m.synced = m.next
	return err
}

func (m *model) rotate() error {
	err := m.log.Rotate()
	m.synced = m.next
	return err
}

func (m *model) trim() error {
	_, err := m.log.TrimBefore(m.first + uint64(m.c.pick("trim", int(m.synced-m.first)+1)))
	m.setFirst(m.log.First())
	return err
}

func (m *model) setFirst(first uint64) {
	for ; m.first < first; m.first++ {
		delete(m.recs, m.first)
	}
}

func (m *model) rewrite() error {
	segs := m.log.Segments()
	segs = segs[:len(segs)-1]
	if len(segs) == 0 {
		return nil
	}
	i := m.c.pick("from", len(segs))
	j := min(i+m.c.pick("join", 3), len(segs)-1)
	mod := uint64(2 + m.c.pick("keep", 3))
	_, err := m.log.Rewrite(segs[i].First, segs[j].Next, func(index uint64, rec []byte) ([]byte, bool) {
		if index%mod == 0 {
			m.recs[index] = nil
			return nil, false
		}
		if index%5 == 0 {
			m.recs[index] = append([]byte("edited"), rec...)
			return m.recs[index], true
		}
		return rec, true
	})
	return err
}

func (m *model) compress() error {
	_, err := m.log.CompressSealed(context(), m.c.pick("newest", 3))
	return err
}

func (m *model) reopen() error {
	if err := m.log.Close(); err != nil {
		return err
	}
	m.synced = m.next
	rec, err := m.open()
	if err != nil {
		return err
	}
	if !rec.Clean() {
		return fmt.Errorf("unclean after Close: %+v", rec)
	}
	return m.judge(rec)
}

func (m *model) crash() error {
	var tear *rand.Rand
	if k := m.c.pick("tear", 1000); k > 100 {
		tear = rand.New(rand.NewPCG(uint64(k), uint64(m.serial)))
	}
	m.crashes++
	m.fs.Crash(tear)
	rec, err := m.open()
	if err != nil {
		return err
	}
	if len(rec.Damaged) > 0 {
		return fmt.Errorf("a crash is told as damage: %+v", rec)
	}
	return m.judge(rec)
}

// judge holds what Open found against what was promised.
func (m *model) judge(rec seglog.Recovery) error {
	if rec.Next < m.synced || rec.First > m.first {
		return fmt.Errorf("%w: records [%d, %d) were synced, found [%d, %d)", errLost, m.first, m.synced, rec.First, rec.Next)
	}
	if rec.Next > m.next || rec.First < m.first {
		return fmt.Errorf("invented: records [%d, %d) were there, found [%d, %d)", m.first, m.next, rec.First, rec.Next)
	}
	m.next, m.synced = rec.Next, rec.Next
	return m.read()
}

// read compares all that is durable, from a random index on.
func (m *model) read() error {
	from := m.first + uint64(m.c.pick("from", int(m.synced-m.first)+1))
	r, err := m.log.Reader(from)
	if err != nil {
		return err
	}
	defer r.Close()
	want := from
	for {
		index, rec, err := r.Next()
		end := errors.Is(err, io.EOF)
		if err != nil && !end {
			return err
		}
		if end {
			index = m.synced
		}
		for ; want < index; want++ {
			if m.recs[want] != nil {
				return fmt.Errorf("%w: record %d not read", errLost, want)
			}
		}
		if end {
			return nil
		}
		if index < want || index >= m.synced || !bytes.Equal(rec, m.recs[index]) || m.recs[index] == nil && len(rec) > 0 {
			return fmt.Errorf("record %d (expected from %d, synced %d): read %q, want %q", index, want, m.synced, rec, m.recs[index])
		}
		want = index + 1
	}
}

// durability is the body that the log must pass and the control must fail.
func durability(c chooser, fs *seglogtest.FS, steps int) error {
	m, err := newModel(c, fs)
	if err != nil {
		return err
	}
	return m.run(steps)
}

func TestModel(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		if err := durability(rapidChooser{rt}, seglogtest.New(root), 60); err != nil {
			rt.Fatal(err)
		}
	})
}

func TestModelSeeds(t *testing.T) {
	for seed := range uint64(150) {
		c := seedChooser{rand.New(rand.NewPCG(seed, 1))}
		require.NoError(t, durability(c, seglogtest.New(root), 120), "seed %d", seed)
	}
}

// A log that skips its syncs must fail the same body, or the body proves nothing.
func TestModelControl(t *testing.T) {
	lost := 0
	for seed := range uint64(50) {
		fs := seglogtest.New(root)
		fs.SkipSync()
		err := durability(seedChooser{rand.New(rand.NewPCG(seed, 1))}, fs, 120)
		if errors.Is(err, errLost) {
			lost++
		}
	}
	require.Equal(t, 50, lost, "runs in which the control lost synced records")
}
