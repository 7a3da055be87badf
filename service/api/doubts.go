package api

import (
	"context"
	"fmt"
	"slices"
	"strings"

	"google.golang.org/protobuf/types/known/timestamppb"

	"github.com/hourbell/hourbell/internal/maintenance"
	"github.com/hourbell/hourbell/internal/maintenance/moment"
	pb "github.com/hourbell/hourbell/proto/hourbell/v1"
	"github.com/hourbell/hourbell/service/access"
	"github.com/hourbell/hourbell/service/fault"
)

type doubts struct {
	pb.UnimplementedDoubtServiceServer
	*API
}

type doubtRow struct {
	doubt *pb.Doubt
	key   string
}

// ListDoubts lists doubts: open ones first, the newest first.
func (s *doubts) ListDoubts(ctx context.Context, q *pb.ListDoubtsRequest) (*pb.ListDoubtsResponse, error) {
	ids, err := s.granted(ctx, q.GetParent())
	if err != nil {
		return nil, err
	}
	p, err := newPager(q)
	if err != nil {
		return nil, err
	}
	var rows []doubtRow
	for _, id := range ids {
		err := s.view(ctx, id, func(st *maintenance.State) {
			for i := range st.Doubts {
				d := &st.Doubts[i]
				if open := d.Closed.IsZero(); open || q.GetIncludeClosed() {
					rows = append(rows, doubtRow{doubtOf(st, d), fmt.Sprintf("%d/%s/%s/%s", rank(!open), latestFirst(d.At), id, keyID(d.Key))})
				}
			}
		})
		if err != nil && !isUnknown(err) {
			return nil, err
		}
	}
	slices.SortFunc(rows, func(a, b doubtRow) int { return strings.Compare(a.key, b.key) })
	rows, next := slicePage(p, rows, func(r doubtRow) string { return r.key })
	out := &pb.ListDoubtsResponse{NextPageToken: next, AnswerTime: timestamppb.New(s.o.Now())}
	for _, r := range rows {
		out.Doubts = append(out.Doubts, r.doubt)
	}
	return out, nil
}

// AnswerDoubt resolves a doubt.
func (s *doubts) AnswerDoubt(ctx context.Context, q *pb.AnswerDoubtRequest) (*pb.AnswerDoubtResponse, error) {
	machine, key, err := parseKeyed("name", "machines/{machine}/doubts/{doubt}", q.GetName())
	if err != nil {
		return nil, err
	}
	if _, err := s.o.Access.Machine(ctx, access.Record, machine); err != nil {
		return nil, err
	}
	if _, known := pb.DoubtWord_name[int32(q.GetWord())]; !known || q.GetWord() == 0 {
		return nil, fault.InvalidField("word", fmt.Sprintf("%d is no answer", q.GetWord()), "give one of the doubt's answers")
	}
	if _, err := s.doubt(ctx, machine, key); err != nil {
		return nil, err
	}
	body := &maintenance.DoubtAnswer{Doubt: key, Word: maintenance.DoubtWord(q.GetWord()), Person: access.Person(ctx), Why: q.GetWhy()}
	_, receipt, err := s.act(ctx, machine, q.GetRequestId(), moment.At(s.now()), body)
	if err != nil {
		return nil, err
	}
	d, err := s.doubt(ctx, machine, key)
	return &pb.AnswerDoubtResponse{Doubt: d, Repeated: receipt.Repeats > 0}, err
}

func (s *doubts) doubt(ctx context.Context, machine string, key maintenance.Key) (*pb.Doubt, error) {
	var out *pb.Doubt
	err := s.view(ctx, machine, func(st *maintenance.State) {
		for i := range st.Doubts {
			if st.Doubts[i].Key == key {
				out = doubtOf(st, &st.Doubts[i])
			}
		}
	})
	if err == nil && out == nil {
		return nil, fault.Missing("doubt", keyID(key))
	}
	return out, err
}

func doubtOf(st *maintenance.State, d *maintenance.Doubt) *pb.Doubt {
	out := &pb.Doubt{Name: doubtName(st.Machine.Machine, d.Key), Kind: pb.DoubtKind(d.Kind), Meter: d.Meter, RaisedMoment: momentOf(d.At), What: d.What, Closed: !d.Closed.IsZero(), How: d.How}
	for _, key := range d.Records {
		out.Records = append(out.Records, recordName(st.Machine.Machine, key))
	}
	if !out.Closed {
		for _, word := range answers(d.Kind) {
			out.Answers = append(out.Answers, pb.DoubtWord(word))
		}
	}
	return out
}

// answers gives the words that answer a kind of doubt, as the domain takes them.
func answers(kind maintenance.DoubtKind) []maintenance.DoubtWord {
	switch kind {
	case maintenance.DoubtFell, maintenance.DoubtFast:
		return []maintenance.DoubtWord{maintenance.DoubtNewMeter, maintenance.DoubtWrong, maintenance.DoubtRight}
	case maintenance.DoubtMoved:
		return []maintenance.DoubtWord{maintenance.DoubtSameMachine}
	case maintenance.DoubtOtherBox:
		return []maintenance.DoubtWord{maintenance.DoubtSameMachine, maintenance.DoubtRight, maintenance.DoubtNewMeter}
	case maintenance.DoubtMisplaced:
		return []maintenance.DoubtWord{maintenance.DoubtWrong}
	case maintenance.DoubtSameAct:
		return []maintenance.DoubtWord{maintenance.DoubtOneAct, maintenance.DoubtTwoActs}
	case maintenance.DoubtFork:
		return []maintenance.DoubtWord{maintenance.DoubtSameMachine, maintenance.DoubtWrong}
	}
	return nil
}
