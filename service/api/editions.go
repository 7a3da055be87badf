package api

import (
	"bytes"
	"cmp"
	"context"
	"crypto/sha256"
	"fmt"
	"slices"
	"strings"

	"github.com/hourbell/hourbell/internal/chart"
	"github.com/hourbell/hourbell/internal/maintenance"
	"github.com/hourbell/hourbell/internal/maintenance/moment"
	pb "github.com/hourbell/hourbell/proto/hourbell/v1"
	"github.com/hourbell/hourbell/service/access"
	"github.com/hourbell/hourbell/service/api/counter"
	"github.com/hourbell/hourbell/service/fault"
	"github.com/hourbell/hourbell/service/office"
)

// GetChartSchema gives the JSON Schema of the chart's language.
func (s *charts) GetChartSchema(ctx context.Context, _ *pb.GetChartSchemaRequest) (*pb.GetChartSchemaResponse, error) {
	if err := s.o.Access.Anywhere(ctx, access.See); err != nil {
		return nil, err
	}
	text, err := chart.Schema()
	return &pb.GetChartSchemaResponse{JsonSchema: string(text)}, err
}

// compiled gives the chart of an edition's name, or of a file.
func (s *charts) compiled(field, name, file, yaml string) (*maintenance.Chart, error) {
	switch {
	case name != "" && yaml != "":
		return nil, fault.InvalidField(field, "both an edition and a file are given", "give the one or the other")
	case name == "" && yaml == "":
		return nil, fault.InvalidField(field, "neither an edition nor a file is given", "give the one or the other")
	case len(yaml) > maxYAML:
		return nil, fault.InvalidField("yaml", fmt.Sprintf("it is %d bytes", len(yaml)), fmt.Sprintf("a chart has at most %d", maxYAML))
	case yaml != "":
		c, err := chart.CompileOver(cmp.Or(file, "chart.points.yaml"), []byte(yaml), s.source)
		if err != nil {
			return nil, mistakes(err)
		}
		return c, nil
	}
	e, err := s.edition(field, name)
	if err != nil {
		return nil, err
	}
	return decoded(&e)
}

func decoded(e *office.Edition) (*maintenance.Chart, error) {
	c, err := maintenance.DecodeChart(e.Compiled)
	if err != nil {
		return nil, fmt.Errorf("read edition %d of chart %s: %w", e.Edition, e.Chart, err)
	}
	return c, nil
}

// CompareEditions says what differs.
func (s *charts) CompareEditions(ctx context.Context, q *pb.CompareEditionsRequest) (*pb.CompareEditionsResponse, error) {
	if err := s.o.Access.Anywhere(ctx, access.See); err != nil {
		return nil, err
	}
	was, err := s.compiled("name", q.GetName(), "", "")
	if err != nil {
		return nil, err
	}
	now, err := s.compiled("other", q.GetOther(), q.GetFileName(), q.GetYaml())
	if err != nil {
		return nil, err
	}
	return &pb.CompareEditionsResponse{Changes: Changes(was, now)}, nil
}

// Changes gives what differs between two charts, with the cautions of each task
// as they will be, or were where it is gone.
func Changes(was, now *maintenance.Chart) []*pb.ChartChange {
	var out []*pb.ChartChange
	for _, c := range chart.Compare(was, now) {
		one := &pb.ChartChange{About: c.ID, Words: c.String(), Was: c.Was, Now: c.Now}
		switch lead, is := strings.CutPrefix(c.ID, "lead "); {
		case is:
			one.Cautions = addCautions(leadCautions(now, lead), leadCautions(was, lead))
		case strings.Contains(c.ID, "/") && !strings.Contains(c.ID, " "):
			one.About, one.Cautions = taskPath(c.ID), addCautions(cautionsOf(now, c.ID), cautionsOf(was, c.ID))
		}
		out = append(out, one)
	}
	return out
}

// leadCautions gives the cautions of the places that a lead leads to.
func leadCautions(c *maintenance.Chart, id string) (out []*pb.Caution) {
	for i := range c.Leads {
		for j := range c.Leads[i].Look {
			if c.Leads[i].ID == id {
				out = addCautions(out, pointCautions(c, c.Leads[i].Look[j].Point))
			}
		}
	}
	return out
}

// PreviewEdition says what an edition would change on each machine.
func (s *charts) PreviewEdition(ctx context.Context, q *pb.PreviewEditionRequest) (*pb.PreviewEditionResponse, error) {
	if err := s.o.Access.Anywhere(ctx, access.See); err != nil {
		return nil, err
	}
	now, err := s.compiled("name", q.GetName(), q.GetFileName(), q.GetYaml())
	if err != nil {
		return nil, err
	}
	ids, err := s.choose(ctx, access.See, q.GetMachines(), func(m *office.Machine) bool { return m.Chart == now.ID })
	if err != nil {
		return nil, err
	}
	out := &pb.PreviewEditionResponse{}
	for _, id := range ids {
		effect, err := s.foresee(ctx, id, now)
		if isUnknown(err) {
			continue
		}
		if err != nil {
			return nil, err
		}
		out.Machines = append(out.Machines, effect)
	}
	return out, nil
}

// choose gives the machines that a request names, or those that fit of all on
// which the caller has the permission, in order of id.
func (s *charts) choose(ctx context.Context, permission access.Permission, names []string, fits func(*office.Machine) bool) ([]string, error) {
	var out []string
	for i, name := range names {
		id, err := s.onMachine(ctx, permission, fieldAt("machines", i), name)
		if err != nil {
			return nil, err
		}
		if !slices.Contains(out, id) {
			out = append(out, id)
		}
	}
	if len(names) > 0 {
		slices.Sort(out)
		return out, nil
	}
	may, err := s.o.Access.Filter(ctx, permission)
	if err != nil {
		return nil, err
	}
	for _, m := range s.o.Office.ListMachines("") {
		if may(m.Customer) && fits(&m) {
			out = append(out, m.ID)
		}
	}
	return out, nil
}

// foresee applies an edition to a copy of a machine's state, and says what came
// of it.
func (s *charts) foresee(ctx context.Context, machine string, now *maintenance.Chart) (*pb.EditionEffect, error) {
	var was *maintenance.State
	if err := s.view(ctx, machine, func(st *maintenance.State) { was = st.Clone() }); err != nil {
		return nil, err
	}
	e := &maintenance.Event{
		Key: maintenance.ServiceKey("preview", fmt.Sprintf("%x", now.Hash())), Writer: maintenance.WriterService, At: moment.At(s.now()), Known: s.now(), Body: &maintenance.EditionTaken{Chart: now},
	}
	after := was.Clone()
	if v := maintenance.Admit(after, e); v.Word != maintenance.VerdictTake {
		out := effectOf(was, was)
		out.NowEdition, out.Refused = editionName(now.ID, now.Edition), v.Err().Error()
		return out, nil
	}
	maintenance.Apply(after, e, nil)
	return effectOf(was, after), nil
}

// effectOf says what differs between a machine's tasks before and after an
// edition.
func effectOf(was, now *maintenance.State) *pb.EditionEffect {
	machine := now.Machine.Machine
	out := &pb.EditionEffect{Machine: machineName(machine)}
	if was.Chart != nil {
		out.WasEdition = editionName(was.Chart.ID, was.Chart.Edition)
	}
	if now.Chart != nil {
		out.NowEdition = editionName(now.Chart.ID, now.Chart.Edition)
	}
	out.Unchanged = was.Chart != nil && now.Chart != nil && was.Chart.Hash() == now.Chart.Hash()
	before := standings(was)
	counter.Tasks(now, func(t *maintenance.Task, def *maintenance.TaskDef) bool {
		prior, had := before[t.ID]
		delete(before, t.ID)
		one := &pb.EditionTaskEffect{Task: taskName(machine, t.ID), Call: callOf(now.Chart, t.ID), NowState: dueOf(t.State), Cautions: cautionsOf(now.Chart, t.ID)}
		switch {
		case !had:
			one.Words = "new: " + cmp.Or(limbsWords(def.Limbs), "by hand only") + ", " + t.State.String()
		case prior.task.State != t.State || prior.every != limbsWords(def.Limbs):
			one.WasState = dueOf(prior.task.State)
			one.Words = changeWords(prior, t, limbsWords(def.Limbs))
			one.Cautions = addCautions(one.Cautions, cautionsOf(was.Chart, t.ID))
		default:
			return true
		}
		out.Tasks = append(out.Tasks, one)
		return true
	})
	counter.Tasks(was, func(t *maintenance.Task, _ *maintenance.TaskDef) bool {
		if _, gone := before[t.ID]; gone {
			out.Tasks = append(out.Tasks, &pb.EditionTaskEffect{
				Task: taskName(machine, t.ID), Call: callOf(was.Chart, t.ID), WasState: dueOf(t.State), Words: "gone; it was " + t.State.String(), Cautions: cautionsOf(was.Chart, t.ID),
			})
		}
		return true
	})
	return out
}

// stood is how a task stood.
type stood struct {
	task  *maintenance.Task
	every string
}

func standings(s *maintenance.State) map[string]stood {
	out := map[string]stood{}
	counter.Tasks(s, func(t *maintenance.Task, def *maintenance.TaskDef) bool {
		out[t.ID] = stood{t, limbsWords(def.Limbs)}
		return true
	})
	return out
}

func changeWords(was stood, t *maintenance.Task, every string) string {
	var words []string
	if was.task.State != t.State {
		words = append(words, t.State.String()+", was "+was.task.State.String())
	}
	if was.every != every {
		words = append(words, cmp.Or(every, "by hand only")+", was "+cmp.Or(was.every, "by hand only"))
	}
	return strings.Join(words, "; ")
}

// ApplyEdition puts an edition in force on all its machines.
func (s *charts) ApplyEdition(ctx context.Context, q *pb.ApplyEditionRequest) (*pb.ApplyEditionResponse, error) {
	if err := s.o.Access.Anywhere(ctx, access.Commission); err != nil {
		return nil, err
	}
	e, err := s.edition("name", q.GetName())
	if err != nil {
		return nil, err
	}
	ids, err := s.choose(ctx, access.Commission, q.GetMachines(), func(m *office.Machine) bool { return m.Chart == e.Chart })
	if err != nil {
		return nil, err
	}
	took, err := s.takeAll(ctx, q.GetRequestId(), ids, len(q.GetMachines()) > 0, func(string) (office.Edition, bool, error) { return e, true, nil })
	return &pb.ApplyEditionResponse{Machines: took}, err
}

// RevertEdition takes an edition back.
func (s *charts) RevertEdition(ctx context.Context, q *pb.RevertEditionRequest) (*pb.RevertEditionResponse, error) {
	if err := s.o.Access.Anywhere(ctx, access.Commission); err != nil {
		return nil, err
	}
	e, err := s.edition("name", q.GetName())
	if err != nil {
		return nil, err
	}
	ids, err := s.choose(ctx, access.Commission, q.GetMachines(), func(*office.Machine) bool { return true })
	if err != nil {
		return nil, err
	}
	took, err := s.takeAll(ctx, q.GetRequestId(), ids, len(q.GetMachines()) > 0, func(id string) (office.Edition, bool, error) { return s.before(ctx, id, e.Hash) })
	return &pb.RevertEditionResponse{Machines: took}, err
}

// before gives the edition that a machine had before the one of a hash; false
// where that one is not in force there.
func (s *charts) before(ctx context.Context, machine string, hash [32]byte) (office.Edition, bool, error) {
	on, err := s.shelf(ctx, machine)
	if isUnknown(err) {
		return office.Edition{}, false, nil
	}
	if err != nil {
		return office.Edition{}, false, err
	}
	took := slices.Clone(on.took)
	on.mu.Unlock()
	switch n := len(took); {
	case n == 0 || took[n-1] != hash:
		return office.Edition{}, false, nil
	case n == 1:
		return office.Edition{}, false, fault.New(fault.Refused, "machine "+machine+" had no edition before this one: let it take the one that it is to have", "machine", machine)
	}
	e, err := s.o.Office.EditionByHash(took[len(took)-2])
	return e, true, err
}

// takeAll lets machines take editions, one after the other. Each machine's act has
// an id made of the request's and the machine's, so that a call that broke is made
// again. What can't be taken on a machine is foreseen before any takes it: where
// machines are named none takes it then, and of all those machines are left out.
func (s *charts) takeAll(ctx context.Context, requestID string, ids []string, named bool, which func(machine string) (office.Edition, bool, error)) ([]*pb.EditionEffect, error) {
	if _, err := parseUUID("request_id", requestID); err != nil {
		return nil, err
	}
	var todo []taking
	var out []*pb.EditionEffect
	for _, id := range ids {
		t, has, err := s.plan(ctx, id, which)
		switch {
		case err != nil && !named && fault.Of(err).Reason == fault.Refused:
			out = append(out, &pb.EditionEffect{Machine: machineName(id), Refused: fault.Of(err).Text})
		case err != nil:
			return nil, err
		case has:
			todo = append(todo, t)
		}
	}
	for _, t := range todo {
		out = append(out, t.effect)
		if t.effect.Unchanged {
			continue
		}
		if err := (&machines{API: s.API}).take(ctx, t.machine, idOn(requestID, t.machine), t.edition); err != nil {
			return out, err
		}
		if err := s.charted(ctx, t.machine, t.edition.Chart); err != nil {
			return out, err
		}
	}
	return out, nil
}

// taking is an edition that a machine is to take, and what it changes.
type taking struct {
	machine string
	edition office.Edition
	effect  *pb.EditionEffect
}

func (s *charts) plan(ctx context.Context, machine string, which func(string) (office.Edition, bool, error)) (t taking, has bool, err error) {
	t.machine = machine
	if t.edition, has, err = which(machine); err != nil || !has {
		return t, false, err
	}
	c, err := decoded(&t.edition)
	if err != nil {
		return t, false, err
	}
	t.effect, err = s.foresee(ctx, machine, c)
	switch {
	case isUnknown(err):
		return t, false, nil
	case err != nil:
		return t, false, err
	case t.effect.Refused != "":
		return t, false, fault.New(fault.Refused, "machine "+machine+" can't take it: "+t.effect.Refused, "machine", machine)
	}
	return t, true, nil
}

// charted keeps in the registry which chart a machine goes by.
func (s *charts) charted(ctx context.Context, machine, chart string) error {
	entry, err := s.o.Office.Machine(machine)
	if err != nil || entry.Chart == chart {
		return err
	}
	entry.Chart = chart
	_, err = s.o.Office.UpdateMachine(ctx, entry)
	return err
}

// idOn makes the id of a machine's act out of the request's; "" of "".
func idOn(requestID, machine string) string {
	if requestID == "" {
		return ""
	}
	id := sha256.Sum256([]byte(strings.ToLower(requestID) + "/" + machine))
	id[6], id[8] = id[6]&0x0f|0x80, id[8]&0x3f|0x80 // RFC 9562, version 8
	return fmt.Sprintf("%x-%x-%x-%x-%x", id[0:4], id[4:6], id[6:8], id[8:10], id[10:16])
}

// ImportException compiles a few lines over a chart and puts that in force on one
// machine. It is kept as a chart of its own, whose editions count on by
// themselves: an edition of the chart that it stands over does not take it away.
func (s *charts) ImportException(ctx context.Context, q *pb.ImportExceptionRequest) (*pb.ImportExceptionResponse, error) {
	machine, err := s.onMachine(ctx, access.Commission, "machine", q.GetMachine())
	if err != nil {
		return nil, err
	}
	if _, err := parseUUID("request_id", q.GetRequestId()); err != nil {
		return nil, err
	}
	e, c, err := s.exception(machine, q)
	if err != nil {
		return nil, err
	}
	out := &pb.ImportExceptionResponse{Edition: editionOf(e, c)}
	if out.Effect, err = s.foresee(ctx, machine, c); err != nil {
		return nil, err
	}
	err = s.view(ctx, machine, func(st *maintenance.State) {
		if st.Chart != nil {
			out.Changes = Changes(st.Chart, c)
		}
	})
	if err != nil || q.GetValidateOnly() || out.Effect.Refused != "" {
		return out, err
	}
	if e, err = s.o.Office.PutEdition(ctx, e); err != nil {
		return nil, again(err, c)
	}
	if err := (&machines{API: s.API}).take(ctx, machine, q.GetRequestId(), e); err != nil {
		return nil, err
	}
	return out, s.charted(ctx, machine, e.Chart)
}

// exception compiles the few lines, under the number that comes next, or under
// that of the newest where that says the same.
func (s *charts) exception(machine string, q *pb.ImportExceptionRequest) (office.Edition, *maintenance.Chart, error) {
	if len(q.GetYaml()) == 0 || len(q.GetYaml()) > maxYAML {
		return office.Edition{}, nil, fault.InvalidField("yaml", fmt.Sprintf("it is %d bytes", len(q.GetYaml())), "give the few lines that differ")
	}
	c, err := chart.CompileOver(cmp.Or(q.GetFileName(), "exception.points.yaml"), []byte(q.GetYaml()), s.source)
	if err != nil {
		return office.Edition{}, nil, mistakes(err)
	}
	if c.Exception != machine {
		return office.Edition{}, nil, fault.InvalidField("yaml", "it is no exception for machine "+machine, "begin it with exception_for: "+machine+" and of: the chart and edition that it stands over")
	}
	c.ID, c.Edition = c.ID+"-for-"+machine, 1
	if err := office.CheckID("machine", c.ID); err != nil {
		return office.Edition{}, nil, err
	}
	if prior := s.o.Office.ListEditions(c.ID); len(prior) > 0 {
		if c.Edition = prior[0].Edition; c.Hash() != prior[0].Hash || !bytes.Equal(prior[0].Source, []byte(q.GetYaml())) {
			c.Edition++
		}
	}
	return office.Edition{Chart: c.ID, Edition: c.Edition, Compiled: maintenance.AppendChart(nil, c), Source: []byte(q.GetYaml()), FileName: q.GetFileName(), Hash: c.Hash()}, c, nil
}

// GetLubricationTable gives a machine's table of grease and oil.
func (s *charts) GetLubricationTable(ctx context.Context, q *pb.GetLubricationTableRequest) (*pb.GetLubricationTableResponse, error) {
	machine, err := s.onMachine(ctx, access.See, "name", q.GetName())
	if err != nil {
		return nil, err
	}
	out := &pb.GetLubricationTableResponse{}
	var failed error
	err = s.view(ctx, machine, func(st *maintenance.State) {
		if st.Chart == nil {
			return
		}
		on := mayBeOn(st)
		out.Text, failed = lubricationTable(st)
		for _, t := range tasksOfChart(st.Chart) {
			if id, err := parseTaskPath("", t.Task); err == nil && on(id) && lubricates(taskDefOf(st.Chart, id)) {
				out.Tasks = append(out.Tasks, t)
			}
		}
	})
	return out, cmp.Or(err, failed)
}

// mayBeOn tells which tasks are, or may be, on a machine.
func mayBeOn(st *maintenance.State) func(string) bool {
	not := map[string]bool{}
	for i := range st.Tasks {
		not[st.Tasks[i].ID] = st.Tasks[i].Build == maintenance.BuildNot
	}
	return func(id string) bool { return !not[id] }
}

// lubricates reports whether grease, oil or another material goes in, or must not.
func lubricates(t *maintenance.TaskDef) bool {
	return t != nil && (t.Do == "grease" || t.Do == "oil" || t.Material != "" || len(t.Dose) > 0)
}
