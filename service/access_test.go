package service_test

import (
	"context"
	"errors"
	"io"
	"slices"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"
	"google.golang.org/protobuf/reflect/protoregistry"

	pb "github.com/hourbell/hourbell/proto/hourbell/v1"
	"github.com/hourbell/hourbell/service/access"
	"github.com/hourbell/hourbell/service/fault"
)

// peopleMethods gives every method of every people's service, from the
// descriptors.
func peopleMethods() (out []protoreflect.MethodDescriptor) {
	protoregistry.GlobalFiles.RangeFilesByPackage("hourbell.v1", func(f protoreflect.FileDescriptor) bool {
		for i := range f.Services().Len() {
			s := f.Services().Get(i)
			if s.Name() == "AgentService" || s.Name() == "EnrolmentService" {
				continue // those are the agents', on listeners of their own
			}
			for j := range s.Methods().Len() {
				out = append(out, s.Methods().Get(j))
			}
		}
		return true
	})
	return out
}

func path(m protoreflect.MethodDescriptor) string {
	return "/" + string(m.Parent().FullName()) + "/" + string(m.Name())
}

func message(d protoreflect.MessageDescriptor) proto.Message {
	t, err := protoregistry.GlobalTypes.FindMessageByName(d.FullName())
	if err != nil {
		panic(err)
	}
	return t.New().Interface()
}

// invoke makes one call, a stream's to its end or its first StillHere, and gives
// all answers.
func invoke(ctx context.Context, conn *grpc.ClientConn, m protoreflect.MethodDescriptor, req proto.Message) (answers []proto.Message, err error) {
	if !m.IsStreamingServer() {
		answer := message(m.Output())
		return []proto.Message{answer}, conn.Invoke(ctx, path(m), req, answer)
	}
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	stream, err := conn.NewStream(ctx, &grpc.StreamDesc{ServerStreams: true}, path(m))
	if err != nil {
		return nil, err
	}
	if err := errors.Join(stream.SendMsg(req), stream.CloseSend()); err != nil {
		return nil, err
	}
	for {
		answer := message(m.Output())
		if err := stream.RecvMsg(answer); errors.Is(err, io.EOF) {
			return answers, nil
		} else if err != nil {
			return answers, err
		}
		answers = append(answers, answer)
		if w, is := answer.(*pb.WatchResponse); is && w.GetStillHere() != nil {
			return answers, nil
		}
	}
}

func TestEveryMethodWantsAToken(t *testing.T) {
	r := start(t)
	methods := peopleMethods()
	require.Greater(t, len(methods), 30)
	for _, m := range methods {
		_, err := invoke(t.Context(), r.conn, m, message(m.Input()))
		assert.Equal(t, codes.Unauthenticated, status.Code(err), "%s without a token: %v", path(m), err)
		assert.Equal(t, fault.NotSignedIn, fault.ReasonOf(err), path(m))
		for _, bad := range []string{"wrong", ""} {
			_, err = invoke(as(t.Context(), bad), r.conn, m, message(m.Input()))
			assert.Equal(t, codes.Unauthenticated, status.Code(err), "%s with the token %q: %v", path(m), bad, err)
		}
	}
}

// aboutMachine gives, for each method that is about one machine, the request for
// it. The machine's task, notice, record, doubt and agent need not exist: access
// comes first.
func aboutMachine(id string) map[string]proto.Message {
	m := "machines/" + id
	const key = "00000000000000000000000000000001"
	return map[string]proto.Message{
		"GetMachine":         &pb.GetMachineRequest{Name: m},
		"TakeEdition":        &pb.TakeEditionRequest{Name: m, Edition: "charts/ossa-rotary/editions/1"},
		"ListDayHours":       &pb.ListDayHoursRequest{Parent: m},
		"CreateEnrolment":    &pb.CreateEnrolmentRequest{Parent: m},
		"GetAgent":           &pb.GetAgentRequest{Name: m + "/agents/a"},
		"ListAgents":         &pb.ListAgentsRequest{Parent: m},
		"SuspendAgent":       &pb.SuspendAgentRequest{Name: m + "/agents/a"},
		"ResumeAgent":        &pb.ResumeAgentRequest{Name: m + "/agents/a"},
		"RevokeAgent":        &pb.RevokeAgentRequest{Name: m + "/agents/a"},
		"ListReadings":       &pb.ListReadingsRequest{Parent: m},
		"RecordHours":        &pb.RecordHoursRequest{Parent: m, Meter: "engine", ShownMs: 1},
		"ListTasks":          &pb.ListTasksRequest{Parent: m},
		"GetTask":            &pb.GetTaskRequest{Name: m + "/points/shaker-pivot/tasks/grease"},
		"ExplainTask":        &pb.ExplainTaskRequest{Name: m + "/points/shaker-pivot/tasks/grease"},
		"ListNotices":        &pb.ListNoticesRequest{Parent: m},
		"GetNotice":          &pb.GetNoticeRequest{Name: m + "/notices/" + key},
		"AnswerNotice":       &pb.AnswerNoticeRequest{Name: m + "/notices/" + key, Word: pb.NoticeWord_NOTICE_WORD_MINE},
		"ListServiceRecords": &pb.ListServiceRecordsRequest{Parent: m}, "GetServiceRecord": &pb.GetServiceRecordRequest{Name: m + "/records/" + key},
		"CreateServiceRecord": &pb.CreateServiceRecordRequest{Parent: m, Record: &pb.ServiceRecord{Round: "hour-50"}},
		"VoidServiceRecord":   &pb.VoidServiceRecordRequest{Name: m + "/records/" + key, Why: "wrong"},
		"ListDoubts":          &pb.ListDoubtsRequest{Parent: m},
		"AnswerDoubt":         &pb.AnswerDoubtRequest{Name: m + "/doubts/" + key, Word: pb.DoubtWord_DOUBT_WORD_WRONG},
		"ListActiveWarnings":  &pb.ListActiveWarningsRequest{Parent: m}, "ListWarningCounts": &pb.ListWarningCountsRequest{Parent: m}, "ListWarningChanges": &pb.ListWarningChangesRequest{Parent: m},
		"HandOverMachine":      &pb.HandOverMachineRequest{Name: m, Site: "customers/far-mere/sites/far-mere-barn"},
		"SetStorage":           &pb.SetStorageRequest{Name: m},
		"Watch":                &pb.WatchRequest{Machines: []string{m}},
		"Verify":               &pb.VerifyRequest{Machines: []string{m}},
		"ConfirmServiceRecord": &pb.ConfirmServiceRecordRequest{Name: m + "/records/" + key},
		"ListReadiness":        &pb.ListReadinessRequest{Parent: m},
		"PostponeTasks":        &pb.PostponeTasksRequest{Parent: m, Round: "hour-50", Why: "rain", ForMs: 1},
		"ReturnTasks":          &pb.ReturnTasksRequest{Parent: m, Round: "hour-50"},
		"ReviewTask":           &pb.ReviewTaskRequest{Name: m + "/points/shaker-pivot/tasks/grease"},
		"GetAdherence":         &pb.GetAdherenceRequest{Name: m},
		"CreateRemark":         &pb.CreateRemarkRequest{Parent: m, Remark: &pb.MachineRemark{Text: "a bolt is gone", Verdict: pb.RemarkVerdict_REMARK_VERDICT_WATCH}},
		"GetRemark":            &pb.GetRemarkRequest{Name: m + "/remarks/" + key},
		"ListRemarks":          &pb.ListRemarksRequest{Parent: m},
		"ChangeRemark":         &pb.ChangeRemarkRequest{Name: m + "/remarks/" + key, Part: "bolt"},
		"CloseRemark":          &pb.CloseRemarkRequest{Name: m + "/remarks/" + key, Why: "bolt put in"},
		"CarryRemark":          &pb.CarryRemarkRequest{Name: m + "/remarks/" + key},
		"ReopenRemark":         &pb.ReopenRemarkRequest{Name: m + "/remarks/" + key, Why: "it was another"},
		"UploadPicture":        &pb.UploadPictureRequest{Parent: m, Image: []byte("x")},
		"GetPicture":           &pb.GetPictureRequest{Name: m + "/pictures/" + key + key},
		"BeginWalk":            &pb.BeginWalkRequest{Parent: m, Occasion: "before-harvest"},
		"AnswerWalk":           &pb.AnswerWalkRequest{Name: m + "/walks/" + key, Answers: []*pb.WalkLineAnswer{{Task: "points/a/tasks/b", Answer: pb.WalkAnswer_WALK_ANSWER_IN_ORDER}}},
		"SignWalk":             &pb.SignWalkRequest{Name: m + "/walks/" + key},
		"LeaveWalk":            &pb.LeaveWalkRequest{Name: m + "/walks/" + key, Why: "dark"},
		"GetWalk":              &pb.GetWalkRequest{Name: m + "/walks/" + key},
		"ListWalks":            &pb.ListWalksRequest{Parent: m},
		"GetWalkSheet":         &pb.GetWalkSheetRequest{Parent: m, Occasion: "before-harvest"},
		"TellEvent":            &pb.TellEventRequest{Parent: m, Event: "storage-in"},
		"TellConditions":       &pb.TellConditionsRequest{Parent: m, Conditions: []*pb.Fact{{Name: "straw", Value: "damp"}}},
		"ListConditions":       &pb.ListConditionsRequest{Parent: m},
		"ListBuildQuestions":   &pb.ListBuildQuestionsRequest{Parent: m},
		"AnswerBuildQuestion":  &pb.AnswerBuildQuestionRequest{Name: m + "/traits/serial", Value: "7"},
		"RecordSettings":       &pb.RecordSettingsRequest{Parent: m, Settings: []*pb.SettingWritten{{Setting: "fan", Left: &pb.SettingValue{Word: "half"}}}},
		"ListSettings":         &pb.ListSettingsRequest{Parent: m},
		"FindLeads":            &pb.FindLeadsRequest{Machine: m},
		"RecordCause":          &pb.RecordCauseRequest{Parent: m, Cause: &pb.FoundCause{Text: "a stone"}},
		"ListCauses":           &pb.ListCausesRequest{Parent: m},
		"ListParts":            &pb.ListPartsRequest{Parent: m},
		"ListMeasures":         &pb.ListMeasuresRequest{Parent: m},
		"MeasureGun":           &pb.MeasureGunRequest{Parent: m, Gun: "van", StrokeMicrograms: 1},
		"ListGuns":             &pb.ListGunsRequest{Parent: m},
		"PreviewEdition":       &pb.PreviewEditionRequest{Name: "charts/ossa-rotary/editions/1", Machines: []string{m}},
		"ApplyEdition":         &pb.ApplyEditionRequest{Name: "charts/ossa-rotary/editions/1", Machines: []string{m}},
		"RevertEdition":        &pb.RevertEditionRequest{Name: "charts/ossa-rotary/editions/1", Machines: []string{m}},
		"ImportException":      &pb.ImportExceptionRequest{Machine: m, Yaml: "x: y"},
		"GetLubricationTable":  &pb.GetLubricationTableRequest{Name: m},
	}
}

// aboutOther gives the requests of the methods that are about a customer, a
// site, or the office, with the code that a person of another customer gets.
func aboutOther(customer string) map[string]struct {
	req  proto.Message
	code codes.Code
} {
	type want = struct {
		req  proto.Message
		code codes.Code
	}
	site := "customers/" + customer + "/sites/" + customer + "-barn"
	return map[string]want{
		"CreateCustomer":   {&pb.CreateCustomerRequest{CustomerId: "new", Customer: &pb.Customer{DisplayName: "new"}}, codes.PermissionDenied},
		"ImportEdition":    {&pb.ImportEditionRequest{Yaml: testChart}, codes.PermissionDenied},
		"GetCustomer":      {&pb.GetCustomerRequest{Name: "customers/" + customer}, codes.NotFound},
		"CreateSite":       {&pb.CreateSiteRequest{Parent: "customers/" + customer, SiteId: "x", Site: &pb.Site{DisplayName: "x", TimeZone: "Etc/UTC"}}, codes.NotFound},
		"GetSite":          {&pb.GetSiteRequest{Name: site}, codes.NotFound},
		"ListSites":        {&pb.ListSitesRequest{Parent: "customers/" + customer}, codes.NotFound},
		"ListMachines":     {&pb.ListMachinesRequest{Customer: "customers/" + customer}, codes.NotFound},
		"CreateMachine":    {&pb.CreateMachineRequest{MachineId: "x", Machine: &pb.Machine{DisplayName: "x", Site: site}}, codes.NotFound},
		"GetEdition":       {&pb.GetEditionRequest{Name: "charts/ossa-rotary/editions/1"}, codes.OK},
		"ListEditions":     {&pb.ListEditionsRequest{Parent: "charts/-"}, codes.OK},
		"ListCustomers":    {&pb.ListCustomersRequest{}, codes.OK},
		"CompareEditions":  {&pb.CompareEditionsRequest{Name: "charts/ossa-rotary/editions/1", Other: "charts/ossa-rotary/editions/1"}, codes.OK},
		"GetChartSchema":   {&pb.GetChartSchemaRequest{}, codes.OK},
		"GetServerInfo":    {&pb.GetServerInfoRequest{}, codes.OK},
		"CreateToken":      {&pb.CreateTokenRequest{Parent: "persons/fern"}, codes.PermissionDenied},
		"EndTokens":        {&pb.EndTokensRequest{Parent: "persons/keeper"}, codes.PermissionDenied},
		"SetGrant":         {&pb.SetGrantRequest{Parent: "persons/fern", Grant: &pb.Grant{Permissions: []pb.Permission{pb.Permission_PERMISSION_OFFICE}}}, codes.PermissionDenied},
		"ListPersons":      {&pb.ListPersonsRequest{}, codes.PermissionDenied},
		"SetPersonPart":    {&pb.SetPersonPartRequest{Name: "persons/fern", Part: pb.TradePart_TRADE_PART_DEALER}, codes.PermissionDenied},
		"GetPersonPart":    {&pb.GetPersonPartRequest{Name: "persons/fern"}, codes.PermissionDenied},
		"CreateCrew":       {&pb.CreateCrewRequest{Parent: "customers/" + customer, CrewId: "x", Crew: &pb.Crew{DisplayName: "x"}}, codes.NotFound},
		"ListCrews":        {&pb.ListCrewsRequest{Parent: "customers/" + customer}, codes.NotFound},
		"SetCrewMember":    {&pb.SetCrewMemberRequest{Name: "customers/" + customer + "/crews/x", Person: "persons/fern"}, codes.NotFound},
		"SetShift":         {&pb.SetShiftRequest{ShiftId: "x", Shift: &pb.Shift{Site: site, ToMinutes: 5}}, codes.NotFound},
		"EndShift":         {&pb.EndShiftRequest{Name: "customers/" + customer + "/shifts/x"}, codes.NotFound},
		"ListShifts":       {&pb.ListShiftsRequest{Parent: "customers/" + customer}, codes.NotFound},
		"OpenSeason":       {&pb.OpenSeasonRequest{Site: site, Season: "2033"}, codes.NotFound},
		"CancelSeason":     {&pb.CancelSeasonRequest{Site: site, Season: "2033"}, codes.NotFound},
		"CloseSeason":      {&pb.CloseSeasonRequest{Site: site, Season: "2033"}, codes.NotFound},
		"ListSeasons":      {&pb.ListSeasonsRequest{Parent: "customers/" + customer}, codes.NotFound},
		"CreateAttachment": {&pb.CreateAttachmentRequest{Parent: "customers/" + customer, AttachmentId: "x", Attachment: &pb.Attached{DisplayName: "x", Kind: "header"}}, codes.NotFound},
		"GetAttachment":    {&pb.GetAttachmentRequest{Name: "customers/" + customer + "/attachments/x"}, codes.NotFound},
		"ListAttachments":  {&pb.ListAttachmentsRequest{Parent: "customers/" + customer}, codes.NotFound},
		"MoveAttachment":   {&pb.MoveAttachmentRequest{Name: "customers/" + customer + "/attachments/x"}, codes.NotFound},
		"ImportFleet":      {&pb.ImportFleetRequest{Table: "machine,chart\nx,ossa-rotary\n", Site: site}, codes.NotFound},
		"UpdateFleet":      {&pb.UpdateFleetRequest{Table: "machine\n" + map[string]string{"tallow-fen": "ossa-1", "nobody-here": "ossa-9"}[customer] + "\n"}, codes.InvalidArgument},
	}
}

// belongings gives the first customer a crew, a shift, a season and an attachment.
func (r *rig) belongings() {
	r.t.Helper()
	const customer, site = "customers/tallow-fen", "customers/tallow-fen/sites/tallow-fen-barn"
	_, err := pb.NewCrewServiceClient(r.conn).CreateCrew(r.ctx, &pb.CreateCrewRequest{Parent: customer, CrewId: "tallow-nights", Crew: &pb.Crew{DisplayName: "Nights"}})
	require.NoError(r.t, err)
	_, err = pb.NewCrewServiceClient(r.conn).SetShift(r.ctx, &pb.SetShiftRequest{ShiftId: "tallow-nights", Shift: &pb.Shift{Site: site, FromMinutes: 1200, ToMinutes: 300}})
	require.NoError(r.t, err)
	_, err = pb.NewSeasonServiceClient(r.conn).OpenSeason(r.ctx, &pb.OpenSeasonRequest{Site: site, Season: "2033"})
	require.NoError(r.t, err)
	_, err = pb.NewAttachmentServiceClient(r.conn).CreateAttachment(r.ctx, &pb.CreateAttachmentRequest{Parent: customer, AttachmentId: "tallow-reel", Attachment: &pb.Attached{DisplayName: "Reel", Kind: "header"}})
	require.NoError(r.t, err)
}

// person makes a person of one customer.
func (r *rig) person(id, customer string, permissions ...access.Permission) context.Context {
	r.t.Helper()
	require.NoError(r.t, r.app.Office().Grant(r.t.Context(), id, customer, permissions...))
	token, err := r.app.Office().CreateBearer(r.t.Context(), id, "", 0)
	require.NoError(r.t, err)
	return as(r.t.Context(), token)
}

func TestAPersonCantTellThatOthersMachinesExist(t *testing.T) {
	r := start(t)
	r.fleet()
	ctx := r.person("fern", "far-mere", access.All()...)
	there, gone, others := aboutMachine("ossa-1"), aboutMachine("ossa-9"), aboutOther("tallow-fen")
	missing := aboutOther("nobody-here")
	for _, m := range peopleMethods() {
		name := string(m.Name())
		if req, is := others[name]; is {
			_, err := invoke(ctx, r.conn, m, req.req)
			assert.Equal(t, req.code, status.Code(err), "%s: %v", name, err)
			if req.code == codes.NotFound {
				_, unknown := invoke(ctx, r.conn, m, missing[name].req)
				assert.Equal(t, status.Convert(unknown).Message(), strings.ReplaceAll(status.Convert(err).Message(), "tallow-fen", "nobody-here"), name)
			}
			continue
		}
		req, is := there[name]
		require.True(t, is, "%s is in neither list: say whom it is about", name)
		_, err := invoke(ctx, r.conn, m, req)
		assert.Equal(t, codes.NotFound, status.Code(err), "%s: %v", name, err)
		_, unknown := invoke(ctx, r.conn, m, gone[name])
		assert.Equal(t, codes.NotFound, status.Code(unknown), "%s: %v", name, unknown)
		assert.Equal(t, status.Convert(unknown).Message(), strings.ReplaceAll(status.Convert(err).Message(), "ossa-1", "ossa-9"), name)
		assert.Equal(t, fault.ReasonOf(unknown), fault.ReasonOf(err), name)
	}
}

// ofCustomers are the lists that are of a customer's and not of a machine's.
var ofCustomers = []string{"ListSites", "ListCrews", "ListShifts", "ListSeasons", "ListAttachments"}

// TestListsShowOnlyWhatWasGranted crawls every list over all machines for any
// word of the other customer.
func TestListsShowOnlyWhatWasGranted(t *testing.T) {
	r := start(t)
	r.fleet()
	r.belongings()
	ctx := r.person("fern", "far-mere", access.See)
	for _, m := range peopleMethods() {
		req := message(m.Input())
		set(req, "parent", map[bool]string{true: "customers/-", false: "machines/-"}[slices.Contains(ofCustomers, string(m.Name()))])
		if m.Name() == "ListEditions" || m.Name() == "ListPersons" || !strings.HasPrefix(string(m.Name()), "List") && m.Name() != "Watch" && m.Name() != "Verify" {
			continue
		}
		answers, err := invoke(ctx, r.conn, m, req)
		if code := status.Code(err); code == codes.NotFound { // of one machine only
			continue
		}
		require.NoError(t, err, path(m))
		for _, a := range answers {
			text := protoText(a)
			assert.NotContains(t, text, "tallow", path(m))
			assert.NotContains(t, text, "ossa-1", path(m))
		}
	}
	machines, err := pb.NewMachineServiceClient(r.conn).ListMachines(ctx, &pb.ListMachinesRequest{})
	require.NoError(t, err)
	require.Len(t, machines.Machines, 1)
	assert.Equal(t, "machines/ossa-2", machines.Machines[0].Name)
}

func TestSeeingIsNotWriting(t *testing.T) {
	r := start(t)
	r.fleet()
	ctx := r.person("fern", "far-mere", access.See)
	for _, name := range []string{"RecordHours", "CreateServiceRecord", "VoidServiceRecord", "AnswerNotice", "AnswerDoubt", "TakeEdition", "CreateEnrolment", "RevokeAgent", "SuspendAgent", "ResumeAgent", "SetStorage",
		"ConfirmServiceRecord", "PostponeTasks", "ReturnTasks", "CreateRemark", "ChangeRemark", "CloseRemark", "CarryRemark", "ReopenRemark", "UploadPicture", "BeginWalk", "AnswerWalk", "SignWalk", "LeaveWalk",
		"TellEvent", "TellConditions", "AnswerBuildQuestion", "RecordSettings", "RecordCause", "MeasureGun", "ApplyEdition", "RevertEdition", "ImportException"} {
		m := method(t, name)
		_, err := invoke(ctx, r.conn, m, aboutMachine("ossa-2")[name])
		assert.Equal(t, codes.PermissionDenied, status.Code(err), "%s: %v", name, err)
		assert.Equal(t, fault.NotAllowed, fault.ReasonOf(err), name)
	}
	_, err := pb.NewMachineServiceClient(r.conn).GetMachine(ctx, &pb.GetMachineRequest{Name: "machines/ossa-2"})
	require.NoError(t, err)
}

// TestIDsOfOthersCantBeTakenAndTellNothing: a site's and a machine's id is unique
// among all customers, so it is refused, but not with whose it is.
func TestIDsOfOthersCantBeTakenAndTellNothing(t *testing.T) {
	r := start(t)
	r.fleet()
	ctx := r.person("fern", "far-mere", access.All()...)
	_, err := pb.NewMachineServiceClient(r.conn).CreateMachine(ctx, &pb.CreateMachineRequest{MachineId: "ossa-1", Machine: &pb.Machine{DisplayName: "x", Site: "customers/far-mere/sites/far-mere-barn"}})
	assert.Equal(t, codes.InvalidArgument, status.Code(err), "%v", err)
	_, err = pb.NewCustomerServiceClient(r.conn).CreateSite(ctx, &pb.CreateSiteRequest{Parent: "customers/far-mere", SiteId: "tallow-fen-barn", Site: &pb.Site{DisplayName: "x", TimeZone: "Etc/UTC"}})
	assert.Equal(t, codes.InvalidArgument, status.Code(err), "%v", err)
	assert.NotContains(t, err.Error(), "already")
}

// TestPersonsAreMadeGrantedAndEnded from outside.
func TestPersonsAreMadeGrantedAndEnded(t *testing.T) {
	r := start(t)
	r.fleet()
	persons, machines := pb.NewPersonServiceClient(r.conn), pb.NewMachineServiceClient(r.conn)
	made, err := persons.CreateToken(r.ctx, &pb.CreateTokenRequest{Parent: "persons/fern", Label: "phone"})
	require.NoError(t, err)
	ctx := as(t.Context(), made.Token)
	list, err := machines.ListMachines(ctx, &pb.ListMachinesRequest{})
	require.NoError(t, err)
	assert.Empty(t, list.Machines, "a token grants nothing")
	set := func(customer string, p ...pb.Permission) error {
		_, err := persons.SetGrant(r.ctx, &pb.SetGrantRequest{Parent: "persons/fern", Grant: &pb.Grant{Customer: customer, Permissions: p}})
		return err
	}
	require.NoError(t, set("customers/far-mere", pb.Permission_PERMISSION_SEE))
	list, err = machines.ListMachines(ctx, &pb.ListMachinesRequest{})
	require.NoError(t, err)
	assert.Len(t, list.Machines, 1)
	assert.Equal(t, codes.InvalidArgument, status.Code(set("customers/far-mere", pb.Permission_PERMISSION_OFFICE)))
	assert.Equal(t, codes.InvalidArgument, status.Code(set("customers/far-mere", 77)))
	assert.Equal(t, codes.NotFound, status.Code(set("customers/nobody", pb.Permission_PERMISSION_SEE)))

	_, err = persons.SetGrant(r.ctx, &pb.SetGrantRequest{Parent: "persons/keeper", Grant: &pb.Grant{Permissions: []pb.Permission{pb.Permission_PERMISSION_SEE}}})
	assert.Equal(t, codes.FailedPrecondition, status.Code(err), "nobody locks themselves out")
	_, err = persons.EndTokens(r.ctx, &pb.EndTokensRequest{Parent: "persons/keeper"})
	assert.Equal(t, codes.FailedPrecondition, status.Code(err))

	all, err := persons.ListPersons(r.ctx, &pb.ListPersonsRequest{})
	require.NoError(t, err)
	require.Len(t, all.Persons, 2)
	assert.Equal(t, "persons/fern", all.Persons[0].Name)
	assert.Equal(t, "phone", all.Persons[0].Tokens[0].Label)
	assert.NotContains(t, protoText(all), made.Token)

	_, err = persons.EndTokens(r.ctx, &pb.EndTokensRequest{Parent: "persons/fern"})
	require.NoError(t, err)
	_, err = machines.ListMachines(ctx, &pb.ListMachinesRequest{})
	assert.Equal(t, codes.Unauthenticated, status.Code(err))
}

func TestAGrantTakenBackHoldsAtOnce(t *testing.T) {
	r := start(t)
	r.fleet()
	ctx := r.person("fern", "far-mere", access.See)
	machines := pb.NewMachineServiceClient(r.conn)
	_, err := machines.GetMachine(ctx, &pb.GetMachineRequest{Name: "machines/ossa-2"})
	require.NoError(t, err)
	require.NoError(t, r.app.Office().Grant(t.Context(), "fern", "far-mere"))
	_, err = machines.GetMachine(ctx, &pb.GetMachineRequest{Name: "machines/ossa-2"})
	assert.Equal(t, codes.NotFound, status.Code(err))
	list, err := machines.ListMachines(ctx, &pb.ListMachinesRequest{})
	require.NoError(t, err)
	assert.Empty(t, list.Machines)
}

func method(t *testing.T, name string) protoreflect.MethodDescriptor {
	for _, m := range peopleMethods() {
		if string(m.Name()) == name {
			return m
		}
	}
	require.Fail(t, "no method "+name)
	return nil
}

func set(m proto.Message, field protoreflect.Name, value string) {
	r := m.ProtoReflect()
	if f := r.Descriptor().Fields().ByName(field); f != nil && f.Kind() == protoreflect.StringKind {
		r.Set(f, protoreflect.ValueOfString(value))
	}
}
