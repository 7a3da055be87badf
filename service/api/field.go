package api

import (
	"cmp"
	"context"
	"regexp"
	"slices"
	"strings"

	"github.com/hourbell/hourbell/internal/maintenance"
	pb "github.com/hourbell/hourbell/proto/hourbell/v1"
	"github.com/hourbell/hourbell/service/access"
	"github.com/hourbell/hourbell/service/fault"
)

type field struct {
	pb.UnimplementedFieldServiceServer
	*API
}

// TellEvent tells that something happened, or is going to.
func (s *field) TellEvent(ctx context.Context, q *pb.TellEventRequest) (*pb.TellEventResponse, error) {
	machine, err := s.onMachine(ctx, access.Record, "parent", q.GetParent())
	if err != nil {
		return nil, err
	}
	at, err := parseMoment("happened_moment", q.GetHappenedMoment(), s.o.Now())
	if err != nil {
		return nil, err
	}
	if q.GetMinutes() < 0 {
		return nil, fault.InvalidField("minutes", "it is below 0", "give for how long it was, or leave it out")
	}
	if err := s.event(ctx, machine, q.GetEvent()); err != nil {
		return nil, err
	}
	body := &maintenance.FieldEvent{Event: q.GetEvent(), Minutes: uint32(q.GetMinutes()), Ahead: q.GetAhead(), Milli: q.GetAmountMilli(), Person: access.Person(ctx)}
	if body.Facts, err = factsOf("facts", q.GetFacts()); err != nil {
		return nil, err
	}
	_, receipt, err := s.act(ctx, machine, q.GetRequestId(), at, body)
	if err != nil {
		return nil, err
	}
	out := &pb.TellEventResponse{Repeated: receipt.Repeats > 0, Revision: receipt.Revision}
	out.Moved, err = s.moved(ctx, machine, receipt)
	return out, err
}

// event holds a request to what the machine's chart knows.
func (s *field) event(ctx context.Context, machine, event string) error {
	have := []string{maintenance.EventStorageIn, maintenance.EventStorageOut}
	err := s.view(ctx, machine, func(st *maintenance.State) {
		if st.Chart == nil {
			return
		}
		for i := range st.Chart.Events {
			have = append(have, st.Chart.Events[i].ID)
		}
		for i := range st.Chart.Counts {
			have = append(have, st.Chart.Counts[i].ID)
		}
	})
	if err != nil || slices.Contains(have, event) {
		return err
	}
	return fault.InvalidField("event", "the machine's chart knows no event "+cut(event), "name one of "+strings.Join(have, ", "))
}

// TellConditions tells crop and weather.
func (s *field) TellConditions(ctx context.Context, q *pb.TellConditionsRequest) (*pb.TellConditionsResponse, error) {
	machine, err := s.onMachine(ctx, access.Record, "parent", q.GetParent())
	if err != nil {
		return nil, err
	}
	at, err := parseMoment("since_moment", q.GetSinceMoment(), s.o.Now())
	if err != nil {
		return nil, err
	}
	body := &maintenance.FieldEvent{Event: maintenance.EventConditions, Person: access.Person(ctx)}
	if body.Facts, err = factsOf("conditions", q.GetConditions()); err != nil {
		return nil, err
	}
	if len(body.Facts) == 0 {
		return nil, fault.InvalidField("conditions", "none is given", "give one or more, such as straw and damp")
	}
	if err := s.askedFor(ctx, machine, body.Facts); err != nil {
		return nil, err
	}
	_, receipt, err := s.act(ctx, machine, q.GetRequestId(), at, body)
	if err != nil {
		return nil, err
	}
	out := &pb.TellConditionsResponse{Repeated: receipt.Repeats > 0}
	if out.Moved, err = s.moved(ctx, machine, receipt); err != nil {
		return nil, err
	}
	err = s.view(ctx, machine, func(st *maintenance.State) {
		out.Conditions = conditionsOf(st)
		words := settingWords(st)
		for i := range st.Settings {
			if text := words[st.Settings[i].Setting]; text != "" {
				out.SettingWords = append(out.SettingWords, st.Settings[i].Setting+": "+text)
			}
		}
	})
	return out, err
}

var numberForm = regexp.MustCompile(`^-?[0-9]{1,9}(\.[0-9]{1,3})?$`)

// askedFor holds conditions to those that the machine's chart asks for: a slip in
// a word would leave an interval waiting for it.
func (s *field) askedFor(ctx context.Context, machine string, facts []maintenance.Fact) error {
	var have []*pb.ConditionKnown
	err := s.view(ctx, machine, func(st *maintenance.State) { have = conditionsOf(st) })
	if err != nil {
		return err
	}
	for i, f := range facts {
		at := slices.IndexFunc(have, func(c *pb.ConditionKnown) bool { return c.Condition == f.Name })
		switch {
		case at < 0:
			names := make([]string, len(have))
			for j := range have {
				names[j] = have[j].Condition
			}
			return fault.InvalidField(fieldAt("conditions", i), "the machine's chart asks for no condition "+cut(f.Name), "it asks for: "+cmp.Or(strings.Join(names, ", "), "none"))
		case len(have[at].Choices) > 0 && !slices.Contains(have[at].Choices, f.Value):
			return fault.InvalidField(fieldAt("conditions", i), cut(f.Value)+" is no answer to "+f.Name, "say one of "+strings.Join(have[at].Choices, ", "))
		case len(have[at].Choices) == 0 && have[at].Ask != "" && !numberForm.MatchString(f.Value):
			return fault.InvalidField(fieldAt("conditions", i), cut(f.Value)+" is no figure for "+f.Name, "give a number with at most three decimals, such as 14.5")
		}
	}
	return nil
}

// ListConditions gives the conditions as last told.
func (s *field) ListConditions(ctx context.Context, q *pb.ListConditionsRequest) (*pb.ListConditionsResponse, error) {
	machine, err := s.onMachine(ctx, access.See, "parent", q.GetParent())
	if err != nil {
		return nil, err
	}
	p, err := newPager(q)
	if err != nil {
		return nil, err
	}
	out := &pb.ListConditionsResponse{}
	err = s.view(ctx, machine, func(st *maintenance.State) { out.Conditions = conditionsOf(st) })
	if err != nil {
		return nil, err
	}
	out.Conditions, out.NextPageToken = slicePage(p, out.Conditions, func(c *pb.ConditionKnown) string { return c.Condition })
	return out, nil
}

// conditionsOf gives the chart's conditions and others that were told, by name.
func conditionsOf(st *maintenance.State) []*pb.ConditionKnown {
	byName := map[string]*pb.ConditionKnown{}
	if st.Chart != nil {
		for i := range st.Chart.Conditions {
			def := &st.Chart.Conditions[i]
			choices := def.Choices
			if def.Kind == maintenance.TraitYesNo {
				choices = []string{maintenance.Yes, maintenance.No}
			}
			byName[def.ID] = &pb.ConditionKnown{Condition: def.ID, Ask: def.Ask, Unit: def.Unit, Choices: choices}
		}
	}
	for i := range st.Conditions {
		k := &st.Conditions[i]
		if byName[k.Name] == nil {
			byName[k.Name] = &pb.ConditionKnown{Condition: k.Name}
		}
		c := byName[k.Name]
		c.Value, c.ToldMoment, c.Person = k.Value, momentOf(k.At), k.Person
	}
	out := make([]*pb.ConditionKnown, 0, len(byName))
	for _, c := range byName {
		out = append(out, c)
	}
	slices.SortFunc(out, func(a, b *pb.ConditionKnown) int { return strings.Compare(a.Condition, b.Condition) })
	return out
}
