package api

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"slices"

	"github.com/hourbell/hourbell/internal/chart"
	"github.com/hourbell/hourbell/internal/maintenance"
	pb "github.com/hourbell/hourbell/proto/hourbell/v1"
	"github.com/hourbell/hourbell/service/access"
	"github.com/hourbell/hourbell/service/fault"
	"github.com/hourbell/hourbell/service/office"
)

// maxYAML is the largest chart that is taken, in bytes.
const maxYAML = 1 << 20

type charts struct {
	pb.UnimplementedChartServiceServer
	*API
}

// ImportEdition compiles a chart and keeps it.
func (s *charts) ImportEdition(ctx context.Context, q *pb.ImportEditionRequest) (*pb.ImportEditionResponse, error) {
	if err := s.o.Access.Check(ctx, access.Office, access.Resource{}); err != nil {
		return nil, err
	}
	if _, err := parseUUID("request_id", q.GetRequestId()); err != nil {
		return nil, err
	}
	if len(q.GetYaml()) > maxYAML {
		return nil, fault.InvalidField("yaml", fmt.Sprintf("it is %d bytes", len(q.GetYaml())), fmt.Sprintf("a chart has at most %d", maxYAML))
	}
	compiled, err := chart.CompileOver(cmp.Or(q.GetFileName(), "chart.points.yaml"), []byte(q.GetYaml()), s.source)
	if err != nil {
		return nil, mistakes(err)
	}
	if compiled.Exception != "" {
		return nil, fault.InvalidField("yaml", "it is an exception for machine "+cut(compiled.Exception), "bring it to that machine")
	}
	e := office.Edition{
		Chart: compiled.ID, Edition: compiled.Edition, Compiled: maintenance.AppendChart(nil, compiled), Source: []byte(q.GetYaml()), FileName: q.GetFileName(), Hash: compiled.Hash(),
	}
	if !q.GetValidateOnly() {
		if e, err = s.o.Office.PutEdition(ctx, e); err != nil {
			return nil, again(err, compiled)
		}
	}
	return &pb.ImportEditionResponse{Edition: editionOf(e, compiled)}, nil
}

// source gives the YAML of an edition that another chart stands on.
func (s *charts) source(id string, edition uint32) ([]byte, error) {
	e, err := s.o.Office.Edition(id, edition)
	return e.Source, err
}

// mistakes tells every mistake of a chart at once, each as a field of its own.
func mistakes(err error) error {
	var list chart.Errors
	if !errors.As(err, &list) {
		return fault.InvalidField("yaml", err.Error(), "")
	}
	f := fault.Fault{Reason: fault.FieldInvalid, Text: list.Error(), Meta: map[string]string{"mistakes": fmt.Sprint(len(list))}}
	for _, e := range list {
		f.Fields = append(f.Fields, fault.Field{Path: "yaml", Why: e.Error()})
	}
	return &fault.Error{Is: f}
}

// again says what to do where an edition stands with other content.
func again(err error, c *maintenance.Chart) error {
	var exists *office.AlreadyExists
	if !errors.As(err, &exists) {
		return err
	}
	return fault.New(fault.AlreadyExists, fmt.Sprintf("edition %d of chart %s stands with other content, and records were made under it: give the changed chart a higher edition", c.Edition, c.ID),
		"chart", c.ID, "edition", fmt.Sprint(c.Edition))
}

// GetEdition gives an edition whole.
func (s *charts) GetEdition(ctx context.Context, q *pb.GetEditionRequest) (*pb.GetEditionResponse, error) {
	if err := s.o.Access.Anywhere(ctx, access.See); err != nil {
		return nil, err
	}
	e, err := s.edition("name", q.GetName())
	if err != nil {
		return nil, err
	}
	compiled, err := maintenance.DecodeChart(e.Compiled)
	if err != nil {
		return nil, fmt.Errorf("read edition %d of chart %s: %w", e.Edition, e.Chart, err)
	}
	out := editionOf(e, compiled)
	out.Yaml = string(e.Source)
	out.Tasks = tasksOfChart(compiled)
	return &pb.GetEditionResponse{Edition: out}, nil
}

// ListEditions lists editions, by chart and the newest first.
func (s *charts) ListEditions(ctx context.Context, q *pb.ListEditionsRequest) (*pb.ListEditionsResponse, error) {
	if err := s.o.Access.Anywhere(ctx, access.See); err != nil {
		return nil, err
	}
	parts, err := parse("parent", "charts/{chart}", q.GetParent())
	if err != nil {
		return nil, err
	}
	p, err := newPager(q)
	if err != nil {
		return nil, err
	}
	which := parts[0]
	if which == all {
		which = ""
	}
	editions := s.o.Office.ListEditions(which)
	if which != "" && len(editions) == 0 {
		return nil, &office.NotFound{Kind: "chart", Name: which}
	}
	rows, next := slicePage(p, editions, func(e office.Edition) string {
		return fmt.Sprintf("%s/%010d", e.Chart, ^uint32(0)-e.Edition)
	})
	out := &pb.ListEditionsResponse{NextPageToken: next}
	for _, e := range rows {
		compiled, err := maintenance.DecodeChart(e.Compiled)
		if err != nil {
			return nil, fmt.Errorf("read edition %d of chart %s: %w", e.Edition, e.Chart, err)
		}
		out.Editions = append(out.Editions, editionOf(e, compiled))
	}
	return out, nil
}

func editionOf(e office.Edition, c *maintenance.Chart) *pb.Edition {
	return &pb.Edition{Name: editionName(e.Chart, e.Edition), Hash: fmt.Sprintf("%x", e.Hash), CreateTime: stampOf(e.Made), Summary: Summary(c)}
}

// Summary counts what a chart holds.
func Summary(c *maintenance.Chart) *pb.ChartSummary {
	return &pb.ChartSummary{
		Meters: int32(len(c.Meters)), Signals: int32(len(c.Signals)), Codes: int32(len(c.Codes)), Drives: int32(len(c.Drives)),
		Rounds: int32(len(c.Rounds)), Points: int32(len(c.Points)), Tasks: int32(len(c.Tasks)),
	}
}

// tasksOfChart gives a chart's tasks in walking order.
func tasksOfChart(c *maintenance.Chart) []*pb.ChartTask {
	points := make(map[string]maintenance.PointDef, len(c.Points))
	order := make(map[string]int, len(c.Points))
	for i, p := range chart.WalkingOrder(c.Points) {
		points[p.ID], order[p.ID] = p, i
	}
	defs := slices.Clone(c.Tasks)
	slices.SortStableFunc(defs, func(a, b maintenance.TaskDef) int { return cmp.Compare(order[a.Point], order[b.Point]) })
	var out []*pb.ChartTask
	for i := range defs {
		t, p := &defs[i], points[defs[i].Point]
		one := &pb.ChartTask{
			Task: taskPath(t.ID), Do: t.Do, Call: t.Call, Round: t.Round, Who: t.Who, Material: t.Material, Amount: t.Amount, Minutes: int32(t.Minutes),
			Cautions: cautionsOf(c, t.ID), Station: int32(p.Station), Side: p.Side, Reach: p.Reach, Work: workOf(c, t), PointCall: cmp.Or(p.Call, p.ID),
		}
		for j := range t.Limbs {
			one.Intervals = append(one.Intervals, intervalOf(&t.Limbs[j]))
		}
		out = append(out, one)
	}
	return out
}

func intervalOf(l *maintenance.Limb) *pb.ChartInterval {
	out := &pb.ChartInterval{Meter: l.Meter, Words: limbWords(l)}
	switch l.Kind {
	case maintenance.LimbMonths:
		out.Every = &pb.ChartInterval_EveryMonths{EveryMonths: int32(l.Months)}
	case maintenance.LimbDays:
		out.Every = &pb.ChartInterval_EveryDaysWorked{EveryDaysWorked: int32(l.Days)}
	case maintenance.LimbSeason:
		out.Every = &pb.ChartInterval_EverySeasons{EverySeasons: int32(max(l.Seasons, 1))}
	case maintenance.LimbCounted:
		out.Every = &pb.ChartInterval_EveryCountMilli{EveryCountMilli: l.Count}
	default:
		out.Every = &pb.ChartInterval_EveryMs{EveryMs: int64(l.Every)}
	}
	return out
}

func cautionsOf(c *maintenance.Chart, task string) []*pb.Caution {
	var out []*pb.Caution
	for _, one := range maintenance.CautionsOf(c, task) {
		out = append(out, &pb.Caution{Id: one.ID, Text: one.Text})
	}
	return out
}
