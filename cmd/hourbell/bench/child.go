package bench

import (
	"bufio"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"os"
	"path/filepath"
	"runtime"
	"runtime/debug"
	"runtime/pprof"
	"strconv"
	"strings"
	"time"

	"golang.org/x/sys/unix"

	"github.com/hourbell/hourbell/internal/store"
	"github.com/hourbell/hourbell/internal/store/local"
	"github.com/hourbell/hourbell/service"
)

// spec is what the child is told first, as one line of JSON.
type spec struct {
	Data    string `json:"data"`
	Profile string `json:"profile,omitempty"`
}

// The child answers the spec with its Service, and each further line with one
// line of JSON. The end of its input is its end.
const (
	askUsage   = "usage"         // usage
	askTrim    = "trim"          // usage, once memory that is not in use was given back
	askFold    = "fold"          // usage, once all is folded
	askPack    = "pack"          // packed
	askProfile = "profile "      // usage; profiles are taken until the next line, under this name
	askStop    = "stop profiles" // usage
)

// Service is where the child serves.
type Service struct {
	// Address of the people's listener, host:port.
	Address string `json:"address"`
	// Fingerprint of the service's authority.
	Fingerprint string `json:"fingerprint"`
	// TokenFile holds the bearer token.
	TokenFile string `json:"token_file"`
	// Agents and Enrol are the other listeners' addresses.
	Agents string `json:"agents"`
	Enrol  string `json:"enrol"`
}

// usage is what the child has used and done so far.
type usage struct {
	CPU      time.Duration `json:"cpu"`
	Resident int64         `json:"resident"` // bytes; 0 where the system doesn't tell
	Live     int64         `json:"live"`     // bytes of heap and stacks in use
	Events   uint64        `json:"events"`   // journalled
	Commits  uint64        `json:"commits"`
	Journal  int64         `json:"journal"` // bytes of the journal
	Folds    int64         `json:"folds"`   // bytes in use in the folds
	Error    string        `json:"error,omitempty"`
}

// packed is what compressing the sealed segments did.
type packed struct {
	Segments int   `json:"segments"`
	Before   int64 `json:"before"`
	After    int64 `json:"after"`
}

// RunService is the child: the service as it ships, until its input ends. An
// interrupt is the parent's to mind.
func RunService(ctx context.Context, in io.Reader, out, errs io.Writer) error {
	lines := bufio.NewScanner(in)
	var sp spec
	if !lines.Scan() || json.Unmarshal(lines.Bytes(), &sp) != nil || sp.Data == "" {
		return errors.New("this command is for `hourbell bench` alone, which runs it by itself")
	}
	ctx, stop := context.WithCancel(context.WithoutCancel(ctx))
	defer stop()
	c, err := newChild(ctx, sp, errs)
	if err != nil {
		return err
	}
	ran := make(chan error, 1)
	go func() { ran <- c.app.Run(ctx) }()
	err = c.converse(ctx, lines, json.NewEncoder(out))
	stop()
	return errors.Join(err, <-ran)
}

// child is the measured service with what it is asked.
type child struct {
	spec  spec
	app   *service.App
	store *local.Store
	cpu   *os.File // of the profile that is being taken
	name  string
}

func newChild(ctx context.Context, sp spec, errs io.Writer) (*child, error) {
	c := &child{spec: sp}
	var err error
	c.app, err = service.New(ctx, service.Options{
		Data: sp.Data, PeopleAddr: "127.0.0.1:0", AgentsAddr: "127.0.0.1:0", EnrolAddr: "127.0.0.1:0", MetricsAddr: service.NoListener, Host: "127.0.0.1",
		Version: "bench", Log: slog.New(slog.NewTextHandler(errs, &slog.HandlerOptions{Level: slog.LevelError})),
		OpenStore: func(context.Context) (store.Store, error) {
			c.store, err = local.Open(filepath.Join(sp.Data, "store"), local.Options{})
			return c.store, err
		},
		JournalBytes: func() int64 { return c.store.Stats().JournalBytes },
	})
	if err != nil {
		return nil, fmt.Errorf("start the service: %w", err)
	}
	return c, nil
}

// converse says where the service is and answers what it is asked.
func (c *child) converse(ctx context.Context, lines *bufio.Scanner, out *json.Encoder) error {
	at := c.app.Addresses()
	err := out.Encode(Service{Address: at.People, Fingerprint: c.app.Fingerprint(), TokenFile: c.app.First().TokenFile, Agents: at.Agents, Enrol: at.Enrol})
	for err == nil && lines.Scan() {
		err = out.Encode(c.answer(ctx, lines.Text()))
	}
	return errors.Join(err, c.stopProfiles())
}

func (c *child) answer(ctx context.Context, line string) any {
	var err error
	switch {
	case line == askTrim:
		debug.FreeOSMemory()
	case line == askFold:
		err = c.store.Fold(ctx)
	case line == askPack:
		var m local.Maintained
		if m, err = c.store.Maintain(ctx); err == nil {
			return packed{m.Segments, m.Before, m.After}
		}
	case line == askStop:
		err = c.stopProfiles()
	case strings.HasPrefix(line, askProfile):
		err = c.startProfiles(line[len(askProfile):])
	}
	u := c.usage()
	if err != nil {
		u.Error = err.Error()
	}
	return u
}

func (c *child) usage() usage {
	var ru unix.Rusage
	_ = unix.Getrusage(unix.RUSAGE_SELF, &ru) // it knows itself
	var m runtime.MemStats
	runtime.ReadMemStats(&m)
	in, st := c.app.Ingest().Stats(), c.store.Stats()
	return usage{
		CPU: time.Duration(ru.Utime.Nano() + ru.Stime.Nano()), Resident: resident(), Live: int64(m.HeapInuse + m.StackInuse),
		Events: in.Committed, Commits: in.Commits, Journal: st.JournalBytes, Folds: st.FoldsUsed,
	}
}

// resident is the process's resident memory in bytes, 0 where the system doesn't
// tell it in /proc.
func resident() int64 {
	b, err := os.ReadFile("/proc/self/statm")
	if err != nil {
		return 0
	}
	fields := strings.Fields(string(b))
	if len(fields) < 2 {
		return 0
	}
	pages, err := strconv.ParseInt(fields[1], 10, 64)
	if err != nil {
		return 0
	}
	return pages * int64(os.Getpagesize())
}

func (c *child) startProfiles(name string) (err error) {
	if err := os.MkdirAll(c.spec.Profile, 0o700); err != nil {
		return fmt.Errorf("make the profiles' folder: %w", err)
	}
	c.name = filepath.Join(c.spec.Profile, name)
	if err := c.writeAllocs(".allocs-before"); err != nil {
		return err
	}
	if c.cpu, err = os.Create(c.name + ".cpu"); err != nil {
		return fmt.Errorf("make a profile: %w", err)
	}
	return pprof.StartCPUProfile(c.cpu)
}

func (c *child) stopProfiles() error {
	if c.cpu == nil {
		return nil
	}
	pprof.StopCPUProfile()
	err := errors.Join(c.cpu.Close(), c.writeAllocs(".allocs"))
	c.cpu = nil
	return err
}

func (c *child) writeAllocs(kind string) error {
	f, err := os.Create(c.name + kind)
	if err != nil {
		return fmt.Errorf("make a profile: %w", err)
	}
	return errors.Join(pprof.Lookup("allocs").WriteTo(f, 0), f.Close())
}
