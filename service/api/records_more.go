package api

import (
	"fmt"
	"slices"
	"strings"

	"github.com/hourbell/hourbell/internal/maintenance"
	pb "github.com/hourbell/hourbell/proto/hourbell/v1"
	"github.com/hourbell/hourbell/service/fault"
)

// materialsOf reads what went in. A material's task is taken with or without its
// path, as records were written before.
func materialsOf(machine string, list []*pb.MaterialUsed) []maintenance.MaterialUsed {
	var out []maintenance.MaterialUsed
	for _, m := range list {
		out = append(out, maintenance.MaterialUsed{
			Material: m.GetMaterial(), Milli: m.GetMilli(), Unit: m.GetUnit(), Task: eitherTask(machine, m.GetTask()), Gun: m.GetGun(),
		})
	}
	return out
}

func measuredOf(machine string, list []*pb.Measured) []maintenance.Measured {
	var out []maintenance.Measured
	for _, m := range list {
		out = append(out, maintenance.Measured{Task: eitherTask(machine, m.GetTask()), Spot: m.GetSpot(), Left: m.GetLeft(), Micro: m.GetMicro(), Unit: m.GetUnit(), State: m.GetState()})
	}
	return out
}

// eitherTask gives a task's id, "point/task", of its path or its id.
func eitherTask(machine, name string) string {
	if id, err := taskUnder("", machine, name); err == nil {
		return id
	}
	return name
}

// doneMore reads the rest of a record.
func doneMore(machine string, r *pb.ServiceRecord, body *maintenance.ServiceDone) (err error) {
	if body.Failed, err = tasksUnder("record.failed", machine, r.GetFailed()); err != nil {
		return err
	}
	if r.GetShieldsOff() < 0 || r.GetShieldsOn() < 0 {
		return fault.InvalidField("record.shields_off", "a number of shields is below 0", "count the shields off, and count them on again")
	}
	body.ShieldsOff, body.ShieldsOn = uint32(r.GetShieldsOff()), uint32(r.GetShieldsOn())
	for i, f := range r.GetFound() {
		task, err := taskUnder(fieldAt("record.found", i)+".task", machine, f.GetTask())
		if err != nil {
			return err
		}
		body.Found = append(body.Found, maintenance.AsFound{Task: task, Word: maintenance.FoundWord(f.GetWay())})
	}
	for i, c := range r.GetSeen() {
		task, err := taskUnder(fieldAt("record.seen", i)+".task", machine, c.GetTask())
		if err != nil {
			return err
		}
		body.Seen = append(body.Seen, maintenance.SeenWord{Task: task, Criterion: c.GetCriterion(), InOrder: c.GetInOrder(), Note: c.GetNote()})
	}
	for _, p := range r.GetParts() {
		body.Parts = append(body.Parts, maintenance.PartFitted{
			Part: p.GetPart(), Variant: p.GetVariant(), Number: p.GetNumber(), Off: p.GetOff(), Why: maintenance.OffWord(p.GetOffReason()), Note: p.GetNote(), Spare: p.GetSpare(),
		})
	}
	for i, name := range r.GetCloses() {
		key, err := keyedUnder(fieldAt("record.closes", i), machine, remarkPattern, name)
		if err != nil {
			return err
		}
		body.Closes = append(body.Closes, key)
	}
	body.Walk, err = keyedUnder("record.walk", machine, walkPattern, r.GetWalk())
	return err
}

// recordMore shows the rest of a record.
func recordMore(out *pb.ServiceRecord, machine string, b *maintenance.ServiceDone) {
	out.PersonAs, out.About, out.ShieldsOff, out.ShieldsOn = b.As, b.About, int32(b.ShieldsOff), int32(b.ShieldsOn)
	for _, id := range b.Failed {
		out.Failed = append(out.Failed, taskPath(id))
	}
	for _, f := range b.Found {
		out.Found = append(out.Found, &pb.FoundPoint{Task: taskPath(f.Task), Way: pb.FoundWay(f.Word)})
	}
	for _, c := range b.Seen {
		out.Seen = append(out.Seen, &pb.SeenCriterion{Task: taskPath(c.Task), Criterion: c.Criterion, InOrder: c.InOrder, Note: c.Note})
	}
	for _, p := range b.Parts {
		out.Parts = append(out.Parts, &pb.FittedPart{Part: p.Part, Variant: p.Variant, Number: p.Number, Off: p.Off, OffReason: pb.PartOffReason(p.Why), Note: p.Note, Spare: p.Spare})
	}
	for _, key := range b.Closes {
		out.Closes = append(out.Closes, remarkName(machine, key))
	}
	out.Walk = walkName(machine, b.Walk)
}

// sayingsTo gives what is said of a record.
func sayingsTo(st *maintenance.State, list []maintenance.Say) []*pb.RecordSaying {
	var out []*pb.RecordSaying
	for _, one := range list {
		said := &pb.RecordSaying{Kind: saidKind(one.Kind), Text: strings.TrimPrefix(one.Text, one.Task+": "), Cautions: cautionsOf(st.Chart, one.Task)}
		if one.Task != "" {
			said.Task = taskName(st.Machine.Machine, one.Task)
		}
		out = append(out, said)
	}
	return out
}

// judged says of what was measured near its limits or beyond, with figures, and of
// what was done that is not on the machine. It stands beside what the rules say,
// and changes nothing.
func judged(st *maintenance.State, body *maintenance.ServiceDone) (out []*pb.RecordSaying) {
	if st.Chart == nil {
		return nil
	}
	for _, id := range body.Tasks {
		for i := range st.Tasks {
			if t := &st.Tasks[i]; t.ID == id && t.Build == maintenance.BuildNot {
				out = append(out, &pb.RecordSaying{Kind: "build", Task: taskName(st.Machine.Machine, id), Text: "by what is known of its build this is not on the machine", Cautions: cautionsOf(st.Chart, id)})
			}
		}
	}
	for i := range body.Measured {
		m := &body.Measured[i]
		def := taskDefOf(st.Chart, m.Task)
		if def == nil || len(def.Measure) == 0 {
			continue
		}
		word, text := maintenance.Judge(&def.Measure[0], m.Micro)
		if def.Measure[0].Gauge != maintenance.GaugeNone {
			word, text = maintenance.JudgeGauge(&def.Measure[0], m.State)
		}
		if word != maintenance.MeasureNear && word != maintenance.MeasureAct {
			continue
		}
		when := "as found"
		if m.Left {
			when = "as left"
		}
		what := strings.TrimSpace(def.Measure[0].What + " " + m.Spot)
		out = append(out, &pb.RecordSaying{Kind: "measure", Task: taskName(st.Machine.Machine, m.Task), Text: what + " " + when + ", " + text, Cautions: cautionsOf(st.Chart, m.Task)})
	}
	return out
}

// unitsKnown refuses an amount in a unit that nobody measures in.
func unitsKnown(st *maintenance.State, list []maintenance.MaterialUsed) error {
	units := []string{"stroke", "g", "ml", "l", "drop", "pieces"}
	if st.Chart != nil {
		for i := range st.Chart.Tasks {
			for _, n := range st.Chart.Tasks[i].Needs {
				if n.Unit != "" && !slices.Contains(units, n.Unit) {
					units = append(units, n.Unit)
				}
			}
		}
	}
	for i := range list {
		if u := list[i].Unit; u != "" && !slices.Contains(units, u) {
			return fault.InvalidField(fieldAt("record.materials", i)+".unit", cut(u)+" is no unit for "+list[i].Material, "say one of "+strings.Join(units, ", "))
		}
	}
	return nil
}

// known refuses a number that names nothing.
func known(field string, names map[int32]string, n int32, what string) error {
	if _, is := names[n]; !is {
		return fault.InvalidField(field, fmt.Sprintf("%d is no %s", n, what), "see the contract for those there are")
	}
	return nil
}

// saidOf is what a record that was applied is marked with.
func saidOf(s *maintenance.State, key maintenance.Key) []maintenance.Say {
	var out []maintenance.Say
	for i := range s.Tasks {
		for j := range s.Tasks[i].Records {
			r := &s.Tasks[i].Records[j]
			if r.Record != key || !r.Void.IsZero() {
				continue
			}
			for _, word := range saidWords() {
				if r.Said&word.bit != 0 {
					out = append(out, maintenance.Say{Task: s.Tasks[i].ID, Kind: word.bit, Text: word.text})
				}
			}
		}
	}
	return out
}

type saidWord struct {
	bit        maintenance.Said
	kind, text string
}

// saidKind gives a mark's word.
func saidKind(bit maintenance.Said) string {
	for _, word := range saidWords() {
		if word.bit == bit {
			return word.kind
		}
	}
	return "said"
}

func saidWords() []saidWord {
	return []saidWord{
		{maintenance.SaidTooSoon, "too soon", "this is sooner than the chart wants it"},
		{maintenance.SaidTooMuch, "too much", "this is more than may go in at once"},
		{maintenance.SaidSeason, "season", "this is more than may go in in a season"},
		{maintenance.SaidMix, "mixing", "this does not go with what is in there"},
		{maintenance.SaidMixAsk, "ask before mixing", "this is borderline with what is in there"},
		{maintenance.SaidRefused, "refused", "the task refuses a material of this kind"},
		{maintenance.SaidMaterial, "material", "this is another material than the chart's"},
		{maintenance.SaidWho, "who", "the chart wants another person for this; it does not count until it is confirmed"},
		{maintenance.SaidShields, "shields", "not all shields are on again"},
		{maintenance.SaidNever, "never", "the chart forbids this work"},
		{maintenance.SaidFollows, "follows", "something must follow"},
		{maintenance.SaidSetting, "setting", "conditions have turned against a setting"},
		{maintenance.SaidSpots, "spots", "it was not measured at every spot"},
	}
}
