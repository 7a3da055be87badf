package spool_test

import (
	"bytes"
	"errors"
	"fmt"
	"math/rand/v2"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"github.com/hourbell/hourbell/agent/spool"
	"github.com/hourbell/hourbell/internal/seglog/seglogtest"
)

var errLost = errors.New("durable event lost")

// chooser draws numbers in [0, n): from rapid, or from a seed.
type chooser interface{ pick(what string, n int) int }

type rapidChooser struct{ t *rapid.T }

func (c rapidChooser) pick(what string, n int) int { return rapid.IntRange(0, n-1).Draw(c.t, what) }

type seedChooser struct{ r *rand.Rand }

func (c seedChooser) pick(_ string, n int) int { return c.r.IntN(n) }

// model drives a spool and a book side by side.
type model struct {
	c      chooser
	m      *seglogtest.FS
	clock  *clock
	o      spool.Options
	s      *spool.Spool
	b      *book
	acked  uint64
	most   uint64 // acknowledged before a rewind: up to there records may be gone
	serial int
	state  []byte
	over   error
	silent bool // no signal: nothing is acknowledged
	full   int  // how often it was full
}

func newModel(c chooser, m *seglogtest.FS) (*model, error) {
	x := &model{c: c, m: m, clock: newClock()}
	x.o = options(m, x.clock)
	x.o.MinSpacing = time.Duration(1+c.pick("spacing", 3)) * time.Minute
	x.silent = c.pick("silent", 2) == 1
	watchSize(m, x.o.MaxBytes, &x.over)
	if err := x.open(); err != nil {
		return nil, err
	}
	x.b = newBook(x.s.Epoch())
	return x, nil
}

func (x *model) open() (err error) {
	x.s, err = spool.Open(dir, x.o)
	return err
}

func (x *model) run(steps int) error {
	all := []struct {
		name string
		do   func() error
	}{
		{"append", x.append}, {"append", x.append}, {"append", x.append}, {"append", x.append}, {"append", x.append},
		{"ack", x.ack}, {"crash", x.crash}, {"read", x.read}, {"state", x.saveState}, {"reopen", x.reopen},
		{"rewind", x.rewind}, {"epoch", x.epoch},
	}
	for i := range steps {
		k := x.c.pick("step", 60)
		if k >= len(all) {
			k = 0 // mostly appends: it has to fill up
		}
		if err := all[k].do(); err != nil {
			return fmt.Errorf("step %d, %s: %w", i, all[k].name, err)
		}
		if x.over != nil {
			return x.over
		}
	}
	if err := x.crash(); err != nil {
		return err
	}
	return x.over
}

func (x *model) append() error {
	x.clock.t = x.clock.t.Add(time.Duration(x.c.pick("seconds", 40)) * time.Second)
	var events []spool.Event
	mix := x.c.pick("mix", 10)
	for range 1 + x.c.pick("events", 80) {
		x.serial++
		class := spool.Reading
		switch k := x.c.pick("class", 20); {
		case k < mix:
			class = spool.Record
		case k < 2*mix:
			class = spool.Keep
		}
		events = append(events, event(class, uint16(x.c.pick("key", 3)), x.serial, x.c.pick("size", 120)))
	}
	before := x.b.last()
	last, err := x.s.Append(bg, events...)
	if last < before || last > before+uint64(len(events)) {
		return fmt.Errorf("last is %d after %d events on %d: %w", last, len(events), before, err)
	}
	x.b.add(events[:last-before]...)
	if isFull(err) {
		x.full++
		return nil
	}
	if err == nil && last != before+uint64(len(events)) {
		err = fmt.Errorf("last is %d, want %d", last, before+uint64(len(events)))
	}
	return err
}

func (x *model) ack() error {
	if x.silent {
		return nil
	}
	seq := x.acked + uint64(x.c.pick("ack", int(x.b.last()-x.acked)+1))
	if err := x.s.Ack(bg, seq, x.b.hashes[seq]); err != nil {
		return fmt.Errorf("%d: %w", seq, err)
	}
	x.acked, x.most = seq, max(x.most, seq)
	var fork *spool.ForkError
	if err := x.s.Ack(bg, x.b.last()+1, x.b.hashes[0]); !errors.As(err, &fork) {
		return fmt.Errorf("an ack ahead of all: %w", err)
	}
	return nil
}

func (x *model) rewind() error {
	seq := uint64(x.c.pick("rewind", int(x.acked)+1))
	err := x.s.Rewind(bg, seq, x.b.hashes[seq])
	var trimmed *spool.TrimmedError
	if errors.As(err, &trimmed) {
		seq, err = trimmed.First-1, nil
	}
	if err == nil {
		x.acked = min(x.acked, seq)
	}
	return err
}

func (x *model) epoch() error {
	got, _, err := x.b.walk(x.s, x.s.Stats().First, 1000)
	if err != nil {
		return err
	}
	if _, err := x.s.NewEpoch(bg, "model", 0); err != nil {
		return err
	}
	next := newBook(x.s.Epoch())
	for n := x.acked + 1; n <= x.b.last(); n++ {
		if it, there := got[n]; there {
			next.add(spool.Event{Class: it.Class, Key: it.Key, Payload: it.Payload})
		} else if n > x.most && x.b.events[n-1].Class == spool.Record {
			return fmt.Errorf("%w: record %d", errLost, n)
		}
	}
	x.b, x.acked, x.most = next, 0, 0
	return x.read()
}

func (x *model) saveState() error {
	x.serial++
	state := bytes.Repeat([]byte{byte(x.serial)}, x.c.pick("state", 1000))
	err := x.s.SaveState(bg, "sums", state)
	if err == nil {
		x.state = state
	} else if isFull(err) {
		err = nil
	}
	return err
}

func (x *model) reopen() error {
	if err := x.s.Close(); err != nil {
		return err
	}
	return x.judge()
}

func (x *model) crash() error {
	var tear *rand.Rand
	if k := x.c.pick("tear", 1000); k > 100 {
		tear = rand.New(rand.NewPCG(uint64(k), uint64(x.serial)))
	}
	x.m.Crash(tear)
	return x.judge()
}

// judge opens and holds all to what was promised.
func (x *model) judge() error {
	if err := x.open(); err != nil {
		return err
	}
	last, _ := x.s.Last()
	epoch, acked := x.s.Acked()
	switch r := x.s.Recovery(); {
	case epoch != x.b.id || r.NewEpoch != "":
		return fmt.Errorf("%w: epoch changed: %+v", errLost, r)
	case last != x.b.last():
		return fmt.Errorf("%w: last is %d, want %d", errLost, last, x.b.last())
	case acked != x.acked:
		return fmt.Errorf("%w: acked is %d, want %d", errLost, acked, x.acked)
	case len(r.SetAside) > 0 || r.Damaged > 0:
		return fmt.Errorf("a crash is told as damage: %+v", r)
	}
	if x.state != nil {
		if got, err := x.s.LoadState("sums"); err != nil || !bytes.Equal(got, x.state) {
			return fmt.Errorf("%w: state: %v", errLost, err)
		}
	}
	return x.read()
}

// read walks from a random place and looks for every unacknowledged record.
func (x *model) read() error {
	first := x.s.Stats().First
	from := first + uint64(x.c.pick("from", int(x.b.last()-first)+2))
	got, _, err := x.b.walk(x.s, from, 1+x.c.pick("per", 300))
	if err != nil {
		return err
	}
	for n := max(from, x.acked+1); n <= x.b.last(); n++ {
		if _, there := got[n]; !there && n > x.most && x.b.events[n-1].Class == spool.Record {
			return fmt.Errorf("%w: record %d", errLost, n)
		}
	}
	if x.acked+1 < first {
		return fmt.Errorf("%w: the first kept is %d, acknowledged are %d", errLost, first, x.acked)
	}
	return nil
}

func durability(c chooser, m *seglogtest.FS, steps int) (*model, error) {
	x, err := newModel(c, m)
	if err != nil {
		return nil, err
	}
	return x, x.run(steps)
}

func TestModel(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		if _, err := durability(rapidChooser{rt}, seglogtest.New(root), 60); err != nil {
			rt.Fatal(err)
		}
	})
}

func TestModelSeeds(t *testing.T) {
	full := 0
	for seed := range uint64(8) {
		x, err := durability(seedChooser{rand.New(rand.NewPCG(seed, 1))}, seglogtest.New(root), 400)
		require.NoError(t, err, "seed %d", seed)
		full += x.full
	}
	require.Positive(t, full, "the model has to get to a full spool")
}

// A spool whose syncs do nothing must fail the same body.
func TestModelControl(t *testing.T) {
	lost := 0
	for seed := range uint64(20) {
		m := seglogtest.New(root)
		m.SkipSync()
		if _, err := durability(seedChooser{rand.New(rand.NewPCG(seed, 1))}, m, 100); errors.Is(err, errLost) {
			lost++
		}
	}
	require.Equal(t, 20, lost)
}
