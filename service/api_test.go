package service_test

import (
	"context"
	"crypto/rand"
	"fmt"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"google.golang.org/genproto/googleapis/rpc/errdetails"
	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/encoding/prototext"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	pb "github.com/hourbell/hourbell/proto/hourbell/v1"
	"github.com/hourbell/hourbell/service/fault"
)

func protoText(m proto.Message) string { return prototext.Format(m) }

func uuid() string {
	var b [16]byte
	_, _ = rand.Read(b[:])
	return fmt.Sprintf("%x-%x-%x-%x-%x", b[0:4], b[4:6], b[6:8], b[8:10], b[10:])
}

const hour = 3_600_000

// read records hours a while ago.
func (r *rig) read(machine string, hours float64, ago time.Duration) *pb.RecordHoursResponse {
	r.t.Helper()
	a, err := pb.NewReadingServiceClient(r.conn).RecordHours(r.ctx, &pb.RecordHoursRequest{
		Parent: "machines/" + machine, Meter: "engine", ShownMs: int64(hours * hour), ReadTime: r.before(ago), RequestId: uuid(),
	})
	require.NoError(r.t, err)
	return a
}

const day = 24 * time.Hour

// TestErrorsTellFieldReasonAndDomain holds errors to google.rpc's details.
func TestErrorsTellFieldReasonAndDomain(t *testing.T) {
	r := start(t)
	r.fleet()
	for _, c := range []struct {
		name  string
		call  func() error
		code  codes.Code
		field string
	}{
		{"size", func() error {
			_, err := pb.NewMachineServiceClient(r.conn).ListMachines(r.ctx, &pb.ListMachinesRequest{PageSize: -1})
			return err
		}, codes.InvalidArgument, "page_size"},
		{"name", func() error {
			_, err := pb.NewMachineServiceClient(r.conn).GetMachine(r.ctx, &pb.GetMachineRequest{Name: "machine/x"})
			return err
		}, codes.InvalidArgument, "name"},
		{"uuid", func() error {
			_, err := pb.NewServiceRecordServiceClient(r.conn).CreateServiceRecord(r.ctx, &pb.CreateServiceRecordRequest{Parent: "machines/ossa-1", Record: &pb.ServiceRecord{Round: "hour-50"}, RequestId: "7"})
			return err
		}, codes.InvalidArgument, "request_id"},
		{"round", func() error {
			_, err := pb.NewServiceRecordServiceClient(r.conn).CreateServiceRecord(r.ctx, &pb.CreateServiceRecordRequest{Parent: "machines/ossa-1", Record: &pb.ServiceRecord{Round: "none"}})
			return err
		}, codes.InvalidArgument, "record.round"},
		{"neither", func() error {
			_, err := pb.NewServiceRecordServiceClient(r.conn).CreateServiceRecord(r.ctx, &pb.CreateServiceRecordRequest{Parent: "machines/ossa-1"})
			return err
		}, codes.InvalidArgument, "record.tasks"},
		{"chart", func() error {
			_, err := pb.NewChartServiceClient(r.conn).ImportEdition(r.ctx, &pb.ImportEditionRequest{FileName: "a.points.yaml", Yaml: "chart: 7\nedition: x\n"})
			return err
		}, codes.InvalidArgument, "yaml"},
		{"negative hours", func() error {
			_, err := pb.NewReadingServiceClient(r.conn).RecordHours(r.ctx, &pb.RecordHoursRequest{Parent: "machines/ossa-1", Meter: "engine", ShownMs: -1})
			return err
		}, codes.InvalidArgument, "shown_ms"},
		{"later", func() error {
			_, err := pb.NewNoticeServiceClient(r.conn).AnswerNotice(r.ctx, &pb.AnswerNoticeRequest{Name: "machines/ossa-1/notices/" + strings.Repeat("0", 31) + "1", Word: pb.NoticeWord_NOTICE_WORD_LATER, LaterMs: -1})
			return err
		}, codes.InvalidArgument, "later_ms"},
		{"missing", func() error {
			_, err := pb.NewTaskServiceClient(r.conn).GetTask(r.ctx, &pb.GetTaskRequest{Name: "machines/ossa-1/points/a/tasks/b"})
			return err
		}, codes.NotFound, ""},
	} {
		t.Run(c.name, func(t *testing.T) {
			err := c.call()
			require.Equal(t, c.code, status.Code(err), "%v", err)
			var info *errdetails.ErrorInfo
			var bad *errdetails.BadRequest
			for _, d := range status.Convert(err).Details() {
				switch d := d.(type) {
				case *errdetails.ErrorInfo:
					info = d
				case *errdetails.BadRequest:
					bad = d
				}
			}
			require.NotNil(t, info)
			assert.Equal(t, fault.Domain, info.Domain)
			assert.Regexp(t, `^[A-Z][A-Z0-9_]{1,62}$`, info.Reason)
			if c.field != "" {
				require.NotNil(t, bad)
				assert.Equal(t, c.field, bad.FieldViolations[0].Field)
				assert.NotEmpty(t, bad.FieldViolations[0].Description)
			}
		})
	}
}

// TestEveryMistakeOfAChartIsTold counts the fields at fault.
func TestEveryMistakeOfAChartIsTold(t *testing.T) {
	r := start(t)
	_, err := pb.NewChartServiceClient(r.conn).ImportEdition(r.ctx, &pb.ImportEditionRequest{FileName: "a.points.yaml", Yaml: "chart: a\nedition: 1\nmeters:\n  engine: {group: 65253, hours: 3}\n  other: {}\n"})
	fields := fault.FieldsOf(err)
	require.Len(t, fields, 2)
	assert.Contains(t, fields[0].Why, "a.points.yaml:4:")
	assert.Contains(t, fields[1].Why, "a.points.yaml:5:")
}

func TestPagesAreBoundToTheirRequest(t *testing.T) {
	r := start(t)
	r.fleet()
	for i := range 7 {
		r.read("ossa-1", 1000+float64(i), time.Duration(7-i)*day)
	}
	readings := pb.NewReadingServiceClient(r.conn)
	var shown []int64
	token := ""
	for {
		a, err := readings.ListReadings(r.ctx, &pb.ListReadingsRequest{Parent: "machines/ossa-1", PageSize: 3, PageToken: token})
		require.NoError(t, err)
		require.LessOrEqual(t, len(a.Readings), 3)
		for _, one := range a.Readings {
			shown = append(shown, one.ShownMs/hour)
		}
		if token = a.NextPageToken; token == "" {
			break
		}
	}
	assert.Equal(t, []int64{1006, 1005, 1004, 1003, 1002, 1001, 1000}, shown)

	first, err := readings.ListReadings(r.ctx, &pb.ListReadingsRequest{Parent: "machines/ossa-1", PageSize: 3})
	require.NoError(t, err)
	_, err = readings.ListReadings(r.ctx, &pb.ListReadingsRequest{Parent: "machines/ossa-1", PageSize: 5, PageToken: first.NextPageToken})
	assert.NoError(t, err, "another size is fine")
	for name, q := range map[string]*pb.ListReadingsRequest{
		"another machine": {Parent: "machines/ossa-2", PageToken: first.NextPageToken},
		"another meter":   {Parent: "machines/ossa-1", Meter: "engine", PageToken: first.NextPageToken},
		"cut":             {Parent: "machines/ossa-1", PageToken: first.NextPageToken[:8]},
		"made up":         {Parent: "machines/ossa-1", PageToken: "abcd"},
		"no base64":       {Parent: "machines/ossa-1", PageToken: "%%%"},
	} {
		_, err := readings.ListReadings(r.ctx, q)
		assert.Equal(t, codes.InvalidArgument, status.Code(err), name)
		if fields := fault.FieldsOf(err); assert.Len(t, fields, 1, name) {
			assert.Equal(t, "page_token", fields[0].Path, name)
		}
	}
	_, err = pb.NewDoubtServiceClient(r.conn).ListDoubts(r.ctx, &pb.ListDoubtsRequest{Parent: "machines/ossa-1", PageToken: first.NextPageToken})
	assert.Equal(t, codes.InvalidArgument, status.Code(err), "a token of another method")
}

// TestListsInPages walks every list with pages of one and wants the same rows as
// in one page.
func TestListsInPages(t *testing.T) {
	r := start(t)
	r.fleet()
	for _, m := range []string{"ossa-1", "ossa-2"} {
		r.read(m, 1000, 10*day)
		_, err := pb.NewServiceRecordServiceClient(r.conn).CreateServiceRecord(r.ctx, &pb.CreateServiceRecordRequest{Parent: "machines/" + m, Record: &pb.ServiceRecord{Round: "hour-50"}})
		require.NoError(t, err)
		r.read(m, 1060, time.Hour)
		r.read(m, 1120, 0) // faster than the clock: a doubt
	}
	tasks := pb.NewTaskServiceClient(r.conn)
	whole, err := tasks.ListTasks(r.ctx, &pb.ListTasksRequest{Parent: "machines/-"})
	require.NoError(t, err)
	require.Len(t, whole.Tasks, 4)
	var names []string
	for token, first := "", true; first || token != ""; first = false {
		a, err := tasks.ListTasks(r.ctx, &pb.ListTasksRequest{Parent: "machines/-", PageSize: 1, PageToken: token})
		require.NoError(t, err)
		require.LessOrEqual(t, len(a.Tasks), 1)
		for _, one := range a.Tasks {
			names = append(names, one.Name)
		}
		token = a.NextPageToken
	}
	want := make([]string, len(whole.Tasks))
	for i, one := range whole.Tasks {
		want[i] = one.Name
	}
	assert.Equal(t, want, names)

	notices := pb.NewNoticeServiceClient(r.conn)
	n1, err := notices.ListNotices(r.ctx, &pb.ListNoticesRequest{Parent: "machines/-", PageSize: 1})
	require.NoError(t, err)
	require.Len(t, n1.Notices, 1)
	require.NotEmpty(t, n1.NextPageToken)
	n2, err := notices.ListNotices(r.ctx, &pb.ListNoticesRequest{Parent: "machines/-", PageSize: 1000, PageToken: n1.NextPageToken})
	require.NoError(t, err)
	require.NotEmpty(t, n2.Notices)
	assert.NotEqual(t, n1.Notices[0].Name, n2.Notices[0].Name)
	assert.Empty(t, n2.NextPageToken)
}

// TestARequestIDCountsOnce sends each write of a person twice.
func TestARequestIDCountsOnce(t *testing.T) {
	r := start(t)
	r.fleet()
	r.read("ossa-1", 1000, 10*day)
	records := pb.NewServiceRecordServiceClient(r.conn)
	q := &pb.CreateServiceRecordRequest{Parent: "machines/ossa-1", RequestId: uuid(), Record: &pb.ServiceRecord{Tasks: []string{"points/shaker-pivot/tasks/grease"}, DoneMoment: r.moment(10 * day)}}
	first, err := records.CreateServiceRecord(r.ctx, q)
	require.NoError(t, err)
	assert.False(t, first.Repeated)
	assert.Equal(t, []string{"machines/ossa-1/points/shaker-pivot/tasks/grease"}, first.Tasks)
	require.Len(t, first.Cautions, 1)
	again, err := records.CreateServiceRecord(r.ctx, q)
	require.NoError(t, err)
	assert.True(t, again.Repeated)
	assert.Equal(t, first.Record.Name, again.Record.Name)
	assert.Equal(t, first.Record.Revision, again.Record.Revision)
	assert.Equal(t, first.Record.DoneMoment.NotAfterTime.AsTime(), again.Record.DoneMoment.NotAfterTime.AsTime())

	other := proto.CloneOf(q)
	other.Record.Note = "something else"
	_, err = records.CreateServiceRecord(r.ctx, other)
	assert.Equal(t, codes.AlreadyExists, status.Code(err))

	void := &pb.VoidServiceRecordRequest{Name: first.Record.Name, Why: "wrong", RequestId: uuid()}
	v, err := records.VoidServiceRecord(r.ctx, void)
	require.NoError(t, err)
	assert.True(t, v.Record.Voided)
	v, err = records.VoidServiceRecord(r.ctx, void)
	require.NoError(t, err)
	assert.True(t, v.Repeated)

	reading := &pb.RecordHoursRequest{Parent: "machines/ossa-1", Meter: "engine", ShownMs: 1001 * hour, RequestId: uuid()}
	a, err := pb.NewReadingServiceClient(r.conn).RecordHours(r.ctx, reading)
	require.NoError(t, err)
	b, err := pb.NewReadingServiceClient(r.conn).RecordHours(r.ctx, reading)
	require.NoError(t, err)
	assert.True(t, b.Repeated)
	assert.Equal(t, a.Revision, b.Revision)

	list, err := records.ListServiceRecords(r.ctx, &pb.ListServiceRecordsRequest{Parent: "machines/ossa-1"})
	require.NoError(t, err)
	assert.Len(t, list.Records, 1)
}

func (r *rig) moment(ago time.Duration) *pb.Moment {
	return &pb.Moment{NotBeforeTime: r.before(ago), NotAfterTime: r.before(ago)}
}

// before gives a time some while before the rig was started.
func (r *rig) before(ago time.Duration) *timestamppb.Timestamp {
	return timestamppb.New(r.base.Add(-ago))
}

func TestAnEtagKeepsTwoWritersApart(t *testing.T) {
	r := start(t)
	r.fleet()
	machines := pb.NewMachineServiceClient(r.conn)
	m, err := machines.GetMachine(r.ctx, &pb.GetMachineRequest{Name: "machines/ossa-1"})
	require.NoError(t, err)
	_, err = pb.NewChartServiceClient(r.conn).ImportEdition(r.ctx, &pb.ImportEditionRequest{FileName: "a.points.yaml", Yaml: strings.Replace(testChart, "edition: 1", "edition: 2", 1)})
	require.NoError(t, err)
	r.read("ossa-1", 1000, 0)
	_, err = machines.TakeEdition(r.ctx, &pb.TakeEditionRequest{Name: "machines/ossa-1", Edition: "charts/ossa-rotary/editions/2", Etag: m.Machine.Etag})
	require.NoError(t, err, "a reading does not change the etag")
	_, err = machines.TakeEdition(r.ctx, &pb.TakeEditionRequest{Name: "machines/ossa-1", Edition: "charts/ossa-rotary/editions/1", Etag: m.Machine.Etag})
	assert.Equal(t, codes.Aborted, status.Code(err))
	assert.Equal(t, fault.EtagMismatch, fault.ReasonOf(err))
}

func recv(t *testing.T, s grpc.ServerStreamingClient[pb.WatchResponse]) *pb.WatchResponse {
	t.Helper()
	a, err := s.Recv()
	require.NoError(t, err)
	require.NotNil(t, a.AnswerTime)
	return a
}

func TestWatchTellsWhatStandsThenWhatChanges(t *testing.T) {
	r := start(t)
	r.fleet()
	ctx, cancel := context.WithCancel(r.ctx)
	defer cancel()
	w, err := pb.NewWatchServiceClient(r.conn).Watch(ctx, &pb.WatchRequest{Machines: []string{"machines/ossa-1"}})
	require.NoError(t, err)
	stands := recv(t, w).GetMachine()
	require.Equal(t, "machines/ossa-1", stands.GetName())
	require.Nil(t, stands.Meters[0].TotalMs)
	require.NotNil(t, recv(t, w).GetStillHere())

	r.read("ossa-2", 5, 0) // another machine: not told here
	r.read("ossa-1", 1000, time.Hour)
	c := recv(t, w).GetChange()
	require.NotNil(t, c)
	assert.Equal(t, "machines/ossa-1", c.Machine.Name)
	assert.EqualValues(t, 1000*hour, c.Machine.Meters[0].GetTotalMs())
	assert.Greater(t, c.Machine.Revision, stands.Revision)
	require.NotEmpty(t, c.Effects)
	assert.Equal(t, pb.EffectWord_EFFECT_WORD_READING_TAKEN, c.Effects[0].Word)
	assert.Equal(t, "engine", c.Effects[0].About)

	// Taken up again with what it has: nothing is told twice, and what it lacks is.
	resume := func(revision uint64) *pb.WatchResponse {
		w, err := pb.NewWatchServiceClient(r.conn).Watch(ctx, &pb.WatchRequest{Machines: []string{"machines/ossa-1"}, Have: []*pb.MachineRevision{{Machine: "machines/ossa-1", Revision: revision}}})
		require.NoError(t, err)
		return recv(t, w)
	}
	assert.NotNil(t, resume(c.Machine.Revision).GetStillHere())
	assert.NotNil(t, resume(c.Machine.Revision-1).GetMachine())
	assert.NotNil(t, resume(c.Machine.Revision+7).GetMachine(), "ahead of the service: it was restored")
}

func TestAWatchEndsWhenTheServiceStops(t *testing.T) {
	r := start(t)
	r.fleet()
	conn := r.dial()
	defer func() { require.NoError(t, conn.Close()) }()
	w, err := pb.NewWatchServiceClient(conn).Watch(r.ctx, &pb.WatchRequest{})
	require.NoError(t, err)
	for range 3 {
		recv(t, w)
	}
	r.stop()
	_, err = w.Recv()
	assert.Equal(t, codes.Unavailable, status.Code(err))
	assert.Equal(t, fault.Stopping, fault.ReasonOf(err))
}

// TestEveryTaskCarriesItsCautionsAndTimes looks at what people act on.
func TestEveryTaskCarriesItsCautionsAndTimes(t *testing.T) {
	r := start(t)
	r.fleet()
	r.read("ossa-1", 1000, 10*day)
	_, err := pb.NewServiceRecordServiceClient(r.conn).CreateServiceRecord(r.ctx, &pb.CreateServiceRecordRequest{Parent: "machines/ossa-1", Record: &pb.ServiceRecord{Tasks: []string{"points/shaker-pivot/tasks/grease", "points/engine-oil/tasks/change"}, DoneMoment: r.moment(10 * day)}})
	require.NoError(t, err)
	r.read("ossa-1", 1046, time.Hour)
	a, err := pb.NewTaskServiceClient(r.conn).ListTasks(r.ctx, &pb.ListTasksRequest{Parent: "machines/ossa-1"})
	require.NoError(t, err)
	require.Len(t, a.Tasks, 2)
	grease, oil := a.Tasks[0], a.Tasks[1]
	assert.Equal(t, pb.DueState_DUE_STATE_SOON, grease.DueState)
	assert.EqualValues(t, 46*hour, grease.Counters[0].GetSinceMs())
	assert.EqualValues(t, 4*hour, grease.Counters[0].GetLeftMs())
	assert.Equal(t, "Engine off, key out, wait until every part stands still", grease.Cautions[0].Text)
	require.NotNil(t, grease.Counters[0].AsOfMoment)
	require.NotNil(t, grease.SinceMoment)
	assert.Equal(t, "50 h grease round", grease.RoundCall)
	assert.NotEmpty(t, grease.Notice)
	assert.Equal(t, pb.DueState_DUE_STATE_NOT_DUE, oil.DueState)
	assert.EqualValues(t, 12, oil.Counters[0].GetEveryMonths())
	require.NotNil(t, oil.Counters[0].LeftDays)
	assert.Greater(t, *oil.Counters[0].LeftDays, int32(350))
	require.NotNil(t, oil.Counters[0].DueDate)
}
