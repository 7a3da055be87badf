package api

import (
	"cmp"
	"context"
	"slices"
	"strings"

	"github.com/hourbell/hourbell/internal/maintenance"
	pb "github.com/hourbell/hourbell/proto/hourbell/v1"
	"github.com/hourbell/hourbell/service/access"
	"github.com/hourbell/hourbell/service/fault"
)

type build struct {
	pb.UnimplementedBuildServiceServer
	*API
}

type questionRow struct {
	question *pb.BuildQuestion
	key      string
}

// ListBuildQuestions lists what is asked: unanswered first.
func (s *build) ListBuildQuestions(ctx context.Context, q *pb.ListBuildQuestionsRequest) (*pb.ListBuildQuestionsResponse, error) {
	ids, err := s.granted(ctx, q.GetParent())
	if err != nil {
		return nil, err
	}
	p, err := newPager(q)
	if err != nil {
		return nil, err
	}
	var rows []questionRow
	for _, id := range ids {
		err := s.view(ctx, id, func(st *maintenance.State) {
			for _, one := range questions(st) {
				if one.Known == nil || q.GetIncludeAnswered() {
					asked := string(rune('0' + rank(one.Known != nil)))
					rows = append(rows, questionRow{questionOf(id, &one), asked + "/" + id + "/" + one.Def.ID})
				}
			}
		})
		if err != nil && !isUnknown(err) {
			return nil, err
		}
	}
	slices.SortFunc(rows, func(a, b questionRow) int { return strings.Compare(a.key, b.key) })
	rows, next := slicePage(p, rows, func(r questionRow) string { return r.key })
	out := &pb.ListBuildQuestionsResponse{NextPageToken: next}
	for _, r := range rows {
		out.Questions = append(out.Questions, r.question)
	}
	return out, nil
}

// AnswerBuildQuestion answers a question.
func (s *build) AnswerBuildQuestion(ctx context.Context, q *pb.AnswerBuildQuestionRequest) (*pb.AnswerBuildQuestionResponse, error) {
	parts, err := parse("name", "machines/{machine}/traits/{trait}", q.GetName())
	if err != nil {
		return nil, err
	}
	machine, trait := parts[0], parts[1]
	if _, err := s.o.Access.Machine(ctx, access.Record, machine); err != nil {
		return nil, err
	}
	at, err := parseMoment("since_moment", q.GetSinceMoment(), s.o.Now())
	if err != nil {
		return nil, err
	}
	before, err := s.question(ctx, machine, trait)
	if err != nil {
		return nil, err
	}
	if err := fits(before, q.GetValue()); err != nil {
		return nil, err
	}
	_, receipt, err := s.act(ctx, machine, q.GetRequestId(), at, &maintenance.Trait{Name: trait, Value: q.GetValue(), Person: access.Person(ctx)})
	if err != nil {
		return nil, err
	}
	after, err := s.question(ctx, machine, trait)
	return &pb.AnswerBuildQuestionResponse{Question: after, Repeated: receipt.Repeats > 0}, err
}

// fits holds an answer to its question.
func fits(q *pb.BuildQuestion, value string) error {
	switch {
	case value == "":
		return fault.InvalidField("value", "no answer is given", cmp.Or(q.Ask, "say how the machine is built"))
	case len(q.Choices) > 0 && !slices.Contains(q.Choices, value):
		return fault.InvalidField("value", cut(value)+" is no answer to it", "say one of "+strings.Join(q.Choices, ", "))
	}
	return nil
}

func (s *build) question(ctx context.Context, machine, trait string) (*pb.BuildQuestion, error) {
	var out *pb.BuildQuestion
	var traits []string
	err := s.view(ctx, machine, func(st *maintenance.State) {
		for _, one := range questions(st) {
			traits = append(traits, one.Def.ID)
			if one.Def.ID == trait {
				out = questionOf(machine, &one)
			}
		}
	})
	if err == nil && out == nil {
		return nil, fault.InvalidField("trait", "the chart of "+machine+" asks no question "+cut(trait), oneOf(traits, "it asks none"))
	}
	return out, err
}

func questionOf(machine string, q *question) *pb.BuildQuestion {
	out := &pb.BuildQuestion{
		Name: machineName(machine) + "/traits/" + q.Def.ID, Ask: q.Def.Ask, Kind: pb.BuildQuestionKind(q.Def.Kind), Choices: q.Def.Choices, Unit: q.Def.Unit, RenewedWith: q.Def.Renewed, AgainWhy: q.Again,
	}
	if q.Def.Kind == maintenance.TraitYesNo {
		out.Choices = []string{maintenance.Yes, maintenance.No}
	}
	if k := q.Known; k != nil {
		out.Value, out.ToldMoment, out.Person = k.Value, momentOf(k.At), k.Person
	}
	for _, id := range q.Tasks {
		out.Tasks = append(out.Tasks, taskName(machine, id))
	}
	return out
}
