// Package demo is a custom harvest crew's shift, from the frames on each
// machine's bus to the notice that its grease round has come due, faster than
// life and checked.
//
// The place, the crew and the machines are invented (internal/combinesim). The
// rest is real: each machine has the agent as it ships, which is enrolled with a
// one-time token, listens, spools, and pushes over mutual TLS; one of them in a
// process of its own, which is killed and started again. They push to the service
// as it ships, on loopback, with its store in a temporary folder. People's acts go
// through the API, and all that the summary says is read back through it.
//
//	pace      the shift's clock: it waits for the slowest machine
//	ear       a simulated bus as an agent's source
//	box       one machine's agent; child and parent: the one in its own process
//	link      a machine's way to the service, which can be cut
//	setup     place, charts, machines and services before the shift
//	shift     the run from the first door to the last; boxes, acts, beat
//	known     what must come out, from the simulated world alone
//	facts     what did, through the API
//	check     the difference of the two
//	board     what the screen shows; screen, summary
package demo

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"time"

	"google.golang.org/grpc"

	"github.com/hourbell/hourbell/internal/combinesim"
)

// DefaultFactor is how many times as fast as life the shift goes: twelve hours in
// twenty seconds.
const DefaultFactor = 2160

// Service is how people reach the running service.
type Service struct {
	// Address of the people's listener, host:port.
	Address string
	// Fingerprint of the service's authority.
	Fingerprint string
	// TokenFile holds the bearer token.
	TokenFile string
}

// Options say how the demo runs.
type Options struct {
	// Seed is where all randomness of the simulated world comes from.
	Seed uint64
	// Factor is how many times as fast as life the shift goes; 0 goes as fast as
	// this computer can.
	Factor float64
	// Data is the folder to keep everything in; it must be empty or not be there.
	// "" takes a temporary one that is removed in the end.
	Data string
	// Stay goes on serving after the summary until ctx ends.
	Stay bool
	// JSON prints one document in the end and nothing else.
	JSON bool
	// Out is where the screen and the summary go. Terminal: lines can be drawn over
	// there; Width tells its columns.
	Out      io.Writer
	Terminal bool
	Width    func() int
	// Version is the program's.
	Version string
	// Program is how the program was called, to say what can be tried next.
	Program string
	// Start is when the shift begins; the zero value is the last 07:00 from which on
	// a whole shift has passed.
	Start time.Time
	// Child is the command that runs RunChild in another process.
	Child func(ctx context.Context) (*exec.Cmd, error)
	// Connect connects to the service as a person.
	Connect func(Service) (*grpc.ClientConn, error)
	// WriteClient writes the file with which commands find the service.
	WriteClient func(path string, s Service) error

	// seen is shown what is known and what the service says; for tests.
	seen func([]*known, []*facts)
	// mute says what a machine's bus must not let through; for tests.
	mute func(machine string, at time.Time) bool
}

func (o *Options) validate() error {
	switch {
	case o.Out == nil || o.Child == nil || o.Connect == nil || o.WriteClient == nil:
		return errors.New("demo: Out, Child, Connect and WriteClient are needed")
	case o.Factor < 0:
		return fmt.Errorf("--factor %v: want how many times as fast as life, or 0 for as fast as this computer can", o.Factor)
	}
	if o.Width == nil {
		o.Width = func() int { return 80 }
	}
	if o.Start.IsZero() {
		o.Start = lastShift(time.Now())
	}
	return nil
}

// lastShift is the last time that a whole shift from 07:00 on had passed.
func lastShift(now time.Time) time.Time {
	y, m, d := now.Date()
	start := time.Date(y, m, d, 7, 0, 0, 0, now.Location())
	for start.Add(combinesim.ShiftLength).After(now) {
		start = start.AddDate(0, 0, -1)
	}
	return start
}

// DifferError says that what the service tells is not what the simulated world
// did.
type DifferError struct {
	Seed        uint64
	Differences []string
}

// Error gives every difference.
func (e *DifferError) Error() string {
	text := fmt.Sprintf("%s from what the machines did:", counted(len(e.Differences), "difference"))
	for _, d := range e.Differences {
		text += "\n  " + d
	}
	return text + fmt.Sprintf("\nto look into it, run it again with --seed %d --data DIR", e.Seed)
}

// Run plays the shift, sums it up and checks it. The error is a *DifferError
// where something came out otherwise than it happened.
func Run(ctx context.Context, o Options) (err error) {
	if err := o.validate(); err != nil {
		return err
	}
	dir, clean, err := dataFolder(o.Data)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, clean()) }()
	s, err := newShift(o, dir)
	if err != nil {
		return err
	}
	err = s.run(ctx)
	if err != nil && ctx.Err() != nil {
		return errors.New("interrupted in the middle of the shift: nothing was checked")
	}
	return err
}

// dataFolder makes the folder; clean removes it if it was made for this run only.
func dataFolder(name string) (dir string, clean func() error, err error) {
	if name == "" {
		dir, err = os.MkdirTemp("", "hourbell-demo-")
		if err != nil {
			return "", nil, fmt.Errorf("make a temporary folder: %w", err)
		}
		return dir, func() error { return os.RemoveAll(dir) }, nil
	}
	if dir, err = filepath.Abs(name); err != nil {
		return "", nil, fmt.Errorf("find the folder: %w", err)
	}
	if err := os.MkdirAll(dir, 0o700); err != nil {
		return "", nil, fmt.Errorf("make the folder: %w", err)
	}
	there, err := os.ReadDir(dir)
	if err != nil {
		return "", nil, fmt.Errorf("look into the folder: %w", err)
	}
	if len(there) > 0 {
		return "", nil, fmt.Errorf("--data %s: the folder is not empty: name a new one, so that nothing in it is mixed up", name)
	}
	return dir, func() error { return nil }, nil
}
