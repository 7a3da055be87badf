package storetest

import (
	"context"
	"errors"
	"math/rand/v2"
	"testing"

	"pgregory.net/rapid"

	"github.com/hourbell/hourbell/internal/store"
)

// names are the streams of the model test: some are prefixes of others.
var names = []string{"office", "machines/a", "machines/ab", "machines/b"}

// RunModel does random calls on stores and on their oracles.
func RunModel(t *testing.T, newPlace func(t *testing.T) Opener) {
	rapid.Check(t, func(rt *rapid.T) {
		open := newPlace(t)
		s, err := open()
		if err != nil {
			rt.Fatal(err)
		}
		m := &Model{Store: s, Oracle: NewOracle()}
		defer func() { _ = m.Store.Close() }() // rapid may leave a case halfway
		actions := m.Actions()
		actions["reopen"] = func(rt *rapid.T) { m.reopen(rt, open) }
		rt.Repeat(actions)
		if err := m.Store.Close(); err != nil {
			rt.Fatal(err)
		}
	})
}

// Model is a store and the oracle that goes with it. A driver's own model tests
// add actions of their own, such as crashes.
type Model struct {
	Store   store.Store
	Oracle  *Oracle
	MayLose bool // checkpoints may be lost
}

// Actions returns the calls that every store understands, for rapid's Repeat.
func (m *Model) Actions() map[string]func(*rapid.T) {
	return map[string]func(*rapid.T){
		"append":     m.append,
		"conflict":   m.conflict,
		"checkpoint": m.checkpoint,
		"read":       m.read,
		"compare":    m.Compare,
	}
}

// Draw draws stretches for one call of Append that the store must take.
func (m *Model) Draw(rt *rapid.T) []store.Stretch {
	r := rand.New(rand.NewPCG(rapid.Uint64().Draw(rt, "seed"), 0))
	last := map[string]uint64{}
	var call []store.Stretch
	for range rapid.IntRange(1, 4).Draw(rt, "stretches") {
		name := rapid.SampledFrom(names).Draw(rt, "stream")
		if _, ok := last[name]; !ok {
			last[name] = m.Oracle.Last(name)
		}
		n := rapid.SampledFrom([]int{0, 1, 2, 7, 60}).Draw(rt, "entries")
		call = append(call, Stretch(r, name, last[name], n))
		last[name] += uint64(n)
	}
	return call
}

// Compare fails unless store and oracle agree.
func (m *Model) Compare(rt *rapid.T) {
	if err := m.Oracle.Compare(context.Background(), m.Store, m.MayLose); err != nil {
		rt.Fatal(err)
	}
	if err := Check(context.Background(), m.Store); err != nil {
		rt.Fatal(err)
	}
}

func (m *Model) append(rt *rapid.T) {
	call := m.Draw(rt)
	if err := m.Store.Append(context.Background(), call); err != nil {
		rt.Fatal(err)
	}
	m.Oracle.Acked(call)
}

func (m *Model) conflict(rt *rapid.T) {
	call := m.Draw(rt)
	bad := &call[rapid.IntRange(0, len(call)-1).Draw(rt, "bad")]
	bad.Expect += rapid.Uint64Range(1, 5).Draw(rt, "off by")
	var conflict *store.ConflictError
	if err := m.Store.Append(context.Background(), call); !errors.As(err, &conflict) {
		rt.Fatalf("a stretch that expects the wrong revision gives %v", err)
	}
}

func (m *Model) checkpoint(rt *rapid.T) {
	name := rapid.SampledFrom(names).Draw(rt, "stream")
	last := m.Oracle.Last(name)
	if last == 0 {
		return
	}
	c := []store.Checkpoint{{
		Stream: name, Revision: rapid.Uint64Range(1, last).Draw(rt, "revision"),
		Fold: rapid.SliceOfN(rapid.Byte(), 0, 40).Draw(rt, "fold"),
	}}
	c[0].Chain[0] = rapid.Byte().Draw(rt, "chain")
	if err := m.Store.SaveCheckpoints(context.Background(), c); err != nil {
		rt.Fatal(err)
	}
	m.Oracle.Saved(c)
}

func (m *Model) read(rt *rapid.T) {
	name := rapid.SampledFrom(names).Draw(rt, "stream")
	want := m.Oracle.Entries(name)
	from := rapid.IntRange(0, len(want)+1).Draw(rt, "from")
	got, err := ReadAll(context.Background(), m.Store, name, uint64(from))
	if err != nil {
		rt.Fatal(err)
	}
	want = want[min(max(from, 1)-1, len(want)):]
	if len(got) != len(want) {
		rt.Fatalf("read %q from %d gives %d entries, want %d", name, from, len(got), len(want))
	}
	for i := range got {
		if !Equal(got[i], want[i]) {
			rt.Fatalf("read %q from %d, entry %d: got %+v, want %+v", name, from, i, got[i], want[i])
		}
	}
}

func (m *Model) reopen(rt *rapid.T, open Opener) {
	if err := m.Store.Close(); err != nil {
		rt.Fatal(err)
	}
	s, err := open()
	if err != nil {
		rt.Fatal(err)
	}
	m.Store = s
	m.Compare(rt)
}
