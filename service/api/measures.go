package api

import (
	"context"

	"github.com/hourbell/hourbell/internal/maintenance"
	"github.com/hourbell/hourbell/internal/trend"
	pb "github.com/hourbell/hourbell/proto/hourbell/v1"
	"github.com/hourbell/hourbell/service/access"
	"github.com/hourbell/hourbell/service/fault"
)

type measures struct {
	pb.UnimplementedMeasureServiceServer
	*API
}

// ListMeasures lists what was measured, spot by spot.
func (s *measures) ListMeasures(ctx context.Context, q *pb.ListMeasuresRequest) (*pb.ListMeasuresResponse, error) {
	machine, err := s.onMachine(ctx, access.See, "parent", q.GetParent())
	if err != nil {
		return nil, err
	}
	only := ""
	if q.GetTask() != "" {
		of, task, err := parseTask("task", q.GetTask())
		if err != nil {
			return nil, err
		}
		if of != machine {
			return nil, fault.InvalidField("task", "it is of another machine", "name a task of "+machine)
		}
		if _, err := s.task(ctx, machine, task); err != nil {
			return nil, err
		}
		only = task
	}
	p, err := newPager(q)
	if err != nil {
		return nil, err
	}
	out := &pb.ListMeasuresResponse{}
	err = s.view(ctx, machine, func(st *maintenance.State) { out.Spots = spotsOf(st, only) })
	if err != nil {
		return nil, err
	}
	out.Spots, out.NextPageToken = slicePage(p, out.Spots, func(m *pb.MeasuredSpot) string { return m.Task + "/" + m.Spot })
	return out, nil
}

// spotsOf gives the spots of every measure of the chart, or of one task's.
func spotsOf(st *maintenance.State, only string) (out []*pb.MeasuredSpot) {
	if st.Chart == nil {
		return nil
	}
	for i := range st.Chart.Tasks {
		def := &st.Chart.Tasks[i]
		if len(def.Measure) == 0 || only != "" && def.ID != only {
			continue
		}
		for _, t := range trend.OfTask(st, def.ID) {
			out = append(out, spotOf(st, def, &t))
		}
	}
	return out
}

func spotOf(st *maintenance.State, def *maintenance.TaskDef, t *trend.Trend) *pb.MeasuredSpot {
	d := &def.Measure[0]
	out := &pb.MeasuredSpot{
		Task: taskName(st.Machine.Machine, def.ID), Call: def.Call, Spot: t.Spot, What: d.What, Unit: d.Unit, Meter: d.Meter, Limits: judgeWords(d),
		Cautions: cautionsOf(st.Chart, def.ID), Trend: trendOf(t),
	}
	for i := range st.Measures {
		if m := &st.Measures[i]; m.Task == def.ID && m.Spot == t.Spot {
			for j := range m.Values {
				out.Values = append(out.Values, measuredValue(st.Machine.Machine, &m.Values[j]))
				if v := &m.Values[j]; v.Void.IsZero() {
					out.Stands = standsOf(d, v)
				}
			}
		}
	}
	return out
}

func standsOf(d *maintenance.MeasureDef, v *maintenance.MeasuredAt) string {
	_, text := maintenance.Judge(d, v.Micro)
	if d.Gauge != maintenance.GaugeNone {
		_, text = maintenance.JudgeGauge(d, v.State)
	}
	return text
}

func measuredValue(machine string, v *maintenance.MeasuredAt) *pb.MeasuredValue {
	out := &pb.MeasuredValue{
		Record: recordName(machine, v.Record), MeasuredMoment: momentOf(v.At), MeasuredDate: dateOf(v.Date), Left: v.Left, Micro: v.Micro, Gauge: v.State, Voided: !v.Void.IsZero(),
	}
	if v.Hours >= 0 {
		out.HoursMs = new(int64(v.Hours))
	}
	return out
}

func trendOf(t *trend.Trend) *pb.MeasureTrend {
	out := &pb.MeasureTrend{Said: t.Said, Words: t.Why, Values: int32(t.Values)}
	if t.Said {
		out.Words, out.SlopeMicro, out.SlopeLowMicro, out.SlopeHighMicro = t.Text, t.Slope, t.SlopeLo, t.SlopeHi
		out.Ok, out.Act = reachOf(&t.Ok), reachOf(&t.Act)
	}
	return out
}

func reachOf(r *trend.Reach) *pb.MeasureReach {
	if r.Word == trend.ReachNone {
		return nil
	}
	out := &pb.MeasureReach{Words: r.Text, LimitMicro: r.Limit}
	if r.Word != trend.ReachFar {
		out.LikelyMs, out.EarliestMs = new(int64(r.Likely)), new(int64(r.Earliest))
		if !r.Open {
			out.LatestMs = new(int64(r.Latest))
		}
	}
	return out
}
