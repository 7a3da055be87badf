package bench

import (
	"bufio"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"os/exec"
	"strings"
	"sync"
	"time"

	"google.golang.org/grpc"
)

// patience is how long the child may take to end.
const patience = 20 * time.Second

// served is the child as its parent sees it.
type served struct {
	at     Service
	people *grpc.ClientConn

	cmd  *exec.Cmd
	in   io.WriteCloser
	out  *bufio.Reader
	said tail // on standard error
	// unwatch lets the context go; it says whether the context left the child alone.
	unwatch func() bool
}

// tail keeps the end of what the child says on its standard error.
type tail struct {
	mu sync.Mutex
	b  []byte
}

const tailBytes = 4 << 10

func (t *tail) Write(p []byte) (int, error) {
	t.mu.Lock()
	defer t.mu.Unlock()
	t.b = append(t.b, p...)
	if over := len(t.b) - tailBytes; over > 0 {
		t.b = append(t.b[:0], t.b[over:]...)
	}
	return len(p), nil
}

func (t *tail) String() string {
	t.mu.Lock()
	defer t.mu.Unlock()
	return strings.TrimSpace(string(t.b))
}

// startService starts the child and connects to it as a person.
func startService(ctx context.Context, o *Options, sp spec) (*served, error) {
	o.say("starting a service")
	cmd, err := o.Child(ctx)
	if err != nil {
		return nil, err
	}
	s := &served{cmd: cmd}
	cmd.Stderr = &s.said
	if err := s.start(ctx, sp); err != nil {
		return nil, fmt.Errorf("start the service: %w", err)
	}
	if s.people, err = o.Connect(s.at); err != nil {
		return nil, errors.Join(err, s.end(err))
	}
	return s, nil
}

func (s *served) start(ctx context.Context, sp spec) (err error) {
	if s.in, err = s.cmd.StdinPipe(); err != nil {
		return err
	}
	out, err := s.cmd.StdoutPipe()
	if err != nil {
		return err
	}
	s.out = bufio.NewReader(out)
	if err := s.cmd.Start(); err != nil {
		return err
	}
	// Whoever waits for an answer hears of an interrupt by the child's end.
	s.unwatch = context.AfterFunc(ctx, func() { _ = s.in.Close() })
	first, err := json.Marshal(sp)
	if err == nil {
		err = s.ask(string(first), &s.at)
	}
	if err != nil {
		return errors.Join(err, s.end(err))
	}
	return nil
}

// ask says a line and reads the answer.
func (s *served) ask(line string, into any) error {
	if _, err := io.WriteString(s.in, line+"\n"); err != nil {
		return fmt.Errorf("ask the service: %w", err)
	}
	b, err := s.out.ReadBytes('\n')
	if err != nil {
		return fmt.Errorf("hear the service: %w", err)
	}
	if err := json.Unmarshal(b, into); err != nil {
		return fmt.Errorf("hear the service: %w", err)
	}
	return nil
}

// usage asks for what it has used, after something it is to do.
func (s *served) usage(line string) (u usage, err error) {
	if err = s.ask(line, &u); err == nil && u.Error != "" {
		err = fmt.Errorf("%s: %s", line, u.Error)
	}
	return u, err
}

// end lets the child end in good order, and not so where that takes too long. why
// is what went wrong before, nil for nothing: then a bad end is told, and what the
// child said last either way.
func (s *served) end(why error) error {
	if s.people != nil {
		_ = s.people.Close() // it is of no more use
	}
	if s.unwatch() {
		_ = s.in.Close() // the child may be gone
	}
	kill := time.AfterFunc(patience, func() { _ = s.cmd.Process.Kill() })
	defer kill.Stop()
	_, _ = io.Copy(io.Discard, s.out) // Wait closes the pipe
	err := s.cmd.Wait()
	if said := s.said.String(); (why != nil || err != nil) && said != "" {
		err = errors.Join(err, fmt.Errorf("the service said: %s", said))
	}
	if err != nil {
		return fmt.Errorf("end the service: %w", err)
	}
	return nil
}
