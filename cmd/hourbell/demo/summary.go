package demo

import (
	"context"
	"fmt"
	"slices"
	"strings"
	"time"

	"github.com/hourbell/hourbell/internal/combinesim"
	pb "github.com/hourbell/hourbell/proto/hourbell/v1"
)

// summary is what the shift came to. Every figure in it was read back through
// the API.
type summary struct {
	b       strings.Builder
	columns int
	crew    []*known
	facts   []*facts
	found   [][]string // differences by machine
}

// conclude reads all back, prints the summary and holds it against what is known.
func (s *shift) conclude(ctx context.Context) error {
	sum := &summary{columns: s.board.columns(), crew: s.crew}
	differ := &DifferError{Seed: s.o.Seed, Differences: []string{}}
	for _, k := range s.crew {
		f, err := readFacts(ctx, s.conn, k.story.ID)
		if err != nil {
			return err
		}
		found := check(k, f)
		sum.facts, sum.found = append(sum.facts, f), append(sum.found, found)
		differ.Differences = append(differ.Differences, found...)
	}
	if s.o.seen != nil {
		s.o.seen(s.crew, sum.facts)
	}
	if err := s.print(ctx, sum, differ.Differences); err != nil {
		return err
	}
	if len(differ.Differences) > 0 {
		return differ
	}
	return nil
}

// print prints the summary for people or for programs.
func (s *shift) print(ctx context.Context, sum *summary, differences []string) error {
	if s.o.JSON {
		d := document{Seed: s.o.Seed, Seconds: s.took.Seconds(), Differences: differences}
		for _, f := range sum.facts {
			d.Machines = append(d.Machines, f.document())
		}
		return d.print(s.o.Out)
	}
	why, err := s.explain(ctx, sum)
	if err != nil {
		return err
	}
	speed := combinesim.ShiftLength.Seconds() / s.took.Seconds()
	sum.line("")
	sum.line("The shift is over: twelve hours in %.1f s, %.0f times as fast as life.", s.took.Seconds(), speed)
	sum.hours()
	sum.notices()
	sum.reasons(why)
	sum.warnings()
	sum.special()
	sum.rebuilt()
	if len(differences) == 0 {
		sum.head("Checked against what the machines did: no difference")
		sum.text("Hours at the end and at each reading, every warning's start and end, every notice once and at the time of the reading that crossed, nothing missing and nothing twice.")
	}
	s.board.say(sum.lines()...)
	return nil
}

func (s *summary) lines() []string { return strings.Split(strings.TrimRight(s.b.String(), "\n"), "\n") }

func (s *summary) line(format string, args ...any) { fmt.Fprintf(&s.b, format+"\n", args...) }

func (s *summary) head(text string) { s.line("\n%s", text) }

// item prints text behind a head of so many columns.
func (s *summary) item(head string, columns int, text string) {
	for _, line := range hang(fmt.Sprintf("  %-*s  ", columns, head), text, s.columns) {
		s.line("%s", line)
	}
}

// text prints running text.
func (s *summary) text(text string) {
	for _, line := range hang("  ", text, s.columns) {
		s.line("%s", line)
	}
}

// hours are each machine's, and what came of them in the shift.
func (s *summary) hours() {
	const form = "  %-11s %9s %13s %12s %13s %9s"
	s.head("Hours")
	s.line(form, "MACHINE", "ENGINE h", "IN THE SHIFT", "SEPARATOR h", "IN THE SHIFT", "READINGS")
	for i, k := range s.crew {
		f := s.facts[i]
		cells := []any{k.story.Name}
		for _, meter := range []string{engine, separator} {
			total, ran := "-", "-"
			if m := f.meter(meter); m.GetTotalMs() > 0 {
				total, ran = hours(m.GetTotalMs()), hours(m.GetTotalMs()-f.firstShown(meter))
			}
			cells = append(cells, total, ran)
		}
		s.line(form, append(cells, fmt.Sprint(len(f.readings)))...)
	}
}

// firstShown is what a meter showed at the shift's first reading.
func (f *facts) firstShown(meter string) int64 {
	for _, r := range f.readings {
		if r.Meter == meter {
			return r.ShownMs
		}
	}
	return 0
}

// called is a round's notices as people saw them: one line for all its tasks.
type called struct {
	machine, id, round string       // the round's id and what people call it
	at                 [4]time.Time // by stage
	known              [4]bool
	notices            int
	due                *pb.Notice
}

// calls gathers a machine's notices by round.
func (s *summary) calls(i int) (out []called) {
	f := s.facts[i]
	for _, n := range f.notices {
		if n.Task == "" {
			continue
		}
		call := f.callOf(n.Task)
		j := slices.IndexFunc(out, func(c called) bool { return c.round == call })
		if j < 0 {
			j = len(out)
			out = append(out, called{machine: s.crew[i].story.Name, id: f.roundOf(n.Task), round: call})
		}
		c, stage := &out[j], min(int(n.Stage), 3)
		c.notices++
		if !c.known[stage] {
			c.at[stage], c.known[stage] = latest(n.RaisedMoment), true
		}
		if n.Stage == pb.Stage_STAGE_DUE && c.due == nil {
			c.due = n
		}
	}
	return out
}

// callOf is what people call the round of a task.
func (f *facts) callOf(task string) string {
	for _, t := range f.tasks {
		if t.Name == task {
			return roundCall(t)
		}
	}
	return task
}

func (s *summary) notices() {
	const form = "  %-11s  %-21s  %8s  %8s  %8s  %7s"
	s.head("Rounds that came up, with one notice for each task and stage")
	s.line(form, "MACHINE", "ROUND", "SOON", "DUE", "OVERDUE", "NOTICES")
	for i := range s.crew {
		for _, c := range s.calls(i) {
			cells := []any{c.machine, cut(c.round, 21)}
			for stage := 1; stage <= 3; stage++ {
				if c.known[stage] {
					cells = append(cells, clock(c.at[stage]))
				} else {
					cells = append(cells, "-")
				}
			}
			s.line(form, append(cells, fmt.Sprint(c.notices))...)
		}
	}
}

// explain asks for the chain of reasons of the notice with most behind it: the
// due round of the machine whose meter was replaced.
func (s *shift) explain(ctx context.Context, sum *summary) (*pb.ExplainTaskResponse, error) {
	for i, k := range s.crew {
		if k.story.Part != combinesim.NewMeter {
			continue
		}
		for _, c := range sum.calls(i) {
			if c.due != nil && c.id == k.rounds[0].Name {
				return pb.NewTaskServiceClient(s.conn).ExplainTask(ctx, &pb.ExplainTaskRequest{Name: c.due.Task})
			}
		}
	}
	return nil, nil // the check names what is missing
}

// reasonWidth is that of the reasons' names, nameWidth that of the machines'.
const (
	reasonWidth = 18
	nameWidth   = 11
)

func (s *summary) reasons(why *pb.ExplainTaskResponse) {
	if why == nil {
		return
	}
	s.head("Why one of them rang")
	s.item("task", reasonWidth, strings.TrimPrefix(why.Task.Name, "machines/")+": "+why.Task.Call)
	for _, r := range why.Reasons {
		text := r.Value
		if m := r.Moment; m != nil && certain(m) {
			text += ", " + dayAndClock(latest(m), why.AnswerTime.AsTime())
		}
		s.item(r.What, reasonWidth, text)
	}
	for _, c := range why.Task.Cautions {
		s.item("before hands go in", reasonWidth, c.Text)
	}
}

func (s *summary) warnings() {
	s.head("Warnings")
	for i, k := range s.crew {
		var parts []string
		for _, c := range s.facts[i].counts {
			parts = append(parts, fmt.Sprintf("%s %s (%s)", c.Code.Code, times(int(c.Starts)), c.Code.Text))
		}
		if parts != nil {
			s.item(k.story.Name, nameWidth, strings.Join(parts, "; "))
		}
	}
}

func (s *summary) rebuilt() {
	var events uint64
	same := 0
	for _, f := range s.facts {
		events += f.rebuilt.GetRevision()
		if f.rebuilt.GetSame() {
			same++
		}
	}
	s.head("Rebuilt from the journal")
	s.text(fmt.Sprintf("%d events of %d machines replayed from the first on: %d of %d states are the live ones, byte for byte, with every counter in them.", events, len(s.facts), same, len(s.facts)))
}
