package main

import (
	"fmt"
	"strings"

	pb "github.com/hourbell/hourbell/proto/hourbell/v1"
)

// doneFacts are the flags by which a record says more than what was done.
type doneFacts struct {
	About      bool              `help:"At about that time, as far as anyone knows."`
	Failed     []string          `help:"This task was tried and failed." placeholder:"POINT/TASK"`
	Found      map[string]string `help:"How a greased point was found: dry, fine or purged." placeholder:"POINT/TASK=WORD"`
	Saw        map[string]string `help:"What was seen of a criterion: ok, or what is wrong, in words." placeholder:"POINT/TASK:CRITERION=WORDS"`
	Used       map[string]string `help:"What went in and how much." placeholder:"MATERIAL=3 stroke"`
	Gun        string            `help:"The grease gun of --used." placeholder:"GUN"`
	MeasuredAt map[string]string `name:"measured" help:"What was measured, as found." placeholder:"POINT/TASK@SPOT=74.5 mm"`
	LeftAt     map[string]string `name:"left" help:"What was measured, as left." placeholder:"POINT/TASK@SPOT=72 mm"`
	Part       map[string]string `help:"This part was renewed, with its number or -." placeholder:"PART=NUMBER"`
	Variant    map[string]string `help:"Which of the part's kinds was fitted, as the chart names them." placeholder:"PART=KIND"`
	TakenOff   []string          `help:"This part was taken off and nothing was fitted." placeholder:"PART"`
	OffWhy     string            `enum:",worn-out,failed,precaution" default:"" help:"Why the part came off: worn-out, failed or precaution." placeholder:"REASON"`
	Spare      bool              `help:"The part was the spare."`
	ShieldsOff int32             `help:"Shields counted off." placeholder:"NUMBER"`
	ShieldsOn  int32             `help:"Shields counted on again." placeholder:"NUMBER"`
	Closes     []string          `help:"The remark that it closes." placeholder:"REMARK"`
	Walk       string            `help:"The walk-round in which it was done." placeholder:"WALK"`
}

// fill puts what was typed into a record.
func (c *doneFacts) fill(s *session, machine string, r *pb.ServiceRecord) (err error) {
	r.About, r.ShieldsOff, r.ShieldsOn = c.About, c.ShieldsOff, c.ShieldsOn
	if r.Failed, err = tasksOf(machine, c.Failed); err != nil {
		return err
	}
	for _, fill := range []func(string, *pb.ServiceRecord) error{c.fillFound, c.fillSeen, c.fillUsed, c.fillMeasured} {
		if err := fill(machine, r); err != nil {
			return err
		}
	}
	for _, part := range sortedKeys(c.Variant) {
		if _, renewed := c.Part[part]; !renewed {
			return fmt.Errorf("--variant %s: say that it was renewed as well, as --part %s=NUMBER, or - for no number", part, part)
		}
	}
	c.fillParts(r)
	for _, typed := range c.Closes {
		name, err := s.pickRemark(machine, typed)
		if err != nil {
			return err
		}
		r.Closes = append(r.Closes, name)
	}
	if c.Walk != "" {
		r.Walk, err = s.pickWalk(machine, c.Walk)
	}
	return err
}

func (c *doneFacts) fillFound(machine string, r *pb.ServiceRecord) error {
	for _, task := range sortedKeys(c.Found) {
		paths, err := tasksOf(machine, []string{task})
		if err != nil {
			return err
		}
		way, is := pb.FoundWay_value["FOUND_WAY_"+strings.ToUpper(c.Found[task])]
		if !is || way == 0 {
			return fmt.Errorf("--found %s=%s: say dry, fine or purged", task, c.Found[task])
		}
		r.Found = append(r.Found, &pb.FoundPoint{Task: paths[0], Way: pb.FoundWay(way)})
	}
	return nil
}

func (c *doneFacts) fillSeen(machine string, r *pb.ServiceRecord) error {
	for _, key := range sortedKeys(c.Saw) {
		task, criterion, has := strings.Cut(key, ":")
		paths, err := tasksOf(machine, []string{task})
		if err != nil {
			return err
		}
		if !has || criterion == "" {
			return fmt.Errorf("--saw %s: want POINT/TASK:CRITERION=WORDS", key)
		}
		seen := &pb.SeenCriterion{Task: paths[0], Criterion: criterion, InOrder: c.Saw[key] == "ok"}
		if !seen.InOrder {
			seen.Note = c.Saw[key]
		}
		r.Seen = append(r.Seen, seen)
	}
	return nil
}

func (c *doneFacts) fillUsed(machine string, r *pb.ServiceRecord) error {
	for _, material := range sortedKeys(c.Used) {
		milli, unit, err := parseAmount(c.Used[material])
		if err != nil {
			return fmt.Errorf("--used %s: %w", material, err)
		}
		used := &pb.MaterialUsed{Material: material, Milli: milli, Unit: unit}
		setText(used, "gun", c.Gun)
		if len(r.Tasks) == 1 {
			setText(used, "task", r.Tasks[0])
		}
		r.Materials = append(r.Materials, used)
	}
	return nil
}

func (c *doneFacts) fillMeasured(machine string, r *pb.ServiceRecord) error {
	found, err := measuredOf(machine, c.MeasuredAt, false)
	if err != nil {
		return err
	}
	left, err := measuredOf(machine, c.LeftAt, true)
	r.Measured = append(found, left...)
	return err
}

func (c *doneFacts) fillParts(r *pb.ServiceRecord) {
	why := pb.PartOffReason(pb.PartOffReason_value["PART_OFF_REASON_"+strings.ToUpper(strings.ReplaceAll(c.OffWhy, "-", "_"))])
	for _, part := range sortedKeys(c.Part) {
		r.Parts = append(r.Parts, &pb.FittedPart{Part: part, Number: strings.TrimPrefix(c.Part[part], "-"), Variant: c.Variant[part], OffReason: why, Spare: c.Spare})
	}
	for _, part := range c.TakenOff {
		r.Parts = append(r.Parts, &pb.FittedPart{Part: part, Off: true, OffReason: why})
	}
}

// recordFacts says in a table's cell what else a record holds.
func recordFacts(r *pb.ServiceRecord) string {
	var parts []string
	add := func(format string, args ...any) { parts = append(parts, fmt.Sprintf(format, args...)) }
	if r.About {
		add("at about that time")
	}
	for _, t := range r.Failed {
		add("%s failed", pathText(t))
	}
	for _, f := range r.Found {
		add("%s found %s", pathText(f.Task), word(f.Way, "FOUND_WAY_"))
	}
	for _, c := range r.Seen {
		what := "in order"
		if !c.InOrder {
			what = or(c.Note, "not in order")
		}
		add("%s: %s %s", pathText(c.Task), c.Criterion, what)
	}
	for _, m := range r.Materials {
		unit := m.Unit
		if (unit == "stroke" || unit == "drop") && m.Milli != milliParts {
			unit += "s"
		}
		add("%s %s %s", figureText(m.Milli, milliParts), unit, m.Material)
	}
	for _, m := range r.Measured {
		add("%s %s", strings.TrimSpace(pathText(m.Task)+" "+m.Spot), measuredText(m))
	}
	for _, p := range r.Parts {
		if p.Off {
			add("%s taken off", p.Part)
			continue
		}
		add("%s renewed", strings.TrimSpace(p.Part+" "+p.Number))
	}
	if r.ShieldsOff > 0 || r.ShieldsOn > 0 {
		add("%d shields off, %d on", r.ShieldsOff, r.ShieldsOn)
	}
	if len(r.Closes) > 0 {
		add("closes %s", counted(len(r.Closes), "remark"))
	}
	for _, one := range r.Says {
		add("%s: %s", one.Kind, one.Text)
	}
	return orDash(strings.Join(parts, "; "))
}

func measuredText(m *pb.Measured) string {
	text := strings.TrimSpace(figureText(m.Micro, microParts) + " " + m.Unit)
	if m.State != "" {
		text = m.State
	}
	if m.Left {
		return "left " + text
	}
	return text
}
