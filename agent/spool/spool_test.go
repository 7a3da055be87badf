package spool_test

import (
	"bytes"
	"context"
	"errors"
	"io/fs"
	"math/rand/v2"
	"path/filepath"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"github.com/hourbell/hourbell/agent/spool"
	"github.com/hourbell/hourbell/internal/seglog"
	"github.com/hourbell/hourbell/internal/seglog/seglogtest"
	"github.com/hourbell/hourbell/internal/spoolhash"
)

func TestAppendReadAck(t *testing.T) {
	c, m := newClock(), seglogtest.New(root)
	o := options(m, c)
	s := mustOpen(t, o)
	require.True(t, s.Recovery().Clean(), "%+v", s.Recovery())
	require.Len(t, s.Epochs(), 1)
	b := newBook(s.Epoch())
	b.mustWalk(t, s, 1)
	events := []spool.Event{event(spool.Reading, 1, 1, 0), event(spool.Keep, 0, 2, 0), event(spool.Record, 7, 3, 0), {Class: spool.Reading}}
	last, err := s.Append(bg, events...)
	require.NoError(t, err)
	require.EqualValues(t, 4, last)
	b.add(events...)
	got, _ := b.mustWalk(t, s, 1)
	require.Len(t, got, 4)
	require.Equal(t, c.t, got[1].At)
	b.mustWalk(t, s, 3)

	batch, err := s.ReadFrom(bg, 2, 2, 1000)
	require.NoError(t, err)
	require.Len(t, batch.Items, 2)
	require.EqualValues(t, 3, batch.Last)
	batch, err = s.ReadFrom(bg, 1, 10, 1)
	require.NoError(t, err)
	require.Len(t, batch.Items, 1, "one item at least")
	batch, err = s.Tail(bg, 3)
	require.NoError(t, err)
	require.Len(t, batch.Items, 3)
	require.EqualValues(t, 2, batch.Items[0].Seq)

	require.NoError(t, s.Ack(bg, 3, b.hashes[3]))
	_, acked := s.Acked()
	require.EqualValues(t, 3, acked)
	require.NoError(t, s.Ack(bg, 2, b.hashes[2]), "an old ack changes nothing")
	var fork *spool.ForkError
	require.ErrorAs(t, s.Ack(bg, 4, b.hashes[3]), &fork)
	require.ErrorAs(t, s.Ack(bg, 5, b.hashes[3]), &fork)
	for seq := uint64(0); seq <= 4; seq++ {
		h, err := s.HashAt(bg, seq)
		require.NoError(t, err)
		require.Equal(t, b.hashes[seq], [32]byte(h))
	}
	_, err = s.ReadFrom(bg, 6, 1, 1)
	require.Error(t, err)
	_, err = s.ReadFrom(bg, 0, 1, 1)
	require.Error(t, err)

	m.Crash(nil)
	s = mustOpen(t, o)
	require.True(t, s.Recovery().Clean(), "%+v", s.Recovery())
	_, acked = s.Acked()
	require.EqualValues(t, 3, acked)
	b.mustWalk(t, s, 1)
	require.NoError(t, s.Rewind(bg, 1, b.hashes[1]))
	_, acked = s.Acked()
	require.EqualValues(t, 1, acked)
	require.NoError(t, s.Close())
	require.NoError(t, s.Close())
	_, err = s.Append(bg, events...)
	require.ErrorIs(t, err, spool.ErrClosed)
	_, err = s.ReadFrom(bg, 1, 1, 1)
	require.ErrorIs(t, err, spool.ErrClosed)
}

func TestRefusals(t *testing.T) {
	c, m := newClock(), seglogtest.New(root)
	o := options(m, c)
	s := mustOpen(t, o)
	_, err := s.Append(bg, event(spool.Reading, 1, 1, 0), spool.Event{Class: 9})
	require.ErrorContains(t, err, "event 2 of 2: class 9")
	_, err = s.Append(bg, event(spool.Reading, 1, 1, o.MaxEvent()+1))
	require.ErrorIs(t, err, spool.ErrTooLarge)
	last, _ := s.Last()
	require.Zero(t, last)
	_, err = spool.Open(dir, o)
	var held *seglog.LockedError
	require.ErrorAs(t, err, &held)
	for _, bad := range []func(*spool.Options){
		func(o *spool.Options) { o.MaxBytes = 1000 },
		func(o *spool.Options) { o.MinSpacing = -1 },
		func(o *spool.Options) { o.Now = nil },
		func(o *spool.Options) { o.Rand = nil },
		func(o *spool.Options) { o.Log = nil },
	} {
		o := options(m, c)
		bad(&o)
		_, err := spool.Open(dir+"2", o)
		require.Error(t, err)
	}
}

// fillUp appends batches until the spool is full or n batches are in.
func fillUp(t testing.TB, s *spool.Spool, b *book, c *clock, n int, make func(i int) []spool.Event) error {
	t.Helper()
	for i := range n {
		c.t = c.t.Add(10 * time.Second)
		events := make(i)
		before := b.last()
		last, err := s.Append(bg, events...)
		b.add(events[:last-before]...)
		if err != nil {
			return err
		}
	}
	return nil
}

// While all is acknowledged the oldest goes and nothing is thinned.
func TestAcknowledgedGoesFirst(t *testing.T) {
	c, m := newClock(), seglogtest.New(root)
	o := options(m, c)
	var over error
	watchSize(m, o.MaxBytes, &over)
	s := mustOpen(t, o)
	b := newBook(s.Epoch())
	for range 400 {
		require.NoError(t, fillUp(t, s, b, c, 1, func(i int) []spool.Event {
			return []spool.Event{event(spool.Reading, 1, i, 300), event(spool.Keep, 1, i, 300), event(spool.Record, 1, i, 300)}
		}))
		require.NoError(t, s.Ack(bg, b.last(), b.hashes[b.last()]))
	}
	require.NoError(t, over)
	st := s.Stats()
	require.Zero(t, st.ThinnedReadings)
	require.Greater(t, st.First, uint64(300))
	require.LessOrEqual(t, st.Bytes, o.MaxBytes)
	require.Greater(t, st.Bytes, o.MaxBytes*6/10, "room is used")
	got, gaps := b.mustWalk(t, s, st.First)
	require.Zero(t, gaps.Readings)
	require.Len(t, got, int(b.last()-st.First+1))
	_, err := s.ReadFrom(bg, 1, 1, 1)
	var trimmed *spool.TrimmedError
	require.ErrorAs(t, err, &trimmed)
	require.Equal(t, st.First, trimmed.First)
	// The service was restored: it gets what is kept.
	require.ErrorAs(t, s.Rewind(bg, 10, b.hashes[10]), &trimmed)
	_, acked := s.Acked()
	require.Equal(t, st.First-1, acked)
	s.Close()
	s = mustOpen(t, o)
	require.True(t, s.Recovery().Clean(), "%+v", s.Recovery())
	b.mustWalk(t, s, st.First)
}

// With no signal: readings are thinned, oldest first, then keeps go, a record never.
func TestOrderOfWhatGoes(t *testing.T) {
	c, m := newClock(), seglogtest.New(root)
	o := options(m, c)
	o.MinSpacing = time.Minute
	var over error
	watchSize(m, o.MaxBytes, &over)
	s := mustOpen(t, o)
	b := newBook(s.Epoch())
	records, keeps := 0, 0
	sawThinned, sawKeepGone := false, false
	err := fillUp(t, s, b, c, 200000, func(i int) []spool.Event {
		var es []spool.Event
		for k := range 20 {
			es = append(es, event(spool.Reading, uint16(k%2), i*20+k, 60))
		}
		if i%5 == 0 {
			es = append(es, event(spool.Keep, 1, i, 80))
		}
		es = append(es, event(spool.Record, 1, i, 90))
		if i%100 == 0 {
			checkOrder(t, s, b, &sawThinned, &sawKeepGone)
		}
		return es
	})
	require.True(t, isFull(err), "%v", err)
	require.NoError(t, over)
	require.True(t, sawThinned)
	require.True(t, sawKeepGone)
	for _, want := range []string{"not saved", dir, "bytes are used", "acknowledged", "give it more room"} {
		require.ErrorContains(t, err, want)
	}
	got, _ := b.mustWalk(t, s, 1)
	for n, e := range b.events {
		if e.Class == spool.Record {
			records++
			require.Contains(t, got, uint64(n+1), "record dropped")
		}
		if _, there := got[uint64(n+1)]; there && e.Class == spool.Keep {
			keeps++
		}
	}
	require.Greater(t, records, 500)
	require.LessOrEqual(t, keeps, 2)

	// Only records are taken now, and these too only until the reserve is used up.
	tight := 0
	for range 10000 {
		r := event(spool.Reading, 1, 1, 60)
		if _, err = s.Append(bg, r); err == nil {
			b.add(r) // what was sealed meanwhile gave room
		} else {
			require.True(t, isFull(err), "%v", err)
		}
		e := event(spool.Record, 1, tight, 90)
		if _, err = s.Append(bg, e); err != nil {
			break
		}
		b.add(e)
		tight++
	}
	require.True(t, isFull(err), "%v", err)
	require.Greater(t, tight, 10)
	require.NoError(t, over)
	got, _ = b.mustWalk(t, s, 1)
	left := map[spool.Class]int{}
	for _, it := range got {
		left[it.Class]++
	}
	require.LessOrEqual(t, left[spool.Reading], 25, "readings left: %v", left)
	require.LessOrEqual(t, left[spool.Keep], 1)
	b.mustWalk(t, s, b.last()/2)

	// An acknowledgement makes room again.
	require.NoError(t, s.Ack(bg, b.last()/2, b.hashes[b.last()/2]))
	require.NoError(t, fillUp(t, s, b, c, 3, func(i int) []spool.Event {
		return []spool.Event{event(spool.Record, 1, i, 90), event(spool.Reading, 1, i, 60)}
	}))
	b.mustWalk(t, s, s.Stats().First)
	s.Close()
	s = mustOpen(t, o)
	require.True(t, s.Recovery().Clean(), "%+v", s.Recovery())
	b.mustWalk(t, s, s.Stats().First)
	require.NoError(t, over)
}

// checkOrder holds the state at one moment to: no keep has gone while two readings
// of one key stand side by side in a run that is older.
func checkOrder(t *testing.T, s *spool.Spool, b *book, thinned, keepGone *bool) {
	t.Helper()
	if b.last() == 0 {
		return
	}
	got, _ := b.mustWalk(t, s, 1)
	firstKeepGone, lastKeepGone := uint64(0), uint64(0)
	for n, e := range b.events {
		seq := uint64(n + 1)
		_, there := got[seq]
		switch {
		case there:
		case e.Class == spool.Record:
			require.Fail(t, "record dropped", "%d", seq)
		case e.Class == spool.Keep:
			if firstKeepGone == 0 {
				firstKeepGone = seq
			}
			lastKeepGone, *keepGone = seq, true
		default:
			*thinned = true
		}
	}
	if firstKeepGone == 0 {
		checkLastOfRuns(t, b, got)
		return
	}
	inRun := map[uint16]bool{}
	for n := uint64(1); n < lastKeepGone; n++ {
		e := b.events[n-1]
		if e.Class != spool.Reading {
			inRun = map[uint16]bool{}
		} else if _, there := got[n]; there {
			require.False(t, inRun[e.Key], "keep %d is gone while reading %d has a later one in its run", lastKeepGone, n)
			inRun[e.Key] = true
		}
	}
}

// checkLastOfRuns looks for the last reading of each key before each event of another class.
func checkLastOfRuns(t *testing.T, b *book, got map[uint64]spool.Item) {
	t.Helper()
	last := map[uint16]uint64{}
	for n := uint64(1); n <= b.last(); n++ {
		if e := b.events[n-1]; e.Class == spool.Reading {
			last[e.Key] = n
			continue
		}
		for key, seq := range last {
			require.Contains(t, got, seq, "the last reading of key %d before event %d is gone while no keep is", key, n)
		}
		clear(last)
	}
}

// The first thinning keeps the last reading of each run and key, and the spacing.
func TestFirstThinning(t *testing.T) {
	c, m := newClock(), seglogtest.New(root)
	o := options(m, c)
	o.MinSpacing = 30 * time.Second
	s := mustOpen(t, o)
	b := newBook(s.Epoch())
	at := map[uint64]time.Time{}
	for i := 0; s.Stats().ThinnedReadings < 1500; i++ {
		require.Less(t, i, 3000)
		require.NoError(t, fillUp(t, s, b, c, 1, func(int) []spool.Event {
			es := []spool.Event{event(spool.Reading, 1, i, 60), event(spool.Reading, 2, i, 60)}
			if i%100 == 99 {
				es = append(es, event(spool.Keep, 0, i, 60))
			}
			return es
		}))
		at[b.last()] = c.t
	}
	got, gaps := b.mustWalk(t, s, 1)
	require.Equal(t, s.Stats().ThinnedReadings, gaps.Readings)
	require.Zero(t, gaps.Keeps)
	for key := uint16(1); key <= 2; key++ {
		var prev time.Time
		for n := uint64(1); n <= b.last(); n++ {
			e := b.events[n-1]
			it, there := got[n]
			if e.Class == spool.Keep {
				require.True(t, there)
				require.Contains(t, got, n-2+uint64(key)-1, "the last reading of a run is kept")
			}
			if there && e.Class == spool.Reading && e.Key == key {
				require.True(t, prev.IsZero() || it.At.Sub(prev) <= 30*time.Second, "event %d: %v after %v", n, it.At, prev)
				prev = it.At
			}
		}
	}
	require.Less(t, s.Stats().Segments, 140)
}

// Weeks without a signal: the number of segments, and with it memory, stays bounded.
func TestSegmentsStayFew(t *testing.T) {
	c, m := newClock(), seglogtest.New(root)
	s := mustOpen(t, options(m, c))
	b := newBook(s.Epoch())
	most := 0
	require.NoError(t, fillUp(t, s, b, c, 1000, func(i int) []spool.Event {
		most = max(most, s.Stats().Segments)
		var es []spool.Event
		for k := range 40 {
			es = append(es, event(spool.Reading, 1, i*40+k, 60))
		}
		return es
	}))
	require.Less(t, most, 96)
	_, gaps := b.mustWalk(t, s, 1)
	require.Greater(t, gaps.Readings, uint64(35000))
}

func TestDiskFull(t *testing.T) {
	c, m := newClock(), seglogtest.New(root)
	o := options(m, c)
	o.MaxBytes = 4 << 20
	s := mustOpen(t, o)
	b := newBook(s.Epoch())
	m.SetCapacity(600 << 10)
	next := func(i int) []spool.Event {
		return []spool.Event{event(spool.Reading, 1, i, 200), event(spool.Reading, 1, i, 200), event(spool.Record, 1, i, 200)}
	}
	require.NoError(t, fillUp(t, s, b, c, 300, next))
	require.NoError(t, s.Ack(bg, 300, b.hashes[300]))
	require.NoError(t, fillUp(t, s, b, c, 900, next), "acknowledged ones and readings give room")
	require.Positive(t, s.Stats().ThinnedReadings)
	err := fillUp(t, s, b, c, 9000, next)
	require.True(t, isFull(err), "%v", err)
	require.ErrorContains(t, err, "disk has no space left")
	n := 0
	for ; ; n++ {
		e := event(spool.Record, 1, n, 200)
		if _, err = s.Append(bg, e); err != nil {
			break
		}
		b.add(e)
	}
	require.True(t, isFull(err), "%v", err)
	require.Greater(t, n, 20, "the reserve takes records")
	got, _ := b.mustWalk(t, s, s.Stats().First)
	for i, e := range b.events {
		if e.Class == spool.Record && i >= 300 {
			require.Contains(t, got, uint64(i+1))
		}
	}
	require.NoError(t, s.SaveState(bg, "sums", []byte("still")))
	m.SetCapacity(0)
	require.NoError(t, fillUp(t, s, b, c, 50, next), "space on the disk is found again")
	require.False(t, s.Stats().Tight)
	m.Crash(rand.New(rand.NewPCG(1, 1)))
	s = mustOpen(t, o)
	b.mustWalk(t, s, s.Stats().First)
}

func TestEpochs(t *testing.T) {
	c, m := newClock(), seglogtest.New(root)
	o := options(m, c)
	s := mustOpen(t, o)
	first := newBook(s.Epoch())
	require.NoError(t, fillUp(t, s, first, c, 100, func(i int) []spool.Event {
		return []spool.Event{event(spool.Reading, 1, i, 100), event(spool.Record, 1, i, 100)}
	}))
	require.NoError(t, s.Ack(bg, 150, first.hashes[150]))
	info, err := s.NewEpoch(bg, "the service refused a fork", 0)
	require.NoError(t, err)
	require.EqualValues(t, 50, info.Carried)
	require.EqualValues(t, 2, info.Ordinal)
	require.Equal(t, s.Epoch(), info.ID)
	require.NotEqual(t, first.id, [16]byte(info.ID))
	second := newBook(info.ID)
	second.add(first.events[150:]...)
	second.mustWalk(t, s, 1)
	_, acked := s.Acked()
	require.Zero(t, acked)

	list := s.Epochs()
	require.Len(t, list, 2)
	require.True(t, list[0].Ended)
	require.EqualValues(t, 200, list[0].Last)
	require.EqualValues(t, 150, list[0].Acked)
	require.Equal(t, first.hashes[200], [32]byte(list[0].Hash))
	require.Equal(t, "the service refused a fork", list[1].Reason)
	old, err := s.ReadEpoch(bg, list[0].ID, 140, 100, 1<<20)
	require.NoError(t, err)
	require.Len(t, old.Items, 11)
	require.EqualValues(t, 150, old.Last)
	_, err = s.ReadEpoch(bg, list[0].ID, 160, 100, 1<<20)
	var trimmed *spool.TrimmedError
	require.ErrorAs(t, err, &trimmed)
	_, err = s.ReadEpoch(bg, [16]byte{1}, 1, 1, 1)
	require.ErrorIs(t, err, spool.ErrUnknownEpoch)

	m.Crash(rand.New(rand.NewPCG(3, 4)))
	s = mustOpen(t, o)
	require.True(t, s.Recovery().Clean(), "%+v", s.Recovery())
	require.Equal(t, list, s.Epochs())
	second.mustWalk(t, s, 1)
	require.NoError(t, fillUp(t, s, second, c, 200, func(i int) []spool.Event {
		return []spool.Event{event(spool.Reading, 1, i, 100), event(spool.Record, 1, i, 100)}
	}))
	require.NoError(t, s.Ack(bg, 30, second.hashes[30]))
	second.mustWalk(t, s, 1)
	s.Close()
	s = mustOpen(t, o)
	require.True(t, s.Recovery().Clean(), "%+v", s.Recovery())
	second.mustWalk(t, s, 1)

	// From an event that was acknowledged: a restored service lost its place.
	info, err = s.NewEpoch(bg, "restored", 21)
	require.NoError(t, err)
	require.EqualValues(t, second.last()-20, info.Carried)
	third := newBook(info.ID)
	third.add(second.events[20:]...)
	third.mustWalk(t, s, 1)
	for range 40 {
		_, err = s.NewEpoch(bg, strings.Repeat("again ", 100), 0)
		require.NoError(t, err)
	}
	fourth := newBook(s.Epoch())
	fourth.add(second.events[20:]...)
	s.Close()
	s = mustOpen(t, o)
	require.True(t, s.Recovery().Clean(), "%+v", s.Recovery())
	fourth.mustWalk(t, s, 1)
	require.LessOrEqual(t, len(s.Epochs()), 8)
}

// An epoch begun over thinned events keeps none of the old gaps, and thinning goes on.
func TestEpochOverGaps(t *testing.T) {
	c, m := newClock(), seglogtest.New(root)
	o := options(m, c)
	s := mustOpen(t, o)
	b := newBook(s.Epoch())
	next := func(i int) []spool.Event {
		return []spool.Event{event(spool.Reading, 1, i, 100), event(spool.Reading, 2, i, 100), event(spool.Keep, 2, i, 50)}
	}
	require.NoError(t, fillUp(t, s, b, c, 1500, next))
	got, gaps := b.mustWalk(t, s, 1)
	require.Positive(t, gaps.Readings)
	_, err := s.NewEpoch(bg, "fork", 0)
	require.NoError(t, err)
	b2 := newBook(s.Epoch())
	for n, e := range b.events {
		if _, there := got[uint64(n+1)]; there {
			b2.add(e)
		}
	}
	got2, gaps2 := b2.mustWalk(t, s, 1)
	require.Len(t, got2, len(got))
	require.Zero(t, gaps2)
	require.NoError(t, fillUp(t, s, b2, c, 700, next))
	_, gaps2 = b2.mustWalk(t, s, 1)
	require.Positive(t, gaps2.Readings)
	s.Close()
	s = mustOpen(t, o)
	require.True(t, s.Recovery().Clean(), "%+v", s.Recovery())
	b2.mustWalk(t, s, 1)
}

func TestState(t *testing.T) {
	c, m := newClock(), seglogtest.New(root)
	o := options(m, c)
	s := mustOpen(t, o)
	_, err := s.LoadState("sums")
	require.ErrorIs(t, err, fs.ErrNotExist)
	require.NoError(t, s.SaveState(bg, "sums", []byte("one")))
	require.NoError(t, s.SaveState(bg, "codes", nil))
	require.NoError(t, s.SaveState(bg, "sums", []byte("two")))
	for _, bad := range []string{"", "a/b", "..", "Sums", strings.Repeat("x", 49)} {
		require.Error(t, s.SaveState(bg, bad, nil), bad)
	}
	require.ErrorIs(t, s.SaveState(bg, "sums", make([]byte, o.MaxState()+1)), spool.ErrTooLarge)
	for range 3 {
		require.NoError(t, s.SaveState(bg, "copy", make([]byte, o.MaxState())))
		require.LessOrEqual(t, s.Stats().Bytes, s.Stats().MaxBytes)
	}
	m.Crash(nil)
	s = mustOpen(t, o)
	got, err := s.LoadState("sums")
	require.NoError(t, err)
	require.Equal(t, "two", string(got))
	got, err = s.LoadState("codes")
	require.NoError(t, err)
	require.Empty(t, got)

	name := filepath.Join(dir, "sums.state")
	for i := range m.Bytes(name) {
		m.Corrupt(name, func(b []byte) { b[i] ^= 4 })
		_, err = s.LoadState("sums")
		var bad *spool.StateError
		require.ErrorAs(t, err, &bad, "byte %d", i)
		require.NotNil(t, m.Bytes(filepath.Join(dir, bad.Kept)))
		_, err = s.LoadState("sums")
		require.ErrorIs(t, err, fs.ErrNotExist)
		require.NoError(t, s.SaveState(bg, "sums", []byte("two")))
	}
	// One state is not taken for another.
	m.Put(filepath.Join(dir, "codes.state"), m.Bytes(name))
	_, err = s.LoadState("codes")
	require.ErrorContains(t, err, "checksum")
}

// Each meta file lost or damaged: a new epoch carries everything over that may be
// unacknowledged.
func TestMetaDamaged(t *testing.T) {
	for _, name := range []string{"epochs.meta", "acked.meta"} {
		for _, way := range []string{"flip", "remove"} {
			c, m := newClock(), seglogtest.New(root)
			o := options(m, c)
			s := mustOpen(t, o)
			b := newBook(s.Epoch())
			require.NoError(t, fillUp(t, s, b, c, 100, func(i int) []spool.Event { return []spool.Event{event(spool.Record, 1, i, 200)} }))
			require.NoError(t, s.Ack(bg, 40, b.hashes[40]))
			require.NoError(t, s.Close())
			path := filepath.Join(dir, name)
			if way == "flip" {
				m.Corrupt(path, func(b []byte) { b[len(b)/2] ^= 1 })
			} else {
				require.NoError(t, m.Remove(path))
			}
			s = mustOpen(t, o)
			what := name + " " + way
			if name == "acked.meta" { // the epoch goes on; all counts as unacknowledged
				_, acked := s.Acked()
				require.Zero(t, acked, what)
				b.mustWalk(t, s, 1)
			} else {
				require.NotEmpty(t, s.Recovery().NewEpoch, what)
				b2 := newBook(s.Epoch())
				require.NotEqual(t, b.id, b2.id)
				b2.add(b.events[40:]...)
				b2.mustWalk(t, s, 1)
			}
			if way == "flip" {
				require.Equal(t, []string{name + ".damaged"}, s.Recovery().SetAside)
			}
			s.Close()
			s = mustOpen(t, o)
			require.True(t, s.Recovery().Clean(), "%s: %+v", what, s.Recovery())
		}
	}
}

// Rot in the log: never a wrong event, the sound unacknowledged ones carried over.
func TestLogDamaged(t *testing.T) {
	r := rand.New(rand.NewPCG(8, 8))
	for round := range 150 {
		c, m := newClock(), seglogtest.New(root)
		o := options(m, c)
		s := mustOpen(t, o)
		b := newBook(s.Epoch())
		require.NoError(t, fillUp(t, s, b, c, 60, func(i int) []spool.Event {
			return []spool.Event{event(spool.Record, 1, i, 150), event(spool.Reading, 1, i, 150)}
		}))
		acked := uint64(r.IntN(100))
		require.NoError(t, s.Ack(bg, acked, b.hashes[acked]))
		require.NoError(t, s.Close())
		list, err := m.List(filepath.Join(dir, "log"))
		require.NoError(t, err)
		e := list[r.IntN(len(list))]
		used := len(bytes.TrimRight(m.Bytes(filepath.Join(dir, "log", e.Name)), "\x00"))
		at := r.IntN(used)
		m.Corrupt(filepath.Join(dir, "log", e.Name), func(b []byte) { b[at] ^= 1 << (at % 8) })

		s = mustOpen(t, o)
		if s.Recovery().NewEpoch == "" {
			last, _ := s.Last()
			require.Equal(t, b.last(), last)
			for seq := acked + 1; seq <= last; seq += 7 {
				b.mustWalk(t, s, seq)
			}
			continue
		}
		checkCarried(t, s, b, acked)
		require.NoError(t, s.Close(), round)
		id := s.Epoch()
		s = mustOpen(t, o)
		require.Equal(t, id, s.Epoch(), "known damage makes no further epoch: %+v", s.Recovery())
		checkCarried(t, s, b, acked)
		_, err = s.Append(bg, event(spool.Record, 1, 1, 10))
		require.NoError(t, err)
	}
}

// Rot that comes while the spool is open is said by the read that meets it, and a
// new epoch goes on behind it.
func TestDamageWhileOpen(t *testing.T) {
	c, m := newClock(), seglogtest.New(root)
	o := options(m, c)
	s := mustOpen(t, o)
	b := newBook(s.Epoch())
	require.NoError(t, fillUp(t, s, b, c, 120, func(i int) []spool.Event { return []spool.Event{event(spool.Record, 1, i, 150)} }))
	m.Corrupt(filepath.Join(dir, "log", "00000000000000000001.seg"), func(b []byte) { b[3000] ^= 1 })
	batch, err := s.ReadFrom(bg, 1, 1000, 1<<20)
	require.NoError(t, err)
	require.Greater(t, batch.Last, uint64(10))
	_, err = s.ReadFrom(bg, batch.Last+1, 1000, 1<<20)
	var bad *spool.DamagedError
	require.ErrorAs(t, err, &bad)
	require.Equal(t, batch.Last+1, bad.Seq)
	info, err := s.NewEpoch(bg, "damaged", 0)
	require.NoError(t, err)
	require.EqualValues(t, 119, info.Carried)
	require.EqualValues(t, 1, info.Lost)
	checkCarried(t, s, b, 0)
	s.Close()
	s = mustOpen(t, o)
	require.Equal(t, info.ID, s.Epoch())
	checkCarried(t, s, b, 0)
}

// checkCarried reads a new epoch: the events after acked, in order, at most two missing.
func checkCarried(t *testing.T, s *spool.Spool, b *book, acked uint64) {
	t.Helper()
	want := b.events[acked:]
	missing := 0
	for next := uint64(1); ; {
		batch, err := s.ReadFrom(bg, next, 1000, 1<<20)
		require.NoError(t, err)
		if len(batch.Items) == 0 {
			break
		}
		for _, it := range batch.Items {
			require.Equal(t, next, it.Seq)
			next++
			if it.Gap != nil {
				next = it.Gap.To
				continue
			}
			for string(want[0].Payload) != string(it.Payload) {
				want = want[1:]
				missing++
				require.NotEmpty(t, want)
			}
			want = want[1:]
		}
	}
	missing += len(want)
	require.LessOrEqual(t, missing, 1)
}

// Reads go on beside appends, acks, thinning and a full disk.
func TestReadsBesideChanges(t *testing.T) {
	c, m := newClock(), seglogtest.New(root)
	o := options(m, c)
	m.SetCapacity(200 << 10)
	s := mustOpen(t, o)
	var wg sync.WaitGroup
	done := make(chan struct{})
	for range 2 {
		wg.Go(func() { keepReading(t, s, done) })
	}
	b := newBook(s.Epoch())
	for i := range 60 {
		require.NoError(t, fillUp(t, s, b, c, 30, func(i int) []spool.Event {
			return []spool.Event{event(spool.Reading, 1, i, 100), event(spool.Reading, 1, i, 100), event(spool.Keep, 1, i, 100)}
		}))
		if i%4 == 0 {
			seq := b.last() - 600*min(b.last()/600, 1)
			require.NoError(t, s.Ack(bg, seq, b.hashes[seq]))
		}
	}
	close(done)
	wg.Wait()
	b.mustWalk(t, s, s.Stats().First)
}

func keepReading(t *testing.T, s *spool.Spool, done chan struct{}) {
	next := uint64(1)
	for {
		select {
		case <-done:
			return
		default:
		}
		batch, err := s.ReadFrom(bg, next, 50, 1<<20)
		var trimmed *spool.TrimmedError
		if assert.True(t, err == nil || errors.As(err, &trimmed), "%v", err) && err != nil {
			next = trimmed.First
			continue
		}
		if len(batch.Items) > 0 {
			assert.Equal(t, next, batch.Items[0].Seq)
			next = batch.Last + 1
		}
	}
}

func TestWait(t *testing.T) {
	c, m := newClock(), seglogtest.New(root)
	s := mustOpen(t, options(m, c))
	ctx, cancel := context.WithCancel(bg)
	cancel()
	require.ErrorIs(t, s.Wait(ctx, s.Epoch(), 0), context.Canceled)
	wait := func(epoch spoolhash.Epoch, seq uint64, change func()) error {
		done := make(chan error)
		go func() { done <- s.Wait(bg, epoch, seq) }()
		change()
		return <-done
	}
	first := s.Epoch()
	require.NoError(t, wait(first, 1, func() {
		_, err := s.Append(bg, event(spool.Record, 1, 1, 1), event(spool.Record, 1, 2, 1))
		require.NoError(t, err)
	}))
	require.NoError(t, wait(first, 2, func() {
		_, err := s.NewEpoch(bg, "fork", 3)
		require.NoError(t, err)
	}))
	require.ErrorIs(t, wait(s.Epoch(), 9, func() { require.NoError(t, s.Close()) }), spool.ErrClosed)
}

// On a disk without a free byte the spool opens, also when the log needs mending.
func TestOpensOnAFullDisk(t *testing.T) {
	for _, damaged := range []bool{false, true} {
		c, m := newClock(), seglogtest.New(root)
		o := options(m, c)
		s := mustOpen(t, o)
		b := newBook(s.Epoch())
		require.NoError(t, fillUp(t, s, b, c, 70, func(i int) []spool.Event { return []spool.Event{event(spool.Record, 1, i, 150)} }))
		require.NoError(t, s.Close())
		if damaged {
			list, err := m.List(filepath.Join(dir, "log"))
			require.NoError(t, err)
			m.Corrupt(filepath.Join(dir, "log", list[len(list)-1].Name), func(b []byte) { b[400] ^= 1 })
		}
		m.SetCapacity(m.Used())
		s = mustOpen(t, o)
		if damaged {
			checkCarried(t, s, b, 0)
		} else {
			b.mustWalk(t, s, 1)
		}
		_, err := s.Append(bg, event(spool.Record, 1, 1, 150))
		require.NoError(t, err)
	}
}

// Any other failure of the disk breaks the spool; opened again it has what was promised.
func TestFaults(t *testing.T) {
	for n := 1; ; n += 7 {
		c, m := newClock(), seglogtest.New(root)
		o := options(m, c)
		s := mustOpen(t, o)
		b := newBook(s.Epoch())
		acked := uint64(0)
		m.FailAt(n, syscall.EIO)
		var err error
		for i := 0; i < 80 && err == nil; i++ {
			err = fillUp(t, s, b, c, 10, func(i int) []spool.Event {
				return []spool.Event{event(spool.Reading, 1, i, 200), event(spool.Keep, 1, i, 100)}
			})
			if i%8 == 7 && err == nil {
				if err = s.Ack(bg, b.last()-100, b.hashes[b.last()-100]); err == nil {
					acked = b.last() - 100
				}
				if i == 39 && err == nil {
					err = s.SaveState(bg, "x", []byte("y"))
				}
			}
		}
		if err == nil {
			require.Greater(t, n, 900)
			return
		}
		require.ErrorIs(t, err, syscall.EIO)
		_, err = s.Append(bg, event(spool.Record, 1, 1, 1))
		require.ErrorIs(t, err, spool.ErrBroken, "operation %d", n)
		s.Close()
		m.Fail(nil)
		if n%2 == 0 {
			m.Crash(rand.New(rand.NewPCG(1, uint64(n))))
		}
		s = mustOpen(t, o)
		require.Empty(t, s.Recovery().NewEpoch, "operation %d", n)
		last, _ := s.Last()
		require.GreaterOrEqual(t, last, b.last(), "operation %d", n)
		_, got := s.Acked()
		require.GreaterOrEqual(t, got, acked)
		if last > b.last() { // written, not acknowledged: ours to take
			require.LessOrEqual(t, last, b.last()+2)
			continue
		}
		b.mustWalk(t, s, s.Stats().First)
	}
}
