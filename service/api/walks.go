package api

import (
	"cmp"
	"context"
	"errors"
	"slices"
	"strings"

	"google.golang.org/protobuf/types/known/timestamppb"

	"github.com/hourbell/hourbell/internal/maintenance"
	"github.com/hourbell/hourbell/internal/maintenance/moment"
	pb "github.com/hourbell/hourbell/proto/hourbell/v1"
	"github.com/hourbell/hourbell/service/access"
	"github.com/hourbell/hourbell/service/fault"
)

type walks struct {
	pb.UnimplementedWalkServiceServer
	*API
}

// BeginWalk begins a walk-round.
func (s *walks) BeginWalk(ctx context.Context, q *pb.BeginWalkRequest) (*pb.BeginWalkResponse, error) {
	machine, err := s.onMachine(ctx, access.Record, "parent", q.GetParent())
	if err != nil {
		return nil, err
	}
	at, err := parseMoment("begun_moment", q.GetBegunMoment(), s.o.Now())
	if err != nil {
		return nil, err
	}
	if err := s.occasion(ctx, machine, q.GetOccasion()); err != nil {
		return nil, err
	}
	date, err := s.dayAt(ctx, machine, "date", at, q.GetDate())
	if err != nil {
		return nil, err
	}
	body := &maintenance.Walk{Act: maintenance.WalkBegin, Occasion: q.GetOccasion(), Date: date, Person: access.Person(ctx)}
	key, receipt, err := s.act(ctx, machine, q.GetRequestId(), at, body)
	if err != nil {
		return nil, err
	}
	w, err := s.walk(ctx, machine, key)
	return &pb.BeginWalkResponse{Walk: w, Repeated: receipt.Repeats > 0}, err
}

// occasion holds a request to an occasion of the machine's chart.
func (s *walks) occasion(ctx context.Context, machine, occasion string) error {
	var have []string
	found := false
	err := s.view(ctx, machine, func(st *maintenance.State) {
		if st.Chart == nil {
			return
		}
		for i := range st.Chart.Walks {
			have = append(have, st.Chart.Walks[i].ID)
			found = found || st.Chart.Walks[i].ID == occasion
		}
	})
	if err != nil || found {
		return err
	}
	return noOccasion(occasion, have)
}

func noOccasion(occasion string, have []string) error {
	do := "the machine's chart has none; add one to it"
	if len(have) > 0 {
		do = "name one of " + strings.Join(have, ", ")
	}
	return fault.InvalidField("occasion", "the machine's chart has no occasion "+cut(occasion), do)
}

// AnswerWalk answers lines, all at once or none.
func (s *walks) AnswerWalk(ctx context.Context, q *pb.AnswerWalkRequest) (*pb.AnswerWalkResponse, error) {
	machine, key, err := s.onKeyed(ctx, access.Record, walkPattern, q.GetName())
	if err != nil {
		return nil, err
	}
	body := &maintenance.Walk{Act: maintenance.WalkAnswer, Walk: key, As: s.partOf(access.Person(ctx))}
	if len(q.GetAnswers()) == 0 {
		return nil, fault.InvalidField("answers", "none is given", "answer a line or more")
	}
	for i, one := range q.GetAnswers() {
		looked, err := s.looked(machine, fieldAt("answers", i), one)
		if err != nil {
			return nil, err
		}
		body.Looked = append(body.Looked, looked)
	}
	w, repeated, err := s.step(ctx, machine, key, q.GetRequestId(), body)
	return &pb.AnswerWalkResponse{Walk: w, Repeated: repeated}, err
}

// looked reads one line's answer.
func (s *walks) looked(machine, field string, q *pb.WalkLineAnswer) (out maintenance.Looked, err error) {
	if out.Task, err = taskUnder(field+".task", machine, q.GetTask()); err != nil {
		return out, err
	}
	if q.GetAnswer() == 0 {
		return out, fault.InvalidField(field+".answer", "no answer is given", "say in order, remark, not looked or not here")
	}
	if err := cmp.Or(known(field+".answer", pb.WalkAnswer_name, int32(q.GetAnswer()), "answer"), known(field+".verdict", pb.RemarkVerdict_name, int32(q.GetVerdict()), "verdict")); err != nil {
		return out, err
	}
	out.Word, out.Text, out.Verdict = maintenance.LookedWord(q.GetAnswer()), q.GetText(), maintenance.RunVerdict(q.GetVerdict())
	out.Measured = measuredOf(machine, q.GetMeasured())
	for i := range out.Measured {
		out.Measured[i].Task = cmp.Or(out.Measured[i].Task, out.Task)
	}
	out.Pictures, err = s.pictured(machine, field+".pictures", q.GetPictures())
	return out, err
}

// SignWalk signs a walk-round.
func (s *walks) SignWalk(ctx context.Context, q *pb.SignWalkRequest) (*pb.SignWalkResponse, error) {
	machine, key, err := s.onKeyed(ctx, access.Record, walkPattern, q.GetName())
	if err != nil {
		return nil, err
	}
	w, repeated, err := s.step(ctx, machine, key, q.GetRequestId(), &maintenance.Walk{Act: maintenance.WalkSign, Walk: key, As: q.GetSignAs()})
	return &pb.SignWalkResponse{Walk: w, Repeated: repeated}, err
}

// LeaveWalk gives a walk-round up.
func (s *walks) LeaveWalk(ctx context.Context, q *pb.LeaveWalkRequest) (*pb.LeaveWalkResponse, error) {
	machine, key, err := s.onKeyed(ctx, access.Record, walkPattern, q.GetName())
	if err != nil {
		return nil, err
	}
	if q.GetWhy() == "" {
		return nil, fault.InvalidField("why", "no reason is given", "say in words why it is given up")
	}
	w, repeated, err := s.step(ctx, machine, key, q.GetRequestId(), &maintenance.Walk{Act: maintenance.WalkLeave, Walk: key, Why: q.GetWhy()})
	return &pb.LeaveWalkResponse{Walk: w, Repeated: repeated}, err
}

// step brings a step of a walk-round that has begun.
func (s *walks) step(ctx context.Context, machine string, key maintenance.Key, requestID string, body *maintenance.Walk) (*pb.WalkRound, bool, error) {
	if _, err := s.walk(ctx, machine, key); err != nil {
		return nil, false, err
	}
	at := s.now()
	date, err := s.dayAt(ctx, machine, "date", moment.At(at), nil)
	if err != nil {
		return nil, false, err
	}
	body.Date, body.Person = date, access.Person(ctx)
	_, receipt, err := s.act(ctx, machine, requestID, moment.At(at), body)
	if err != nil {
		return nil, false, err
	}
	w, err := s.walk(ctx, machine, key)
	return w, receipt.Repeats > 0, err
}

// GetWalk gives a walk-round with its lines.
func (s *walks) GetWalk(ctx context.Context, q *pb.GetWalkRequest) (*pb.GetWalkResponse, error) {
	machine, key, err := s.onKeyed(ctx, access.See, walkPattern, q.GetName())
	if err != nil {
		return nil, err
	}
	w, err := s.walk(ctx, machine, key)
	return &pb.GetWalkResponse{Walk: w}, err
}

func (a *API) walk(ctx context.Context, machine string, key maintenance.Key) (*pb.WalkRound, error) {
	var out *pb.WalkRound
	err := a.view(ctx, machine, func(st *maintenance.State) {
		for i := range st.Walks {
			if st.Walks[i].Key != key {
				continue
			}
			out = walkOf(st, &st.Walks[i])
			if lines, err := sheet(st, st.Walks[i].Occasion, key); err == nil {
				out.Sheet = sheetTo(st, &lines)
			}
		}
	})
	if err == nil && out == nil {
		return nil, fault.Missing("walk-round", keyID(key))
	}
	return out, err
}

type walkRow struct {
	walk *pb.WalkRound
	key  string
}

// ListWalks lists walk-rounds, the latest first.
func (s *walks) ListWalks(ctx context.Context, q *pb.ListWalksRequest) (*pb.ListWalksResponse, error) {
	ids, err := s.granted(ctx, q.GetParent())
	if err != nil {
		return nil, err
	}
	p, err := newPager(q)
	if err != nil {
		return nil, err
	}
	var rows []walkRow
	for _, id := range ids {
		err := s.view(ctx, id, func(st *maintenance.State) {
			for i := range st.Walks {
				w := &st.Walks[i]
				rows = append(rows, walkRow{walkOf(st, w), latestFirst(w.At) + "/" + id + "/" + keyID(w.Key)})
			}
		})
		if err != nil && !isUnknown(err) {
			return nil, err
		}
	}
	slices.SortFunc(rows, func(a, b walkRow) int { return strings.Compare(a.key, b.key) })
	rows, next := slicePage(p, rows, func(r walkRow) string { return r.key })
	out := &pb.ListWalksResponse{NextPageToken: next, AnswerTime: timestamppb.New(s.o.Now())}
	for _, r := range rows {
		out.Walks = append(out.Walks, r.walk)
	}
	return out, nil
}

// GetWalkSheet gives the sheet of an occasion.
func (s *walks) GetWalkSheet(ctx context.Context, q *pb.GetWalkSheetRequest) (*pb.GetWalkSheetResponse, error) {
	machine, err := s.onMachine(ctx, access.See, "parent", q.GetParent())
	if err != nil {
		return nil, err
	}
	if err := s.occasion(ctx, machine, q.GetOccasion()); err != nil {
		return nil, err
	}
	out := &pb.GetWalkSheetResponse{}
	var failed error
	err = s.view(ctx, machine, func(st *maintenance.State) {
		var lines sheetOf
		if lines, failed = sheet(st, q.GetOccasion(), maintenance.Key{}); failed == nil {
			out.Sheet, out.MachineDisplayName, out.Edition = sheetTo(st, &lines), st.Machine.Display, editionName(st.Chart.ID, st.Chart.Edition)
		}
	})
	if errors.Is(failed, errNoOccasion) {
		failed = noOccasion(q.GetOccasion(), nil)
	}
	return out, cmp.Or(err, failed)
}

func walkOf(st *maintenance.State, w *maintenance.WalkSeen) *pb.WalkRound {
	out := &pb.WalkRound{
		Name: walkName(st.Machine.Machine, w.Key), Occasion: w.Occasion, BegunMoment: momentOf(w.At), Date: dateOf(w.Date), Person: w.Person,
		Signed: !w.Signed.IsZero(), SignedBy: w.SignedBy, SignedAs: w.SignedAs, Left: !w.Left.IsZero(), LeftWhy: w.Why, Counts: &pb.WalkCounts{},
	}
	if w.Chart != "" {
		out.Edition = editionName(w.Chart, w.Edition)
	}
	if def := walkDef(st.Chart, w.Occasion); def != nil {
		out.OccasionCall = def.Call
	}
	for i := range w.Looked {
		switch w.Looked[i].Word {
		case maintenance.LookedInOrder:
			out.Counts.InOrder++
		case maintenance.LookedRemark:
			out.Counts.Remarks++
		case maintenance.LookedNotHere:
			out.Counts.NotHere++
		}
	}
	out.Counts.Lines = int32(len(w.Looked))
	if lines, err := sheet(st, w.Occasion, w.Key); err == nil {
		out.Counts.Lines = int32(len(lines.Lines))
	}
	out.Counts.NotLooked = max(out.Counts.Lines-out.Counts.InOrder-out.Counts.Remarks-out.Counts.NotHere, 0)
	return out
}

// sheetTo gives a sheet's lines with all that a person needs at the machine.
func sheetTo(st *maintenance.State, in *sheetOf) *pb.WalkSheet {
	out := &pb.WalkSheet{Occasion: in.Walk.ID, OccasionCall: in.Walk.Call, Signer: pb.WalkSigner(in.Walk.Sign) + pb.WalkSigner_WALK_SIGNER_NOBODY, TraitsAsked: in.Asked, Struck: in.Struck}
	for i := range in.Lines {
		line := lineTo(st, &in.Lines[i])
		out.Lines = append(out.Lines, line)
		out.Cautions = addCautions(out.Cautions, line.Cautions)
	}
	return out
}

func lineTo(st *maintenance.State, in *sheetLine) *pb.WalkLine {
	machine := st.Machine.Machine
	out := &pb.WalkLine{Task: taskName(machine, in.Task), Cautions: cautionsOf(st.Chart, in.Task), BuildAsked: in.Build == maintenance.BuildAsked, BuildWhy: in.Question, LeftWords: in.Left, Spots: in.Spots}
	if t := taskDefOf(st.Chart, in.Task); t != nil {
		p := pointOf(st.Chart, t.Point)
		out.Do, out.Call, out.Work, out.SignOff = t.Do, t.Call, workOf(st.Chart, t), t.SignOff
		out.PointCall, out.Station, out.Side, out.Reach = cmp.Or(p.Call, p.ID), int32(p.Station), p.Side, p.Reach
		for i := range st.Remarks {
			if r := &st.Remarks[i]; r.Closed.IsZero() && r.Point == t.Point {
				out.OpenRemarks = append(out.OpenRemarks, remarkName(machine, r.Key))
			}
		}
	}
	if l := in.Looked; l != nil {
		out.Answer, out.AnswerText, out.Person = pb.WalkAnswer(l.Word), l.Text, l.Person
	}
	return out
}
