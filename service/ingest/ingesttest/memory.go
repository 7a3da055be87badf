// Package ingesttest has a store in memory for tests of what stands on a store.
// It can hold its appends back, die in the middle of one, and be opened again
// with what had come to disk by then.
package ingesttest

import (
	"cmp"
	"context"
	"errors"
	"slices"
	"sync"

	"github.com/hourbell/hourbell/internal/store"
)

// Memory is a store.Store whose disk is memory.
type Memory struct {
	mu          sync.Mutex
	streams     map[string][]store.Entry
	checkpoints map[string]store.Checkpoint
	damaged     map[string][]store.DamagedError
	incarnation [16]byte
	appends     int
	dieAt       int
	halfWritten bool
	dead        error
	hold        chan struct{}
	arrived     chan struct{}
}

var _ store.Store = (*Memory)(nil)

// New returns an empty store.
func New() *Memory {
	return &Memory{streams: map[string][]store.Entry{}, checkpoints: map[string]store.Checkpoint{},
		damaged: map[string][]store.DamagedError{}, incarnation: [16]byte{1}, arrived: make(chan struct{}, 1)}
}

// DieAt has the n-th append from now, counted from 1, and all after it fail with
// store.ErrBroken. With written, that append's events come to disk all the same,
// as when the power goes between the write and the answer.
func (m *Memory) DieAt(n int, written bool) {
	m.mu.Lock()
	defer m.mu.Unlock()
	m.dieAt, m.halfWritten = m.appends+n, written
}

// Hold has appends wait until release is called. arrived tells when one has come
// to wait.
func (m *Memory) Hold() (arrived <-chan struct{}, release func()) {
	m.mu.Lock()
	defer m.mu.Unlock()
	hold := make(chan struct{})
	m.hold, m.arrived = hold, make(chan struct{}, 1)
	return m.arrived, sync.OnceFunc(func() {
		m.mu.Lock()
		m.hold = nil
		m.mu.Unlock()
		close(hold)
	})
}

// Reopen gives a store with what is on disk now.
func (m *Memory) Reopen() *Memory {
	m.mu.Lock()
	defer m.mu.Unlock()
	out := New()
	out.incarnation = m.incarnation
	for name, entries := range m.streams {
		out.streams[name] = slices.Clone(entries)
	}
	for name, cp := range m.checkpoints {
		out.checkpoints[name] = cp
	}
	for name, d := range m.damaged {
		out.damaged[name] = slices.Clone(d)
	}
	return out
}

// Restored gives a copy of the store as a restore from an older one would: cut
// at a revision of one stream, without checkpoints beyond it, with another
// incarnation.
func (m *Memory) Restored(stream string, revision uint64) *Memory {
	out := m.Reopen()
	out.incarnation[15]++
	out.streams[stream] = out.streams[stream][:revision]
	if out.checkpoints[stream].Revision > revision {
		delete(out.checkpoints, stream)
	}
	return out
}

// Damage makes revisions from..to-1 of a stream unreadable.
func (m *Memory) Damage(stream string, from, to uint64) {
	m.mu.Lock()
	defer m.mu.Unlock()
	m.damaged[stream] = append(m.damaged[stream], store.DamagedError{Stream: stream, From: from, To: to, Why: "checksum differs"})
}

// DropCheckpoints loses all checkpoints.
func (m *Memory) DropCheckpoints() {
	m.mu.Lock()
	defer m.mu.Unlock()
	clear(m.checkpoints)
}

// Last is a stream's last revision.
func (m *Memory) Last(stream string) uint64 {
	m.mu.Lock()
	defer m.mu.Unlock()
	return uint64(len(m.streams[stream]))
}

// Appends is how many appends were asked for.
func (m *Memory) Appends() int {
	m.mu.Lock()
	defer m.mu.Unlock()
	return m.appends
}

// Append keeps stretches, as the tests' switches allow.
func (m *Memory) Append(ctx context.Context, stretches []store.Stretch) error {
	m.mu.Lock()
	hold, arrived := m.hold, m.arrived
	m.mu.Unlock()
	if hold != nil {
		select {
		case arrived <- struct{}{}:
		default:
		}
		<-hold
	}
	m.mu.Lock()
	defer m.mu.Unlock()
	if err := cmp.Or(m.dead, ctx.Err()); err != nil {
		return err
	}
	if err := m.check(stretches); err != nil {
		return err
	}
	m.appends++
	dies := m.dieAt != 0 && m.appends >= m.dieAt
	if !dies || m.halfWritten {
		m.keep(stretches)
	}
	if dies {
		m.dead = store.ErrBroken
	}
	return m.dead
}

func (m *Memory) check(stretches []store.Stretch) error {
	ends := map[string]uint64{}
	for i := range stretches {
		s := &stretches[i]
		if err := store.CheckStretch(s); err != nil {
			return err
		}
		have, has := ends[s.Stream]
		if !has {
			have = uint64(len(m.streams[s.Stream]))
		}
		if have != s.Expect {
			return &store.ConflictError{Stream: s.Stream, Want: s.Expect, Have: have}
		}
		ends[s.Stream] = have + uint64(len(s.Entries))
	}
	return nil
}

func (m *Memory) keep(stretches []store.Stretch) {
	for _, s := range stretches {
		for i := range s.Entries {
			s.Entries[i].Revision = uint64(len(m.streams[s.Stream])) + 1
			e := s.Entries[i]
			e.Received = slices.Clone(e.Received)
			m.streams[s.Stream] = append(m.streams[s.Stream], e)
		}
	}
}

// Streams yields the streams in order of name.
func (m *Memory) Streams(ctx context.Context, yield func(string, uint64) bool) error {
	m.mu.Lock()
	err := m.gone(ctx)
	var names []string
	for name := range m.streams {
		names = append(names, name)
	}
	m.mu.Unlock()
	if err != nil {
		return err
	}
	slices.Sort(names)
	for _, name := range names {
		if !yield(name, m.Last(name)) {
			return nil
		}
	}
	return nil
}

// Read yields a stream's entries.
func (m *Memory) Read(ctx context.Context, stream string, from uint64, yield func(store.Entry) bool) error {
	m.mu.Lock()
	entries, damaged, err := m.streams[stream], m.damaged[stream], m.gone(ctx)
	m.mu.Unlock()
	if err != nil {
		return err
	}
	for r := max(from, 1); r <= uint64(len(entries)); r++ {
		for _, d := range damaged {
			if r >= d.From && r < d.To {
				hole := d
				hole.From = r
				return &hole
			}
		}
		if !yield(entries[r-1]) {
			return nil
		}
		if err := ctx.Err(); err != nil {
			return err
		}
	}
	return nil
}

// gone says why nothing can be read: closed, or the caller's time is up.
func (m *Memory) gone(ctx context.Context) error {
	if errors.Is(m.dead, store.ErrClosed) {
		return m.dead
	}
	return ctx.Err()
}

// Checkpoint gives a stream's newest checkpoint.
func (m *Memory) Checkpoint(ctx context.Context, stream string) (store.Checkpoint, bool, error) {
	m.mu.Lock()
	defer m.mu.Unlock()
	if err := m.gone(ctx); err != nil {
		return store.Checkpoint{}, false, err
	}
	cp, has := m.checkpoints[stream]
	cp.Fold = slices.Clone(cp.Fold)
	return cp, has, nil
}

// SaveCheckpoints keeps checkpoints.
func (m *Memory) SaveCheckpoints(ctx context.Context, checkpoints []store.Checkpoint) error {
	m.mu.Lock()
	defer m.mu.Unlock()
	if err := m.gone(ctx); err != nil {
		return err
	}
	for _, cp := range checkpoints {
		if err := store.CheckCheckpoint(&cp); err != nil {
			return err
		}
		if cp.Revision > uint64(len(m.streams[cp.Stream])) {
			return &store.InvalidError{Stream: cp.Stream, Why: "the checkpoint is ahead of the stream"}
		}
	}
	for _, cp := range checkpoints {
		if cp.Revision > m.checkpoints[cp.Stream].Revision {
			cp.Fold = slices.Clone(cp.Fold)
			m.checkpoints[cp.Stream] = cp
		}
	}
	return nil
}

// Incarnation is fixed until the store is restored.
func (m *Memory) Incarnation() [16]byte { return m.incarnation }

// Probe tells whether the store works.
func (m *Memory) Probe(ctx context.Context) error {
	m.mu.Lock()
	defer m.mu.Unlock()
	return cmp.Or(m.dead, ctx.Err())
}

// Close ends the store; Reopen gives another with what is on disk.
func (m *Memory) Close() error {
	m.mu.Lock()
	defer m.mu.Unlock()
	m.dead = store.ErrClosed
	return nil
}

// Tamper puts other bytes in the place of an event's.
func (m *Memory) Tamper(stream string, revision uint64, received []byte) {
	m.mu.Lock()
	defer m.mu.Unlock()
	m.streams[stream] = slices.Clone(m.streams[stream])
	m.streams[stream][revision-1].Received = received
}
