package api

import (
	"context"
	"slices"

	"github.com/hourbell/hourbell/internal/maintenance"
	"github.com/hourbell/hourbell/internal/maintenance/civil"
	"github.com/hourbell/hourbell/internal/maintenance/hours"
	pb "github.com/hourbell/hourbell/proto/hourbell/v1"
	"github.com/hourbell/hourbell/service/access"
	"github.com/hourbell/hourbell/service/api/counter"
	"github.com/hourbell/hourbell/service/fault"
)

// PostponeTasks puts tasks off.
func (s *tasks) PostponeTasks(ctx context.Context, q *pb.PostponeTasksRequest) (*pb.PostponeTasksResponse, error) {
	machine, err := s.onMachine(ctx, access.Record, "parent", q.GetParent())
	if err != nil {
		return nil, err
	}
	body := &maintenance.Postponed{Round: q.GetRound(), Why: q.GetWhy(), ForHours: hours.Millis(q.GetForMs()), Meter: q.GetMeter(), UntilDate: civil.None, Person: access.Person(ctx)}
	if body.Tasks, err = tasksUnder("tasks", machine, q.GetTasks()); err != nil {
		return nil, err
	}
	if q.GetUntilDate() != nil {
		if body.UntilDate, err = parseDate("until_date", q.GetUntilDate()); err != nil {
			return nil, err
		}
	}
	switch {
	case q.GetForMs() < 0:
		err = fault.InvalidField("for_ms", "it is below 0", "give running hours from now on")
	case q.GetForMs() == 0 && q.GetUntilDate() == nil:
		err = fault.InvalidField("for_ms", "no end is given", "say for how many running hours, or until which day")
	case q.GetWhy() == "":
		err = fault.InvalidField("why", "no reason is given", "say in words why it is put off")
	}
	if err != nil {
		return nil, err
	}
	list, repeated, err := s.putOff(ctx, machine, q.GetRequestId(), body)
	return &pb.PostponeTasksResponse{Tasks: list, Repeated: repeated}, err
}

// ReturnTasks takes a postponement back.
func (s *tasks) ReturnTasks(ctx context.Context, q *pb.ReturnTasksRequest) (*pb.ReturnTasksResponse, error) {
	machine, err := s.onMachine(ctx, access.Record, "parent", q.GetParent())
	if err != nil {
		return nil, err
	}
	body := &maintenance.Postponed{Round: q.GetRound(), Why: q.GetWhy(), UntilDate: civil.None, Person: access.Person(ctx)}
	if body.Tasks, err = tasksUnder("tasks", machine, q.GetTasks()); err != nil {
		return nil, err
	}
	list, repeated, err := s.putOff(ctx, machine, q.GetRequestId(), body)
	return &pb.ReturnTasksResponse{Tasks: list, Repeated: repeated}, err
}

// putOff brings a postponement, or its end, and gives the tasks that it is about.
func (s *tasks) putOff(ctx context.Context, machine, requestID string, body *maintenance.Postponed) ([]*pb.Task, bool, error) {
	switch {
	case len(body.Tasks) == 0 && body.Round == "":
		return nil, false, fault.InvalidField("tasks", "neither tasks nor a round are named", "name what it is about")
	case len(body.Tasks) > 0 && body.Round != "":
		return nil, false, fault.InvalidField("tasks", "both tasks and a round are named", "name the one or the other")
	}
	_, receipt, err := s.doing(ctx, machine, requestID, body)
	if err != nil {
		return nil, false, err
	}
	var out []*pb.Task
	err = s.view(ctx, machine, func(st *maintenance.State) {
		counter.Tasks(st, func(t *maintenance.Task, def *maintenance.TaskDef) bool {
			if slices.Contains(body.Tasks, t.ID) || body.Round != "" && def.Round == body.Round {
				out = append(out, taskOf(st, t, def))
			}
			return true
		})
	})
	return out, receipt.Repeats > 0, err
}

// ReviewTask looks back at a task.
func (s *tasks) ReviewTask(ctx context.Context, q *pb.ReviewTaskRequest) (*pb.ReviewTaskResponse, error) {
	machine, id, err := s.named(ctx, q.GetName())
	if err != nil {
		return nil, err
	}
	t, err := s.task(ctx, machine, id)
	if err != nil {
		return nil, err
	}
	out := &pb.ReviewTaskResponse{Task: t}
	err = s.view(ctx, machine, func(st *maintenance.State) { out.Findings, out.Proposal = review(st, id) })
	return out, err
}

// GetAdherence says how well intervals were kept.
func (s *tasks) GetAdherence(ctx context.Context, q *pb.GetAdherenceRequest) (*pb.GetAdherenceResponse, error) {
	machine, err := s.onMachine(ctx, access.See, "name", q.GetName())
	if err != nil {
		return nil, err
	}
	out := &pb.GetAdherenceResponse{}
	err = s.view(ctx, machine, func(st *maintenance.State) {
		out.Tasks = adherence(st)
		for _, k := range out.Tasks {
			nameAdherence(st, k)
		}
	})
	return out, err
}

// nameAdherence gives a task or a round its name, what people call it and the
// cautions.
func nameAdherence(st *maintenance.State, k *pb.TaskAdherence) {
	if k.Task != "" {
		k.Call, k.Cautions = callOf(st.Chart, k.Task), cautionsOf(st.Chart, k.Task)
		k.Task = taskName(st.Machine.Machine, k.Task)
		return
	}
	for i := range st.Chart.Rounds {
		if st.Chart.Rounds[i].ID == k.Round {
			k.Call = st.Chart.Rounds[i].Call
		}
	}
	for i := range st.Chart.Tasks {
		if st.Chart.Tasks[i].Round == k.Round {
			k.Cautions = addCautions(k.Cautions, cautionsOf(st.Chart, st.Chart.Tasks[i].ID))
		}
	}
}
