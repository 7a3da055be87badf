// Package bench measures the whole path of an event, from agents over mutual TLS
// to acknowledged and synced, beside the floor of the disk it runs on, in one run
// on one machine: the ratios count, not the figures.
//
// The service is a process of its own, so that its processor time and memory are
// its own. Whoever loads it shares the processors with it, as peers on one
// computer do.
package bench

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"text/tabwriter"
	"time"

	"google.golang.org/grpc"
)

// Options says what is measured, and how much of it.
type Options struct {
	// Scale multiplies the numbers of events; 1 takes some ten seconds on two cores.
	Scale float64
	// Connections is how many idle machines are connected for the memory figure.
	Connections int
	// Child starts this program's other half: RunService.
	Child func(context.Context) (*exec.Cmd, error)
	// Connect dials the people's listener.
	Connect func(Service) (*grpc.ClientConn, error)
	Dir     string // where it all happens; "" a temporary folder
	JSON    bool
	Out     io.Writer
	// Progress is told what is going on; nil nobody.
	Progress io.Writer
}

// Service is where the child listens.
type Service struct {
	People      string `json:"people"`
	Agents      string `json:"agents"`
	Fingerprint string `json:"fingerprint"`
	TokenFile   string `json:"token_file"`
}

// PathResult is one load on the whole path.
type PathResult struct {
	Streams   int     `json:"streams"`
	Batch     int     `json:"events_a_message"`
	Events    uint64  `json:"events"`
	Seconds   float64 `json:"seconds"`
	PerSecond float64 `json:"events_per_second"`
	// ServiceCPU is the service's processor seconds for a million events.
	ServiceCPU float64 `json:"service_processor_seconds_per_million"`
	Commits    uint64  `json:"commits"`
	// JournalBytes an event, as appended.
	JournalBytes float64 `json:"journal_bytes_per_event"`
	// FloorPerSecond is what a plain file takes of the same bytes in as many
	// synced appends, as events/s; Ratio is PerSecond over it.
	FloorPerSecond float64 `json:"floor_events_per_second"`
	Ratio          float64 `json:"ratio_to_floor"`
}

// Result is all that was measured.
type Result struct {
	Paths []PathResult `json:"paths"`
	// AtRest is bytes on disk an event once the service has ended in good order:
	// the journal and its folds.
	AtRestJournal float64 `json:"at_rest_journal_bytes_per_event"`
	AtRestFolds   float64 `json:"at_rest_folds_bytes_per_event"`
	Idle          Idle    `json:"idle"`
	Bus           Bus     `json:"bus"`
	Link          Link    `json:"link"`
}

// Idle is the memory of connected machines that say nothing.
type Idle struct {
	Connections int     `json:"connections"`
	Bytes       float64 `json:"service_bytes_per_connection"`
}

// load is what is put on the path.
type load struct{ streams, batch, events int }

// loads are the usual messages, a fleet that comes back from the dark with
// large ones, and many machines with one event each; at a small scale those are
// fewer.
func loads(scale float64) []load {
	many := max(8, int(500*min(1, 10*scale)))
	return []load{
		{8, 50, int(1_200_000 * scale)},
		{8, 500, int(1_600_000 * scale)},
		{many, 1, int(60_000 * scale)},
	}
}

// Run measures and prints.
func Run(ctx context.Context, o Options) (err error) {
	dir, drop, err := folder(o.Dir)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, drop()) }()
	r, err := measure(ctx, o, dir)
	if err != nil {
		return fmt.Errorf("bench: %w", err)
	}
	if o.JSON {
		enc := json.NewEncoder(o.Out)
		enc.SetIndent("", "  ")
		return enc.Encode(r)
	}
	return r.print(o.Out)
}

func folder(dir string) (string, func() error, error) {
	if dir != "" {
		return dir, func() error { return nil }, os.MkdirAll(dir, 0o700)
	}
	dir, err := os.MkdirTemp("", "hourbell-bench-")
	return dir, func() error { return os.RemoveAll(dir) }, err
}

func (o *Options) say(format string, args ...any) {
	if o.Progress != nil {
		fmt.Fprintf(o.Progress, format+"\n", args...)
	}
}

func measure(ctx context.Context, o Options, dir string) (*Result, error) {
	r := &Result{}
	if err := r.paths(ctx, o, dir); err != nil {
		return nil, err
	}
	o.say("listening to a full bus")
	var err error
	if r.Bus, err = listenToBus(o.Scale); err != nil {
		return nil, fmt.Errorf("listen to a full bus: %w", err)
	}
	return r, nil
}

// paths runs the loads on one service, and looks at what it leaves on the disk.
func (r *Result) paths(ctx context.Context, o Options, dir string) error {
	machines := o.Connections
	for _, l := range loads(o.Scale) {
		machines = max(machines, l.streams)
	}
	o.say("starting a service and enrolling %d machines", machines)
	svc, err := startService(ctx, o, filepath.Join(dir, "service"))
	if err != nil {
		return err
	}
	defer svc.kill()
	boxes, err := svc.enrol(ctx, o, machines)
	if err != nil {
		return err
	}
	if r.Idle, err = idle(ctx, svc, boxes[:o.Connections]); err != nil {
		return fmt.Errorf("connect idle machines: %w", err)
	}
	var events uint64
	for _, l := range loads(o.Scale) {
		n := max(l.streams*l.batch, l.events)
		o.say("%d streams, %d events a message, %d events", l.streams, l.batch, n)
		p, err := svc.load(ctx, boxes[:l.streams], l.batch, n)
		if err != nil {
			return fmt.Errorf("%d streams of %d events a message: %w", l.streams, l.batch, err)
		}
		if err := p.floor(dir); err != nil {
			return fmt.Errorf("measure the floor: %w", err)
		}
		r.Paths = append(r.Paths, p)
		events += p.Events
	}
	o.say("a day on the link at a reading a minute")
	if r.Link, err = dayOnLink(ctx, svc, boxes[0], filepath.Join(dir, "box")); err != nil {
		return fmt.Errorf("spend a day on the link: %w", err)
	}
	if err := svc.stop(); err != nil {
		return err
	}
	r.AtRestJournal, r.AtRestFolds, err = atRest(filepath.Join(dir, "service", "store"), events)
	return err
}

// atRest is what the store takes on the disk an event.
func atRest(store string, events uint64) (journal, folds float64, err error) {
	err = filepath.Walk(store, func(path string, info os.FileInfo, err error) error {
		if err != nil || info.IsDir() {
			return err
		}
		if filepath.Base(filepath.Dir(path)) == "journal" {
			journal += float64(info.Size())
		} else {
			folds += float64(info.Size())
		}
		return nil
	})
	return journal / float64(events), folds / float64(events), err
}

func (r *Result) print(w io.Writer) error {
	t := tabwriter.NewWriter(w, 0, 4, 2, ' ', tabwriter.AlignRight)
	fmt.Fprintln(t, "streams\tevents a message\tevents/s\tservice s per million\tcommits\tjournal B/event\tfloor events/s\tratio\t")
	for _, p := range r.Paths {
		fmt.Fprintf(t, "%d\t%d\t%.0f\t%.2f\t%d\t%.1f\t%.0f\t%.2f\t\n", p.Streams, p.Batch, p.PerSecond, p.ServiceCPU, p.Commits, p.JournalBytes, p.FloorPerSecond, p.Ratio)
	}
	if err := t.Flush(); err != nil {
		return err
	}
	_, err := fmt.Fprintf(w, `
Acknowledged and synced, over mutual TLS; the load shares the processors. The floor is a plain
file that takes the same bytes in as many synced appends.
At rest %.1f B of journal and %.1f B of folds an event.
An idle machine's connection takes %.0f kB of the service (%d connected).
A full bus of %.0f frames/s: %.0f ns a frame, %.2f %% of one core.
A day on the link at a reading a minute: %.0f kB up, %.0f kB down in %d messages over TLS, and
some %.0f kB of TCP/IP headers at 40 B a segment.
`, r.AtRestJournal, r.AtRestFolds, r.Idle.Bytes/1e3, r.Idle.Connections, r.Bus.FramesPerSecond, r.Bus.Nanoseconds, r.Bus.CorePercent,
		float64(r.Link.Up)/1e3, float64(r.Link.Down)/1e3, r.Link.Messages, float64(r.Link.Headers)/1e3)
	return err
}

// since is seconds since a moment, never 0.
func since(t time.Time) float64 { return max(time.Since(t).Seconds(), 1e-9) }
