package main

import (
	"fmt"
	"io"
	"strings"

	pb "github.com/hourbell/hourbell/proto/hourbell/v1"
)

type postponeCmd struct {
	Machine string   `arg:"" help:"The machine's id."`
	Round   string   `xor:"what" required:"" help:"All tasks of this round." placeholder:"ROUND"`
	Task    []string `xor:"what" required:"" help:"This task; give it again for each." placeholder:"POINT/TASK"`
	Why     string   `help:"Why, in words; needed unless --back." placeholder:"WORDS"`
	For     string   `xor:"end" help:"For so many running hours." placeholder:"HOURS"`
	Meter   string   `help:"The meter of --for; that which decides the task where left out." placeholder:"METER"`
	Until   string   `help:"Until this day, as 2031-07-14." placeholder:"DATE"`
	Back    bool     `xor:"end" help:"Take a postponement back."`
}

// Run puts the tasks off, or takes that back.
func (c *postponeCmd) Run(s *session) error {
	tasks, err := tasksOf(c.Machine, c.Task)
	if err != nil {
		return err
	}
	if c.Back {
		a, err := call(s, pb.NewTaskServiceClient, pb.TaskServiceClient.ReturnTasks, &pb.ReturnTasksRequest{Parent: under("machines", c.Machine), Tasks: tasks, Round: c.Round, Why: c.Why, RequestId: requestID()})
		if err != nil {
			return err
		}
		return s.out.document(a, func(w io.Writer) { printTasks(w, a.Tasks, s.now(), "No tasks.") })
	}
	q := &pb.PostponeTasksRequest{Parent: under("machines", c.Machine), Tasks: tasks, Round: c.Round, Why: c.Why, Meter: c.Meter, RequestId: requestID()}
	if c.For != "" {
		if q.ForMs, _, err = parseHours(c.For); err != nil {
			return fmt.Errorf("--for: %w", err)
		}
	}
	if q.UntilDate, err = parseDay("--until", c.Until); err != nil {
		return err
	}
	a, err := call(s, pb.NewTaskServiceClient, pb.TaskServiceClient.PostponeTasks, q)
	if err != nil {
		return err
	}
	return s.out.document(a, func(w io.Writer) { printTasks(w, a.Tasks, s.now(), "No tasks.") })
}

type tellCmd struct {
	Machine string            `arg:"" help:"The machine's id."`
	Event   string            `arg:"" help:"What happened, as the machine's chart names it; storage-in, storage-out."`
	Ahead   bool              `help:"It is going to happen."`
	At      string            `help:"When; now where left out." placeholder:"TIME"`
	Minutes int32             `help:"For how many minutes." placeholder:"MINUTES"`
	Amount  string            `help:"How much, in the count's unit." placeholder:"FIGURE"`
	Fact    map[string]string `help:"A fact stated with it." placeholder:"NAME=VALUE"`
	ID      string            `help:"UUID, to say the same thing again." placeholder:"UUID"`
}

// Run tells the event.
func (c *tellCmd) Run(s *session) error {
	q := &pb.TellEventRequest{Parent: under("machines", c.Machine), Event: c.Event, Ahead: c.Ahead, Minutes: c.Minutes, Facts: factsOf(c.Fact), RequestId: or(c.ID, requestID())}
	var err error
	if q.HappenedMoment, err = momentAt(s, c.At); err != nil {
		return err
	}
	if c.Amount != "" {
		if q.AmountMilli, err = parseFigure(c.Amount, milliParts); err != nil {
			return fmt.Errorf("--amount: %w", err)
		}
	}
	a, err := call(s, pb.NewFieldServiceClient, pb.FieldServiceClient.TellEvent, q)
	if err != nil {
		return err
	}
	return s.out.document(a, func(w io.Writer) {
		if !repeatedText(w, a.Repeated) {
			fmt.Fprintf(w, "Written down: %s.\n", plain(c.Event))
		}
		printMoved(w, a.Moved)
	})
}

type conditionsCmd struct {
	Machine string            `arg:"" help:"The machine's id."`
	Tell    map[string]string `help:"How it is now, NAME=VALUE; without it the conditions are listed." placeholder:"NAME=VALUE"`
	At      string            `help:"Since when; now where left out." placeholder:"TIME"`
}

// Run tells or lists the conditions.
func (c *conditionsCmd) Run(s *session) error {
	if len(c.Tell) == 0 {
		all := &pb.ListConditionsResponse{}
		err := pages(func(token string) (string, error) {
			a, err := call(s, pb.NewFieldServiceClient, pb.FieldServiceClient.ListConditions, &pb.ListConditionsRequest{Parent: under("machines", c.Machine), PageSize: pageSize, PageToken: token})
			all.Conditions = append(all.Conditions, a.GetConditions()...)
			return a.GetNextPageToken(), err
		})
		if err != nil {
			return err
		}
		return s.out.document(all, func(w io.Writer) { printConditions(w, all.Conditions) })
	}
	at, err := momentAt(s, c.At)
	if err != nil {
		return err
	}
	a, err := call(s, pb.NewFieldServiceClient, pb.FieldServiceClient.TellConditions, &pb.TellConditionsRequest{Parent: under("machines", c.Machine), Conditions: factsOf(c.Tell), SinceMoment: at, RequestId: requestID()})
	if err != nil {
		return err
	}
	return s.out.document(a, func(w io.Writer) {
		printConditions(w, a.Conditions)
		for _, text := range a.SettingWords {
			fmt.Fprintln(w, plain(text))
		}
		printMoved(w, a.Moved)
	})
}

func printConditions(w io.Writer, list []*pb.ConditionKnown) {
	t := newTable("CONDITION", "IS", "TOLD", "BY", "MAY BE")
	for _, c := range list {
		t.add(c.Condition, or(c.Value, "not told"), momentText(c.ToldMoment, "-"), orDash(c.Person), orDash(or(strings.Join(c.Choices, ", "), c.Unit)))
	}
	t.print(w, "The machine's chart asks for no conditions.")
}

type buildCmd struct {
	Machine string            `arg:"" optional:"" help:"The machine's id; all machines where left out."`
	Answer  map[string]string `help:"The answer to a question, TRAIT=ANSWER; without it the questions are listed." placeholder:"TRAIT=ANSWER"`
	All     bool              `help:"Questions that are answered as well."`
	At      string            `help:"Since when it is so; now where left out." placeholder:"TIME"`
}

// Run lists or answers the questions about a machine's build.
func (c *buildCmd) Run(s *session) error {
	if len(c.Answer) > 0 {
		return c.answer(s)
	}
	all := &pb.ListBuildQuestionsResponse{}
	err := pages(func(token string) (string, error) {
		a, err := call(s, pb.NewBuildServiceClient, pb.BuildServiceClient.ListBuildQuestions, &pb.ListBuildQuestionsRequest{Parent: under("machines", or(c.Machine, "-")), IncludeAnswered: c.All, PageSize: pageSize, PageToken: token})
		all.Questions = append(all.Questions, a.GetQuestions()...)
		return a.GetNextPageToken(), err
	})
	if err != nil {
		return err
	}
	return s.out.document(all, func(w io.Writer) {
		printQuestions(w, all.Questions, "Nothing is asked. `hourbell build --all` lists the answers.")
	})
}

func (c *buildCmd) answer(s *session) error {
	if c.Machine == "" {
		return fmt.Errorf("--answer needs a machine: hourbell build MACHINE --answer TRAIT=ANSWER")
	}
	at, err := momentAt(s, c.At)
	if err != nil {
		return err
	}
	all := &pb.ListBuildQuestionsResponse{}
	for _, trait := range sortedKeys(c.Answer) {
		a, err := call(s, pb.NewBuildServiceClient, pb.BuildServiceClient.AnswerBuildQuestion, &pb.AnswerBuildQuestionRequest{
			Name: under("machines", c.Machine) + "/traits/" + trait, Value: c.Answer[trait], SinceMoment: at, RequestId: requestID(),
		})
		if err != nil {
			return err
		}
		all.Questions = append(all.Questions, a.Question)
	}
	return s.out.document(all, func(w io.Writer) { printQuestions(w, all.Questions, "") })
}

func printQuestions(w io.Writer, list []*pb.BuildQuestion, none string) {
	t := newTable("MACHINE", "TRAIT", "QUESTION", "ANSWER", "MAY BE", "WAITS FOR IT")
	for _, q := range list {
		waits := "-"
		if n := len(q.Tasks); n > 0 {
			waits = counted(n, "task")
		}
		t.add(machineText(q.Name), lastPart(q.Name), orDash(q.Ask), or(q.Value, "not known"), orDash(or(strings.Join(q.Choices, ", "), q.Unit)), waits)
	}
	t.print(w, none)
}

type setCmd struct {
	Machine string            `arg:"" help:"The machine's id."`
	Left    map[string]string `required:"" help:"How it is left, SETTING=FIGURE or SETTING=WORD." placeholder:"SETTING=VALUE"`
	Found   map[string]string `help:"How it was found." placeholder:"SETTING=VALUE"`
	For     map[string]string `help:"The conditions that it is set for; as last told where left out." placeholder:"NAME=VALUE"`
	At      string            `help:"When; now where left out." placeholder:"TIME"`
}

// Run writes the settings down.
func (c *setCmd) Run(s *session) error {
	q := &pb.RecordSettingsRequest{Parent: under("machines", c.Machine), Conditions: factsOf(c.For), RequestId: requestID()}
	for _, id := range sortedKeys(c.Left) {
		one := &pb.SettingWritten{Setting: id, Left: settingValue(c.Left[id])}
		if found, has := c.Found[id]; has {
			one.Found = settingValue(found)
		}
		q.Settings = append(q.Settings, one)
	}
	for _, id := range sortedKeys(c.Found) {
		if _, has := c.Left[id]; !has {
			return fmt.Errorf("--found %s: say as well how it is left, with --left %s=VALUE", id, id)
		}
	}
	var err error
	if q.LeftMoment, err = momentAt(s, c.At); err != nil {
		return err
	}
	a, err := call(s, pb.NewSettingServiceClient, pb.SettingServiceClient.RecordSettings, q)
	if err != nil {
		return err
	}
	return s.out.document(a, func(w io.Writer) { printSettings(w, a.Settings) })
}

func settingValue(typed string) *pb.SettingValue {
	if v, err := parseFigure(typed, microParts); err == nil {
		return &pb.SettingValue{Micro: &v}
	}
	return &pb.SettingValue{Word: typed}
}

func settingText(v *pb.SettingValue, unit string) string {
	if v.GetMicro() != 0 || v != nil && v.Micro != nil {
		return strings.TrimSpace(figureText(v.GetMicro(), microParts) + " " + unit)
	}
	return orDash(v.GetWord())
}

type settingsCmd struct {
	Machine string `arg:"" help:"The machine's id."`
}

// Run lists the settings.
func (c *settingsCmd) Run(s *session) error {
	all := &pb.ListSettingsResponse{}
	err := pages(func(token string) (string, error) {
		a, err := call(s, pb.NewSettingServiceClient, pb.SettingServiceClient.ListSettings, &pb.ListSettingsRequest{Parent: under("machines", c.Machine), PageSize: pageSize, PageToken: token})
		all.Settings = append(all.Settings, a.GetSettings()...)
		return a.GetNextPageToken(), err
	})
	if err != nil {
		return err
	}
	return s.out.document(all, func(w io.Writer) { printSettings(w, all.Settings) })
}

func printSettings(w io.Writer, list []*pb.MachineSetting) {
	var notes cautions
	t := newTable("SETTING", "CALLED", "LEFT", "FOUND", "WHEN", "BY", "SAYS", "CAUTIONS")
	for _, m := range list {
		t.add(m.Setting, orDash(m.Call), settingText(m.Left, m.Unit), settingText(m.Found, m.Unit), momentText(m.LeftMoment, "-"), orDash(m.Person), orDash(m.Words), notes.marks(m.Cautions))
	}
	t.print(w, "The machine's chart has no settings.")
	notes.print(w)
}

type lookCmd struct {
	Machine string            `arg:"" optional:"" help:"The machine's id; left out with --chart, for help over the telephone."`
	Chart   string            `help:"By this chart alone, as CHART for the newest edition or CHART/EDITION." placeholder:"CHART"`
	Code    []string          `help:"A code that is on, as the chart names it." placeholder:"CODE"`
	Finding []string          `help:"A finding." placeholder:"FINDING"`
	Remark  []string          `help:"A remark, as the chart names it." placeholder:"REMARK"`
	Fact    map[string]string `help:"A fact stated by hand." placeholder:"NAME=VALUE"`
	Shift   string            `enum:",same,load,step" default:"" help:"How the drive shifted: same, load or step." placeholder:"SHIFT"`
	Since   []string          `help:"It is so since this event." placeholder:"EVENT"`
	Lead    string            `help:"Only this lead." placeholder:"LEAD"`
}

// Run says where to look, in order.
func (c *lookCmd) Run(s *session) error {
	q := &pb.FindLeadsRequest{Codes: c.Code, Findings: c.Finding, Remarks: c.Remark, Facts: factsOf(c.Fact), Shift: c.Shift, Since: c.Since, Lead: c.Lead}
	switch {
	case c.Machine != "" && c.Chart != "":
		return fmt.Errorf("a machine goes by its own chart: leave out --chart, or the machine")
	case c.Machine != "":
		q.Machine = under("machines", c.Machine)
	case c.Chart != "":
		q.Edition = editionName(c.Chart)
	default:
		return fmt.Errorf("name a machine, or a chart with --chart")
	}
	a, err := call(s, pb.NewLeadServiceClient, pb.LeadServiceClient.FindLeads, q)
	if err != nil {
		return err
	}
	return s.out.document(a, func(w io.Writer) { printLeads(w, a.Leads) })
}

func printLeads(w io.Writer, leads []*pb.LeadFound) {
	if len(leads) == 0 {
		fmt.Fprintln(w, "No lead of the chart begins with what is seen.")
		return
	}
	var notes cautions
	for i, l := range leads {
		if i > 0 {
			fmt.Fprintln(w)
		}
		fmt.Fprintf(w, "%s (%s)", plain(or(l.Call, l.Lead)), plain(l.Lead))
		if len(l.Because) > 0 {
			fmt.Fprintf(w, ", by %s", plain(strings.Join(l.Because, ", ")))
		}
		fmt.Fprintln(w)
		t := newTable("", "LOOK AT", "WHERE", "WHY", "FITS", "CAUTIONS")
		for j, p := range l.Places {
			t.add(fmt.Sprint(j+1), or(p.PointCall, p.Point), orDash(strings.TrimSpace(strings.TrimSuffix(stationText(p.Station, p.Side), "-")+" "+p.Reach)), orDash(p.Why), fitText(p), notes.marks(p.Cautions))
		}
		t.print(w, "It names no place to look.")
		if len(l.NoHelp) > 0 {
			fmt.Fprintln(w, "No help: "+plain(strings.Join(l.NoHelp, "; ")))
		}
		for _, c := range l.CausesBefore {
			fmt.Fprintln(w, "Before, it was "+plain(c))
		}
	}
	notes.print(w)
}

func fitText(p *pb.PlaceToLook) string {
	switch p.Fit {
	case pb.LeadFit_LEAD_FIT_HOLDS:
		return or(strings.Join(p.Because, ", "), "yes")
	case pb.LeadFit_LEAD_FIT_DOES_NOT_HOLD:
		return strings.TrimSuffix("no: "+strings.Join(p.Because, ", "), ": ")
	}
	return "not known: " + strings.Join(p.Asked, ", ")
}

type causeCmd struct {
	Machine string `arg:"" help:"The machine's id."`
	Text    string `arg:"" optional:"" help:"What it was, in words; without it and --point the causes are listed."`
	Point   string `help:"Where it was." placeholder:"POINT"`
	Lead    string `help:"The lead that was followed." placeholder:"LEAD"`
	Code    string `help:"The code that it began with." placeholder:"CODE"`
	Remark  string `help:"The remark that it began with." placeholder:"REMARK"`
	At      string `help:"When it was found; now where left out." placeholder:"TIME"`
}

// Run writes the cause down, or lists those that were found.
func (c *causeCmd) Run(s *session) error {
	if c.Text == "" && c.Point == "" {
		return c.list(s)
	}
	cause := &pb.FoundCause{Lead: c.Lead, Code: c.Code, Point: c.Point, Text: c.Text}
	var err error
	if c.Remark != "" {
		if cause.Remark, err = s.pickRemark(c.Machine, c.Remark); err != nil {
			return err
		}
	}
	if cause.FoundMoment, err = momentAt(s, c.At); err != nil {
		return err
	}
	a, err := call(s, pb.NewLeadServiceClient, pb.LeadServiceClient.RecordCause, &pb.RecordCauseRequest{Parent: under("machines", c.Machine), Cause: cause, RequestId: requestID()})
	if err != nil {
		return err
	}
	return s.out.document(a, func(w io.Writer) { printCauses(w, []*pb.FoundCause{a.Cause}) })
}

func (c *causeCmd) list(s *session) error {
	all := &pb.ListCausesResponse{}
	err := pages(func(token string) (string, error) {
		a, err := call(s, pb.NewLeadServiceClient, pb.LeadServiceClient.ListCauses, &pb.ListCausesRequest{Parent: under("machines", c.Machine), Lead: c.Lead, PageSize: pageSize, PageToken: token})
		all.Causes = append(all.Causes, a.GetCauses()...)
		return a.GetNextPageToken(), err
	})
	if err != nil {
		return err
	}
	return s.out.document(all, func(w io.Writer) { printCauses(w, all.Causes) })
}

func printCauses(w io.Writer, list []*pb.FoundCause) {
	t := newTable("FOUND", "MACHINE", "LEAD", "CODE", "AT", "WHAT", "BY")
	for _, c := range list {
		t.add(momentText(c.FoundMoment, "-"), machineText(c.Name), orDash(c.Lead), orDash(c.Code), orDash(c.Point), orDash(c.Text), orDash(c.Person))
	}
	t.print(w, "No cause was written down.")
}

type gunCmd struct {
	Machine string `arg:"" help:"The machine's id."`
	Gun     string `arg:"" optional:"" help:"The grease gun; without it the guns are listed."`
	Grams   string `help:"What a stroke gives, in grams: count ten into a cup and weigh it." placeholder:"GRAMS"`
}

// Run writes down what a gun gives, or lists the guns.
func (c *gunCmd) Run(s *session) error {
	if c.Gun == "" {
		all := &pb.ListGunsResponse{}
		err := pages(func(token string) (string, error) {
			a, err := call(s, pb.NewPartServiceClient, pb.PartServiceClient.ListGuns, &pb.ListGunsRequest{Parent: under("machines", c.Machine), PageSize: pageSize, PageToken: token})
			all.Guns = append(all.Guns, a.GetGuns()...)
			return a.GetNextPageToken(), err
		})
		if err != nil {
			return err
		}
		return s.out.document(all, func(w io.Writer) { printGuns(w, all.Guns) })
	}
	micro, err := parseFigure(c.Grams, microParts)
	if err != nil {
		return fmt.Errorf("--grams: %w", err)
	}
	if micro <= 0 || micro > 1000*microParts {
		return fmt.Errorf("--grams %s: a stroke gives more than 0 g and at most 1000 g; count ten strokes into a cup, weigh it, and give a tenth", c.Grams)
	}
	a, err := call(s, pb.NewPartServiceClient, pb.PartServiceClient.MeasureGun, &pb.MeasureGunRequest{Parent: under("machines", c.Machine), Gun: c.Gun, StrokeMicrograms: micro, RequestId: requestID()})
	if err != nil {
		return err
	}
	return s.out.document(a, func(w io.Writer) { printGuns(w, []*pb.GreaseGun{a.Gun}) })
}

func printGuns(w io.Writer, list []*pb.GreaseGun) {
	t := newTable("GUN", "GIVES A STROKE", "MEASURED")
	for _, g := range list {
		t.add(g.GetGun(), figureText(g.GetStrokeMicrograms(), microParts)+" g", momentText(g.GetMeasuredMoment(), "-"))
	}
	t.print(w, "No grease gun was measured.")
}

type partsCmd struct {
	Machine string `arg:"" help:"The machine's id."`
	History bool   `help:"Every piece that was there."`
}

// Run lists the parts.
func (c *partsCmd) Run(s *session) error {
	all := &pb.ListPartsResponse{}
	err := pages(func(token string) (string, error) {
		a, err := call(s, pb.NewPartServiceClient, pb.PartServiceClient.ListParts, &pb.ListPartsRequest{Parent: under("machines", c.Machine), PageSize: pageSize, PageToken: token})
		all.Parts = append(all.Parts, a.GetParts()...)
		return a.GetNextPageToken(), err
	})
	if err != nil {
		return err
	}
	return s.out.document(all, func(w io.Writer) {
		if c.History {
			printPieces(w, all.Parts)
			return
		}
		printParts(w, all.Parts)
	})
}

func printParts(w io.Writer, list []*pb.MachinePart) {
	var notes cautions
	t := newTable("PART", "CALLED", "SIZE", "HOURS", "FITTED", "NUMBER", "SPARE", "NUMBERS", "CAUTIONS")
	for _, p := range list {
		ran, fitted, number := "not known", "-", "-"
		if p.HoursMs != nil {
			ran = hoursText(*p.HoursMs) + " h " + p.Meter
		}
		if p.Off {
			ran = "none is fitted"
		}
		for _, piece := range p.Pieces {
			if !piece.Voided {
				fitted, number = dateText(piece.FittedDate, momentText(piece.FittedMoment, "-")), orDash(strings.TrimSpace(piece.Number+" "+piece.Variant))
				break
			}
		}
		t.add(lastPart(p.Name), orDash(p.Call), orDash(p.Size), ran, fitted, number, orDash(p.Spare), orDash(strings.Join(append(append([]string{}, p.Numbers...), p.Alternates...), ", ")), notes.marks(p.Cautions))
	}
	t.print(w, "The machine's chart tracks no part.")
	notes.print(w)
}

func printPieces(w io.Writer, list []*pb.MachinePart) {
	var notes cautions
	t := newTable("PART", "FITTED", "NUMBER", "VARIANT", "RAN", "THE ONE BEFORE CAME OFF", "NOTE", "STANDS", "CAUTIONS")
	for _, p := range list {
		for _, piece := range p.Pieces {
			ran, stands := "not known", "yes"
			if piece.RanMs != nil {
				ran = hoursText(*piece.RanMs) + " h"
			}
			if piece.Off {
				ran = "nothing was fitted"
			}
			if piece.Voided {
				stands = "voided"
			}
			why := "not said"
			if piece.OffReason != pb.PartOffReason_PART_OFF_REASON_UNSPECIFIED {
				why = word(piece.OffReason, "PART_OFF_REASON_")
			}
			t.add(lastPart(p.Name), dateText(piece.FittedDate, momentText(piece.FittedMoment, "-")), orDash(piece.Number), orDash(piece.Variant), ran, why, orDash(piece.Note), stands, notes.marks(p.Cautions))
		}
	}
	t.print(w, "No piece was written down yet.")
	notes.print(w)
}

type reviewCmd struct {
	Machine string `arg:"" help:"The machine's id."`
	Task    string `arg:"" help:"The task, as POINT/TASK."`
}

// Run looks back at a task.
func (c *reviewCmd) Run(s *session) error {
	name, err := taskName(c.Machine, c.Task)
	if err != nil {
		return err
	}
	a, err := call(s, pb.NewTaskServiceClient, pb.TaskServiceClient.ReviewTask, &pb.ReviewTaskRequest{Name: name})
	if err != nil {
		return err
	}
	return s.out.document(a, func(w io.Writer) {
		printTasks(w, []*pb.Task{a.Task}, s.now(), "No task.")
		fmt.Fprintln(w)
		for _, f := range a.Findings {
			fmt.Fprintln(w, "- "+plain(f))
		}
		if len(a.Findings) == 0 {
			fmt.Fprintln(w, "There is not enough on record to say anything of its interval.")
		}
		if a.Proposal != "" {
			fmt.Fprintln(w, "Proposed: "+plain(a.Proposal))
		}
	})
}

type adherenceCmd struct {
	Machine string `arg:"" help:"The machine's id."`
}

// Run says how well intervals were kept.
func (c *adherenceCmd) Run(s *session) error {
	a, err := call(s, pb.NewTaskServiceClient, pb.TaskServiceClient.GetAdherence, &pb.GetAdherenceRequest{Name: under("machines", c.Machine)})
	if err != nil {
		return err
	}
	return s.out.document(a, func(w io.Writer) {
		var notes cautions
		t := newTable("TASK", "DO", "SERVICES", "EARLY", "LATE", "MEDIAN", "WORST", "CAUTIONS")
		for _, k := range a.Tasks {
			what := "round " + k.Round
			if k.Task != "" {
				what = taskText(k.Task)
			}
			t.add(what, orDash(k.Call), fmt.Sprint(k.Services), fmt.Sprint(k.Early), fmt.Sprint(k.Late), offText(k.MedianOffMs, k.MedianOffDays), offText(k.WorstOffMs, k.WorstOffDays), notes.marks(k.Cautions))
		}
		t.print(w, "No services on record.")
		notes.print(w)
	})
}

// offText says how far services were off their interval.
func offText(ms *int64, days *int32) string {
	var parts []string
	if ms != nil {
		parts = append(parts, sided(hoursText(max(*ms, -*ms))+" h", *ms))
	}
	if days != nil {
		parts = append(parts, sided(counted(int(max(*days, -*days)), "day"), int64(*days)))
	}
	return orDash(strings.Join(parts, ", "))
}

func sided(text string, off int64) string {
	if off < 0 {
		return text + " early"
	}
	return text + " late"
}

type confirmCmd struct {
	Machine string `arg:"" help:"The machine's id."`
	Record  string `arg:"" help:"The record's id, or its first characters."`
}

// Run confirms the record.
func (c *confirmCmd) Run(s *session) error {
	name, err := s.record(c.Machine, c.Record)
	if err != nil {
		return err
	}
	a, err := call(s, pb.NewServiceRecordServiceClient, pb.ServiceRecordServiceClient.ConfirmServiceRecord, &pb.ConfirmServiceRecordRequest{Name: name, RequestId: requestID()})
	if err != nil {
		return err
	}
	return s.out.document(a, func(w io.Writer) {
		var notes cautions
		notes.marks(a.Cautions)
		fmt.Fprintf(w, "Record %s counts: %s set back.\n", short(a.Record.Name), counted(len(a.Tasks), "task"))
		notes.print(w)
	})
}
