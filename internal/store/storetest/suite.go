// Package storetest is what every driver of store must pass: a conformance
// suite, a model test, and the oracle and the checks behind them.
package storetest

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"strings"
	"sync"
	"sync/atomic"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"github.com/hourbell/hourbell/internal/maintenance"
	"github.com/hourbell/hourbell/internal/maintenance/moment"
	"github.com/hourbell/hourbell/internal/store"
)

// Opener opens the store of one place. Called again after Close, it gives what
// was there before.
type Opener func() (store.Store, error)

// Run runs the suite. Each case asks for a new, empty place.
func Run(t *testing.T, newPlace func(t *testing.T) Opener) {
	cases := []struct {
		name string
		run  func(t *testing.T, open Opener)
	}{
		{"Empty", testEmpty},
		{"Order", testOrder},
		{"EveryValue", testEveryValue},
		{"ManyStreamsInOneCall", testManyStreams},
		{"OneStreamTwiceInOneCall", testTwice},
		{"ConflictWritesNothing", testConflict},
		{"InvalidWritesNothing", testInvalid},
		{"NothingToAppend", testNothing},
		{"LargestEvent", testLargest},
		{"BytesAreNotKept", testBytesNotKept},
		{"ConcurrentStreams", testConcurrentStreams},
		{"ConcurrentWritersOfOneStream", testConcurrentWriters},
		{"ReadWhileAppending", testReadWhileAppending},
		{"ReadStops", testReadStops},
		{"CallsInsideRead", testCallsInsideRead},
		{"StreamsInOrder", testStreams},
		{"Checkpoints", testCheckpoints},
		{"CheckpointsInvalid", testCheckpointsInvalid},
		{"Reopen", testReopen},
		{"Cancelled", testCancelled},
		{"Probe", testProbe},
		{"Closed", testClosed},
	}
	for _, c := range cases {
		t.Run(c.name, func(t *testing.T) { c.run(t, newPlace(t)) })
	}
}

func testEmpty(t *testing.T, open Opener) {
	s := mustOpen(t, open)
	defer Close(t, s)
	heads, err := Heads(t.Context(), s)
	require.NoError(t, err)
	assert.Empty(t, heads)
	got, err := ReadAll(t.Context(), s, "machines/nobody", 1)
	require.NoError(t, err)
	assert.Empty(t, got)
	_, ok, err := s.Checkpoint(t.Context(), "machines/nobody")
	require.NoError(t, err)
	assert.False(t, ok)
	assert.NotEqual(t, [16]byte{}, s.Incarnation())
}

func testOrder(t *testing.T, open Opener) {
	s := mustOpen(t, open)
	defer Close(t, s)
	o, r := NewOracle(), rng()
	for i := range 40 {
		append1(t, s, o, Stretch(r, "machines/red-7", o.Last("machines/red-7"), 1+i%9))
	}
	require.NoError(t, o.Compare(t.Context(), s, false))
	want := o.Entries("machines/red-7")
	for _, from := range []uint64{0, 1, 2, 17, uint64(len(want)), uint64(len(want)) + 1, math.MaxUint64} {
		got, err := ReadAll(t.Context(), s, "machines/red-7", from)
		require.NoError(t, err)
		skip := min(max(from, 1)-1, uint64(len(want)))
		require.Len(t, got, len(want)-int(skip), "from %d", from)
		for i := range got {
			require.True(t, Equal(got[i], want[int(skip)+i]), "from %d, entry %d", from, i)
		}
	}
}

func testEveryValue(t *testing.T, open Opener) {
	s := mustOpen(t, open)
	o := NewOracle()
	id := [16]byte{15: 1}
	end := moment.Instant(math.MaxInt64)
	append1(t, s, o, store.Stretch{Stream: "office", Entries: []store.Entry{
		{},
		{Key: maintenance.Key{Stream: id, Seq: math.MaxUint64}, Writer: 255, At: moment.Span{NotBefore: end, NotAfter: math.MinInt64}, Known: math.MinInt64},
		{Key: maintenance.Key{Stream: id}, Writer: 1, At: moment.Span{NotBefore: math.MinInt64, NotAfter: end}, Known: end, Received: []byte{0}},
		{Key: maintenance.Key{Seq: 1}, Writer: 2, At: moment.At(1), Known: -1, Received: []byte("as it came")},
		{Key: maintenance.Key{Stream: id, Seq: 1}, Writer: 3, At: moment.Span{NotBefore: 2, NotAfter: 1}, Received: bytes.Repeat([]byte{0xff}, 3000)},
	}})
	require.NoError(t, o.Compare(t.Context(), s, false))
	s = reopen(t, s, open)
	require.NoError(t, o.Compare(t.Context(), s, false))
	Close(t, s)
}

func testManyStreams(t *testing.T, open Opener) {
	s := mustOpen(t, open)
	defer func() { Close(t, s) }()
	o, r := NewOracle(), rng()
	for range 3 {
		var call []store.Stretch
		for i := range 300 {
			name := fmt.Sprintf("machines/m%03d", i)
			call = append(call, Stretch(r, name, o.Last(name), 1+i%4))
		}
		require.NoError(t, s.Append(t.Context(), call))
		o.Acked(call)
	}
	require.NoError(t, o.Compare(t.Context(), s, false))
	s = reopen(t, s, open)
	require.NoError(t, o.Compare(t.Context(), s, false))
}

func testTwice(t *testing.T, open Opener) {
	s := mustOpen(t, open)
	defer Close(t, s)
	o, r := NewOracle(), rng()
	call := []store.Stretch{Stretch(r, "office", 0, 3), Stretch(r, "machines/a", 0, 1), Stretch(r, "office", 3, 2)}
	require.NoError(t, s.Append(t.Context(), call))
	o.Acked(call)
	require.NoError(t, o.Compare(t.Context(), s, false))

	err := s.Append(t.Context(), []store.Stretch{Stretch(r, "office", 5, 3), Stretch(r, "office", 5, 2)})
	var conflict *store.ConflictError
	require.ErrorAs(t, err, &conflict)
	assert.Equal(t, store.ConflictError{Stream: "office", Want: 5, Have: 8}, *conflict)
	require.NoError(t, o.Compare(t.Context(), s, false))
}

func testConflict(t *testing.T, open Opener) {
	s := mustOpen(t, open)
	defer Close(t, s)
	o, r := NewOracle(), rng()
	append1(t, s, o, Stretch(r, "machines/a", 0, 5))
	cases := []store.ConflictError{
		{Stream: "machines/a", Want: 0, Have: 5},
		{Stream: "machines/a", Want: 4, Have: 5},
		{Stream: "machines/a", Want: 6, Have: 5},
		{Stream: "machines/new", Want: 1, Have: 0},
	}
	for _, want := range cases {
		err := s.Append(t.Context(), []store.Stretch{
			Stretch(r, "machines/before", 0, 2), Stretch(r, want.Stream, want.Want, 2), Stretch(r, "machines/behind", 0, 2)})
		var conflict *store.ConflictError
		require.ErrorAs(t, err, &conflict)
		assert.Equal(t, want, *conflict)
		require.NoError(t, o.Compare(t.Context(), s, false), "nothing may be written")
	}
	append1(t, s, o, Stretch(r, "machines/a", 5, 1))
	append1(t, s, o, Stretch(r, "machines/before", 0, 1))
	require.NoError(t, o.Compare(t.Context(), s, false))
}

func testInvalid(t *testing.T, open Opener) {
	s := mustOpen(t, open)
	defer Close(t, s)
	o, r := NewOracle(), rng()
	big := make([]byte, store.MaxReceived+1)
	full := make([]store.Entry, 3)
	for i := range full {
		full[i].Received = big[:store.MaxReceived]
	}
	bad := map[string]store.Stretch{
		"no name":      Stretch(r, "", 0, 1),
		"long name":    Stretch(r, strings.Repeat("n", store.MaxStreamName+1), 0, 1),
		"zero byte":    Stretch(r, "machines/a\x00b", 0, 1),
		"blank":        Stretch(r, "machines/a b", 0, 1),
		"not ASCII":    Stretch(r, "machines/\xff", 0, 1),
		"large event":  {Stream: "machines/a", Entries: []store.Entry{{Received: big}}},
		"many events":  {Stream: "machines/a", Entries: make([]store.Entry, store.MaxStretchEntries+1)},
		"many bytes":   {Stream: "machines/a", Entries: full},
		"end of count": {Stream: "machines/a", Expect: math.MaxUint64, Entries: make([]store.Entry, 1)},
	}
	for name, stretch := range bad {
		err := s.Append(t.Context(), []store.Stretch{Stretch(r, "machines/good", 0, 1), stretch})
		var invalid *store.InvalidError
		require.ErrorAs(t, err, &invalid, name)
		assert.Equal(t, stretch.Stream, invalid.Stream, name)
		require.NoError(t, o.Compare(t.Context(), s, false), name)
	}
}

func testNothing(t *testing.T, open Opener) {
	s := mustOpen(t, open)
	defer Close(t, s)
	o, r := NewOracle(), rng()
	require.NoError(t, s.Append(t.Context(), nil))
	append1(t, s, o, Stretch(r, "machines/a", 0, 2))
	require.NoError(t, s.Append(t.Context(), []store.Stretch{{Stream: "machines/a", Expect: 2}, {Stream: "machines/b"}}))
	require.NoError(t, o.Compare(t.Context(), s, false), "a stretch of no events makes no stream")
	var conflict *store.ConflictError
	require.ErrorAs(t, s.Append(t.Context(), []store.Stretch{{Stream: "machines/a", Expect: 1}}), &conflict)
	assert.Equal(t, uint64(2), conflict.Have)
}

func testLargest(t *testing.T, open Opener) {
	s := mustOpen(t, open)
	o, r := NewOracle(), rng()
	name := strings.Repeat("n", store.MaxStreamName)
	whole := store.Stretch{Stream: name, Entries: make([]store.Entry, store.MaxStretchBytes/store.MaxReceived)}
	for i := range whole.Entries {
		whole.Entries[i].Received = received(r, store.MaxReceived)
	}
	append1(t, s, o, whole)
	append1(t, s, o, store.Stretch{Stream: "office", Entries: make([]store.Entry, store.MaxStretchEntries)})
	require.NoError(t, o.Compare(t.Context(), s, false))
	s = reopen(t, s, open)
	require.NoError(t, o.Compare(t.Context(), s, false))
	Close(t, s)
}

func testBytesNotKept(t *testing.T, open Opener) {
	s := mustOpen(t, open)
	o, r := NewOracle(), rng()
	for i := range 5 {
		stretch := Stretch(r, "machines/a", o.Last("machines/a"), 4)
		append1(t, s, o, stretch)
		for k := range stretch.Entries {
			require.Equal(t, o.Last("machines/a")-3+uint64(k), stretch.Entries[k].Revision, "Append sets revisions")
			clear(stretch.Entries[k].Received)
		}
		c := store.Checkpoint{Stream: "machines/a", Revision: uint64(i) + 1, Fold: []byte("a state"), Chain: [32]byte{byte(i)}}
		require.NoError(t, s.SaveCheckpoints(t.Context(), []store.Checkpoint{c}))
		o.Saved([]store.Checkpoint{c})
		clear(c.Fold)
	}
	require.NoError(t, o.Compare(t.Context(), s, false))
	s = reopen(t, s, open)
	require.NoError(t, o.Compare(t.Context(), s, false))
	Close(t, s)
}

func testConcurrentStreams(t *testing.T, open Opener) {
	s := mustOpen(t, open)
	const writers, calls = 16, 25
	oracles := make([]*Oracle, writers)
	var wg sync.WaitGroup
	for w := range writers {
		oracles[w] = NewOracle()
		wg.Go(func() {
			r := rand.New(rand.NewPCG(uint64(w), 5))
			for range calls {
				var call []store.Stretch
				for k := range 3 {
					name := fmt.Sprintf("machines/w%02d-%d", w, k)
					call = append(call, Stretch(r, name, oracles[w].Last(name), 1+r.IntN(20)))
				}
				if !assert.NoError(t, s.Append(t.Context(), call)) {
					return
				}
				oracles[w].Acked(call)
			}
		})
	}
	wg.Wait()
	all := NewOracle()
	for _, o := range oracles {
		for name, entries := range o.streams {
			all.streams[name] = entries
		}
	}
	require.NoError(t, all.Compare(t.Context(), s, false))
	s = reopen(t, s, open)
	require.NoError(t, all.Compare(t.Context(), s, false))
	Close(t, s)
}

// testConcurrentWriters lets writers race for each revision of one stream: one
// wins each, and what is kept is what the winners wrote.
func testConcurrentWriters(t *testing.T, open Opener) {
	s := mustOpen(t, open)
	defer Close(t, s)
	var mu sync.Mutex
	won := map[uint64]byte{}
	var wg sync.WaitGroup
	for w := range byte(8) {
		wg.Go(func() {
			for at := uint64(0); at < 60; {
				err := s.Append(t.Context(), []store.Stretch{{Stream: "office", Expect: at, Entries: []store.Entry{{Received: []byte{w}}}}})
				var conflict *store.ConflictError
				if errors.As(err, &conflict) {
					got, err := ReadAll(t.Context(), s, "office", conflict.Have)
					assert.NoError(t, err)
					assert.NotEmpty(t, got, "the revision that a conflict names can be read")
					at = conflict.Have
					continue
				}
				if !assert.NoError(t, err) {
					return
				}
				at++
				mu.Lock()
				_, twice := won[at]
				assert.False(t, twice, "revision %d was given twice", at)
				won[at] = w
				mu.Unlock()
			}
		})
	}
	wg.Wait()
	got, err := ReadAll(t.Context(), s, "office", 1)
	require.NoError(t, err)
	require.Len(t, got, len(won))
	for _, e := range got {
		assert.Equal(t, []byte{won[e.Revision]}, e.Received)
	}
}

// testReadWhileAppending checks that a read sees at least what was answered for
// before it began, in order and without gaps.
func testReadWhileAppending(t *testing.T, open Opener) {
	s := mustOpen(t, open)
	defer Close(t, s)
	const streams, calls = 3, 60
	var acked [streams]atomic.Uint64
	var wg sync.WaitGroup
	for w := range streams {
		wg.Go(func() {
			r := rand.New(rand.NewPCG(uint64(w), 9))
			for range calls {
				stretch := Stretch(r, fmt.Sprint("machines/", w), acked[w].Load(), 1+r.IntN(30))
				if !assert.NoError(t, s.Append(t.Context(), []store.Stretch{stretch})) {
					return
				}
				acked[w].Add(uint64(len(stretch.Entries)))
			}
		})
	}
	for i := range 60 {
		w := i % streams
		before := acked[w].Load()
		from := before/2 + 1
		got, err := ReadAll(t.Context(), s, fmt.Sprint("machines/", w), from)
		require.NoError(t, err)
		require.GreaterOrEqual(t, from-1+uint64(len(got)), before)
		for k, e := range got {
			require.Equal(t, from+uint64(k), e.Revision)
		}
	}
	wg.Wait()
}

func testReadStops(t *testing.T, open Opener) {
	s := mustOpen(t, open)
	defer Close(t, s)
	o, r := NewOracle(), rng()
	for range 10 {
		append1(t, s, o, Stretch(r, "machines/a", o.Last("machines/a"), 10))
	}
	for stop := range 25 {
		seen := 0
		err := s.Read(t.Context(), "machines/a", 1, func(store.Entry) bool { seen++; return seen <= stop })
		require.NoError(t, err)
		require.Equal(t, stop+1, seen)
	}
}

// testCallsInsideRead makes every call from inside a read's yield: none may
// wait for the read to end.
func testCallsInsideRead(t *testing.T, open Opener) {
	s := mustOpen(t, open)
	defer Close(t, s)
	o, r := NewOracle(), rng()
	append1(t, s, o, Stretch(r, "machines/a", 0, 20))
	seen := 0
	require.NoError(t, s.Read(t.Context(), "machines/a", 1, func(e store.Entry) bool {
		seen++
		append1(t, s, o, Stretch(r, "machines/a", o.Last("machines/a"), 1))
		require.NoError(t, s.SaveCheckpoints(t.Context(), []store.Checkpoint{{Stream: "machines/a", Revision: e.Revision, Fold: make([]byte, 100_000)}}))
		_, err := ReadAll(t.Context(), s, "machines/a", e.Revision)
		require.NoError(t, err)
		_, err = Heads(t.Context(), s)
		require.NoError(t, err)
		return seen < 20
	}))
	require.Equal(t, 20, seen)
}

func testStreams(t *testing.T, open Opener) {
	s := mustOpen(t, open)
	defer Close(t, s)
	o, r := NewOracle(), rng()
	names := []string{"office", "machines/b", "machines/a", "machines/ab", "machines/a-1", "machines/a/1", "machines/B", "a", "~", "!"}
	for i, name := range names {
		append1(t, s, o, Stretch(r, name, 0, i+1))
	}
	var got []string
	require.NoError(t, s.Streams(t.Context(), func(name string, last uint64) bool {
		got = append(got, name)
		assert.Equal(t, o.Last(name), last)
		return true
	}))
	assert.Equal(t, slices.Sorted(slices.Values(names)), got)
	got = nil
	require.NoError(t, s.Streams(t.Context(), func(name string, _ uint64) bool { got = append(got, name); return len(got) < 3 }))
	assert.Len(t, got, 3)
}

func testCheckpoints(t *testing.T, open Opener) {
	s := mustOpen(t, open)
	o, r := NewOracle(), rng()
	for _, name := range []string{"machines/a", "machines/b", "machines/c"} {
		append1(t, s, o, Stretch(r, name, 0, 20))
	}
	calls := [][]store.Checkpoint{
		{{Stream: "machines/b", Revision: 3, Fold: []byte("b at 3"), Chain: [32]byte{1}}, {Stream: "machines/a", Revision: 20, Chain: [32]byte{2}}},
		{{Stream: "machines/b", Revision: 9, Fold: received(r, 300_000), Chain: [32]byte{3}}},
		{{Stream: "machines/b", Revision: 8, Fold: []byte("too late"), Chain: [32]byte{4}}},
		{{Stream: "machines/b", Revision: 12, Fold: []byte("first"), Chain: [32]byte{5}}, {Stream: "machines/b", Revision: 11, Fold: []byte("second"), Chain: [32]byte{6}}},
		nil,
	}
	for _, call := range calls {
		require.NoError(t, s.SaveCheckpoints(t.Context(), call))
		o.Saved(call)
		require.NoError(t, o.Compare(t.Context(), s, false))
	}
	s = reopen(t, s, open)
	require.NoError(t, o.Compare(t.Context(), s, false))
	Close(t, s)
}

func testCheckpointsInvalid(t *testing.T, open Opener) {
	s := mustOpen(t, open)
	defer Close(t, s)
	o, r := NewOracle(), rng()
	append1(t, s, o, Stretch(r, "machines/a", 0, 4))
	good := store.Checkpoint{Stream: "machines/a", Revision: 4, Fold: []byte("fold")}
	for name, bad := range map[string]store.Checkpoint{
		"beyond the end": {Stream: "machines/a", Revision: 5},
		"no such stream": {Stream: "machines/nobody", Revision: 1},
		"revision 0":     {Stream: "machines/a"},
		"no name":        {Revision: 1},
	} {
		var invalid *store.InvalidError
		require.ErrorAs(t, s.SaveCheckpoints(t.Context(), []store.Checkpoint{good, bad}), &invalid, name)
		require.NoError(t, o.Compare(t.Context(), s, false), name)
	}
}

func testReopen(t *testing.T, open Opener) {
	s := mustOpen(t, open)
	o, r := NewOracle(), rng()
	incarnation := s.Incarnation()
	for round := range 5 {
		for i := range 6 {
			name := fmt.Sprint("machines/", i)
			append1(t, s, o, Stretch(r, name, o.Last(name), 1+r.IntN(200)))
		}
		c := []store.Checkpoint{{Stream: "machines/0", Revision: o.Last("machines/0"), Fold: received(r, 500*round)}}
		require.NoError(t, s.SaveCheckpoints(t.Context(), c))
		o.Saved(c)
		s = reopen(t, s, open)
		require.NoError(t, o.Compare(t.Context(), s, false))
		require.Equal(t, incarnation, s.Incarnation())
	}
	Close(t, s)
}

func testCancelled(t *testing.T, open Opener) {
	s := mustOpen(t, open)
	defer Close(t, s)
	o, r := NewOracle(), rng()
	append1(t, s, o, Stretch(r, "machines/a", 0, 4))
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	none := func(store.Entry) bool { t.Error("an entry after the end of the context"); return false }
	_, _, err := s.Checkpoint(ctx, "machines/a")
	for what, err := range map[string]error{
		"append":      s.Append(ctx, []store.Stretch{Stretch(r, "machines/a", 4, 1)}),
		"read":        s.Read(ctx, "machines/a", 1, none),
		"streams":     s.Streams(ctx, func(string, uint64) bool { t.Error("a stream"); return false }),
		"checkpoints": s.SaveCheckpoints(ctx, []store.Checkpoint{{Stream: "machines/a", Revision: 1}}),
		"checkpoint":  err,
		"probe":       s.Probe(ctx),
	} {
		assert.ErrorIs(t, err, context.Canceled, what)
	}
	require.NoError(t, o.Compare(t.Context(), s, false))
}

func testProbe(t *testing.T, open Opener) {
	s := mustOpen(t, open)
	defer Close(t, s)
	for range 3 {
		require.NoError(t, s.Probe(t.Context()))
	}
	heads, err := Heads(t.Context(), s)
	require.NoError(t, err)
	assert.Empty(t, heads, "a probe leaves nothing in the streams")
}

func testClosed(t *testing.T, open Opener) {
	s := mustOpen(t, open)
	r := rng()
	append1(t, s, NewOracle(), Stretch(r, "machines/a", 0, 4))
	Close(t, s)
	_, _, err := s.Checkpoint(t.Context(), "machines/a")
	for what, err := range map[string]error{
		"append":      s.Append(t.Context(), []store.Stretch{Stretch(r, "machines/a", 4, 1)}),
		"read":        s.Read(t.Context(), "machines/a", 1, func(store.Entry) bool { return true }),
		"streams":     s.Streams(t.Context(), func(string, uint64) bool { return true }),
		"checkpoints": s.SaveCheckpoints(t.Context(), []store.Checkpoint{{Stream: "machines/a", Revision: 1}}),
		"checkpoint":  err,
		"probe":       s.Probe(t.Context()),
	} {
		assert.ErrorIs(t, err, store.ErrClosed, what)
	}
	assert.NoError(t, s.Close(), "a second Close does nothing")
}

func mustOpen(t testing.TB, open Opener) store.Store {
	t.Helper()
	s, err := open()
	require.NoError(t, err)
	return s
}

func reopen(t testing.TB, s store.Store, open Opener) store.Store {
	t.Helper()
	Close(t, s)
	return mustOpen(t, open)
}

func append1(t testing.TB, s store.Store, o *Oracle, stretch store.Stretch) {
	t.Helper()
	call := []store.Stretch{stretch}
	require.NoError(t, s.Append(t.Context(), call))
	o.Acked(call)
}

func rng() *rand.Rand { return rand.New(rand.NewPCG(1, 2)) }
