package service

import (
	"context"
	"errors"
	"fmt"
	"time"
)

// cleanups is a stack of named steps that undo what was set up, the last first.
type cleanups struct {
	steps []cleanup
}

type cleanup struct {
	name   string
	within time.Duration
	do     func(context.Context) error
}

// add puts a step on the stack.
func (c *cleanups) add(name string, within time.Duration, do func(context.Context) error) {
	c.steps = append(c.steps, cleanup{name, within, do})
}

// close adds a step that needs no time to speak of.
func (c *cleanups) close(name string, do func() error) {
	c.add(name, time.Minute, func(context.Context) error { return do() })
}

// drain runs every step, whatever becomes of the others. Each has its own time;
// one that overruns it is left behind and said.
func (c *cleanups) drain(ctx context.Context) error {
	var errs []error
	for len(c.steps) > 0 {
		step := c.steps[len(c.steps)-1]
		c.steps = c.steps[:len(c.steps)-1]
		if err := step.run(ctx); err != nil {
			errs = append(errs, fmt.Errorf("stop %s: %w", step.name, err))
		}
	}
	return errors.Join(errs...)
}

func (s cleanup) run(ctx context.Context) error {
	ctx, cancel := context.WithTimeout(context.WithoutCancel(ctx), s.within)
	defer cancel()
	done := make(chan error, 1)
	go func() { done <- s.do(ctx) }()
	select {
	case err := <-done:
		return err
	case <-ctx.Done():
		// A step that minds its context ends now; give it the moment it needs.
		select {
		case err := <-done:
			return err
		case <-time.After(time.Second):
			return fmt.Errorf("not done within %v", s.within)
		}
	}
}
