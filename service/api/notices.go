package api

import (
	"context"
	"fmt"
	"slices"
	"strings"

	"google.golang.org/protobuf/types/known/timestamppb"

	"github.com/hourbell/hourbell/internal/maintenance"
	"github.com/hourbell/hourbell/internal/maintenance/hours"
	"github.com/hourbell/hourbell/internal/maintenance/moment"
	pb "github.com/hourbell/hourbell/proto/hourbell/v1"
	"github.com/hourbell/hourbell/service/access"
	"github.com/hourbell/hourbell/service/fault"
	"github.com/hourbell/hourbell/service/notify"
)

// maxLater is the longest that a notice is put off, in running time.
const maxLater = 1000 * hours.Hour

type notices struct {
	pb.UnimplementedNoticeServiceServer
	*API
}

type noticeRef struct {
	machine string
	id      maintenance.NoticeID
	key     string
}

// ListNotices lists notices: those that stand first, then by stage, the newest
// first.
func (s *notices) ListNotices(ctx context.Context, q *pb.ListNoticesRequest) (*pb.ListNoticesResponse, error) {
	ids, err := s.granted(ctx, q.GetParent())
	if err != nil {
		return nil, err
	}
	p, err := newPager(q)
	if err != nil {
		return nil, err
	}
	var rows []noticeRef
	for _, id := range ids {
		err := s.view(ctx, id, func(st *maintenance.State) { rows = append(rows, noticeRefs(st, q.GetIncludeClosed())...) })
		if err != nil && !isUnknown(err) {
			return nil, err
		}
	}
	slices.SortFunc(rows, func(a, b noticeRef) int { return strings.Compare(a.key, b.key) })
	rows, next := slicePage(p, rows, func(r noticeRef) string { return r.key })
	out := &pb.ListNoticesResponse{NextPageToken: next, AnswerTime: timestamppb.New(s.o.Now())}
	for _, r := range rows {
		n, err := s.notice(ctx, r.machine, r.id)
		if err != nil && fault.Of(err).Reason == fault.NotFound {
			continue // it fell off since
		}
		if err != nil {
			return nil, err
		}
		out.Notices = append(out.Notices, n)
	}
	return out, nil
}

func noticeRefs(st *maintenance.State, closed bool) []noticeRef {
	var out []noticeRef
	for i := range st.Notices {
		n := &st.Notices[i]
		open := n.Withdrawn.IsZero()
		if !open && !closed {
			continue
		}
		out = append(out, noticeRef{st.Machine.Machine, n.ID, fmt.Sprintf("%d/%d/%s/%s/%x", rank(!open), maintenance.StageOverdue-n.Stage, latestFirst(n.Raised), st.Machine.Machine, n.ID)})
	}
	return out
}

func rank(later bool) int {
	if later {
		return 1
	}
	return 0
}

// latestFirst gives a key that orders the latest first.
func latestFirst(at moment.Span) string {
	return fmt.Sprintf("%016x", uint64(moment.Latest-min(at.NotAfter, moment.Latest)))
}

// GetNotice gives a notice.
func (s *notices) GetNotice(ctx context.Context, q *pb.GetNoticeRequest) (*pb.GetNoticeResponse, error) {
	machine, id, err := parseNotice("name", q.GetName())
	if err != nil {
		return nil, err
	}
	if _, err := s.o.Access.Machine(ctx, access.See, machine); err != nil {
		return nil, err
	}
	n, err := s.notice(ctx, machine, id)
	return &pb.GetNoticeResponse{Notice: n}, err
}

// AnswerNotice takes a person's word.
func (s *notices) AnswerNotice(ctx context.Context, q *pb.AnswerNoticeRequest) (*pb.AnswerNoticeResponse, error) {
	machine, id, err := parseNotice("name", q.GetName())
	if err != nil {
		return nil, err
	}
	if _, err := s.o.Access.Machine(ctx, access.Record, machine); err != nil {
		return nil, err
	}
	body := &maintenance.NoticeAnswer{Notice: id, Word: maintenance.NoticeWord(q.GetWord()), Later: hours.Millis(q.GetLaterMs()), Person: access.Person(ctx)}
	if err := checkAnswer(body); err != nil {
		return nil, err
	}
	if _, err := s.notice(ctx, machine, id); err != nil {
		return nil, err
	}
	_, receipt, err := s.act(ctx, machine, q.GetRequestId(), moment.At(s.now()), body)
	if err != nil {
		return nil, err
	}
	n, err := s.notice(ctx, machine, id)
	return &pb.AnswerNoticeResponse{Notice: n, Repeated: receipt.Repeats > 0}, err
}

func checkAnswer(b *maintenance.NoticeAnswer) error {
	switch {
	case b.Word != maintenance.NoticeMine && b.Word != maintenance.NoticeLater:
		return fault.InvalidField("word", fmt.Sprintf("%d is no answer", b.Word), "say mine or later; done is said by a service record")
	case b.Word == maintenance.NoticeMine && b.Later != 0:
		return fault.InvalidField("later_ms", "it goes with later only", "leave it out, or say later")
	case b.Later < 0 || b.Later > maxLater:
		return fault.InvalidField("later_ms", fmt.Sprintf("it is %d", b.Later), "give running time up to 1000 h, or leave it out for the next halt")
	}
	return nil
}

func (a *API) notice(ctx context.Context, machine string, id maintenance.NoticeID) (*pb.Notice, error) {
	var out *pb.Notice
	err := a.view(ctx, machine, func(st *maintenance.State) {
		for i := range st.Notices {
			if st.Notices[i].ID == id {
				out = noticeOf(st, &st.Notices[i])
			}
		}
	})
	if err == nil && out == nil {
		return nil, fault.Missing("notice", id.String())
	}
	return out, err
}

func noticeOf(st *maintenance.State, n *maintenance.Notice) *pb.Notice {
	machine := st.Machine.Machine
	out := &pb.Notice{
		Name: noticeName(machine, n.ID), Stage: pb.Stage(n.Stage), RaisedMoment: momentOf(n.Raised), Text: notify.Text(st, n), Closed: !n.Withdrawn.IsZero(), How: n.How,
		Word: pb.NoticeWord(n.Word), Person: n.Person, LaterAtMs: int64(n.LaterAt), LaterMeter: n.LaterOn, Cautions: cautionsOf(st.Chart, n.Task),
	}
	if n.Task != "" {
		out.Task = taskName(machine, n.Task)
	} else {
		out.Doubt = doubtName(machine, n.Doubt)
	}
	for _, f := range n.Fates {
		channel, again := notify.FateOf(f.Channel)
		out.Deliveries = append(out.Deliveries, &pb.Delivery{Channel: channel, Again: again, Word: pb.NoticeFateWord(f.Word), FateTime: stampOf(f.At)})
	}
	return out
}
