package main

import (
	"context"
	"crypto/rand"
	"encoding/json"
	"errors"
	"flag"
	"fmt"
	"io"
	"log/slog"
	"slices"
	"strings"
	"text/tabwriter"
	"time"

	"github.com/hourbell/hourbell/agent"
	"github.com/hourbell/hourbell/agent/cab"
	"github.com/hourbell/hourbell/agent/local"
	"github.com/hourbell/hourbell/internal/maintenance/hours"
)

func dueFlags(fs *flag.FlagSet) func(context.Context, *program, []string) error {
	data := folderFlag(fs)
	asJSON := fs.Bool("json", false, "print JSON for programs")
	all := fs.Bool("all", false, "tasks that are not due yet, or unknown, as well")
	return func(ctx context.Context, p *program, args []string) error {
		if err := none("due", args); err != nil {
			return err
		}
		var bells []cab.Bell
		d, err := local.NewClient(*data).Due(ctx)
		if errors.Is(err, local.ErrNotRunning) {
			d, bells, err = lookDue(folder(*data), slog.New(slog.NewTextHandler(p.err, &slog.HandlerOptions{Level: slog.LevelWarn})))
		}
		if err != nil {
			return err
		}
		if *asJSON {
			return p.json(d)
		}
		for _, b := range bells {
			p.ring(b)
		}
		return printDue(p.out, &d, *all)
	}
}

// lookDue opens the folder itself, since no agent runs there. What has to sound
// and has not yet is in bells.
func lookDue(data folder, log *slog.Logger) (d local.Due, bells []cab.Bell, err error) {
	if err := data.there(); err != nil {
		return d, nil, err
	}
	begun := time.Now()
	_, at := build()
	a, err := agent.Look(agent.Options{Dir: data.spool(), Now: time.Now, Mono: func() time.Duration { return time.Since(begun) }, Built: at, Rand: rand.Reader,
		Ring: func(b cab.Bell) { bells = append(bells, b) }, Log: log})
	if err != nil {
		return d, nil, err
	}
	d = local.DueOf(a.Cab(), office(a))
	return d, bells, a.Close()
}

// ring prints a bell's line, and sounds it on a terminal.
func (p *program) ring(b cab.Bell) {
	sound := ""
	if p.terminal {
		sound = "\a"
	}
	fmt.Fprintf(p.out, "%sBELL  %s\n", sound, local.Says(b))
}

func (p *program) json(v any) error {
	b, err := json.MarshalIndent(v, "", "  ")
	if err != nil {
		return err
	}
	_, err = p.out.Write(append(b, '\n'))
	return err
}

func printDue(w io.Writer, d *local.Due, all bool) error {
	if !d.Known {
		_, err := fmt.Fprintln(w, "The service has not sent this machine's copy yet, so nothing is known of what is due. The agent fetches it when it first connects.")
		return err
	}
	var notes cautions
	t := tabwriter.NewWriter(w, 0, 0, 2, ' ', 0)
	fmt.Fprintln(t, "STATE\tTASK\tDO\tWHY\tROUND\tCAUTIONS")
	shown, unknown := 0, 0
	for _, task := range d.Tasks {
		if task.State == "unknown" {
			unknown++
		}
		if !all && (task.State == "not due" || task.State == "unknown") {
			continue
		}
		shown++
		fmt.Fprintf(t, "%s\t%s\t%s\t%s\t%s\t%s\n", task.State, task.Task, task.Call, task.Reason, or(task.RoundCall, "-"), notes.marks(task.Cautions))
	}
	switch {
	case shown > 0:
		if err := t.Flush(); err != nil {
			return err
		}
	case unknown > 0:
		fmt.Fprintln(w, "Nothing is known to be due.")
	default:
		fmt.Fprintln(w, "Nothing is due. `hourbell-agent due --all` lists every task.")
	}
	if unknown > 0 && !all {
		fmt.Fprintf(w, "Tasks with no service on record, which may be due: %d. `hourbell-agent due --all` lists them.\n", unknown)
	}
	notes.print(w)
	for _, q := range d.Doubts {
		fmt.Fprintf(w, "Question: %s\n", q.What)
	}
	for _, m := range d.Meters {
		fmt.Fprintf(w, "%s: %s h, by %s, %s\n", m.Meter, hours.Millis(m.TotalMs).Text(hours.Millis(m.StepMs)), m.Origin, clock(m.AtMs))
	}
	_, err := fmt.Fprintf(w, "%s, work day %s, as of %s. The office has it up to %s (%d events behind). Work days are known until %s.\n",
		or(d.Display, d.Machine), or(d.Day, "unknown"), clock(d.AsOfMs), clock(d.Office.HasUpToMs), d.Office.BehindEvents, clock(d.GoodUntilMs))
	return err
}

// cautions numbers each text where it first comes up, so that the table stays
// readable.
type cautions []string

func (c *cautions) marks(texts []string) string {
	if len(texts) == 0 {
		return "-"
	}
	var marks []string
	for _, text := range texts {
		i := slices.Index(*c, text)
		if i < 0 {
			i = len(*c)
			*c = append(*c, text)
		}
		marks = append(marks, fmt.Sprintf("[%d]", i+1))
	}
	return strings.Join(marks, " ")
}

func (c cautions) print(w io.Writer) {
	for i, text := range c {
		fmt.Fprintf(w, "[%d] %s\n", i+1, text)
	}
	if len(c) > 0 {
		fmt.Fprintln(w, "The machine's own book and local rules come first.")
	}
}

func clock(ms int64) string {
	if ms == 0 {
		return "unknown"
	}
	return time.UnixMilli(ms).UTC().Format("2006-01-02 15:04 UTC")
}

func or(s, otherwise string) string {
	if s == "" {
		return otherwise
	}
	return s
}

func statusFlags(fs *flag.FlagSet) func(context.Context, *program, []string) error {
	data := folderFlag(fs)
	asJSON := fs.Bool("json", false, "print JSON for programs")
	return func(ctx context.Context, p *program, args []string) error {
		if err := none("status", args); err != nil {
			return err
		}
		s, err := local.NewClient(*data).Status(ctx)
		if err != nil {
			return err
		}
		if *asJSON {
			return p.json(s)
		}
		return printStatus(p.out, &s)
	}
}

func printStatus(w io.Writer, s *local.Status) error {
	t := tabwriter.NewWriter(w, 0, 0, 2, ' ', 0)
	row := func(what, format string, args ...any) {
		fmt.Fprintf(t, "%s\t"+format+"\n", append([]any{what}, args...)...)
	}
	row("version", "%s", s.Version)
	row("machine", "%s", or(s.Machine, "not known yet"))
	row("listens to", "%s: %d frames, %d lost", s.ListensTo, s.Frames, s.LostFrames)
	row("by chart", "%s", or(s.Chart, "none yet: engine hours and codes only"))
	row("events", "%d kept, %d found no room", s.Events, s.RefusedEvents)
	row("spool", "%.1f of %.0f MB, %d readings thinned out", float64(s.SpoolBytes)/1e6, float64(s.SpoolMostBytes)/1e6, s.ThinnedReadings)
	row("service", "%s", service(s))
	row("the office has it up to", "%s, %d events behind", clock(s.Office.HasUpToMs), s.Office.BehindEvents)
	return t.Flush()
}

func service(s *local.Status) string {
	switch {
	case !s.Enrolled:
		return "none: this box is not enrolled"
	case s.Connected:
		return "connected"
	case s.Refused:
		return "refused: " + s.Trouble
	}
	return "not connected: " + or(s.Trouble, "not reached yet")
}
