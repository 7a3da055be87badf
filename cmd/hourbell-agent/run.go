package main

import (
	"context"
	"crypto/rand"
	"errors"
	"flag"
	"fmt"
	"log/slog"
	"os"
	"path/filepath"
	"runtime/debug"
	"sync"
	"time"

	"github.com/hourbell/hourbell/agent"
	"github.com/hourbell/hourbell/agent/cab"
	"github.com/hourbell/hourbell/agent/enrol"
	"github.com/hourbell/hourbell/agent/link"
	"github.com/hourbell/hourbell/agent/local"
	"github.com/hourbell/hourbell/agent/source"
)

// runner is one run of the agent.
type runner struct {
	data    *string
	can     *string
	record  recordingFlags
	file    *string
	address *string
	spoolMB *int
	speed   *float64

	begun time.Time
	log   *slog.Logger
	link  *link.Link // nil where the box is not enrolled
	agent *agent.Agent
}

type recordingFlags struct {
	start *string
	iface *string
}

func (f *recordingFlags) set(fs *flag.FlagSet) {
	f.start = fs.String("start", "", "when the recording began (`time` as 2031-07-02T13:40:00Z), where it does not tell itself")
	f.iface = fs.String("interface", "", "take one `interface`'s frames of the recording only")
}

func (f *recordingFlags) open(path string, speed float64) (*source.Recording, error) {
	opts := source.RecordingOptions{Interface: *f.iface, Speed: speed}
	if *f.start != "" {
		t, err := time.Parse(time.RFC3339, *f.start)
		if err != nil {
			return nil, &usageError{fmt.Sprintf("--start %q is no time: write it as 2031-07-02T13:40:00Z", *f.start)}
		}
		opts.Start = t
	}
	file, err := os.Open(path)
	if err != nil {
		return nil, fmt.Errorf("read the recording: %w", err)
	}
	return source.NewRecording(path, file, opts), nil
}

func runFlags(fs *flag.FlagSet) func(context.Context, *program, []string) error {
	r := &runner{data: folderFlag(fs)}
	r.can = fs.String("can", "", "listen to this CAN `interface` (can0)")
	r.file = fs.String("recording", "", "listen to a candump recording (`file`) instead, and end with it")
	r.record.set(fs)
	r.speed = fs.Float64("speed", 0, "how many times as fast as it was recorded; 0: as fast as can be")
	r.address = fs.String("address", "", "reach the service at `host:port` rather than where the enrolment says")
	r.spoolMB = fs.Int("spool-mb", 256, "the most that the spool may take on the disk, MB")
	return func(ctx context.Context, p *program, args []string) error {
		if err := errors.Join(none("run", args), r.check()); err != nil {
			return err
		}
		return r.run(ctx, p)
	}
}

func (r *runner) check() error {
	switch {
	case (*r.can == "") == (*r.file == ""):
		return &usageError{"run: say what to listen to: either --can INTERFACE or --recording FILE"}
	case *r.can != "" && (*r.record.start != "" || *r.record.iface != "" || *r.speed != 0):
		return &usageError{"run: --start, --interface and --speed are for a recording, not for a CAN interface"}
	case *r.speed < 0:
		return &usageError{fmt.Sprintf("run: --speed %g: it is negative", *r.speed)}
	case *r.spoolMB < 1 || *r.spoolMB > 1<<20:
		return &usageError{fmt.Sprintf("run: --spool-mb %d: give 1 to 1048576", *r.spoolMB)}
	}
	return nil
}

// garbage is how much of what is in use may be added as garbage before it is
// collected, in per cent: a box is small, and there is little to collect.
const garbage = 40

func (r *runner) run(ctx context.Context, p *program) error {
	defer debug.SetGCPercent(debug.SetGCPercent(garbage))
	r.log, r.begun = slog.New(slog.NewTextHandler(p.err, nil)), time.Now()
	data := folder(*r.data)
	if err := data.make(); err != nil {
		return err
	}
	src, err := r.source()
	if err != nil {
		return err
	}
	if err := r.open(data, src, p); err != nil {
		return errors.Join(err, src.Close())
	}
	r.log.Info("listening", "to", r.listensTo(), "data", data)
	if err := r.serve(ctx, data); err != nil {
		return err
	}
	return r.unread(src)
}

// unread says what of a recording could not be read. It is an error where nothing
// could.
func (r *runner) unread(src source.Source) error {
	rec, is := src.(*source.Recording)
	switch {
	case !is || rec.Trouble() == nil:
		return nil
	case r.agent.Status().Frames == 0:
		return fmt.Errorf("nothing could be read: %w", rec.Trouble())
	}
	r.log.Warn("not all could be read", "lines", rec.Counts().Bad, "first", rec.Trouble())
	return nil
}

// open finds out who this box is and takes up where it stood.
func (r *runner) open(data folder, src source.Source, p *program) (err error) {
	name, at := build()
	opts := agent.Options{Dir: data.spool(), Source: src, Recorded: *r.file != "", Now: time.Now, Mono: r.mono, Built: at, Version: name, Rand: rand.Reader,
		SpoolBytes: int64(*r.spoolMB) << 20, Jitter: jitter, Ring: func(b cab.Bell) { p.ring(b) }, Log: r.log}
	r.link, err = link.Open(link.Options{Dir: data.identity(), Address: *r.address, Rand: rand.Reader, Jitter: jitter, Log: r.log})
	switch {
	case errors.Is(err, enrol.ErrNone):
		r.log.Warn("nothing goes to a service; what is heard is kept", "why", err)
	case err != nil:
		return err
	default:
		opts.Dial = r.link.Dial
	}
	r.agent, err = agent.New(opts)
	return err
}

// serve runs the agent and answers on its socket.
func (r *runner) serve(ctx context.Context, data folder) error {
	inner, stop := context.WithCancel(ctx)
	defer stop()
	var wg sync.WaitGroup
	var asked error
	wg.Go(func() {
		if asked = local.Serve(inner, string(data), r); asked != nil && inner.Err() == nil {
			r.log.Error("nobody can ask this agent", "why", asked)
			asked = nil // it listens all the same
		}
	})
	err := r.agent.Run(ctx)
	stop()
	wg.Wait()
	if r.link != nil {
		// A new certificate is kept whole before the program ends.
		r.link.Wait()
	}
	s := r.agent.Status()
	r.log.Info("ended", "frames", s.Frames, "lost", s.Lost, "events", s.Events, "refused", s.Refused)
	return errors.Join(err, asked)
}

func (r *runner) mono() time.Duration { return time.Since(r.begun) }

func (r *runner) source() (source.Source, error) {
	if *r.can != "" {
		return openCAN(*r.can, r.mono)
	}
	return r.record.open(*r.file, *r.speed)
}

func (r *runner) listensTo() string {
	if *r.can != "" {
		return *r.can
	}
	return filepath.Base(*r.file)
}

// Status implements local.Agent.
func (r *runner) Status() local.Status {
	s, sp := r.agent.Status(), r.agent.Spool()
	name, _ := build()
	out := local.Status{Version: name, ListensTo: r.listensTo(), Frames: s.Frames, LostFrames: s.Lost, Events: s.Events, RefusedEvents: s.Refused,
		SpoolBytes: sp.Bytes, SpoolMostBytes: sp.MaxBytes, ThinnedReadings: sp.ThinnedReadings,
		Enrolled: r.link != nil, Connected: s.Uplink.Connected, Refused: s.Uplink.Refused, Office: office(r.agent)}
	if c := r.agent.Cab().Chart(); c != nil {
		out.Chart, out.Edition = c.ID, c.Edition
	}
	if r.link != nil {
		out.Machine = r.link.Identity().Machine
	}
	if s.Uplink.Trouble != nil {
		out.Trouble = s.Uplink.Trouble.Error()
	}
	return out
}

// Due implements local.Agent.
func (r *runner) Due() local.Due { return local.DueOf(r.agent.Cab(), office(r.agent)) }

func office(a *agent.Agent) local.Office {
	has, upTo, behind := a.Office()
	return local.Office{HasEvents: has, HasUpToMs: int64(upTo.NotAfter), BehindEvents: behind}
}
