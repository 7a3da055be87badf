package main

import (
	"fmt"
	"io"
	"strconv"
	"strings"
	"time"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"
	"google.golang.org/protobuf/types/known/timestamppb"

	pb "github.com/hourbell/hourbell/proto/hourbell/v1"
)

// The parts of a unit that figures are counted in.
const (
	milliParts = 1_000
	microParts = 1_000_000
)

// parseFigure reads a figure as typed, 14.5 or 14,5 or -3, in parts of its unit.
func parseFigure(s string, parts int64) (int64, error) {
	text, negative := strings.CutPrefix(s, "-")
	whole, frac, _ := strings.Cut(strings.Replace(text, ",", ".", 1), ".")
	width := len(strconv.FormatInt(parts, 10)) - 1
	bad := fmt.Errorf("figure %q: want digits with at most %d decimals, as 14.5", s, width)
	if whole == "" || len(frac) > width || len(whole) > 9 || strings.HasSuffix(s, ".") || strings.HasSuffix(s, ",") {
		return 0, bad
	}
	for _, r := range whole + frac {
		if r < '0' || r > '9' {
			return 0, bad
		}
	}
	v, err := strconv.ParseInt(whole+frac+strings.Repeat("0", width-len(frac)), 10, 64)
	if err != nil {
		return 0, bad
	}
	if negative {
		v = -v
	}
	return v, nil
}

// figureText writes a figure that is counted in parts of its unit.
func figureText(v, parts int64) string {
	sign := ""
	if v < 0 {
		sign, v = "-", -v
	}
	if v%parts == 0 {
		return sign + strconv.FormatInt(v/parts, 10)
	}
	width := len(strconv.FormatInt(parts, 10)) - 1
	return fmt.Sprintf("%s%d.%s", sign, v/parts, strings.TrimRight(fmt.Sprintf("%0*d", width, v%parts), "0"))
}

// parseAmount reads an amount with its unit: "3 stroke", 1.8l.
func parseAmount(s string) (milli int64, unit string, err error) {
	figure, unit, cut := strings.Cut(strings.TrimSpace(s), " ")
	if !cut {
		at := strings.LastIndexAny(figure, "0123456789") + 1
		figure, unit = figure[:at], figure[at:]
	}
	if figure == "" {
		return 0, "", fmt.Errorf("amount %q: want a figure and its unit, as 3 strokes or 1.8 l", s)
	}
	milli, err = parseFigure(figure, milliParts)
	unit = strings.TrimSpace(unit)
	for _, one := range []string{"stroke", "drop"} {
		if unit == one+"s" {
			unit = one
		}
	}
	if unit == "piece" {
		unit = "pieces"
	}
	return milli, unit, err
}

// parseDay reads a day of the calendar.
func parseDay(flag, s string) (*pb.CivilDate, error) {
	if s == "" {
		return nil, nil
	}
	day, err := time.Parse(time.DateOnly, s)
	if err != nil {
		return nil, fmt.Errorf("%s %q: want a day as 2031-07-14", flag, s)
	}
	return &pb.CivilDate{Year: int32(day.Year()), Month: int32(day.Month()), Day: int32(day.Day())}, nil
}

// momentAt reads a time as typed; none where it is left out.
func momentAt(s *session, at string) (*pb.Moment, error) {
	if at == "" {
		return nil, nil
	}
	t, err := parseWhen(at, s.now())
	if err != nil {
		return nil, err
	}
	return &pb.Moment{NotBeforeTime: timestamppb.New(t), NotAfterTime: timestamppb.New(t)}, nil
}

// tasksOf gives the paths of tasks that were typed as POINT/TASK.
func tasksOf(machine string, typed []string) ([]string, error) {
	var out []string
	for _, t := range typed {
		name, err := taskName(machine, t)
		if err != nil {
			return nil, err
		}
		out = append(out, strings.TrimPrefix(name, under("machines", machine)+"/"))
	}
	return out, nil
}

// pathText gives point/task of a task's path.
func pathText(path string) string {
	parts := strings.Split(path, "/")
	if len(parts) < 4 {
		return path
	}
	return parts[len(parts)-3] + "/" + parts[len(parts)-1]
}

func factsOf(typed map[string]string) []*pb.Fact {
	var out []*pb.Fact
	for _, name := range sortedKeys(typed) {
		out = append(out, &pb.Fact{Name: name, Value: typed[name]})
	}
	return out
}

// setText sets a text of a message by its field's name, where it has the field.
func setText(m proto.Message, field protoreflect.Name, value string) {
	r := m.ProtoReflect()
	if f := r.Descriptor().Fields().ByName(field); f != nil && value != "" {
		r.Set(f, protoreflect.ValueOfString(value))
	}
}

// printWork prints how a task is done, one line a fact.
func printWork(w io.Writer, work *pb.TaskWork) {
	line := func(what, text string) {
		if text != "" {
			fmt.Fprintf(w, "  %-11s %s\n", what, plain(text))
		}
	}
	if work == nil {
		return
	}
	line("interval", withBasis(work.EveryWords, work.Basis))
	line("book", work.BookWords)
	line("also", strings.Join(work.TriggerWords, "; "))
	line("new part", strings.Join(work.RunInWords, "; "))
	if work.Soft {
		line("rings", "nobody; it is offered when the machine stands")
	}
	line("never", work.NeverWhy)
	line("stands", work.Pose)
	line("access", work.Access)
	if work.Shields > 0 {
		line("shields", fmt.Sprintf("count %d off, and count them on again", work.Shields))
	}
	if work.Fittings > 0 {
		line("fittings", strconv.Itoa(int(work.Fittings)))
	}
	line("tools", strings.Join(work.Tools, ", "))
	line("amount", work.AmountWords)
	line("too soon", work.TooSoonWords)
	line("too much", work.HarmOver)
	line("too little", work.HarmUnder)
	line("refuses", strings.Join(work.RefuseWords, ", "))
	line("needs", strings.Join(work.Needs, ", "))
	line("measure", work.MeasureWords)
	for _, c := range work.Criteria {
		line("look", c.Name+": "+c.Want)
	}
	line("else", strings.Join(work.Remedies, " or "))
	line("expect", work.Expect)
	line("done when", work.DoneWhen)
}

func withBasis(words, basis string) string {
	if words == "" || basis == "" {
		return words
	}
	return words + " (" + basis + ")"
}

// taskNote says in a table's cell what else there is to know of how a task
// stands: whether it is on the machine, whether it is put off, the book's figure.
func taskNote(t *pb.Task) string {
	var parts []string
	switch t.BuildState {
	case pb.BuildState_BUILD_STATE_NOT_HERE:
		parts = append(parts, strings.TrimSuffix("not on this machine: "+t.BuildWhy, ": "))
	case pb.BuildState_BUILD_STATE_ASKED:
		parts = append(parts, strings.TrimSuffix("asked: "+t.BuildWhy, ": "))
	}
	if p := t.Postponed; p != nil {
		parts = append(parts, "put off until "+postponedUntil(p)+": "+p.Why)
	}
	switch {
	case t.Offered:
		parts = append(parts, "rings nobody; the machine stands, so now is the time")
	case t.Work.GetSoft():
		parts = append(parts, "rings nobody")
	}
	if t.Work.GetBookWords() != "" {
		parts = append(parts, t.Work.Basis+" stands in for the book's "+t.Work.BookWords)
	}
	if why := t.Work.GetNeverWhy(); why != "" {
		parts = append(parts, "never: "+why)
	}
	return orDash(strings.Join(parts, "; "))
}

func postponedUntil(p *pb.Postponement) string {
	var parts []string
	if p.AtMs > 0 {
		parts = append(parts, hoursText(p.AtMs)+" h "+p.Meter)
	}
	if p.UntilDate != nil {
		parts = append(parts, dateText(p.UntilDate, ""))
	}
	return strings.Join(parts, " or ")
}

// printMoved prints tasks whose due state an act changed.
func printMoved(w io.Writer, moved []*pb.TaskMoved) {
	if len(moved) == 0 {
		return
	}
	var notes cautions
	t := newTable("TASK", "DO", "STATE", "WAS", "CAUTIONS")
	for _, m := range moved {
		t.add(taskText(m.Task), m.Call, dueWord(m.NowState), dueWord(m.WasState), notes.marks(m.Cautions))
	}
	t.print(w, "")
	notes.print(w)
}

// printSays prints what is said of a record; the caller prints the notes.
func printSays(w io.Writer, says []*pb.RecordSaying, notes *cautions) {
	for _, one := range says {
		about := ""
		if one.Task != "" {
			about = taskText(one.Task) + ": "
		}
		line := fmt.Sprintf("%s: %s%s %s", strings.ToUpper(one.Kind[:min(1, len(one.Kind))])+one.Kind[min(1, len(one.Kind)):], about, plain(one.Text), notes.marks(one.Cautions))
		fmt.Fprintln(w, strings.TrimRight(line, " "))
	}
}

func repeatedText(w io.Writer, repeated bool) bool {
	if repeated {
		fmt.Fprintln(w, "Written down before; nothing counts twice.")
	}
	return repeated
}
