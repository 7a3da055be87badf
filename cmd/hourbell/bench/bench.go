// Package bench measures what the whole path of an event costs, from agents over
// mutual TLS to acknowledged and synced, beside the floor of the same disk.
//
// The service is a process of its own (this program run again), so that its
// processor time and memory are its own; it is the service as it ships, on
// loopback, with its store in a folder. The load speaks the agents' stream, with
// certificates of real enrolments, from batches that are made beforehand, and
// shares the processors with the service. Every load and its floor are measured
// in turns, and the median counts: the ratios say more than the figures.
//
//	load     streams that send as fast as their windows let them
//	floor    the same events, group-committed into a plain file
//	idle     what a connected machine that says nothing takes of memory
//	bus      what a full bus costs an agent
//	day      what a day costs on the air
//	service  the child as its parent sees it; child: the child itself
//	fleet    machines and their boxes
package bench

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"runtime"
	"time"

	"google.golang.org/grpc"
)

// Defaults of Options.
const (
	DefaultSeconds  = 10
	DefaultMachines = 1000
)

// rounds is how often each load and its floor are measured; the median counts.
const rounds = 3

// How the seconds are shared out. Setting up comes on top.
const (
	pathShare  = 0.80
	floorShare = 0.15
	busShare   = 0.05
)

// Options say what is measured. Child, Connect and Out must be given.
type Options struct {
	// Seconds is how long the measuring takes in all (0: 10). Setting up comes on
	// top.
	Seconds float64
	// Machines is how many machines the service has, and how many idle ones are
	// connected for the figure of memory (0: 1000).
	Machines int
	// Most bounds the events of one load in one round (0: what fits the time).
	Most int
	// Data is the folder to work in, on the disk that is to be measured; it must be
	// empty or not be there. "" takes a temporary one. Both are removed in the end.
	Data string
	// Profile is a folder for processor and allocation profiles of the service
	// under each load, "" for none.
	Profile string
	// JSON prints one document instead of tables.
	JSON bool
	Out  io.Writer
	// Progress is told what is being done; nil: nobody.
	Progress io.Writer
	Version  string
	// Child is the command that runs RunService in another process.
	Child func(ctx context.Context) (*exec.Cmd, error)
	// Connect connects to a service as a person.
	Connect func(Service) (*grpc.ClientConn, error)

	// day is how long the day on the link lasts (0: 24 h); for tests.
	day time.Duration
	// before is called when all loads are done and the service still serves; for
	// tests.
	before func(context.Context, *grpc.ClientConn, *Result) error
}

func (o *Options) validate() error {
	switch {
	case o.Out == nil || o.Child == nil || o.Connect == nil:
		return errors.New("bench: Out, Child and Connect are needed")
	case !(o.Seconds >= 0 && o.Seconds <= 3600): // not a number is neither
		return fmt.Errorf("--seconds %v: want above 0, at most 3600", o.Seconds)
	case o.Machines < 0 || o.Machines > 100_000:
		return fmt.Errorf("--machines %d: want 1 to 100000", o.Machines)
	case o.Most < 0:
		return fmt.Errorf("--most %d: want a number of events, or 0 for what fits the time", o.Most)
	}
	if o.Seconds == 0 {
		o.Seconds = DefaultSeconds
	}
	if o.Machines == 0 {
		o.Machines = DefaultMachines
	}
	if o.day == 0 {
		o.day = day
	}
	if o.Progress == nil {
		o.Progress = io.Discard
	}
	return nil
}

func (o *Options) say(format string, args ...any) { fmt.Fprintf(o.Progress, format+"\n", args...) }

// share is a part of the seconds.
func (o *Options) share(part float64) time.Duration {
	return time.Duration(part * o.Seconds * float64(time.Second))
}

// Run measures and prints. It ends early, with nothing left behind, when ctx does.
func Run(ctx context.Context, o Options) (err error) {
	if err := o.validate(); err != nil {
		return err
	}
	dir, clean, err := dataFolder(o.Data)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, clean()) }()
	r := &Result{Version: o.Version, Processors: runtime.GOMAXPROCS(0), Rounds: rounds}
	for _, part := range []func(context.Context, *Options, string, *Result) error{measureService, measureBus} {
		if err := part(ctx, &o, dir, r); err != nil {
			if ctx.Err() != nil {
				return errors.New("interrupted: what was measured so far is not shown, since it is not whole")
			}
			return fmt.Errorf("bench: %w", err)
		}
	}
	if o.JSON {
		return r.writeJSON(o.Out)
	}
	return r.writeTables(o.Out)
}

// dataFolder makes the folder; clean removes what was made.
func dataFolder(name string) (dir string, clean func() error, err error) {
	if name == "" {
		dir, err = os.MkdirTemp("", "hourbell-bench-")
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
		return "", nil, fmt.Errorf("--data %s: the folder is not empty: name a new one, it is removed in the end", name)
	}
	return dir, func() error { return os.RemoveAll(dir) }, nil
}

// measureService measures what needs the service with its machines: the memory of
// idle machines, the loads, the disk, a day on the link.
func measureService(ctx context.Context, o *Options, dir string, r *Result) (err error) {
	s, err := startService(ctx, o, spec{Data: filepath.Join(dir, "service"), Profile: o.Profile})
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, s.end(err)) }()
	f, err := newFleet(ctx, o, s)
	if err != nil {
		return err
	}
	if r.Idle, err = f.idle(ctx, o); err != nil {
		return fmt.Errorf("connect idle machines: %w", err)
	}
	next := 0
	for _, l := range loads(o.Machines) {
		p, err := measureLoad(ctx, o, f, l, f.boxes[next:next+l.streams], dir)
		if err != nil {
			return fmt.Errorf("%s: %w", l.name(), err)
		}
		next = (next + l.streams) % (len(f.boxes) - l.streams + 1) // fresh machines while there are any
		r.Paths = append(r.Paths, p)
	}
	if o.before != nil {
		if err := o.before(ctx, s.people, r); err != nil {
			return err
		}
	}
	o.say("folding and compressing")
	if r.Disk, err = f.disk(r); err != nil {
		return err
	}
	return f.days(ctx, o, dir, r)
}
