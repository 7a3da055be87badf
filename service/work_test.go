package service_test

import (
	"bytes"
	"context"
	"image"
	"image/color"
	"image/png"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"

	"github.com/hourbell/hourbell/internal/maintenance"
	"github.com/hourbell/hourbell/internal/maintenance/civil"
	"github.com/hourbell/hourbell/internal/maintenance/hours"
	pb "github.com/hourbell/hourbell/proto/hourbell/v1"
	"github.com/hourbell/hourbell/service/fault"
	"github.com/hourbell/hourbell/service/office"
)

// workChart is a chart that says most of what a chart can say. Its machine, its
// points and its figures are invented.
func workChart(edition uint32) *maintenance.Chart {
	date, _ := civil.Of(2031, 2, 10)
	return &maintenance.Chart{
		ID: "ossa-work", Edition: edition,
		Meters:     []maintenance.MeterDef{{ID: "engine", Kind: maintenance.MeterBroadcast, Resolution: hours.Hour / 20, Group: 65253, Source: maintenance.AnySource, SPN: 247}},
		Codes:      []maintenance.CodeDef{{ID: "blower-slow", SPN: 520317, FMI: 1, Source: maintenance.AnySource, Text: "Blower slow"}},
		Rounds:     []maintenance.RoundDef{{ID: "evening", Call: "evening round", Minutes: 25}},
		Cautions:   []maintenance.CautionDef{{ID: "still", Text: "Engine off, key out, wait until every part stands still"}, {ID: "spring", Text: "The spring is under tension: stand aside"}},
		Basis:      []maintenance.BasisDef{{Kind: maintenance.BasisShop, Text: "our practice", Agreed: date}},
		Traits:     []maintenance.TraitDef{{ID: "blower", Kind: maintenance.TraitChoice, Ask: "Which blower is fitted?", Choices: []string{"one-speed", "two-speed"}}},
		Conditions: []maintenance.TraitDef{{ID: "straw", Kind: maintenance.TraitChoice, Ask: "How is the straw?", Choices: []string{"dry", "damp"}}},
		Events:     []maintenance.EventDef{{ID: "choked", Call: "the blower was choked"}},
		Materials:  []maintenance.MaterialDef{{ID: "blue-grease", Call: "blue grease", Kind: "grease", Thickener: "calcium", NLGI: "2"}},
		Parts:      []maintenance.PartDef{{ID: "blower-belt", Call: "blower belt", Kind: "belt", Meter: "engine", Spare: "van"}},
		Walks:      []maintenance.WalkDef{{ID: "first-cut", Call: "before the first cut", Sign: maintenance.SignSecond}},
		Settings:   []maintenance.SettingDef{{ID: "concave", Call: "concave gap", Unit: "mm", Point: "blower-shaft"}},
		Leads: []maintenance.LeadDef{{ID: "blower-falls-off", Call: "the blower falls off", Codes: []string{"blower-slow"}, NoHelp: []string{"more throttle"},
			Look: []maintenance.LookDef{{Point: "blower-belt", Why: "glazed, riding low"}, {Point: "blower-shaft", Why: "chaff round the shaft"}}}},
		Points: []maintenance.PointDef{
			{ID: "blower-shaft", Station: 4, Side: "left", Call: "blower shaft", Shields: 2, Fittings: 1},
			{ID: "blower-belt", Station: 5, Side: "left", Reach: "from the platform"},
		},
		Tasks: []maintenance.TaskDef{
			{
				ID: "blower-shaft/grease", Point: "blower-shaft", Do: "grease", Call: "grease the blower shaft", Round: "evening", Limbs: []maintenance.Limb{{Kind: maintenance.LimbHours, Meter: "engine", Every: 30 * hours.Hour}},
				Who: "operator", Material: "blue-grease", Cautions: []string{"still"}, Walks: []string{"first-cut"}, Basis: maintenance.BasisBook,
				Dose: []maintenance.DoseDef{{Unit: "stroke", Lo: 2000, Hi: 3000, Most: 4000, Per: "fitting"}}, HarmOver: "the seal comes out", HarmUnder: "the race runs dry", Tools: []string{"grease gun"}, Pose: "header down",
				See: []maintenance.CriterionDef{{Name: "seal", Want: "whole, no grease outside"}},
			},
			{
				ID: "blower-belt/tension", Point: "blower-belt", Do: "measure", Call: "measure the belt's spring", Limbs: []maintenance.Limb{{Kind: maintenance.LimbHours, Meter: "engine", Every: 60 * hours.Hour}},
				Who: "operator", Cautions: []string{"still", "spring"}, Walks: []string{"first-cut"},
				Measure: []maintenance.MeasureDef{{What: "spring length", Unit: "mm", Meter: "engine", OkLo: bound(71), OkHi: bound(76), ActLo: bound(68), ActHi: bound(79), Found: true, Left: true}},
			},
		},
	}
}

func bound(mm int64) maintenance.Bound { return maintenance.Bound{Set: true, Micro: mm * 1_000_000} }

// takeChart keeps a compiled chart in the office and lets a machine take it.
func (r *rig) takeChart(c *maintenance.Chart, machine string) {
	r.t.Helper()
	_, err := r.app.Office().PutEdition(r.t.Context(), office.Edition{Chart: c.ID, Edition: c.Edition, Compiled: maintenance.AppendChart(nil, c), Source: []byte("chart: " + c.ID + "\n"), Hash: c.Hash()})
	require.NoError(r.t, err)
	if machine != "" {
		_, err = pb.NewMachineServiceClient(r.conn).TakeEdition(r.ctx, &pb.TakeEditionRequest{Name: "machines/" + machine, Edition: "charts/" + c.ID + "/editions/-"})
		require.NoError(r.t, err)
	}
}

// working is a rig whose ossa-1 goes by the whole chart.
func working(t *testing.T) *rig {
	r := start(t)
	r.fleet()
	r.takeChart(workChart(1), "ossa-1")
	r.read("ossa-1", 400, 10*day)
	return r
}

const (
	ossa   = "machines/ossa-1"
	grease = "points/blower-shaft/tasks/grease"
)

func TestATaskShowsItsWholeWork(t *testing.T) {
	r := working(t)
	a, err := pb.NewTaskServiceClient(r.conn).GetTask(r.ctx, &pb.GetTaskRequest{Name: ossa + "/" + grease})
	require.NoError(t, err)
	w := a.Task.Work
	assert.Equal(t, "every 30 h of engine", w.EveryWords)
	assert.Equal(t, "2 to 3 strokes a fitting, at most 4", w.AmountWords)
	assert.Equal(t, [2]string{"the seal comes out", "the race runs dry"}, [2]string{w.HarmOver, w.HarmUnder})
	assert.Equal(t, "header down", w.Pose)
	assert.Equal(t, []string{"grease gun"}, w.Tools)
	assert.Equal(t, "book", w.Basis)
	assert.EqualValues(t, 2, w.Shields)
	require.Len(t, w.Criteria, 1)
	assert.Equal(t, "whole, no grease outside", w.Criteria[0].Want)
	assert.Equal(t, "blower shaft", a.Task.PointCall)
	assert.Equal(t, pb.BuildState_BUILD_STATE_FITTED, a.Task.BuildState)
	tension, err := pb.NewTaskServiceClient(r.conn).GetTask(r.ctx, &pb.GetTaskRequest{Name: ossa + "/points/blower-belt/tasks/tension"})
	require.NoError(t, err)
	assert.Equal(t, "spring length, in order 71 to 76 mm, act outside 68 to 79 mm", tension.Task.Work.MeasureWords)
}

// wholeRecord is a record with every kind of fact.
func wholeRecord(r *rig) *pb.ServiceRecord {
	return &pb.ServiceRecord{
		Tasks: []string{grease}, Failed: []string{"points/blower-belt/tasks/tension"}, DoneMoment: r.moment(5 * day), About: true, ShieldsOff: 2, ShieldsOn: 1,
		Found: []*pb.FoundPoint{{Task: grease, Way: pb.FoundWay_FOUND_WAY_DRY}}, Seen: []*pb.SeenCriterion{{Task: grease, Criterion: "seal", InOrder: true, Note: "new last year"}},
		Parts:     []*pb.FittedPart{{Part: "blower-belt", Number: "tf-19", OffReason: pb.PartOffReason_PART_OFF_REASON_WORN_OUT, Spare: true}},
		Materials: []*pb.MaterialUsed{{Material: "blue-grease", Milli: 3000, Unit: "stroke"}}, Note: "by torch light",
	}
}

func TestARecordKeepsAllThatIsSaid(t *testing.T) {
	r := working(t)
	records := pb.NewServiceRecordServiceClient(r.conn)
	q := &pb.CreateServiceRecordRequest{Parent: ossa, RequestId: uuid(), Record: wholeRecord(r)}
	made, err := records.CreateServiceRecord(r.ctx, q)
	require.NoError(t, err)
	again, err := records.CreateServiceRecord(r.ctx, q)
	require.NoError(t, err)
	assert.True(t, again.Repeated)
	for _, got := range []*pb.ServiceRecord{made.Record, again.Record, get(t, records, r, made.Record.Name)} {
		want := wholeRecord(r)
		assert.Equal(t, want.Tasks, got.Tasks)
		assert.Equal(t, want.Failed, got.Failed)
		assert.True(t, got.About)
		assert.EqualValues(t, 2, got.ShieldsOff)
		assert.EqualValues(t, 1, got.ShieldsOn)
		for _, list := range [][2][]proto.Message{{messages(want.Found), messages(got.Found)}, {messages(want.Seen), messages(got.Seen)}, {messages(want.Parts), messages(got.Parts)}, {messages(want.Materials), messages(got.Materials)}} {
			require.Len(t, list[1], len(list[0]))
			for i := range list[0] {
				assert.True(t, proto.Equal(list[0][i], list[1][i]), "%v, want %v", list[1][i], list[0][i])
			}
		}
	}
	other := proto.CloneOf(q)
	other.Record.Found[0].Way = pb.FoundWay_FOUND_WAY_PURGED
	_, err = records.CreateServiceRecord(r.ctx, other)
	assert.Equal(t, codes.AlreadyExists, status.Code(err), "another fact under the same id")
}

func messages[M proto.Message](list []M) (out []proto.Message) {
	for _, m := range list {
		out = append(out, m)
	}
	return out
}

func get(t *testing.T, c pb.ServiceRecordServiceClient, r *rig, name string) *pb.ServiceRecord {
	a, err := c.GetServiceRecord(r.ctx, &pb.GetServiceRecordRequest{Name: name})
	require.NoError(t, err)
	return a.Record
}

func TestAPreviewOfARecordWritesNothing(t *testing.T) {
	r := working(t)
	records, machines := pb.NewServiceRecordServiceClient(r.conn), pb.NewMachineServiceClient(r.conn)
	before, err := machines.GetMachine(r.ctx, &pb.GetMachineRequest{Name: ossa})
	require.NoError(t, err)
	q := &pb.CreateServiceRecordRequest{Parent: ossa, ValidateOnly: true, RequestId: uuid(), Record: &pb.ServiceRecord{Tasks: []string{grease}, DoneMoment: r.moment(5 * day)}}
	a, err := records.CreateServiceRecord(r.ctx, q)
	require.NoError(t, err)
	assert.Equal(t, []string{ossa + "/" + grease}, a.Tasks)
	assert.Empty(t, a.Record.Name)
	require.Len(t, a.Cautions, 1)
	after, err := machines.GetMachine(r.ctx, &pb.GetMachineRequest{Name: ossa})
	require.NoError(t, err)
	assert.Equal(t, before.Machine.Revision, after.Machine.Revision)
	list, err := records.ListServiceRecords(r.ctx, &pb.ListServiceRecordsRequest{Parent: ossa})
	require.NoError(t, err)
	assert.Empty(t, list.Records)
	q.Record.Tasks = []string{"points/blower-shaft/tasks/paint"}
	_, err = records.CreateServiceRecord(r.ctx, q)
	require.Equal(t, codes.InvalidArgument, status.Code(err), "%v", err)
	assert.Equal(t, "record.tasks", fault.FieldsOf(err)[0].Path)
}

// photo is a small picture in a form that is taken.
func photo(t *testing.T, c color.Color) []byte {
	m := image.NewRGBA(image.Rect(0, 0, 30, 20))
	for y := range 20 {
		for x := range 30 {
			m.Set(x, y, c)
		}
	}
	var b bytes.Buffer
	require.NoError(t, png.Encode(&b, m))
	return b.Bytes()
}

func TestPicturesAreOneMachines(t *testing.T) {
	r := working(t)
	photos := pb.NewPictureServiceClient(r.conn)
	up, err := photos.UploadPicture(r.ctx, &pb.UploadPictureRequest{Parent: ossa, Image: photo(t, color.White)})
	require.NoError(t, err)
	assert.Equal(t, [2]int32{30, 20}, [2]int32{up.Picture.WidthPixels, up.Picture.HeightPixels})
	again, err := photos.UploadPicture(r.ctx, &pb.UploadPictureRequest{Parent: ossa, Image: photo(t, color.White), RequestId: uuid()})
	require.NoError(t, err)
	assert.True(t, again.Repeated)
	assert.Equal(t, up.Picture.Name, again.Picture.Name)
	down, err := photos.GetPicture(r.ctx, &pb.GetPictureRequest{Name: up.Picture.Name})
	require.NoError(t, err)
	assert.Equal(t, "\xff\xd8\xff", string(down.Image[:3]))
	assert.Len(t, down.Image, int(up.Picture.SizeBytes))
	_, err = photos.GetPicture(r.ctx, &pb.GetPictureRequest{Name: strings.Replace(up.Picture.Name, "ossa-1", "ossa-2", 1)})
	assert.Equal(t, codes.NotFound, status.Code(err))
	_, err = photos.UploadPicture(r.ctx, &pb.UploadPictureRequest{Parent: ossa, Image: []byte("GIF89a")})
	assert.Equal(t, codes.InvalidArgument, status.Code(err))
	assert.Equal(t, "image", fault.FieldsOf(err)[0].Path)
	_, err = photos.UploadPicture(r.ctx, &pb.UploadPictureRequest{Parent: ossa, Image: make([]byte, 8<<20)})
	assert.Equal(t, codes.InvalidArgument, status.Code(err), "8 MiB come through, and are no picture")
}

func TestRemarksAreOpenedChangedAndClosed(t *testing.T) {
	r := working(t)
	remarks := pb.NewRemarkServiceClient(r.conn)
	up, err := pb.NewPictureServiceClient(r.conn).UploadPicture(r.ctx, &pb.UploadPictureRequest{Parent: ossa, Image: photo(t, color.Black)})
	require.NoError(t, err)
	q := &pb.CreateRemarkRequest{Parent: ossa, RequestId: uuid(), Remark: &pb.MachineRemark{
		Task: grease, Text: "seal pushed out", Verdict: pb.RemarkVerdict_REMARK_VERDICT_WATCH, Part: "shaft seal", DoByDate: &pb.CivilDate{Year: 2031, Month: 6, Day: 30}, Pictures: []string{up.Picture.Name},
	}}
	made, err := remarks.CreateRemark(r.ctx, q)
	require.NoError(t, err)
	assert.Equal(t, "blower-shaft", made.Remark.Point)
	assert.Equal(t, "keeper", made.Remark.Person)
	assert.Equal(t, []string{up.Picture.Name}, made.Remark.Pictures)
	require.NotEmpty(t, made.Remark.Cautions, "hands go in at that point")
	again, err := remarks.CreateRemark(r.ctx, q)
	require.NoError(t, err)
	assert.True(t, again.Repeated)
	grave, err := remarks.CreateRemark(r.ctx, &pb.CreateRemarkRequest{Parent: ossa, Remark: &pb.MachineRemark{Point: "blower-belt", Text: "cord is out", Verdict: pb.RemarkVerdict_REMARK_VERDICT_DO_NOT_RUN}})
	require.NoError(t, err)

	list := func(q *pb.ListRemarksRequest) (names []string) {
		q.Parent = ossa
		a, err := remarks.ListRemarks(r.ctx, q)
		require.NoError(t, err)
		for _, one := range a.Remarks {
			names = append(names, one.Name)
		}
		return names
	}
	assert.Equal(t, []string{grave.Remark.Name, made.Remark.Name}, list(&pb.ListRemarksRequest{}), "the gravest first")
	assert.Equal(t, []string{made.Remark.Name}, list(&pb.ListRemarksRequest{PartWantedOnly: true}))
	assert.Equal(t, []string{grave.Remark.Name}, list(&pb.ListRemarksRequest{Point: "blower-belt"}))

	ready, err := pb.NewMachineServiceClient(r.conn).ListReadiness(r.ctx, &pb.ListReadinessRequest{Parent: ossa})
	require.NoError(t, err)
	require.Len(t, ready.Machines, 1)
	assert.False(t, ready.Machines[0].Ready)
	assert.True(t, slices.ContainsFunc(ready.Machines[0].Holds, func(h *pb.ReadinessHold) bool { return h.Holds && h.Remark == grave.Remark.Name }))

	changed, err := remarks.ChangeRemark(r.ctx, &pb.ChangeRemarkRequest{Name: grave.Remark.Name, Verdict: pb.RemarkVerdict_REMARK_VERDICT_RUN, Why: "it was string"})
	require.NoError(t, err)
	assert.Equal(t, pb.RemarkVerdict_REMARK_VERDICT_RUN, changed.Remark.Verdict)
	carried, err := remarks.CarryRemark(r.ctx, &pb.CarryRemarkRequest{Name: grave.Remark.Name})
	require.NoError(t, err)
	assert.True(t, carried.Remark.Carried)
	closed, err := remarks.CloseRemark(r.ctx, &pb.CloseRemarkRequest{Name: grave.Remark.Name, Why: "cut off"})
	require.NoError(t, err)
	assert.True(t, closed.Remark.Closed)
	assert.Equal(t, []string{made.Remark.Name}, list(&pb.ListRemarksRequest{}))
	open, err := remarks.ReopenRemark(r.ctx, &pb.ReopenRemarkRequest{Name: grave.Remark.Name, Why: "there is more"})
	require.NoError(t, err)
	assert.False(t, open.Remark.Closed)

	record, err := pb.NewServiceRecordServiceClient(r.conn).CreateServiceRecord(r.ctx, &pb.CreateServiceRecordRequest{Parent: ossa, Record: &pb.ServiceRecord{Tasks: []string{grease}, Closes: []string{made.Remark.Name}}})
	require.NoError(t, err)
	assert.Equal(t, []string{made.Remark.Name}, record.Record.Closes)
	got, err := remarks.GetRemark(r.ctx, &pb.GetRemarkRequest{Name: made.Remark.Name})
	require.NoError(t, err)
	assert.True(t, got.Remark.Closed)
	assert.Equal(t, record.Record.Name, got.Remark.Record)
}

func TestRemarksOutOfFormAreRefused(t *testing.T) {
	r := working(t)
	for field, remark := range map[string]*pb.MachineRemark{
		"remark.verdict":     {Text: "x"},
		"remark.task":        {Text: "x", Verdict: pb.RemarkVerdict_REMARK_VERDICT_RUN, Task: "blower"},
		"remark.do_by_date":  {Text: "x", Verdict: pb.RemarkVerdict_REMARK_VERDICT_RUN, DoByDate: &pb.CivilDate{Year: 2031, Month: 2, Day: 30}},
		"remark.pictures[0]": {Text: "x", Verdict: pb.RemarkVerdict_REMARK_VERDICT_RUN, Pictures: []string{ossa + "/pictures/" + strings.Repeat("0", 64)}},
		"remark.walk":        {Text: "x", Verdict: pb.RemarkVerdict_REMARK_VERDICT_RUN, Walk: "machines/ossa-2/walks/" + strings.Repeat("1", 32)},
	} {
		_, err := pb.NewRemarkServiceClient(r.conn).CreateRemark(r.ctx, &pb.CreateRemarkRequest{Parent: ossa, Remark: remark})
		require.Equal(t, codes.InvalidArgument, status.Code(err), "%s: %v", field, err)
		assert.Equal(t, field, fault.FieldsOf(err)[0].Path)
	}
}

func TestAWalkRoundIsWalkedAndSigned(t *testing.T) {
	r := working(t)
	walks := pb.NewWalkServiceClient(r.conn)
	_, err := walks.GetWalkSheet(r.ctx, &pb.GetWalkSheetRequest{Parent: ossa, Occasion: "christmas"})
	require.Equal(t, codes.InvalidArgument, status.Code(err))
	assert.ErrorContains(t, err, "first-cut")
	sheet, err := walks.GetWalkSheet(r.ctx, &pb.GetWalkSheetRequest{Parent: ossa, Occasion: "first-cut"})
	require.NoError(t, err)
	require.Len(t, sheet.Sheet.Lines, 2)
	assert.EqualValues(t, 4, sheet.Sheet.Lines[0].Station)
	assert.Len(t, sheet.Sheet.Cautions, 2)
	assert.Equal(t, pb.WalkSigner_WALK_SIGNER_SECOND, sheet.Sheet.Signer)

	begun, err := walks.BeginWalk(r.ctx, &pb.BeginWalkRequest{Parent: ossa, Occasion: "first-cut", RequestId: uuid()})
	require.NoError(t, err)
	assert.EqualValues(t, 2, begun.Walk.Counts.NotLooked)
	answered, err := walks.AnswerWalk(r.ctx, &pb.AnswerWalkRequest{Name: begun.Walk.Name, Answers: []*pb.WalkLineAnswer{
		{Task: grease, Answer: pb.WalkAnswer_WALK_ANSWER_IN_ORDER},
		{Task: "points/blower-belt/tasks/tension", Answer: pb.WalkAnswer_WALK_ANSWER_REMARK, Text: "slack", Verdict: pb.RemarkVerdict_REMARK_VERDICT_DO_NOT_RUN},
	}})
	require.NoError(t, err)
	assert.EqualValues(t, 1, answered.Walk.Counts.InOrder)
	assert.EqualValues(t, 1, answered.Walk.Counts.Remarks)
	opened, err := pb.NewRemarkServiceClient(r.conn).ListRemarks(r.ctx, &pb.ListRemarksRequest{Parent: ossa})
	require.NoError(t, err)
	require.Len(t, opened.Remarks, 1)
	assert.Equal(t, begun.Walk.Name, opened.Remarks[0].Walk)
	second := r.person("fern", "tallow-fen", "see", "record")
	signed, err := walks.SignWalk(second, &pb.SignWalkRequest{Name: begun.Walk.Name, SignAs: "second"})
	require.NoError(t, err)
	assert.True(t, signed.Walk.Signed)
	assert.Equal(t, "fern", signed.Walk.SignedBy)

	other, err := walks.BeginWalk(r.ctx, &pb.BeginWalkRequest{Parent: ossa, Occasion: "first-cut"})
	require.NoError(t, err)
	left, err := walks.LeaveWalk(r.ctx, &pb.LeaveWalkRequest{Name: other.Walk.Name, Why: "it got dark"})
	require.NoError(t, err)
	assert.True(t, left.Walk.Left)
	list, err := walks.ListWalks(r.ctx, &pb.ListWalksRequest{Parent: ossa})
	require.NoError(t, err)
	assert.Len(t, list.Walks, 2)
}

// An answer that is in order is a service of work that is done by looking, and
// stands in the log as such.
func TestAWalkRoundsAnswersStandInTheLog(t *testing.T) {
	r := working(t)
	walks, records := pb.NewWalkServiceClient(r.conn), pb.NewServiceRecordServiceClient(r.conn)
	begun, err := walks.BeginWalk(r.ctx, &pb.BeginWalkRequest{Parent: ossa, Occasion: "first-cut"})
	require.NoError(t, err)
	_, err = walks.AnswerWalk(r.ctx, &pb.AnswerWalkRequest{Name: begun.Walk.Name, Answers: []*pb.WalkLineAnswer{
		{Task: grease, Answer: pb.WalkAnswer_WALK_ANSWER_IN_ORDER},
		{Task: "points/blower-belt/tasks/tension", Answer: pb.WalkAnswer_WALK_ANSWER_IN_ORDER, Measured: []*pb.Measured{{Micro: 73_000_000, Unit: "mm"}}},
	}})
	require.NoError(t, err)
	list, err := records.ListServiceRecords(r.ctx, &pb.ListServiceRecordsRequest{Parent: ossa})
	require.NoError(t, err)
	require.Len(t, list.Records, 1, "greasing is not done by looking at it")
	one := list.Records[0]
	assert.Equal(t, []string{"points/blower-belt/tasks/tension"}, one.Tasks)
	assert.Equal(t, begun.Walk.Name, one.Walk)
	require.Len(t, one.Measured, 1)
	assert.EqualValues(t, 73_000_000, one.Measured[0].Micro)
	void, err := records.VoidServiceRecord(r.ctx, &pb.VoidServiceRecordRequest{Name: one.Name, Why: "the wrong belt"})
	require.NoError(t, err)
	assert.True(t, void.Record.Voided)
	state, err := pb.NewTaskServiceClient(r.conn).GetTask(r.ctx, &pb.GetTaskRequest{Name: ossa + "/points/blower-belt/tasks/tension"})
	require.NoError(t, err)
	assert.Nil(t, state.Task.LastService)
}

func TestTasksArePutOffAndReturned(t *testing.T) {
	r := working(t)
	tasks := pb.NewTaskServiceClient(r.conn)
	_, err := tasks.PostponeTasks(r.ctx, &pb.PostponeTasksRequest{Parent: ossa, Tasks: []string{grease}, Why: "rain comes"})
	require.Equal(t, codes.InvalidArgument, status.Code(err), "an end is wanted")
	_, err = tasks.PostponeTasks(r.ctx, &pb.PostponeTasksRequest{Parent: ossa, Tasks: []string{grease}, ForMs: 4 * hour})
	require.Equal(t, codes.InvalidArgument, status.Code(err), "a reason is wanted")
	_, err = pb.NewServiceRecordServiceClient(r.conn).CreateServiceRecord(r.ctx, &pb.CreateServiceRecordRequest{Parent: ossa, Record: &pb.ServiceRecord{Tasks: []string{grease}, DoneMoment: r.moment(10 * day)}})
	require.NoError(t, err)
	r.read("ossa-1", 431, time.Hour)
	off, err := tasks.PostponeTasks(r.ctx, &pb.PostponeTasksRequest{Parent: ossa, Tasks: []string{grease}, Why: "rain comes", ForMs: 4 * hour, Meter: "engine"})
	require.NoError(t, err)
	require.Len(t, off.Tasks, 1)
	require.NotNil(t, off.Tasks[0].Postponed)
	assert.Equal(t, "rain comes", off.Tasks[0].Postponed.Why)
	assert.EqualValues(t, 435*hour, off.Tasks[0].Postponed.AtMs)
	back, err := tasks.ReturnTasks(r.ctx, &pb.ReturnTasksRequest{Parent: ossa, Tasks: []string{grease}})
	require.NoError(t, err)
	assert.Nil(t, back.Tasks[0].Postponed)
}

func TestTheFieldIsToldAndKept(t *testing.T) {
	r := working(t)
	fields, builds, settings := pb.NewFieldServiceClient(r.conn), pb.NewBuildServiceClient(r.conn), pb.NewSettingServiceClient(r.conn)
	_, err := fields.TellEvent(r.ctx, &pb.TellEventRequest{Parent: ossa, Event: "hail"})
	require.Equal(t, codes.InvalidArgument, status.Code(err))
	assert.ErrorContains(t, err, "storage-in, storage-out, choked")
	told, err := fields.TellEvent(r.ctx, &pb.TellEventRequest{Parent: ossa, Event: "choked", Minutes: 20, RequestId: uuid()})
	require.NoError(t, err)
	assert.False(t, told.Repeated)

	conditions, err := fields.TellConditions(r.ctx, &pb.TellConditionsRequest{Parent: ossa, Conditions: []*pb.Fact{{Name: "straw", Value: "damp"}}})
	require.NoError(t, err)
	require.Len(t, conditions.Conditions, 1)
	assert.Equal(t, "damp", conditions.Conditions[0].Value)

	asked, err := builds.ListBuildQuestions(r.ctx, &pb.ListBuildQuestionsRequest{Parent: ossa})
	require.NoError(t, err)
	require.Len(t, asked.Questions, 1)
	assert.Equal(t, "Which blower is fitted?", asked.Questions[0].Ask)
	_, err = builds.AnswerBuildQuestion(r.ctx, &pb.AnswerBuildQuestionRequest{Name: asked.Questions[0].Name, Value: "three-speed"})
	require.Equal(t, codes.InvalidArgument, status.Code(err))
	answered, err := builds.AnswerBuildQuestion(r.ctx, &pb.AnswerBuildQuestionRequest{Name: asked.Questions[0].Name, Value: "two-speed"})
	require.NoError(t, err)
	assert.Equal(t, "two-speed", answered.Question.Value)

	left, err := settings.RecordSettings(r.ctx, &pb.RecordSettingsRequest{Parent: ossa, Settings: []*pb.SettingWritten{{Setting: "concave", Left: &pb.SettingValue{Micro: new(int64(14_500_000))}}}})
	require.NoError(t, err)
	require.Len(t, left.Settings, 1)
	assert.EqualValues(t, 14_500_000, left.Settings[0].Left.GetMicro())

	gun, err := pb.NewPartServiceClient(r.conn).MeasureGun(r.ctx, &pb.MeasureGunRequest{Parent: ossa, Gun: "van-gun", StrokeMicrograms: 1_250_000})
	require.NoError(t, err)
	assert.EqualValues(t, 1_250_000, gun.Gun.GetStrokeMicrograms())
}

func TestLeadsLeadWithAndWithoutAMachine(t *testing.T) {
	r := working(t)
	leads := pb.NewLeadServiceClient(r.conn)
	for name, q := range map[string]*pb.FindLeadsRequest{
		"machine": {Machine: ossa, Codes: []string{"blower-slow"}}, "chart": {Edition: "charts/ossa-work/editions/-", Codes: []string{"blower-slow"}}, "by name": {Machine: ossa, Lead: "blower-falls-off"},
	} {
		a, err := leads.FindLeads(r.ctx, q)
		require.NoError(t, err, name)
		require.Len(t, a.Leads, 1, name)
		assert.Equal(t, "blower-belt", a.Leads[0].Places[0].Point, name)
		assert.Equal(t, "glazed, riding low", a.Leads[0].Places[0].Why, name)
		assert.Equal(t, []string{"more throttle"}, a.Leads[0].NoHelp, name)
		assert.Len(t, a.Leads[0].Places[0].Cautions, 2, name)
	}
	_, err := leads.FindLeads(r.ctx, &pb.FindLeadsRequest{})
	assert.Equal(t, codes.InvalidArgument, status.Code(err))
	cause, err := leads.RecordCause(r.ctx, &pb.RecordCauseRequest{Parent: ossa, Cause: &pb.FoundCause{Lead: "blower-falls-off", Code: "blower-slow", Point: "blower-belt", Text: "glazed"}})
	require.NoError(t, err)
	list, err := leads.ListCauses(r.ctx, &pb.ListCausesRequest{Parent: ossa})
	require.NoError(t, err)
	require.Len(t, list.Causes, 1)
	assert.Equal(t, cause.Cause.Name, list.Causes[0].Name)
}

// The values lie on a line of 1 mm in 10 h: by hand, 76 mm is reached at 440 h.
func TestMeasuresSayWhereTheyAreGoing(t *testing.T) {
	r := working(t)
	for i := range 6 {
		_, err := pb.NewServiceRecordServiceClient(r.conn).CreateServiceRecord(r.ctx, &pb.CreateServiceRecordRequest{Parent: ossa, Record: &pb.ServiceRecord{
			Tasks: []string{"points/blower-belt/tasks/tension"}, DoneMoment: r.moment(time.Duration(9-i) * day), Shown: []*pb.MeterShown{{Meter: "engine", ShownMs: int64(380+5*i) * hour}},
			Measured: []*pb.Measured{{Task: "blower-belt/tension", Micro: int64(70_000_000 + 500_000*i), Unit: "mm"}}}})
		require.NoError(t, err)
	}
	a, err := pb.NewMeasureServiceClient(r.conn).ListMeasures(r.ctx, &pb.ListMeasuresRequest{Parent: ossa, Task: ossa + "/points/blower-belt/tasks/tension"})
	require.NoError(t, err)
	require.Len(t, a.Spots, 1)
	spot := a.Spots[0]
	require.Len(t, spot.Values, 6)
	assert.EqualValues(t, 380*hour, spot.Values[0].GetHoursMs())
	assert.Contains(t, spot.Stands, "72.5 mm: in range")
	assert.NotEmpty(t, spot.Cautions)
	require.True(t, spot.Trend.Said, spot.Trend.Words)
	assert.EqualValues(t, 100_000_000, spot.Trend.SlopeMicro)
	assert.EqualValues(t, 76_000_000, spot.Trend.Ok.LimitMicro)
	assert.Nil(t, spot.Trend.Ok.LikelyMs, "it lies further ahead than 25 h of values can speak for")

	_, err = pb.NewMeasureServiceClient(r.conn).ListMeasures(r.ctx, &pb.ListMeasuresRequest{Parent: ossa, Task: "machines/ossa-2/points/blower-belt/tasks/tension"})
	assert.Equal(t, codes.InvalidArgument, status.Code(err))
}

func TestPartsKeepTheirPieces(t *testing.T) {
	r := working(t)
	_, err := pb.NewServiceRecordServiceClient(r.conn).CreateServiceRecord(r.ctx, &pb.CreateServiceRecordRequest{Parent: ossa, Record: wholeRecord(r)})
	require.NoError(t, err)
	r.read("ossa-1", 431, time.Hour)
	a, err := pb.NewPartServiceClient(r.conn).ListParts(r.ctx, &pb.ListPartsRequest{Parent: ossa})
	require.NoError(t, err)
	require.Len(t, a.Parts, 1)
	assert.Equal(t, "van", a.Parts[0].Spare)
	require.Len(t, a.Parts[0].Pieces, 1)
	assert.Equal(t, "tf-19", a.Parts[0].Pieces[0].Number)
	assert.EqualValues(t, 31*hour, a.Parts[0].GetHoursMs())
}

// secondEdition shortens the greasing, drops the belt and adds a task.
func secondEdition() *maintenance.Chart {
	c := workChart(2)
	c.Tasks[0].Limbs[0].Every = 20 * hours.Hour
	c.Tasks[1] = maintenance.TaskDef{ID: "blower-shaft/clean", Point: "blower-shaft", Do: "clean", Call: "clear the shaft", Who: "operator", Cautions: []string{"still"}}
	c.Leads = nil
	return c
}

// encoded gives a machine's state in the fixed encoding, without what must move
// on with every event.
func (r *rig) encoded(machine string) (state []byte, revision uint64) {
	r.t.Helper()
	require.NoError(r.t, r.app.Ingest().View(context.Background(), machine, func(s *maintenance.State) {
		c := s.Clone()
		revision = c.Revision
		c.Revision, c.Chain, c.Acts, c.Editions = 0, [32]byte{}, nil, nil
		state = maintenance.AppendState(nil, c)
	}))
	return state, revision
}

func TestAnEditionIsForeseenTakenByAllAndTakenBack(t *testing.T) {
	r := working(t)
	charts := pb.NewChartServiceClient(r.conn)
	for _, c := range []string{"ossa-1", "ossa-2"} {
		if c == "ossa-2" {
			r.takeChart(workChart(1), c)
			r.read(c, 400, 10*day)
		}
		_, err := pb.NewServiceRecordServiceClient(r.conn).CreateServiceRecord(r.ctx, &pb.CreateServiceRecordRequest{Parent: "machines/" + c, Record: &pb.ServiceRecord{Tasks: []string{grease, "points/blower-belt/tasks/tension"}, DoneMoment: r.moment(10 * day)}})
		require.NoError(t, err)
		r.read(c, 425, time.Hour)
	}
	r.takeChart(secondEdition(), "")
	before, beforeRevision := r.encoded("ossa-1")
	ahead, err := charts.PreviewEdition(r.ctx, &pb.PreviewEditionRequest{Name: "charts/ossa-work/editions/2"})
	require.NoError(t, err)
	require.Len(t, ahead.Machines, 2)
	same, revision := r.encoded("ossa-1")
	assert.Equal(t, before, same)
	assert.Equal(t, beforeRevision, revision, "looking ahead writes nothing")
	byTask := map[string]*pb.EditionTaskEffect{}
	for _, one := range ahead.Machines[0].Tasks {
		byTask[strings.TrimPrefix(one.Task, ossa+"/points/")] = one
	}
	require.Len(t, byTask, 3)
	assert.Equal(t, pb.DueState_DUE_STATE_OVERDUE, byTask["blower-shaft/tasks/grease"].NowState, "25 h run of 20 h, and overdue 2 h after")
	assert.Equal(t, pb.DueState_DUE_STATE_NOT_DUE, byTask["blower-shaft/tasks/grease"].WasState)
	assert.Contains(t, byTask["blower-shaft/tasks/clean"].Words, "new")
	assert.Contains(t, byTask["blower-belt/tasks/tension"].Words, "gone")
	assert.Len(t, byTask["blower-belt/tasks/tension"].Cautions, 2, "what is gone keeps its cautions in sight")

	id := uuid()
	took, err := charts.ApplyEdition(r.ctx, &pb.ApplyEditionRequest{Name: "charts/ossa-work/editions/2", RequestId: id})
	require.NoError(t, err)
	require.Len(t, took.Machines, 2)
	for i := range took.Machines {
		assert.True(t, proto.Equal(ahead.Machines[i], took.Machines[i]), "what was foreseen is what came")
	}
	_, taken := r.encoded("ossa-1")
	again, err := charts.ApplyEdition(r.ctx, &pb.ApplyEditionRequest{Name: "charts/ossa-work/editions/2", RequestId: id})
	require.NoError(t, err)
	assert.True(t, again.Machines[0].Unchanged)
	_, still := r.encoded("ossa-1")
	assert.Equal(t, taken, still)

	back, err := charts.RevertEdition(r.ctx, &pb.RevertEditionRequest{Name: "charts/ossa-work/editions/2", RequestId: uuid()})
	require.NoError(t, err)
	require.Len(t, back.Machines, 2)
	assert.Equal(t, "charts/ossa-work/editions/1", back.Machines[0].NowEdition)
	after, afterRevision := r.encoded("ossa-1")
	assert.Greater(t, afterRevision, beforeRevision)
	assert.Equal(t, withoutNotices(t, r, before), withoutNotices(t, r, after), "all else stands as it did")

	// A machine that had no other before is left out of all, and refused by name.
	r.takeChart(workChart(3), "")
	_, err = charts.ApplyEdition(r.ctx, &pb.ApplyEditionRequest{Name: "charts/ossa-work/editions/3", Machines: []string{ossa}})
	require.NoError(t, err)
	_, err = charts.RevertEdition(r.ctx, &pb.RevertEditionRequest{Name: "charts/ossa-work/editions/3", Machines: []string{ossa}})
	require.NoError(t, err)
	third, err := charts.RevertEdition(r.ctx, &pb.RevertEditionRequest{Name: "charts/ossa-work/editions/1"})
	require.NoError(t, err)
	require.Len(t, third.Machines, 2, "both went to it from the chart of the rig")
	assert.Equal(t, "charts/ossa-rotary/editions/1", third.Machines[0].NowEdition)
	_, err = charts.RevertEdition(r.ctx, &pb.RevertEditionRequest{Name: "charts/ossa-rotary/editions/1", Machines: []string{ossa}})
	assert.Equal(t, codes.FailedPrecondition, status.Code(err))
	left, err := charts.RevertEdition(r.ctx, &pb.RevertEditionRequest{Name: "charts/ossa-rotary/editions/1"})
	require.NoError(t, err)
	require.Len(t, left.Machines, 2)
	assert.Contains(t, left.Machines[0].Refused, "no edition before")
}

// withoutNotices drops closed notices: those that an edition raised were said, and
// stay on record as withdrawn.
func withoutNotices(t *testing.T, r *rig, state []byte) []byte {
	s, err := maintenance.DecodeState(state, func([32]byte) (*maintenance.Chart, error) { return workChart(1), nil })
	require.NoError(t, err)
	var open []maintenance.Notice
	for i := range s.Notices {
		if s.Notices[i].Withdrawn.IsZero() {
			open = append(open, s.Notices[i])
		}
	}
	s.Notices = open
	return maintenance.AppendState(nil, s)
}

func TestEditionsAreCompared(t *testing.T) {
	r := working(t)
	r.takeChart(secondEdition(), "")
	a, err := pb.NewChartServiceClient(r.conn).CompareEditions(r.ctx, &pb.CompareEditionsRequest{Name: "charts/ossa-work/editions/1", Other: "charts/ossa-work/editions/2"})
	require.NoError(t, err)
	text := protoText(a)
	for _, want := range []string{"points/blower-shaft/tasks/clean", "points/blower-belt/tasks/tension", "points/blower-shaft/tasks/grease"} {
		assert.Contains(t, text, want)
	}
	file := strings.Replace(strings.Replace(testChart, "edition: 1", "edition: 2", 1), "hours: 50", "hours: 40", 1)
	b, err := pb.NewChartServiceClient(r.conn).CompareEditions(r.ctx, &pb.CompareEditionsRequest{Name: "charts/ossa-rotary/editions/-", Yaml: file})
	require.NoError(t, err)
	require.Len(t, b.Changes, 1)
	assert.Equal(t, "points/shaker-pivot/tasks/grease", b.Changes[0].About)
	assert.Len(t, b.Changes[0].Cautions, 1)
	_, err = pb.NewChartServiceClient(r.conn).CompareEditions(r.ctx, &pb.CompareEditionsRequest{Name: "charts/ossa-rotary/editions/-"})
	assert.Equal(t, codes.InvalidArgument, status.Code(err))
}

// TestEveryAnswerWithATaskShowsItsCautions crawls the answers of every method for
// messages that name a task of the machine, and wants its cautions in the same
// message or in one around it.
func TestEveryAnswerWithATaskShowsItsCautions(t *testing.T) {
	r := working(t)
	_, err := pb.NewServiceRecordServiceClient(r.conn).CreateServiceRecord(r.ctx, &pb.CreateServiceRecordRequest{Parent: ossa, Record: &pb.ServiceRecord{Round: "evening", DoneMoment: r.moment(10 * day)}})
	require.NoError(t, err)
	r.read("ossa-1", 425, 5*day)
	_, err = pb.NewServiceRecordServiceClient(r.conn).CreateServiceRecord(r.ctx, &pb.CreateServiceRecordRequest{Parent: ossa, Record: &pb.ServiceRecord{Round: "evening", DoneMoment: r.moment(5 * day)}})
	require.NoError(t, err)
	r.read("ossa-1", 465, time.Hour)
	r.takeChart(secondEdition(), "")
	requests := aboutMachine("ossa-1")
	requests["GetTask"] = &pb.GetTaskRequest{Name: ossa + "/" + grease}
	requests["ExplainTask"] = &pb.ExplainTaskRequest{Name: ossa + "/" + grease}
	requests["ReviewTask"] = &pb.ReviewTaskRequest{Name: ossa + "/" + grease}
	requests["CreateServiceRecord"] = &pb.CreateServiceRecordRequest{Parent: ossa, ValidateOnly: true, Record: &pb.ServiceRecord{Round: "evening"}}
	requests["GetWalkSheet"] = &pb.GetWalkSheetRequest{Parent: ossa, Occasion: "first-cut"}
	requests["PreviewEdition"] = &pb.PreviewEditionRequest{Name: "charts/ossa-work/editions/2"}
	requests["CompareEditions"] = &pb.CompareEditionsRequest{Name: "charts/ossa-work/editions/1", Other: "charts/ossa-work/editions/2"}
	requests["GetEdition"] = &pb.GetEditionRequest{Name: "charts/ossa-work/editions/1"}
	requests["FindLeads"] = &pb.FindLeadsRequest{Machine: ossa, Lead: "blower-falls-off"}
	requests["TakeEdition"] = &pb.TakeEditionRequest{Name: ossa, Edition: "charts/ossa-work/editions/1"}
	requests["ApplyEdition"] = &pb.ApplyEditionRequest{Name: "charts/ossa-work/editions/1", Machines: []string{ossa}}
	requests["RevertEdition"] = &pb.RevertEditionRequest{Name: "charts/ossa-work/editions/2"}
	requests["PostponeTasks"] = &pb.PostponeTasksRequest{Parent: ossa, Round: "evening", Why: "rain", ForMs: 1}
	requests["ReturnTasks"] = &pb.ReturnTasksRequest{Parent: ossa, Round: "evening"}
	delete(requests, "Watch")
	shown := map[string]bool{}
	for _, m := range peopleMethods() {
		req, is := requests[string(m.Name())]
		if !is {
			continue
		}
		answers, err := invoke(r.ctx, r.conn, m, req)
		if err != nil {
			continue // it needs what is not there; its answers are messages that others give as well
		}
		for _, a := range answers {
			if crawl(t, string(m.Name()), a.ProtoReflect(), false) {
				shown[string(m.Name())] = true
			}
		}
	}
	for _, name := range []string{"GetTask", "ListTasks", "ExplainTask", "ReviewTask", "GetAdherence", "ListNotices", "CreateServiceRecord", "GetWalkSheet", "PreviewEdition", "CompareEditions", "GetEdition", "FindLeads", "GetLubricationTable", "ListReadiness"} {
		assert.True(t, shown[name], "%s shows a task", name)
	}
}

// hands are the fields by which a message says that it shows work at the machine.
var hands = map[protoreflect.Name]bool{"task": true, "tasks": true, "waiting": true, "point": true, "about": true}

// crawl reports whether a message or one in it shows a task, and fails where one
// does with no caution beside it. Records on file name tasks that were done.
func crawl(t *testing.T, method string, m protoreflect.Message, covered bool) (shows bool) {
	name := m.Descriptor().Name()
	if name == "ServiceRecord" || name == "TaskCounts" {
		return false
	}
	if f := m.Descriptor().Fields().ByName("cautions"); f != nil && m.Get(f).List().Len() > 0 {
		covered = true
	}
	m.Range(func(f protoreflect.FieldDescriptor, v protoreflect.Value) bool {
		texts := f.Kind() == protoreflect.StringKind
		switch {
		case texts && (hands[f.Name()] && about(f, v) || f.Name() == "name" && name == "Task"):
			shows = true
			assert.True(t, covered, "%s: %s.%s is %v with no caution beside it", method, name, f.Name(), v)
		case f.Message() == nil || f.IsMap():
		case f.IsList():
			for i := range v.List().Len() {
				shows = crawl(t, method, v.List().Get(i).Message(), covered) || shows
			}
		default:
			shows = crawl(t, method, v.Message(), covered) || shows
		}
		return true
	})
	return shows
}

// about reports whether a text names work on this machine. Both points of the
// chart have cautions on every task.
func about(f protoreflect.FieldDescriptor, v protoreflect.Value) bool {
	if f.IsList() {
		return v.List().Len() > 0
	}
	return strings.Contains(v.String(), "blower")
}
