package api

import (
	"cmp"
	"context"
	"fmt"
	"slices"
	"strings"

	"github.com/hourbell/hourbell/internal/maintenance"
	pb "github.com/hourbell/hourbell/proto/hourbell/v1"
	"github.com/hourbell/hourbell/service/access"
	"github.com/hourbell/hourbell/service/fault"
)

type leads struct {
	pb.UnimplementedLeadServiceServer
	*API
}

// FindLeads gives the leads for what is seen, on a machine or by a chart alone.
func (s *leads) FindLeads(ctx context.Context, q *pb.FindLeadsRequest) (*pb.FindLeadsResponse, error) {
	switch {
	case q.GetMachine() == "" && q.GetEdition() == "":
		if err := s.o.Access.Anywhere(ctx, access.See); err != nil {
			return nil, err
		}
		return nil, fault.InvalidField("machine", "neither a machine nor a chart is named", "name the one or the other")
	case q.GetMachine() != "":
		return s.onOne(ctx, q)
	}
	if err := s.o.Access.Anywhere(ctx, access.See); err != nil {
		return nil, err
	}
	e, err := s.edition("edition", q.GetEdition())
	if err != nil {
		return nil, err
	}
	c, err := maintenance.DecodeChart(e.Compiled)
	if err != nil {
		return nil, fmt.Errorf("read edition %d of chart %s: %w", e.Edition, e.Chart, err)
	}
	seen, err := symptomsOf(q)
	if err != nil {
		return nil, err
	}
	return leadsTo(c, nil, seen)
}

// onOne adds to what is stated what the machine shows.
func (s *leads) onOne(ctx context.Context, q *pb.FindLeadsRequest) (*pb.FindLeadsResponse, error) {
	machine, err := s.onMachine(ctx, access.See, "machine", q.GetMachine())
	if err != nil {
		return nil, err
	}
	seen, err := symptomsOf(q)
	if err != nil {
		return nil, err
	}
	var out *pb.FindLeadsResponse
	var failed error
	err = s.view(ctx, machine, func(st *maintenance.State) {
		if st.Chart == nil {
			failed = fault.New(fault.Refused, "machine "+machine+" has no chart, and so no leads: let it take one first", "machine", machine)
			return
		}
		shown(st, &seen)
		out, failed = leadsTo(st.Chart, st, seen)
	})
	return out, cmp.Or(err, failed)
}

func symptomsOf(q *pb.FindLeadsRequest) (symptoms, error) {
	facts, err := factsOf("facts", q.GetFacts())
	if err != nil {
		return symptoms{}, err
	}
	if shifts := []string{"", maintenance.ShiftSame, maintenance.ShiftLoad, maintenance.ShiftStep}; !slices.Contains(shifts, q.GetShift()) {
		return symptoms{}, fault.InvalidField("shift", cut(q.GetShift())+" is no shift", "say same, load or step, or leave it out")
	}
	return symptoms{Codes: slices.Clone(q.GetCodes()), Findings: q.GetFindings(), Remarks: slices.Clone(q.GetRemarks()), Since: q.GetSince(), Facts: facts, Shift: q.GetShift(), Lead: q.GetLead()}, nil
}

// shown adds the codes that are on and the open remarks.
func shown(st *maintenance.State, seen *symptoms) {
	for i := range st.Warnings {
		if def := CodeDef(st.Chart, st.Warnings[i].Code); def != nil && !slices.Contains(seen.Codes, def.ID) {
			seen.Codes = append(seen.Codes, def.ID)
		}
	}
	for i := range st.Remarks {
		if r := &st.Remarks[i]; r.Closed.IsZero() && r.Remark.Name != "" && !slices.Contains(seen.Remarks, r.Remark.Name) {
			seen.Remarks = append(seen.Remarks, r.Remark.Name)
		}
	}
}

func leadsTo(c *maintenance.Chart, st *maintenance.State, seen symptoms) (*pb.FindLeadsResponse, error) {
	if seen.Lead != "" && !slices.ContainsFunc(c.Leads, func(l maintenance.LeadDef) bool { return l.ID == seen.Lead }) {
		return nil, fault.InvalidField("lead", "the chart has no lead "+cut(seen.Lead), "leave it out for all that fit")
	}
	if err := knownSymptoms(c, &seen); err != nil {
		return nil, err
	}
	out := &pb.FindLeadsResponse{}
	for _, l := range look(c, st, seen) {
		one := &pb.LeadFound{Lead: l.Lead, Call: l.Call, Because: l.Because, NoHelp: l.NoHelp, CausesBefore: causesOf(l.Causes)}
		for i := range l.Places {
			one.Places = append(one.Places, placeTo(c, &l.Places[i]))
		}
		out.Leads = append(out.Leads, one)
	}
	return out, nil
}

// knownSymptoms refuses codes and events that the chart does not have: a slip of
// the pen would look like a symptom that leads nowhere.
func knownSymptoms(c *maintenance.Chart, seen *symptoms) error {
	codes := make([]string, len(c.Codes))
	for i := range c.Codes {
		codes[i] = c.Codes[i].ID
	}
	for i, code := range seen.Codes {
		if !slices.Contains(codes, code) {
			return fault.InvalidField(fieldAt("codes", i), "the chart has no code "+cut(code), oneOf(codes, "it names no codes"))
		}
	}
	events := []string{maintenance.EventStorageIn, maintenance.EventStorageOut}
	for i := range c.Events {
		events = append(events, c.Events[i].ID)
	}
	for i, event := range seen.Since {
		if !slices.Contains(events, event) {
			return fault.InvalidField(fieldAt("since", i), "the chart knows no event "+cut(event), oneOf(events, ""))
		}
	}
	return nil
}

// oneOf says what there is to choose from.
func oneOf(ids []string, none string) string {
	if len(ids) == 0 {
		return none
	}
	return "name one of " + strings.Join(ids, ", ")
}

func placeTo(c *maintenance.Chart, in *maintenance.PlaceOn) *pb.PlaceToLook {
	p := pointOf(c, in.Point)
	return &pb.PlaceToLook{
		Point: in.Point, PointCall: cmp.Or(in.Call, p.Call, in.Point), Why: in.Why, Fit: leadFit(in.Word), Asked: in.Ask, Because: in.Because,
		Station: int32(p.Station), Side: p.Side, Reach: p.Reach, Cautions: pointCautions(c, in.Point),
	}
}

func leadFit(w maintenance.PlaceWord) pb.LeadFit {
	switch w {
	case maintenance.PlaceHolds:
		return pb.LeadFit_LEAD_FIT_HOLDS
	case maintenance.PlaceNot:
		return pb.LeadFit_LEAD_FIT_DOES_NOT_HOLD
	}
	return pb.LeadFit_LEAD_FIT_NOT_KNOWN
}

// RecordCause writes down where the cause was.
func (s *leads) RecordCause(ctx context.Context, q *pb.RecordCauseRequest) (*pb.RecordCauseResponse, error) {
	machine, err := s.onMachine(ctx, access.Record, "parent", q.GetParent())
	if err != nil {
		return nil, err
	}
	c := q.GetCause()
	at, err := parseMoment("cause.found_moment", c.GetFoundMoment(), s.o.Now())
	if err != nil {
		return nil, err
	}
	body := &maintenance.CauseFound{Lead: c.GetLead(), Code: c.GetCode(), Point: c.GetPoint(), Text: c.GetText(), Person: access.Person(ctx)}
	if body.Remark, err = keyedUnder("cause.remark", machine, remarkPattern, c.GetRemark()); err != nil {
		return nil, err
	}
	key, receipt, err := s.act(ctx, machine, q.GetRequestId(), at, body)
	if err != nil {
		return nil, err
	}
	out := &pb.RecordCauseResponse{Repeated: receipt.Repeats > 0}
	err = s.view(ctx, machine, func(st *maintenance.State) {
		for i := range st.Causes {
			if st.Causes[i].Key == key {
				out.Cause = causeOf(machine, &st.Causes[i])
			}
		}
	})
	if err == nil && out.Cause == nil {
		return nil, fault.Missing("cause", keyID(key))
	}
	return out, err
}

type causeRow struct {
	cause *pb.FoundCause
	key   string
}

// ListCauses lists causes, the latest first.
func (s *leads) ListCauses(ctx context.Context, q *pb.ListCausesRequest) (*pb.ListCausesResponse, error) {
	ids, err := s.granted(ctx, q.GetParent())
	if err != nil {
		return nil, err
	}
	p, err := newPager(q)
	if err != nil {
		return nil, err
	}
	var rows []causeRow
	for _, id := range ids {
		err := s.view(ctx, id, func(st *maintenance.State) {
			for i := range st.Causes {
				if c := &st.Causes[i]; q.GetLead() == "" || q.GetLead() == c.Lead {
					rows = append(rows, causeRow{causeOf(id, c), latestFirst(c.At) + "/" + id + "/" + keyID(c.Key)})
				}
			}
		})
		if err != nil && !isUnknown(err) {
			return nil, err
		}
	}
	slices.SortFunc(rows, func(a, b causeRow) int { return strings.Compare(a.key, b.key) })
	rows, next := slicePage(p, rows, func(r causeRow) string { return r.key })
	out := &pb.ListCausesResponse{NextPageToken: next}
	for _, r := range rows {
		out.Causes = append(out.Causes, r.cause)
	}
	return out, nil
}

func causeOf(machine string, c *maintenance.CauseSeen) *pb.FoundCause {
	return &pb.FoundCause{
		Name: keyedName(machine, "causes", c.Key), Lead: c.Lead, Code: c.Code, Remark: remarkName(machine, c.Remark), Point: c.Point, Text: c.Text, Person: c.Person, FoundMoment: momentOf(c.At),
	}
}
