package demo

import (
	"bufio"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"strconv"
	"strings"
	"sync"
	"time"

	"golang.org/x/sync/errgroup"
)

// The machine whose agent gets killed has it in a process of its own. The two
// speak in lines. To the child goes first its boxSpec as JSON and then
//
//	to NS     the shift's clock stands at NS (Unix nanoseconds)
//	held NS   it stands at NS until the child says go
//
// and the end of the input is the end of the child. The child says
//
//	at NS     all up to NS is written down
//	meet      let the clock stand
//	go        let it go on
//	up        connected, and the cab knows the machine
const (
	sayTo   = "to"
	sayHeld = "held"
	sayAt   = "at"
	sayMeet = "meet"
	sayGo   = "go"
	sayUp   = "up"
)

// RunChild is the child: one machine's agent. It ends with its shift or its
// input.
func RunChild(ctx context.Context, in io.Reader, out io.Writer, errs io.Writer) error {
	input := bufio.NewReader(in)
	first, err := input.ReadBytes('\n')
	if err != nil {
		return errors.New("this command is for `hourbell demo` alone, which runs it by itself")
	}
	var spec boxSpec
	if err := json.Unmarshal(first, &spec); err != nil {
		return fmt.Errorf("read what to do: %w", err)
	}
	r := &childRoad{out: out, goalAt: spec.From, reached: spec.From}
	b, err := newBox(spec, r, newLink(), slog.New(slog.NewTextHandler(errs, nil)))
	if err != nil {
		return err
	}
	ctx, stop := context.WithCancelCause(context.WithoutCancel(ctx)) // an interrupt is the parent's to mind
	defer stop(nil)
	go func() { stop(r.listen(input)) }() // until the input ends
	g, inner := errgroup.WithContext(ctx)
	g.Go(func() error {
		defer stop(nil)
		return b.run(inner)
	})
	g.Go(func() error {
		select {
		case <-b.up:
			r.say(sayUp)
		case <-inner.Done():
		}
		return nil
	})
	return g.Wait()
}

// childRoad is the shift's clock as the child sees it.
type childRoad struct {
	writing sync.Mutex
	out     io.Writer

	newsLock
	goalAt  time.Time
	heldAt  time.Time
	reached time.Time
}

func (r *childRoad) say(words ...string) {
	r.writing.Lock()
	defer r.writing.Unlock()
	_, _ = fmt.Fprintln(r.out, strings.Join(words, " ")) // without a parent the input ends too
}

// listen hears the parent until it is gone.
func (r *childRoad) listen(in io.Reader) error {
	lines := bufio.NewScanner(in)
	for lines.Scan() {
		word, at, err := parseLine(lines.Text())
		if err != nil {
			return err
		}
		r.heard(word, at)
	}
	return lines.Err()
}

func (r *childRoad) heard(word string, at time.Time) {
	r.Lock()
	defer r.Unlock()
	switch word {
	case sayTo:
		r.goalAt = later(r.goalAt, at)
	case sayHeld:
		r.heldAt = at
		r.goalAt = later(r.goalAt, at)
	}
	r.changed()
}

// parseLine reads a word and, where one follows, an instant.
func parseLine(line string) (word string, at time.Time, err error) {
	word, number, has := strings.Cut(line, " ")
	if !has {
		return word, at, nil
	}
	ns, err := strconv.ParseInt(number, 10, 64)
	if err != nil {
		return word, at, fmt.Errorf("line %q: %w", line, err)
	}
	return word, instant(ns), nil
}

func stamp(t time.Time) string { return strconv.FormatInt(t.UnixNano(), 10) }

func (r *childRoad) goal(ctx context.Context, from time.Time) (time.Time, error) {
	goal := from
	err := r.wait(ctx, time.Second, func() bool {
		goal = later(r.goalAt, from)
		return goal.After(from)
	})
	if err != nil && ctx.Err() == nil {
		return from, nil
	}
	return goal, err
}

func (r *childRoad) reach(at time.Time) {
	r.Lock()
	moved := at.After(r.reached)
	if moved {
		r.reached = at
		r.changed()
	}
	r.Unlock()
	if moved {
		r.say(sayAt, stamp(at))
	}
}

func (r *childRoad) meet(ctx context.Context) (func(), error) {
	r.Lock()
	r.heldAt = time.Time{}
	r.Unlock()
	r.say(sayMeet)
	release := sync.OnceFunc(func() { r.say(sayGo) })
	err := r.wait(ctx, patience, func() bool { return !r.heldAt.IsZero() && !r.reached.Before(r.heldAt) })
	if err != nil {
		release()
		return nil, fmt.Errorf("come to the shift's clock: %w", err)
	}
	return release, nil
}
