package demo

import (
	"bufio"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"os/exec"
	"sync"
	"time"
)

// child is a machine's agent in a process of its own, as its parent sees it.
type child struct {
	cmd    *exec.Cmd
	in     io.WriteCloser
	walker *walker
	up     chan struct{} // closed once it is connected and its cab knows the machine
	gone   chan struct{} // closed once it has ended
	err    error         // why; read it once gone is closed

	mu      sync.Mutex
	release func() // lets the clock go on; nil where it goes
	writing sync.Mutex
}

// startChild starts the process and walks it along with the shift.
func startChild(ctx context.Context, cmd *exec.Cmd, spec boxSpec, p *pace) (*child, error) {
	c := &child{cmd: cmd, up: make(chan struct{}), gone: make(chan struct{})}
	in, err := cmd.StdinPipe()
	if err != nil {
		return nil, fmt.Errorf("start the agent of %s: %w", spec.Machine, err)
	}
	out, err := cmd.StdoutPipe()
	if err != nil {
		return nil, fmt.Errorf("start the agent of %s: %w", spec.Machine, err)
	}
	c.in = in
	if err := cmd.Start(); err != nil {
		return nil, fmt.Errorf("start the agent of %s: %w", spec.Machine, err)
	}
	first, err := json.Marshal(spec)
	if err == nil {
		err = c.say(string(first))
	}
	if err != nil {
		return nil, fmt.Errorf("start the agent of %s: %w", spec.Machine, errors.Join(err, cmd.Process.Kill(), cmd.Wait()))
	}
	c.walker = p.join(spec.Machine)
	ctx, stop := context.WithCancel(ctx)
	go c.lead(ctx, spec.From)
	go func() {
		defer stop()
		c.hear(out)
	}()
	return c, nil
}

func (c *child) say(line string) error {
	c.writing.Lock()
	defer c.writing.Unlock()
	_, err := io.WriteString(c.in, line+"\n")
	return err
}

// lead tells the child where the clock stands, as it moves on.
func (c *child) lead(ctx context.Context, from time.Time) {
	for ctx.Err() == nil {
		goal, err := c.walker.goal(ctx, from)
		if err == nil && goal.After(from) {
			err = c.say(sayTo + " " + stamp(goal))
		}
		if err != nil {
			return
		}
		from = goal
	}
}

// hear hears the child until it ends.
func (c *child) hear(out io.Reader) {
	defer close(c.gone)
	var bad error
	for lines := bufio.NewScanner(out); bad == nil && lines.Scan(); {
		word, at, err := parseLine(lines.Text())
		if bad = err; err == nil {
			bad = c.heard(word, at)
		}
	}
	c.goOn()
	c.walker.leave()
	c.err = errors.Join(bad, c.cmd.Wait())
}

func (c *child) heard(word string, at time.Time) error {
	switch word {
	case sayAt:
		c.walker.reach(at)
	case sayUp:
		close(c.up)
	case sayGo:
		c.goOn()
	case sayMeet:
		held, release := c.walker.pace.hold()
		c.goOn()
		c.mu.Lock()
		c.release = release
		c.mu.Unlock()
		return c.say(sayHeld + " " + stamp(held))
	default:
		return fmt.Errorf("the child said %q", word)
	}
	return nil
}

func (c *child) goOn() {
	c.mu.Lock()
	release := c.release
	c.release = nil
	c.mu.Unlock()
	if release != nil {
		release()
	}
}

// kill ends the process as a power cut ends a box: no signal that it could heed.
func (c *child) kill() error {
	if err := c.cmd.Process.Kill(); err != nil {
		return fmt.Errorf("kill the agent: %w", err)
	}
	<-c.gone
	return nil
}

// end closes the child's input and waits for it.
func (c *child) end() error {
	err := c.in.Close()
	<-c.gone
	return errors.Join(err, c.err)
}
