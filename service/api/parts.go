package api

import (
	"context"
	"slices"
	"strings"

	"github.com/hourbell/hourbell/internal/maintenance"
	pb "github.com/hourbell/hourbell/proto/hourbell/v1"
	"github.com/hourbell/hourbell/service/access"
)

type parts struct {
	pb.UnimplementedPartServiceServer
	*API
}

// ListParts lists a machine's tracked parts.
func (s *parts) ListParts(ctx context.Context, q *pb.ListPartsRequest) (*pb.ListPartsResponse, error) {
	machine, err := s.onMachine(ctx, access.See, "parent", q.GetParent())
	if err != nil {
		return nil, err
	}
	p, err := newPager(q)
	if err != nil {
		return nil, err
	}
	out := &pb.ListPartsResponse{}
	err = s.view(ctx, machine, func(st *maintenance.State) { out.Parts = partsOf(st) })
	if err != nil {
		return nil, err
	}
	out.Parts, out.NextPageToken = slicePage(p, out.Parts, func(m *pb.MachinePart) string { return m.Name })
	return out, nil
}

// partsOf gives the chart's parts and those that it no longer names, by name.
func partsOf(st *maintenance.State) []*pb.MachinePart {
	byID := map[string]*pb.MachinePart{}
	name := func(id string) string { return machineName(st.Machine.Machine) + "/parts/" + id }
	if st.Chart != nil {
		for i := range st.Chart.Parts {
			d := &st.Chart.Parts[i]
			byID[d.ID] = &pb.MachinePart{
				Name: name(d.ID), Call: d.Call, Kind: d.Kind, Size: d.Size, Meter: d.Meter, Spare: d.Spare, Numbers: d.Numbers, Alternates: d.Alternates,
				LeadDays: int32(d.LeadDays), Cautions: pointCautions(st.Chart, d.ID),
			}
		}
	}
	for i := range st.Parts {
		part := &st.Parts[i]
		if byID[part.ID] == nil {
			byID[part.ID] = &pb.MachinePart{Name: name(part.ID), Gone: true}
		}
		fillPart(st, byID[part.ID], part)
	}
	out := make([]*pb.MachinePart, 0, len(byID))
	for _, m := range byID {
		out = append(out, m)
	}
	slices.SortFunc(out, func(a, b *pb.MachinePart) int { return strings.Compare(a.Name, b.Name) })
	return out
}

// fillPart gives a part its pieces, the latest first.
func fillPart(st *maintenance.State, out *pb.MachinePart, part *maintenance.Part) {
	if ran, known := pieceHours(st, part); known {
		out.HoursMs = new(int64(ran))
	}
	standing := false
	for i := len(part.Pieces) - 1; i >= 0; i-- {
		piece := &part.Pieces[i]
		one := &pb.PartPiece{
			Record: recordName(st.Machine.Machine, piece.Record), FittedMoment: momentOf(piece.At), FittedDate: dateOf(piece.Date), Variant: piece.Variant, Number: piece.Number,
			Off: piece.Off, OffReason: pb.PartOffReason(piece.Why), Note: piece.Note, Spare: piece.Spare, Voided: !piece.Void.IsZero(),
		}
		for _, m := range piece.Hours {
			one.FittedAt = append(one.FittedAt, &pb.MeterShown{Meter: m.Meter, ShownMs: int64(m.Shown)})
		}
		if ran, known := pieceRan(st, part, i); known {
			one.RanMs = new(int64(ran))
		}
		if piece.Void.IsZero() && !standing {
			standing, out.Off = true, piece.Off
		}
		out.Pieces = append(out.Pieces, one)
	}
}

// MeasureGun writes down what a stroke gives.
func (s *parts) MeasureGun(ctx context.Context, q *pb.MeasureGunRequest) (*pb.MeasureGunResponse, error) {
	machine, err := s.onMachine(ctx, access.Record, "parent", q.GetParent())
	if err != nil {
		return nil, err
	}
	at, err := parseMoment("measured_moment", q.GetMeasuredMoment(), s.o.Now())
	if err != nil {
		return nil, err
	}
	_, receipt, err := s.act(ctx, machine, q.GetRequestId(), at, &maintenance.GunMeasured{Gun: q.GetGun(), Micro: q.GetStrokeMicrograms(), Person: access.Person(ctx)})
	if err != nil {
		return nil, err
	}
	out := &pb.MeasureGunResponse{Repeated: receipt.Repeats > 0}
	err = s.view(ctx, machine, func(st *maintenance.State) {
		for i := range st.Guns {
			if st.Guns[i].Gun == q.GetGun() {
				out.Gun = gunOf(&st.Guns[i])
			}
		}
	})
	return out, err
}

// ListGuns lists a machine's grease guns.
func (s *parts) ListGuns(ctx context.Context, q *pb.ListGunsRequest) (*pb.ListGunsResponse, error) {
	machine, err := s.onMachine(ctx, access.See, "parent", q.GetParent())
	if err != nil {
		return nil, err
	}
	p, err := newPager(q)
	if err != nil {
		return nil, err
	}
	out := &pb.ListGunsResponse{}
	err = s.view(ctx, machine, func(st *maintenance.State) {
		for i := range st.Guns {
			out.Guns = append(out.Guns, gunOf(&st.Guns[i]))
		}
	})
	if err != nil {
		return nil, err
	}
	out.Guns, out.NextPageToken = slicePage(p, out.Guns, func(g *pb.GreaseGun) string { return g.Gun })
	return out, nil
}

func gunOf(g *maintenance.GunSeen) *pb.GreaseGun {
	return &pb.GreaseGun{Gun: g.Gun, StrokeMicrograms: g.Micro, MeasuredMoment: momentOf(g.At)}
}
