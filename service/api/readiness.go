package api

import (
	"context"
	"slices"

	"google.golang.org/protobuf/types/known/timestamppb"

	"github.com/hourbell/hourbell/internal/maintenance"
	pb "github.com/hourbell/hourbell/proto/hourbell/v1"
)

// ListReadiness says which machines are ready, and what holds the others.
func (s *machines) ListReadiness(ctx context.Context, q *pb.ListReadinessRequest) (*pb.ListReadinessResponse, error) {
	ids, err := s.granted(ctx, q.GetParent())
	if err != nil {
		return nil, err
	}
	p, err := newPager(q)
	if err != nil {
		return nil, err
	}
	ids, next := slicePage(p, ids, func(id string) string { return id })
	out := &pb.ListReadinessResponse{NextPageToken: next, AnswerTime: timestamppb.New(s.o.Now())}
	for _, id := range ids {
		err := s.view(ctx, id, func(st *maintenance.State) { out.Machines = append(out.Machines, readinessOf(st)) })
		if err != nil && !isUnknown(err) {
			return nil, err
		}
	}
	return out, nil
}

func readinessOf(st *maintenance.State) *pb.MachineReadiness {
	machine := st.Machine.Machine
	out := &pb.MachineReadiness{Machine: machineName(machine), DisplayName: st.Machine.Display}
	for _, h := range maintenance.Ready(st).Holds {
		one := &pb.ReadinessHold{Holds: h.Holds, Remark: remarkName(machine, h.Remark), Walk: walkName(machine, h.Walk), Point: h.Point, Words: h.Text, Cautions: pointCautions(st.Chart, h.Point)}
		if h.Task != "" {
			one.Task, one.Cautions = taskName(machine, h.Task), addCautions(cautionsOf(st.Chart, h.Task), one.Cautions)
		}
		for i := range st.Remarks {
			if r := &st.Remarks[i]; r.Key == h.Remark && !h.Remark.IsZero() {
				one.Part = r.Part
				one.Cautions = addCautions(one.Cautions, pointCautions(st.Chart, r.Point))
			}
		}
		out.Holds = append(out.Holds, one)
	}
	out.Ready = !slices.ContainsFunc(out.Holds, func(h *pb.ReadinessHold) bool { return h.Holds })
	return out
}
