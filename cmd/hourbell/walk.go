package main

import (
	"fmt"
	"io"
	"os"
	"strings"

	pb "github.com/hourbell/hourbell/proto/hourbell/v1"
)

type walkCmd struct {
	Begin  walkBeginCmd  `cmd:"" help:"Begin a walk-round and print its lines. For whoever walks round the machine."`
	Answer walkAnswerCmd `cmd:"" help:"Answer lines of a walk-round: in order, remark, not looked, not here. For whoever walks round the machine."`
	Sign   walkSignCmd   `cmd:"" help:"Sign a walk-round. For a second person, or who receives the machine; not for who walked."`
	Leave  walkLeaveCmd  `cmd:"" help:"Give a walk-round up. For whoever began it."`
	Show   walkShowCmd   `cmd:"" help:"How does a walk-round stand, line by line? For whoever walks round the machine."`
	List   walkListCmd   `cmd:"" help:"List walk-rounds, the latest first. For the technician and the workshop manager."`
	Sheet  walkSheetCmd  `cmd:"" help:"Print the sheet of an occasion to take along, 80 columns wide. For whoever walks round the machine."`
}

type walkBeginCmd struct {
	Machine  string `arg:"" help:"The machine's id."`
	Occasion string `arg:"" help:"The occasion, as the machine's chart names it."`
	At       string `help:"When it began; now where left out." placeholder:"TIME"`
	ID       string `help:"UUID of the walk-round, to say the same thing again." placeholder:"UUID"`
}

// Run begins the walk-round.
func (c *walkBeginCmd) Run(s *session) error {
	at, err := momentAt(s, c.At)
	if err != nil {
		return err
	}
	a, err := call(s, pb.NewWalkServiceClient, pb.WalkServiceClient.BeginWalk, &pb.BeginWalkRequest{Parent: under("machines", c.Machine), Occasion: c.Occasion, BegunMoment: at, RequestId: or(c.ID, requestID())})
	if err != nil {
		return err
	}
	return s.out.document(a, func(w io.Writer) {
		repeatedText(w, a.Repeated)
		printWalk(w, a.Walk)
	})
}

func (s *session) walks(machine string) (*pb.ListWalksResponse, error) {
	all := &pb.ListWalksResponse{}
	err := pages(func(token string) (string, error) {
		a, err := call(s, pb.NewWalkServiceClient, pb.WalkServiceClient.ListWalks, &pb.ListWalksRequest{Parent: under("machines", machine), PageSize: pageSize, PageToken: token})
		all.Walks = append(all.Walks, a.GetWalks()...)
		all.AnswerTime = a.GetAnswerTime()
		return a.GetNextPageToken(), err
	})
	return all, err
}

// pickWalk finds a walk-round by its id; "" is the one that is under way.
func (s *session) pickWalk(machine, typed string) (string, error) {
	all, err := s.walks(machine)
	if err != nil {
		return "", err
	}
	var names, under []string
	for _, w := range all.Walks {
		names = append(names, w.Name)
		if !w.Signed && !w.Left {
			under = append(under, w.Name)
		}
	}
	switch {
	case typed != "":
		return pick("walk-round", typed, names)
	case len(under) == 1:
		return under[0], nil
	case len(under) == 0:
		return "", fmt.Errorf("no walk-round is under way on this machine: begin one with `hourbell walk begin %s OCCASION`", lastPart(machine))
	}
	return "", fmt.Errorf("%d walk-rounds are under way on this machine: say which with --walk", len(under))
}

type walkArgs struct {
	Machine string `arg:"" help:"The machine's id."`
	Walk    string `help:"The walk-round's id, or its first characters; the one under way where left out." placeholder:"WALK"`
}

type walkAnswerCmd struct {
	walkArgs
	InOrder   []string          `help:"This line is in order; give it again for each." placeholder:"POINT/TASK"`
	Remark    map[string]string `help:"Something was found, as POINT/TASK=WORDS." placeholder:"POINT/TASK=WORDS"`
	Verdict   string            `enum:",run,watch,do-not-run" default:"" help:"May it run with what was found: run, watch or do-not-run." placeholder:"VERDICT"`
	NotLooked []string          `help:"This line was not looked at." placeholder:"POINT/TASK"`
	NotHere   []string          `help:"This line is not on this machine." placeholder:"POINT/TASK"`
	Measured  map[string]string `help:"What was measured, as POINT/TASK@SPOT=74.5 mm; without @SPOT where there is one spot." placeholder:"POINT/TASK=FIGURE"`
	Picture   []string          `help:"A picture of what was found, with one --remark." type:"existingfile" placeholder:"FILE"`
	ID        string            `help:"UUID, to say the same thing again." placeholder:"UUID"`
}

// Run answers the lines.
func (c *walkAnswerCmd) Run(s *session) error {
	if len(c.Remark) > 0 && c.Verdict == "" {
		return fmt.Errorf("a remark wants a --verdict: run, watch or do-not-run")
	}
	if len(c.Picture) > 0 && len(c.Remark) != 1 {
		return fmt.Errorf("--picture goes with one --remark; hourbell remark change adds pictures to others")
	}
	name, err := s.pickWalk(c.Machine, c.Walk)
	if err != nil {
		return err
	}
	answers, err := c.answers(s)
	if err != nil {
		return err
	}
	a, err := call(s, pb.NewWalkServiceClient, pb.WalkServiceClient.AnswerWalk, &pb.AnswerWalkRequest{Name: name, Answers: answers, RequestId: or(c.ID, requestID())})
	if err != nil {
		return err
	}
	return s.out.document(a, func(w io.Writer) {
		repeatedText(w, a.Repeated)
		printWalk(w, a.Walk)
	})
}

// answers gives the lines as they were typed.
func (c *walkAnswerCmd) answers(s *session) ([]*pb.WalkLineAnswer, error) {
	var out []*pb.WalkLineAnswer
	add := func(word pb.WalkAnswer, typed ...string) error {
		tasks, err := tasksOf(c.Machine, typed)
		for _, t := range tasks {
			out = append(out, &pb.WalkLineAnswer{Task: t, Answer: word})
		}
		return err
	}
	for _, one := range []struct {
		word  pb.WalkAnswer
		typed []string
	}{{pb.WalkAnswer_WALK_ANSWER_IN_ORDER, c.InOrder}, {pb.WalkAnswer_WALK_ANSWER_NOT_LOOKED, c.NotLooked}, {pb.WalkAnswer_WALK_ANSWER_NOT_HERE, c.NotHere}, {pb.WalkAnswer_WALK_ANSWER_REMARK, sortedKeys(c.Remark)}} {
		if err := add(one.word, one.typed...); err != nil {
			return nil, err
		}
	}
	pictures, err := s.upload(c.Machine, c.Picture)
	if err != nil {
		return nil, err
	}
	for _, a := range out {
		if a.Answer == pb.WalkAnswer_WALK_ANSWER_REMARK {
			a.Text, a.Verdict, a.Pictures = c.Remark[pathText(a.Task)], verdictOf(c.Verdict), pictures
		}
	}
	return out, measuredInto(c.Machine, c.Measured, out)
}

// measuredInto puts what was measured beside the lines that it was measured at.
func measuredInto(machine string, typed map[string]string, answers []*pb.WalkLineAnswer) error {
	list, err := measuredOf(machine, typed, false)
	if err != nil {
		return err
	}
	for _, m := range list {
		found := false
		for _, a := range answers {
			if a.Task == m.Task {
				a.Measured, found = append(a.Measured, m), true
			}
		}
		if !found {
			return fmt.Errorf("--measured %s: say as well whether it is --in-order or a --remark", pathText(m.Task))
		}
	}
	return nil
}

// measuredOf reads what was measured, POINT/TASK@SPOT=74.5 mm.
func measuredOf(machine string, typed map[string]string, left bool) ([]*pb.Measured, error) {
	var out []*pb.Measured
	for _, key := range sortedKeys(typed) {
		task, spot, _ := strings.Cut(key, "@")
		paths, err := tasksOf(machine, []string{task})
		if err != nil {
			return nil, err
		}
		m := &pb.Measured{Task: paths[0], Spot: spot, Left: left}
		figure, unit, _ := strings.Cut(strings.TrimSpace(typed[key]), " ")
		if m.Micro, err = parseFigure(figure, microParts); err != nil {
			if figure == "" || strings.ContainsAny(figure[:1], "0123456789-.,") {
				return nil, fmt.Errorf("measured %s: %w", key, err)
			}
			m.State, unit = strings.TrimSpace(typed[key]), "" // what a gauge said
		}
		m.Unit = unit
		out = append(out, m)
	}
	return out, nil
}

type walkSignCmd struct {
	walkArgs
	As string `enum:",second,receiver" default:"" help:"As second or receiver; as the chart says where left out." placeholder:"WHO"`
}

// Run signs the walk-round.
func (c *walkSignCmd) Run(s *session) error {
	name, err := s.pickWalk(c.Machine, c.Walk)
	if err != nil {
		return err
	}
	a, err := call(s, pb.NewWalkServiceClient, pb.WalkServiceClient.SignWalk, &pb.SignWalkRequest{Name: name, SignAs: c.As, RequestId: requestID()})
	if err != nil {
		return err
	}
	return s.out.document(a, func(w io.Writer) { printWalk(w, a.Walk) })
}

type walkLeaveCmd struct {
	walkArgs
	Why string `required:"" help:"Why, in words." placeholder:"WORDS"`
}

// Run gives the walk-round up.
func (c *walkLeaveCmd) Run(s *session) error {
	name, err := s.pickWalk(c.Machine, c.Walk)
	if err != nil {
		return err
	}
	a, err := call(s, pb.NewWalkServiceClient, pb.WalkServiceClient.LeaveWalk, &pb.LeaveWalkRequest{Name: name, Why: c.Why, RequestId: requestID()})
	if err != nil {
		return err
	}
	return s.out.document(a, func(w io.Writer) { printWalk(w, a.Walk) })
}

type walkShowCmd struct{ walkArgs }

// Run shows the walk-round.
func (c *walkShowCmd) Run(s *session) error {
	name, err := s.pickWalk(c.Machine, c.Walk)
	if err != nil {
		return err
	}
	a, err := call(s, pb.NewWalkServiceClient, pb.WalkServiceClient.GetWalk, &pb.GetWalkRequest{Name: name})
	if err != nil {
		return err
	}
	return s.out.document(a, func(w io.Writer) { printWalk(w, a.Walk) })
}

// walkStands says how a walk-round stands.
func walkStands(w *pb.WalkRound) string {
	switch {
	case w.Left:
		return "given up: " + w.LeftWhy
	case w.Signed && w.SignedAs != "":
		return "signed by " + w.SignedBy + " as " + w.SignedAs
	case w.Signed:
		return "signed by " + w.SignedBy
	}
	return "under way"
}

func walkCounts(c *pb.WalkCounts) string {
	return fmt.Sprintf("%d in order, %s, %d not looked, %d not here", c.GetInOrder(), counted(int(c.GetRemarks()), "remark"), c.GetNotLooked(), c.GetNotHere())
}

func printWalk(w io.Writer, walk *pb.WalkRound) {
	fmt.Fprintf(w, "%s on %s, walk-round %s: %s; %s.\n\n", plain(or(walk.OccasionCall, walk.Occasion)), machineText(walk.Name), short(walk.Name), walkCounts(walk.Counts), walkStands(walk))
	if walk.Sheet == nil {
		return
	}
	var notes cautions
	t := newTable("STATION", "TASK", "LOOK AT", "ANSWER", "BY", "OPEN", "CAUTIONS")
	for _, line := range walk.Sheet.Lines {
		t.add(stationText(line.Station, line.Side), taskText(line.Task), lineText(line), answerText(line), orDash(line.Person), orDash(remarksText(line.OpenRemarks)), notes.marks(line.Cautions))
	}
	t.print(w, "Nothing is to be looked at on this occasion.")
	printAsked(w, machineText(walk.Name), walk.Sheet.TraitsAsked)
	notes.print(w)
}

func printAsked(w io.Writer, machine string, traits []string) {
	if len(traits) > 0 {
		fmt.Fprintf(w, "Asked of this machine, and not known: %s. `hourbell build %s` lists the questions.\n", plain(strings.Join(traits, ", ")), machine)
	}
}

func stationText(station int32, side string) string {
	if station == 0 {
		return "-"
	}
	return strings.TrimSpace(fmt.Sprintf("%d %s", station, side))
}

func lineText(line *pb.WalkLine) string {
	text := or(line.Call, line.Do)
	if line.BuildAsked {
		text += " (if it is on this machine)"
	}
	return text
}

func answerText(line *pb.WalkLine) string {
	if line.Answer == pb.WalkAnswer_WALK_ANSWER_UNSPECIFIED {
		return "not looked"
	}
	text := word(line.Answer, "WALK_ANSWER_")
	if line.AnswerText != "" {
		text += ": " + line.AnswerText
	}
	return text
}

func remarksText(names []string) string {
	ids := make([]string, len(names))
	for i, n := range names {
		ids[i] = short(n)
	}
	return strings.Join(ids, " ")
}

type walkListCmd struct {
	Machine string `arg:"" optional:"" help:"The machine's id; all machines where left out."`
}

// Run lists the walk-rounds.
func (c *walkListCmd) Run(s *session) error {
	all, err := s.walks(or(c.Machine, "-"))
	if err != nil {
		return err
	}
	return s.out.document(all, func(w io.Writer) {
		t := newTable("WALK", "MACHINE", "OCCASION", "BEGUN", "BY", "LINES", "STANDS")
		for _, one := range all.Walks {
			t.add(short(one.Name), machineText(one.Name), or(one.OccasionCall, one.Occasion), momentText(one.BegunMoment, "-"), orDash(one.Person), walkCounts(one.Counts), walkStands(one))
		}
		t.print(w, "No walk-rounds.")
	})
}

type walkSheetCmd struct {
	Machine  string `arg:"" help:"The machine's id."`
	Occasion string `arg:"" help:"The occasion, as the machine's chart names it."`
	Out      string `help:"Write it there; standard output where left out." placeholder:"FILE"`
}

// Run prints the sheet.
func (c *walkSheetCmd) Run(s *session) error {
	a, err := call(s, pb.NewWalkServiceClient, pb.WalkServiceClient.GetWalkSheet, &pb.GetWalkSheetRequest{Parent: under("machines", c.Machine), Occasion: c.Occasion})
	if err != nil {
		return err
	}
	return s.out.document(a, func(w io.Writer) {
		if c.Out == "" {
			printSheet(w, lastPart(c.Machine), a)
			return
		}
		var text strings.Builder
		printSheet(&text, lastPart(c.Machine), a)
		if err := os.WriteFile(c.Out, []byte(text.String()), 0o644); err != nil {
			fmt.Fprintf(w, "The sheet could not be written: %v\n", err)
			return
		}
		fmt.Fprintf(w, "%s written, with %s.\n", plain(c.Out), counted(len(a.Sheet.Lines), "line"))
	})
}

// sheetWidth is how wide a sheet to take along is, in columns.
const sheetWidth = 80

// printSheet prints a sheet: each line with all that is to be known at the
// machine, room for an answer, and its cautions in words where hands go in.
func printSheet(w io.Writer, machine string, a *pb.GetWalkSheetResponse) {
	sheet := a.Sheet
	fold(w, "", fmt.Sprintf("%s: %s %s", or(sheet.OccasionCall, sheet.Occasion), machine, a.MachineDisplayName))
	fold(w, "", "By "+editionText(a.Edition)+". Say of each line: in order, remark, not looked, not here.")
	fmt.Fprintln(w, "Date ____________  Walked by __________________  Engine hours ______________")
	var notes cautions
	for _, line := range sheet.Lines {
		notes.marks(line.Cautions)
	}
	if len(notes.texts) > 0 {
		fmt.Fprintln(w, "\nBefore hands go in:")
		for i, text := range notes.texts {
			fold(w, "      ", fmt.Sprintf("  [%d] %s", i+1, text))
		}
		fold(w, "", "The machine's own book, local rules and work that only a dealer may do come first.")
	}
	place := ""
	for i, line := range sheet.Lines {
		if here := placeText(line); here != place {
			place = here
			fmt.Fprintln(w)
			fold(w, "", strings.ToUpper(place[:1])+place[1:])
		}
		printSheetLine(w, i+1, line, &notes)
	}
	if len(sheet.Lines) == 0 {
		fmt.Fprintln(w, "\nNothing is to be looked at on this occasion.")
	}
	for _, one := range sheet.Struck {
		fold(w, "      ", fmt.Sprintf("  --- %s: on the plate, not on this machine: %s", or(one.Call, one.Place), one.Why))
	}
	if len(sheet.TraitsAsked) > 0 {
		fmt.Fprintln(w)
		fold(w, "", "Find out at the machine: "+strings.Join(sheet.TraitsAsked, ", "))
	}
	fmt.Fprintln(w, "\nSigned by who walked ___________________________")
	switch sheet.Signer {
	case pb.WalkSigner_WALK_SIGNER_SECOND:
		fmt.Fprintln(w, "Signed by a second person _______________________")
	case pb.WalkSigner_WALK_SIGNER_RECEIVER:
		fmt.Fprintln(w, "Signed by who receives the machine ______________")
	}
}

func placeText(line *pb.WalkLine) string {
	text := or(line.PointCall, taskText(line.Task))
	if line.Station > 0 {
		text = fmt.Sprintf("station %d, %s", line.Station, text)
	}
	for _, more := range []string{line.Side, line.Reach} {
		if more != "" {
			text += ", " + more
		}
	}
	return text
}

func printSheetLine(w io.Writer, n int, line *pb.WalkLine, notes *cautions) {
	text := fmt.Sprintf(" %2d ____ %s %s", n, lineText(line), notes.marks(line.Cautions))
	if line.SignOff {
		text += " (a second person signs)"
	}
	const in = "         "
	fold(w, in, strings.TrimRight(text, " "))
	if len(line.OpenRemarks) > 0 {
		fold(w, in+"  ", in+"open: "+remarksText(line.OpenRemarks))
	}
	for _, more := range []string{line.BuildWhy, line.LeftWords} {
		if more != "" {
			fold(w, in+"  ", in+more)
		}
	}
	for _, spot := range line.Spots {
		fold(w, in+"  ", in+spotText(spot))
	}
	var work strings.Builder
	printWork(&work, line.Work)
	for one := range strings.Lines(work.String()) {
		fold(w, in+"              ", "       "+strings.TrimRight(one, "\n"))
	}
}

// spotText gives a spot's limits and what was measured there last.
func spotText(spot *pb.WalkSpot) string {
	text := strings.TrimSpace(spot.Spot + " " + spot.Limits)
	var last []string
	for _, one := range []string{spot.Found, spot.Left} {
		if one != "" {
			last = append(last, one)
		}
	}
	if len(last) > 0 {
		text += "; last time " + strings.Join(last, ", ")
	}
	return text
}

// fold prints a line, broken at blanks where it is wider than a sheet; what goes on
// stands behind the indent.
func fold(w io.Writer, indent, text string) {
	text = plain(text)
	for len([]rune(text)) > sheetWidth {
		runes := []rune(text)
		at := sheetWidth
		for at > len(indent)+1 && runes[at] != ' ' {
			at--
		}
		if runes[at] != ' ' {
			at = sheetWidth
		}
		fmt.Fprintln(w, strings.TrimRight(string(runes[:at]), " "))
		text = indent + strings.TrimLeft(string(runes[at:]), " ")
	}
	fmt.Fprintln(w, strings.TrimRight(text, " "))
}
