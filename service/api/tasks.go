package api

import (
	"cmp"
	"context"
	"fmt"
	"slices"
	"strings"

	"google.golang.org/protobuf/types/known/timestamppb"

	"github.com/hourbell/hourbell/internal/maintenance"
	"github.com/hourbell/hourbell/internal/maintenance/hours"
	pb "github.com/hourbell/hourbell/proto/hourbell/v1"
	"github.com/hourbell/hourbell/service/access"
	"github.com/hourbell/hourbell/service/api/counter"
	"github.com/hourbell/hourbell/service/fault"
)

type tasks struct {
	pb.UnimplementedTaskServiceServer
	*API
}

// dueOf gives a due state; the wire's numbers begin one later, since 0 says
// nothing there.
func dueOf(s maintenance.DueState) pb.DueState { return pb.DueState(s + 1) }

// taskRef is a task's place in the order in which tasks come due.
type taskRef struct{ machine, id, key string }

// ListTasks lists tasks in the order in which they come due.
func (s *tasks) ListTasks(ctx context.Context, q *pb.ListTasksRequest) (*pb.ListTasksResponse, error) {
	ids, err := s.granted(ctx, q.GetParent())
	if err != nil {
		return nil, err
	}
	p, err := newPager(q)
	if err != nil {
		return nil, err
	}
	if _, known := pb.DueState_name[int32(q.GetAtLeast())]; !known {
		return nil, fault.InvalidField("at_least", fmt.Sprintf("%d is no due state", q.GetAtLeast()), "leave it out for all")
	}
	var rows []taskRef
	for _, id := range ids {
		err := s.view(ctx, id, func(st *maintenance.State) { rows = append(rows, taskRefs(st, q.GetAtLeast())...) })
		if err != nil && !isUnknown(err) {
			return nil, err
		}
	}
	slices.SortFunc(rows, func(a, b taskRef) int { return strings.Compare(a.key, b.key) })
	rows, next := slicePage(p, rows, func(r taskRef) string { return r.key })
	out := &pb.ListTasksResponse{NextPageToken: next, AnswerTime: timestamppb.New(s.o.Now())}
	for _, r := range rows {
		t, err := s.task(ctx, r.machine, r.id)
		if err != nil {
			return nil, err
		}
		out.Tasks = append(out.Tasks, t)
	}
	return out, nil
}

// taskRefs gives a machine's tasks that stand at least so.
func taskRefs(st *maintenance.State, atLeast pb.DueState) []taskRef {
	var out []taskRef
	counter.Tasks(st, func(t *maintenance.Task, _ *maintenance.TaskDef) bool {
		if dueOf(t.State) < atLeast {
			return true
		}
		left := hours.Most
		if c, err := maintenance.Counter(st, t.ID); err == nil {
			if first := counter.First(&c); first >= 0 {
				left = counter.Until(&c.Limbs[first])
			}
		}
		out = append(out, taskRef{st.Machine.Machine, t.ID, orderKey(t.State, left, st.Machine.Machine, t.ID)})
		return true
	})
	return out
}

// orderKey orders tasks: the most urgent state first, then what has least left.
func orderKey(state maintenance.DueState, left hours.Millis, machine, id string) string {
	return fmt.Sprintf("%d/%016x/%s/%s", maintenance.Overdue-state, uint64(left)^1<<63, machine, id)
}

// GetTask gives a task.
func (s *tasks) GetTask(ctx context.Context, q *pb.GetTaskRequest) (*pb.GetTaskResponse, error) {
	machine, id, err := s.named(ctx, q.GetName())
	if err != nil {
		return nil, err
	}
	t, err := s.task(ctx, machine, id)
	if err != nil {
		return nil, err
	}
	return &pb.GetTaskResponse{Task: t, AnswerTime: timestamppb.New(s.o.Now())}, nil
}

// ExplainTask gives the chain of reasons.
func (s *tasks) ExplainTask(ctx context.Context, q *pb.ExplainTaskRequest) (*pb.ExplainTaskResponse, error) {
	machine, id, err := s.named(ctx, q.GetName())
	if err != nil {
		return nil, err
	}
	t, err := s.task(ctx, machine, id)
	if err != nil {
		return nil, err
	}
	out := &pb.ExplainTaskResponse{Task: t, AnswerTime: timestamppb.New(s.o.Now())}
	var failed error
	err = s.view(ctx, machine, func(st *maintenance.State) { out.Reasons, failed = reasons(st, id) })
	return out, cmp.Or(err, failed)
}

// named asks access for the machine of a task's name.
func (s *tasks) named(ctx context.Context, name string) (machine, id string, err error) {
	machine, id, err = parseTask("name", name)
	if err != nil {
		return "", "", err
	}
	_, err = s.o.Access.Machine(ctx, access.See, machine)
	return machine, id, err
}

func (a *API) task(ctx context.Context, machine, id string) (*pb.Task, error) {
	var out *pb.Task
	err := a.view(ctx, machine, func(st *maintenance.State) {
		counter.Tasks(st, func(t *maintenance.Task, def *maintenance.TaskDef) bool {
			if t.ID == id {
				out = taskOf(st, t, def)
			}
			return out == nil
		})
	})
	if err == nil && out == nil {
		return nil, fault.Missing("task", cut(id))
	}
	return out, err
}

func taskOf(st *maintenance.State, t *maintenance.Task, def *maintenance.TaskDef) *pb.Task {
	machine := st.Machine.Machine
	out := &pb.Task{
		Name: taskName(machine, t.ID), Do: def.Do, Call: def.Call, Round: def.Round, DueState: dueOf(t.State), SinceMoment: momentOf(t.Since),
		Who: def.Who, Material: def.Material, Amount: def.Amount, Minutes: int32(def.Minutes), Cautions: cautionsOf(st.Chart, t.ID), Gone: t.Gone,
		BuildState: pb.BuildState(t.Build) + pb.BuildState_BUILD_STATE_FITTED, Work: workOf(st.Chart, def),
	}
	out.Offered = def.Soft && t.State >= maintenance.DueSoon && !st.Engine.Running
	if t.Build != maintenance.BuildFitted {
		_, out.BuildWhy = maintenance.Fit(st, def.Point)
	}
	if len(t.Postponed) > 0 {
		p := &t.Postponed[0]
		out.Postponed = &pb.Postponement{Why: p.Why, Person: p.Person, Meter: p.Meter, AtMs: int64(p.At), UntilDate: dateOf(p.Until)}
	}
	for i := range st.Chart.Rounds {
		if st.Chart.Rounds[i].ID == def.Round {
			out.RoundCall = st.Chart.Rounds[i].Call
		}
	}
	for i := range st.Chart.Points {
		if p := &st.Chart.Points[i]; p.ID == def.Point {
			out.Station, out.Side, out.Reach, out.PointCall = int32(p.Station), p.Side, p.Reach, cmp.Or(p.Call, p.ID)
		}
	}
	count, err := maintenance.Counter(st, t.ID)
	if err != nil {
		return out // a task without a counter has no figures
	}
	out.First = int32(counter.First(&count))
	for i := range count.Limbs {
		out.Counters = append(out.Counters, withLimb(counterOf(st, &count.Limbs[i]), &count.Limbs[i], limbOf(def, &count.Limbs[i])))
	}
	out.PracticeWords = count.Practice
	for i := range count.Beside {
		l := &count.Beside[i]
		out.BookCounters = append(out.BookCounters, withLimb(counterOf(st, l), l, limbOf(def, l)))
	}
	if last := count.Record; last != nil {
		out.LastService = &pb.LastService{Record: recordName(machine, last.Record), DoneMoment: momentOf(last.At), DoneDate: dateOf(last.Date)}
	}
	for i := range st.Notices {
		if n := &st.Notices[i]; n.Task == t.ID && n.Withdrawn.IsZero() {
			out.Notice = noticeName(machine, n.ID)
		}
	}
	return out
}

// withLimb adds to a counter the interval that it is of, and its words. A trigger
// or a run-in has no interval.
func withLimb(c *pb.Counter, count *maintenance.LimbCount, limb *maintenance.Limb) *pb.Counter {
	c.Words = countWords(count, limb)
	if count.Kind != maintenance.LimbHours && count.Kind != maintenance.LimbMonths {
		c.Every = nil
	}
	if limb == nil {
		return c
	}
	switch limb.Kind {
	case maintenance.LimbDays:
		c.Every = &pb.Counter_EveryDaysWorked{EveryDaysWorked: int32(limb.Days)}
	case maintenance.LimbSeason:
		c.Every = &pb.Counter_EverySeasons{EverySeasons: int32(max(limb.Seasons, 1))}
	case maintenance.LimbCounted:
		c.Every = &pb.Counter_EveryCountMilli{EveryCountMilli: limb.Count}
	}
	return c
}

func counterOf(st *maintenance.State, l *maintenance.LimbCount) *pb.Counter {
	out := &pb.Counter{AsOfMoment: momentOf(counter.AsOf(st, l)), DueState: dueOf(l.State), Meter: l.Meter, UnknownWhy: l.Why}
	if l.Kind == maintenance.LimbMonths {
		out.Every = &pb.Counter_EveryMonths{EveryMonths: int32(l.Months)}
		if l.Known {
			out.DueDate, out.LeftDays = dateOf(l.DueOn), new(int32(l.DaysLeft))
		}
		return out
	}
	out.Every = &pb.Counter_EveryMs{EveryMs: int64(l.Every)}
	if l.Known && inDays(l) {
		out.DueDate, out.LeftDays = dateOf(l.DueOn), new(int32(l.DaysLeft))
	}
	if l.Known && inHours(l) {
		out.SinceMs, out.LeftMs, out.DueAtMs = new(int64(l.Since)), new(int64(l.Left)), new(int64(l.DueAt))
	}
	return out
}

// inHours reports whether an interval has figures in hours: what is due at once,
// by days or by a count has none.
func inHours(l *maintenance.LimbCount) bool {
	return l.Kind == maintenance.LimbHours || l.InHours && l.DueAt > 0
}

// inDays is inHours for dates.
func inDays(l *maintenance.LimbCount) bool {
	return l.Kind == maintenance.LimbMonths || l.InDays && l.DueOn.Known()
}

// reasons gives the domain's chain of reasons.
func reasons(st *maintenance.State, id string) ([]*pb.Reason, error) {
	x, err := maintenance.Explain(st, id)
	if err != nil {
		return nil, err
	}
	out := make([]*pb.Reason, len(x.Rows))
	for i, r := range x.Rows {
		out[i] = &pb.Reason{What: r.What, Value: r.Value, Moment: momentOf(r.At)}
		if !r.Key.IsZero() {
			out[i].Event = r.Key.String()
		}
	}
	return out, nil
}
