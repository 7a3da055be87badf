package api

import (
	"context"
	"strings"

	"github.com/hourbell/hourbell/internal/maintenance"
	"github.com/hourbell/hourbell/internal/maintenance/civil"
	"github.com/hourbell/hourbell/internal/maintenance/moment"
	pb "github.com/hourbell/hourbell/proto/hourbell/v1"
	"github.com/hourbell/hourbell/service/access"
	"github.com/hourbell/hourbell/service/fault"
	"github.com/hourbell/hourbell/service/ingest"
)

// onMachine reads a machine's name and asks for a permission on it.
func (a *API) onMachine(ctx context.Context, permission access.Permission, field, name string) (string, error) {
	machine, err := parseMachine(field, name)
	if err != nil {
		return "", err
	}
	_, err = a.o.Access.Machine(ctx, permission, machine)
	return machine, err
}

// onKeyed does as onMachine for what stands under a machine by an event's key.
func (a *API) onKeyed(ctx context.Context, permission access.Permission, pattern, name string) (string, maintenance.Key, error) {
	machine, key, err := parseKeyed("name", pattern, name)
	if err != nil {
		return "", key, err
	}
	_, err = a.o.Access.Machine(ctx, permission, machine)
	return machine, key, err
}

// doing brings an act that happens now and says how it went.
func (a *API) doing(ctx context.Context, machine, requestID string, body maintenance.Body) (maintenance.Key, ingest.Receipt, error) {
	return a.act(ctx, machine, requestID, moment.At(a.now()), body)
}

// keyedUnder reads the name of something under a machine that a request names
// beside others; "" gives the zero key.
func keyedUnder(field, machine, pattern, name string) (maintenance.Key, error) {
	if name == "" {
		return maintenance.Key{}, nil
	}
	of, key, err := parseKeyed(field, pattern, name)
	if err == nil && of != machine {
		err = fault.InvalidField(field, "it is of another machine", "name one of machines/"+machine)
	}
	return key, err
}

// taskUnder reads a task's name, with or without its machine.
func taskUnder(field, machine, name string) (string, error) {
	return parseTaskPath(field, strings.TrimPrefix(name, machineName(machine)+"/"))
}

func tasksUnder(field, machine string, names []string) ([]string, error) {
	var out []string
	for i, name := range names {
		id, err := taskUnder(fieldAt(field, i), machine, name)
		if err != nil {
			return nil, err
		}
		out = append(out, id)
	}
	return out, nil
}

// dayAt gives the work day that a request says, or the one that its time lies
// in; none where that is not known.
func (a *API) dayAt(ctx context.Context, machine, field string, at moment.Span, said *pb.CivilDate) (civil.Date, error) {
	if said != nil {
		return saidDate(field, at, said)
	}
	date := civil.None
	err := a.view(ctx, machine, func(st *maintenance.State) {
		if day, known := workDate(st, at.NotAfter); known {
			date = day.Date
		}
	})
	return date, err
}

// factsOf reads facts.
func factsOf(field string, facts []*pb.Fact) ([]maintenance.Fact, error) {
	var out []maintenance.Fact
	for i, f := range facts {
		if f.GetName() == "" || f.GetValue() == "" {
			return nil, fault.InvalidField(fieldAt(field, i), "a fact wants a name and a value", "give both, such as straw and damp")
		}
		out = append(out, maintenance.Fact{Name: f.GetName(), Value: f.GetValue()})
	}
	return out, nil
}

func factsTo(facts []maintenance.Fact) []*pb.Fact {
	var out []*pb.Fact
	for _, f := range facts {
		out = append(out, &pb.Fact{Name: f.Name, Value: f.Value})
	}
	return out
}

// moved gives the tasks whose due state an act changed.
func (a *API) moved(ctx context.Context, machine string, receipt ingest.Receipt) ([]*pb.TaskMoved, error) {
	var out []*pb.TaskMoved
	err := a.view(ctx, machine, func(st *maintenance.State) {
		for _, fx := range receipt.Effects {
			if fx.Kind != maintenance.EffectDueChanged || fx.Index < 0 || fx.Index >= len(st.Tasks) {
				continue
			}
			id := st.Tasks[fx.Index].ID
			out = append(out, &pb.TaskMoved{
				Task: taskName(machine, id), Call: callOf(st.Chart, id), WasState: dueOf(fx.Was), NowState: dueOf(fx.Now), Cautions: cautionsOf(st.Chart, id),
			})
		}
	})
	return out, err
}

// callOf is what people call a task.
func callOf(c *maintenance.Chart, id string) string {
	if t := taskDefOf(c, id); t != nil && t.Call != "" {
		return t.Call
	} else if t != nil {
		return t.Do + " " + t.Point
	}
	return id
}
