package api

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"

	"google.golang.org/protobuf/types/known/timestamppb"

	"github.com/hourbell/hourbell/internal/maintenance"
	"github.com/hourbell/hourbell/internal/maintenance/civil"
	pb "github.com/hourbell/hourbell/proto/hourbell/v1"
	"github.com/hourbell/hourbell/service/access"
	"github.com/hourbell/hourbell/service/fault"
	"github.com/hourbell/hourbell/service/pictures"
)

type remarks struct {
	pb.UnimplementedRemarkServiceServer
	*API
}

// CreateRemark writes down what was found.
func (s *remarks) CreateRemark(ctx context.Context, q *pb.CreateRemarkRequest) (*pb.CreateRemarkResponse, error) {
	machine, err := s.onMachine(ctx, access.Record, "parent", q.GetParent())
	if err != nil {
		return nil, err
	}
	at, err := parseMoment("remark.found_moment", q.GetRemark().GetFoundMoment(), s.o.Now())
	if err != nil {
		return nil, err
	}
	body, err := s.found(ctx, machine, q.GetRemark())
	if err != nil {
		return nil, err
	}
	key, receipt, err := s.act(ctx, machine, q.GetRequestId(), at, body)
	if err != nil {
		return nil, err
	}
	r, err := s.remark(ctx, machine, key)
	return &pb.CreateRemarkResponse{Remark: r, Repeated: receipt.Repeats > 0}, err
}

// found reads a remark out of a request.
func (s *remarks) found(ctx context.Context, machine string, r *pb.MachineRemark) (*maintenance.Remark, error) {
	body := &maintenance.Remark{Point: r.GetPoint(), Name: r.GetChartRemark(), Text: r.GetText(), Part: r.GetPart(), DoBy: civil.None, Person: access.Person(ctx)}
	if r.GetVerdict() == pb.RemarkVerdict_REMARK_VERDICT_UNSPECIFIED {
		return nil, fault.InvalidField("remark.verdict", "no verdict is given", "say whether the machine may run: run, watch or do not run")
	}
	if err := known("remark.verdict", pb.RemarkVerdict_name, int32(r.GetVerdict()), "verdict"); err != nil {
		return nil, err
	}
	body.Verdict = maintenance.RunVerdict(r.GetVerdict())
	var err error
	if r.GetTask() != "" {
		if body.Task, err = taskUnder("remark.task", machine, r.GetTask()); err != nil {
			return nil, err
		}
		if body.Point == "" {
			body.Point, _, _ = strings.Cut(body.Task, "/")
		}
	}
	if r.GetDoByDate() != nil {
		if body.DoBy, err = parseDate("remark.do_by_date", r.GetDoByDate()); err != nil {
			return nil, err
		}
	}
	if body.Walk, err = keyedUnder("remark.walk", machine, walkPattern, r.GetWalk()); err != nil {
		return nil, err
	}
	body.Pictures, err = s.pictured(machine, "remark.pictures", r.GetPictures())
	return body, err
}

// pictured reads the names of pictures that were uploaded for a machine.
func (a *API) pictured(machine, field string, names []string) ([][32]byte, error) {
	var out [][32]byte
	for i, name := range names {
		of, sum, err := parsePicture(fieldAt(field, i), name)
		switch {
		case err != nil:
			return nil, err
		case of != machine || a.o.Pictures == nil || !a.o.Pictures.Has(machine, sum):
			return nil, fault.InvalidField(fieldAt(field, i), "there is no such picture of this machine", "upload it first, and give the name that is answered")
		case !slices.Contains(out, sum):
			out = append(out, sum)
		}
	}
	return out, nil
}

// GetRemark gives a remark.
func (s *remarks) GetRemark(ctx context.Context, q *pb.GetRemarkRequest) (*pb.GetRemarkResponse, error) {
	machine, key, err := s.onKeyed(ctx, access.See, remarkPattern, q.GetName())
	if err != nil {
		return nil, err
	}
	r, err := s.remark(ctx, machine, key)
	return &pb.GetRemarkResponse{Remark: r}, err
}

func (a *API) remark(ctx context.Context, machine string, key maintenance.Key) (*pb.MachineRemark, error) {
	var out *pb.MachineRemark
	err := a.view(ctx, machine, func(st *maintenance.State) {
		for i := range st.Remarks {
			if st.Remarks[i].Key == key {
				out = remarkOf(st, &st.Remarks[i])
			}
		}
	})
	if err == nil && out == nil {
		return nil, fault.Missing("remark", keyID(key))
	}
	return out, err
}

type remarkRow struct {
	remark *pb.MachineRemark
	key    string
}

// ListRemarks lists remarks: open ones first, the gravest and the most pressing
// first.
func (s *remarks) ListRemarks(ctx context.Context, q *pb.ListRemarksRequest) (*pb.ListRemarksResponse, error) {
	ids, err := s.granted(ctx, q.GetParent())
	if err != nil {
		return nil, err
	}
	p, err := newPager(q)
	if err != nil {
		return nil, err
	}
	if err := known("verdict", pb.RemarkVerdict_name, int32(q.GetVerdict()), "verdict"); err != nil {
		return nil, err
	}
	var rows []remarkRow
	for _, id := range ids {
		err := s.view(ctx, id, func(st *maintenance.State) { rows = append(rows, remarkRows(st, q)...) })
		if err != nil && !isUnknown(err) {
			return nil, err
		}
	}
	slices.SortFunc(rows, func(a, b remarkRow) int { return strings.Compare(a.key, b.key) })
	rows, next := slicePage(p, rows, func(r remarkRow) string { return r.key })
	out := &pb.ListRemarksResponse{NextPageToken: next, AnswerTime: timestamppb.New(s.o.Now())}
	for _, r := range rows {
		out.Remarks = append(out.Remarks, r.remark)
	}
	return out, nil
}

// remarkRows gives a machine's remarks that a request asks for.
func remarkRows(st *maintenance.State, q *pb.ListRemarksRequest) []remarkRow {
	var out []remarkRow
	for i := range st.Remarks {
		r := &st.Remarks[i]
		open := r.Closed.IsZero()
		switch {
		case !open && !q.GetIncludeClosed():
		case q.GetVerdict() != 0 && int32(q.GetVerdict()) != int32(r.Verdict):
		case q.GetCarriedOnly() && !r.Carried, q.GetPartWantedOnly() && r.Part == "", q.GetPoint() != "" && q.GetPoint() != r.Point:
		default:
			doBy := "9999-99-99"
			if r.DoBy.Known() {
				doBy = r.DoBy.String()
			}
			out = append(out, remarkRow{remarkOf(st, r), fmt.Sprintf("%d/%d/%s/%s/%s/%s", rank(!open), maintenance.DoNotRun-r.Verdict, doBy, latestFirst(r.At), st.Machine.Machine, keyID(r.Key))})
		}
	}
	return out
}

// ChangeRemark changes a remark.
func (s *remarks) ChangeRemark(ctx context.Context, q *pb.ChangeRemarkRequest) (*pb.ChangeRemarkResponse, error) {
	if err := known("verdict", pb.RemarkVerdict_name, int32(q.GetVerdict()), "verdict"); err != nil {
		if _, _, asked := s.onKeyed(ctx, access.Record, remarkPattern, q.GetName()); asked != nil {
			return nil, asked
		}
		return nil, err
	}
	body := &maintenance.RemarkWord{Act: maintenance.RemarkChange, Verdict: maintenance.RunVerdict(q.GetVerdict()), Part: q.GetPart(), DoBy: civil.None, Why: q.GetWhy()}
	r, repeated, err := s.word(ctx, q.GetName(), q.GetRequestId(), body, func(machine string) (err error) {
		if q.GetDoByDate() != nil {
			if body.DoBy, err = parseDate("do_by_date", q.GetDoByDate()); err != nil {
				return err
			}
		}
		body.Pictures, err = s.pictured(machine, "pictures", q.GetPictures())
		if err == nil && body.Verdict == 0 && body.Part == "" && !body.DoBy.Known() && len(body.Pictures) == 0 {
			err = fault.InvalidField("verdict", "nothing is to be changed", "give a verdict, a part, a do-by or a picture")
		}
		return err
	})
	return &pb.ChangeRemarkResponse{Remark: r, Repeated: repeated}, err
}

// CloseRemark closes a remark.
func (s *remarks) CloseRemark(ctx context.Context, q *pb.CloseRemarkRequest) (*pb.CloseRemarkResponse, error) {
	body := &maintenance.RemarkWord{Act: maintenance.RemarkClose, DoBy: civil.None, Why: q.GetWhy()}
	r, repeated, err := s.word(ctx, q.GetName(), q.GetRequestId(), body, wanted("why", q.GetWhy(), "say in words why it is closed, or name it in a service record"))
	return &pb.CloseRemarkResponse{Remark: r, Repeated: repeated}, err
}

// CarryRemark carries a remark to the winter's work.
func (s *remarks) CarryRemark(ctx context.Context, q *pb.CarryRemarkRequest) (*pb.CarryRemarkResponse, error) {
	body := &maintenance.RemarkWord{Act: maintenance.RemarkCarry, DoBy: civil.None, Why: q.GetWhy()}
	r, repeated, err := s.word(ctx, q.GetName(), q.GetRequestId(), body, nil)
	return &pb.CarryRemarkResponse{Remark: r, Repeated: repeated}, err
}

// ReopenRemark opens a remark again.
func (s *remarks) ReopenRemark(ctx context.Context, q *pb.ReopenRemarkRequest) (*pb.ReopenRemarkResponse, error) {
	body := &maintenance.RemarkWord{Act: maintenance.RemarkReopen, DoBy: civil.None, Why: q.GetWhy()}
	r, repeated, err := s.word(ctx, q.GetName(), q.GetRequestId(), body, wanted("why", q.GetWhy(), "say in words why it is open again"))
	return &pb.ReopenRemarkResponse{Remark: r, Repeated: repeated}, err
}

// wanted holds a request to a text that it must carry.
func wanted(field, text, do string) func(string) error {
	return func(string) error {
		if text == "" {
			return fault.InvalidField(field, "no reason is given", do)
		}
		return nil
	}
}

// word brings a person's word on a remark; check, where there is one, is asked
// once access has been.
func (s *remarks) word(ctx context.Context, name, requestID string, body *maintenance.RemarkWord, check func(machine string) error) (*pb.MachineRemark, bool, error) {
	machine, key, err := s.onKeyed(ctx, access.Record, remarkPattern, name)
	if err != nil {
		return nil, false, err
	}
	if check != nil {
		if err := check(machine); err != nil {
			return nil, false, err
		}
	}
	if _, err := s.remark(ctx, machine, key); err != nil {
		return nil, false, err
	}
	body.Remark, body.Person = key, access.Person(ctx)
	_, receipt, err := s.doing(ctx, machine, requestID, body)
	if err != nil {
		return nil, false, err
	}
	r, err := s.remark(ctx, machine, key)
	return r, receipt.Repeats > 0, err
}

func remarkOf(st *maintenance.State, r *maintenance.RemarkSeen) *pb.MachineRemark {
	machine := st.Machine.Machine
	out := &pb.MachineRemark{
		Name: remarkName(machine, r.Key), Point: r.Point, Text: r.Text, Verdict: pb.RemarkVerdict(r.Verdict), Part: r.Part, DoByDate: dateOf(r.DoBy), Walk: walkName(machine, r.Walk),
		Person: r.Person, FoundMoment: momentOf(r.At), Carried: r.Carried, Closed: !r.Closed.IsZero(), How: r.How, ChartRemark: r.Remark.Name,
		Cautions: addCautions(cautionsOf(st.Chart, r.Task), pointCautions(st.Chart, r.Point)),
	}
	if r.Task != "" {
		out.Task = taskName(machine, r.Task)
	}
	if !r.Record.IsZero() {
		out.Record = recordName(machine, r.Record)
	}
	for _, sum := range r.Pictures {
		out.Pictures = append(out.Pictures, pictureName(machine, sum))
	}
	return out
}

type photos struct {
	pb.UnimplementedPictureServiceServer
	*API
}

// UploadPicture takes a picture.
func (s *photos) UploadPicture(ctx context.Context, q *pb.UploadPictureRequest) (*pb.UploadPictureResponse, error) {
	machine, err := s.onMachine(ctx, access.Record, "parent", q.GetParent())
	if err != nil {
		return nil, err
	}
	if _, err := parseUUID("request_id", q.GetRequestId()); err != nil {
		return nil, err
	}
	if s.o.Pictures == nil {
		return nil, errNoPictures
	}
	p, had, err := s.o.Pictures.Put(ctx, machine, q.GetImage())
	if err != nil {
		return nil, err
	}
	return &pb.UploadPictureResponse{Picture: pictureOf(machine, p), Repeated: had}, nil
}

var errNoPictures = fault.New(fault.Refused, "this service keeps no pictures; ask whoever runs it to give it a folder for them")

// GetPicture gives a picture.
func (s *photos) GetPicture(ctx context.Context, q *pb.GetPictureRequest) (*pb.GetPictureResponse, error) {
	machine, sum, err := parsePicture("name", q.GetName())
	if err != nil {
		return nil, err
	}
	if _, err := s.o.Access.Machine(ctx, access.See, machine); err != nil {
		return nil, err
	}
	if s.o.Pictures == nil {
		return nil, errNoPictures
	}
	p, b, err := s.o.Pictures.Get(machine, sum)
	if errors.Is(err, pictures.ErrNone) {
		return nil, fault.Missing("picture", fmt.Sprintf("%x", sum))
	}
	if err != nil {
		return nil, err
	}
	return &pb.GetPictureResponse{Picture: pictureOf(machine, p), Image: b}, nil
}

func pictureOf(machine string, p pictures.Picture) *pb.MachinePicture {
	return &pb.MachinePicture{Name: pictureName(machine, p.Sum), WidthPixels: int32(p.Width), HeightPixels: int32(p.Height), SizeBytes: p.Bytes}
}
