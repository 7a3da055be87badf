package api

import (
	"context"
	"fmt"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"github.com/hourbell/hourbell/internal/maintenance"
	"github.com/hourbell/hourbell/internal/maintenance/hours"
	"github.com/hourbell/hourbell/internal/maintenance/moment"
	"github.com/hourbell/hourbell/internal/wire"
	pb "github.com/hourbell/hourbell/proto/hourbell/v1"
	"github.com/hourbell/hourbell/service/access"
	"github.com/hourbell/hourbell/service/fault"
	"github.com/hourbell/hourbell/service/ingest"
	"github.com/hourbell/hourbell/service/ingest/ingesttest"
	"github.com/hourbell/hourbell/service/office"
)

// workRig is an API over a store in memory that can end and begin again.
type workRig struct {
	*API
	t     *testing.T
	mem   *ingesttest.Memory
	ctx   context.Context // a keeper's
	now   time.Time
	close func()
}

// workDay is a day in a year of no demo: 2033-06-08, 09:30 in universal time.
var workDay = time.Date(2033, 6, 8, 9, 30, 0, 0, time.UTC)

func openWork(t *testing.T, mem *ingesttest.Memory, now time.Time) *workRig {
	t.Helper()
	r := &workRig{t: t, mem: mem, now: now}
	clock := func() time.Time { return r.now }
	of, err := office.Open(t.Context(), office.Options{Store: mem, Now: clock})
	require.NoError(t, err)
	in, err := ingest.New(t.Context(), ingest.Options{Store: mem, Now: clock})
	require.NoError(t, err)
	ctx, cancel := context.WithCancel(context.Background())
	done := make(chan error, 1)
	go func() { done <- in.Run(ctx) }()
	ended := false
	r.close = func() {
		if !ended {
			ended = true
			cancel()
			<-done
		}
	}
	t.Cleanup(r.close)
	require.NoError(t, of.Grant(t.Context(), "keeper", "", access.All()...))
	r.API, err = New(Options{Ingest: in, Office: of, Access: access.New(of), Now: clock})
	require.NoError(t, err)
	r.ctx = access.SignedIn(t.Context(), office.Person{ID: "keeper"})
	return r
}

// again is a service that begins anew with what is on disk.
func (r *workRig) again() *workRig {
	r.t.Helper()
	r.close()
	return openWork(r.t, r.mem.Reopen(), r.now)
}

// mowerChart is a chart with an attachment of its own meter: rounds on the engine,
// on the attachment, and by the calendar.
func mowerChart() *maintenance.Chart {
	hoursOn := func(meter string, every hours.Millis) []maintenance.Limb {
		return []maintenance.Limb{{Kind: maintenance.LimbHours, Meter: meter, Every: every * hours.Hour}}
	}
	meter := func(id, of string) maintenance.MeterDef {
		return maintenance.MeterDef{ID: id, Kind: maintenance.MeterPerson, Resolution: hours.Hour / 10, SetFrom: "display", Of: of}
	}
	return &maintenance.Chart{
		ID: "drover", Edition: 1, Meters: []maintenance.MeterDef{meter("engine", ""), meter("rotor", ""), meter("reel", "header")},
		Rounds: []maintenance.RoundDef{{ID: "r-70", Call: "seventies"}, {ID: "r-300", Call: "three hundreds"}, {ID: "r-mixed", Call: "mixed"}, {ID: "r-year", Call: "yearly"}, {ID: "r-reel", Call: "reel"}},
		Traits: []maintenance.TraitDef{{ID: "unloader", Kind: maintenance.TraitChoice, Ask: "How long?", Choices: []string{"short", "long"}}, {ID: "four-wheel", Kind: maintenance.TraitYesNo, Ask: "Driven rear axle?"},
			{ID: "frame", Kind: maintenance.TraitNumber, Ask: "Frame number?"}},
		Attachments: []maintenance.AttachmentDef{{ID: "header", Call: "Header"}},
		Points:      []maintenance.PointDef{{ID: "kingpin"}, {ID: "sump"}, {ID: "belt"}, {ID: "horn"}, {ID: "wobble-box", Attachment: "header"}},
		Tasks: []maintenance.TaskDef{
			{ID: "kingpin/grease", Point: "kingpin", Do: "grease", Round: "r-70", Limbs: hoursOn("engine", 70)},
			{ID: "sump/change", Point: "sump", Do: "change", Round: "r-300", Limbs: hoursOn("engine", 300)},
			{ID: "belt/check", Point: "belt", Do: "check", Round: "r-mixed", Limbs: append(hoursOn("engine", 90), hoursOn("rotor", 60)...)},
			{ID: "horn/check", Point: "horn", Do: "check", Round: "r-year", Limbs: []maintenance.Limb{{Kind: maintenance.LimbMonths, Months: 12}}},
			{ID: "wobble-box/grease", Point: "wobble-box", Do: "grease", Round: "r-reel", Limbs: hoursOn("reel", 40)},
		},
	}
}

// furnish makes two customers with a site each, and the chart.
func (r *workRig) furnish() *workRig {
	r.t.Helper()
	c := mowerChart()
	_, err := r.o.Office.PutEdition(r.ctx, office.Edition{Chart: c.ID, Edition: c.Edition, Compiled: maintenance.AppendChart(nil, c)})
	require.NoError(r.t, err)
	for customer, site := range map[string]string{"quarry-lane": "north-yard", "ewe-hill": "ewe-barn"} {
		_, err := r.o.Office.CreateCustomer(r.ctx, office.Customer{ID: customer, Display: customer})
		require.NoError(r.t, err)
		_, err = r.o.Office.CreateSite(r.ctx, office.Site{ID: site, Customer: customer, Display: site, Zone: "Etc/UTC", TurnsAt: 240})
		require.NoError(r.t, err)
	}
	return r
}

// machine commissions a machine with the rules in force that its chart needs.
func (r *workRig) machine(id, site string) {
	r.t.Helper()
	s, err := r.o.Office.Site(site)
	require.NoError(r.t, err)
	m := &machines{API: r.API}
	_, err = m.CreateMachine(r.ctx, &pb.CreateMachineRequest{MachineId: id, Machine: &pb.Machine{DisplayName: id, Site: siteName(s.Customer, s.ID)}})
	require.NoError(r.t, err)
	r.rules(id)
	_, err = m.TakeEdition(r.ctx, &pb.TakeEditionRequest{Name: machineName(id), Edition: "charts/drover/editions/1"})
	require.NoError(r.t, err)
}

// rules puts the newest rules in force, which does nothing where they are.
func (r *workRig) rules(id string) {
	r.t.Helper()
	_, err := r.o.Ingest.Act(r.ctx, id, maintenance.ServiceKey("rules", "test").Stream, moment.Span{}, &maintenance.RulesChanged{Version: maintenance.RulesVersion})
	require.NoError(r.t, err)
}

// events gives the bodies of one type in a machine's stream.
func events[T maintenance.Body](r *workRig, machine string) (out []T) {
	r.t.Helper()
	require.NoError(r.t, r.o.Ingest.History(r.ctx, machine, 1, func(e *maintenance.Event, _ uint64) bool {
		if b, is := e.Body.(T); is {
			out = append(out, b)
		}
		return true
	}))
	return out
}

// person signs in someone with permissions at one customer.
func (r *workRig) person(id, customer string, permissions ...access.Permission) context.Context {
	r.t.Helper()
	require.NoError(r.t, r.o.Office.Grant(r.ctx, id, customer, permissions...))
	return access.SignedIn(r.t.Context(), office.Person{ID: id})
}

func TestEveryMachineOfASiteIsToldOfASeasonOnce(t *testing.T) {
	r := openWork(t, ingesttest.New(), workDay).furnish()
	r.machine("hob-1", "north-yard")
	r.machine("hob-2", "north-yard")
	r.machine("far-1", "ewe-barn")
	s := &seasons{API: r.API}
	open := &pb.OpenSeasonRequest{Site: "customers/quarry-lane/sites/north-yard", Season: "2033", Crop: "barley", Date: &pb.CivilDate{Year: 2033, Month: 12, Day: 20}}
	shut := &pb.CloseSeasonRequest{Site: open.Site, Season: "2033", Crop: "barley", Date: &pb.CivilDate{Year: 2034, Month: 1, Day: 25}}
	for range 3 {
		got, err := s.OpenSeason(r.ctx, open)
		require.NoError(t, err)
		assert.EqualValues(t, 2, got.Season.Machines)
		assert.EqualValues(t, 2, got.Season.Told)
	}
	got, err := s.CloseSeason(r.ctx, shut)
	require.NoError(t, err)
	assert.Equal(t, &pb.CivilDate{Year: 2034, Month: 1, Day: 25}, got.Season.CloseDate, "it spans New Year")
	want := func(r *workRig, machine string, n int) {
		t.Helper()
		told := events[*maintenance.Season](r, machine)
		require.Len(t, told, n, machine)
		if n > 0 {
			assert.Equal(t, "barley", told[0].Crop)
			assert.Equal(t, "2033-12-20", told[0].Date.String())
			assert.True(t, told[0].Open)
			assert.Equal(t, "keeper", told[0].Person)
			assert.False(t, told[1].Open)
		}
	}
	want(r, "hob-1", 2)
	want(r, "hob-2", 2)
	want(r, "far-1", 0)

	// Who comes later is told as well, and a start tells nobody twice.
	r.machine("hob-3", "north-yard")
	want(r, "hob-3", 2)
	r = r.again()
	require.NoError(t, r.Settle(r.ctx))
	for _, m := range []string{"hob-1", "hob-2", "hob-3"} {
		want(r, m, 2)
	}
	list, err := (&seasons{API: r.API}).ListSeasons(r.ctx, &pb.ListSeasonsRequest{Parent: "customers/quarry-lane"})
	require.NoError(t, err)
	require.Len(t, list.Seasons, 1)
	assert.EqualValues(t, 3, list.Seasons[0].Told)
}

// TestASeasonIsTakenBack from those who were told of it; who comes later never
// hears of it.
func TestASeasonIsTakenBack(t *testing.T) {
	r := openWork(t, ingesttest.New(), workDay).furnish()
	r.machine("hob-1", "north-yard")
	s := &seasons{API: r.API}
	const site = "customers/quarry-lane/sites/north-yard"
	_, err := s.OpenSeason(r.ctx, &pb.OpenSeasonRequest{Site: site, Season: "2303"})
	require.NoError(t, err)
	for range 2 {
		a, err := s.CancelSeason(r.ctx, &pb.CancelSeasonRequest{Site: site, Season: "2303"})
		require.NoError(t, err)
		assert.Nil(t, a.Season.OpenDate)
	}
	told := events[*maintenance.Season](r, "hob-1")
	require.Len(t, told, 2)
	assert.True(t, told[1].Open)
	assert.False(t, told[1].Date.Known())
	r.machine("hob-2", "north-yard")
	assert.Empty(t, events[*maintenance.Season](r, "hob-2"))
	list, err := s.ListSeasons(r.ctx, &pb.ListSeasonsRequest{Parent: "customers/-"})
	require.NoError(t, err)
	assert.Empty(t, list.Seasons)
	_, err = s.CancelSeason(r.ctx, &pb.CancelSeasonRequest{Site: site, Season: "2304"})
	assert.ErrorContains(t, err, "season 2304 was never opened")
	_, err = s.OpenSeason(r.ctx, &pb.OpenSeasonRequest{Site: site, Season: "2303"})
	require.NoError(t, err)
	assert.Len(t, events[*maintenance.Season](r, "hob-1"), 3, "it can be said again")
	assert.Len(t, events[*maintenance.Season](r, "hob-2"), 1)
}

// TestATellingThatBrokeIsFinished: the word is on disk, the machines are not told.
func TestATellingThatBrokeIsFinished(t *testing.T) {
	r := openWork(t, ingesttest.New(), workDay).furnish()
	r.machine("hob-1", "north-yard")
	date, err := parseDate("d", &pb.CivilDate{Year: 2033, Month: 7, Day: 1})
	require.NoError(t, err)
	w := office.SeasonWord{Site: "north-yard", Season: "2033", Open: true, Date: date}
	_, err = r.o.Office.SaySeason(r.ctx, w)
	require.NoError(t, err)
	r = r.again()
	require.NoError(t, r.Settle(r.ctx))
	assert.Len(t, events[*maintenance.Season](r, "hob-1"), 1)
	// The stream has it, and the office's note of it is lost.
	require.NoError(t, r.tellSeason(r.ctx, "hob-1", w))
	assert.Len(t, events[*maintenance.Season](r, "hob-1"), 1)
}

func TestStorage(t *testing.T) {
	r := openWork(t, ingesttest.New(), workDay).furnish()
	r.machine("hob-1", "north-yard")
	r.machine("hob-2", "north-yard")
	s := &seasons{API: r.API}
	q := &pb.SetStorageRequest{Name: "customers/quarry-lane/sites/north-yard", RequestId: "7a1c2b50-1111-4c58-9d7e-0a6f1b2c3d4e"}
	for range 2 {
		a, err := s.SetStorage(r.ctx, q)
		require.NoError(t, err)
		assert.Equal(t, []string{"machines/hob-1", "machines/hob-2"}, a.Machines)
	}
	_, err := s.SetStorage(r.ctx, &pb.SetStorageRequest{Name: "machines/hob-2", Out: true})
	require.NoError(t, err)
	in, both := events[*maintenance.FieldEvent](r, "hob-1"), events[*maintenance.FieldEvent](r, "hob-2")
	require.Len(t, in, 1)
	assert.Equal(t, "storage-in", in[0].Event)
	require.Len(t, both, 2)
	assert.Equal(t, "storage-out", both[1].Event)
	_, err = s.SetStorage(r.ctx, &pb.SetStorageRequest{Name: "north-yard"})
	assert.Equal(t, fault.FieldInvalid, fault.Of(err).Reason)
}

// reel adds a header and gives a move of it.
func (r *workRig) reel() func(to string) (*pb.MoveAttachmentResponse, error) {
	r.t.Helper()
	s := &attachments{API: r.API}
	_, err := s.CreateAttachment(r.ctx, &pb.CreateAttachmentRequest{Parent: "customers/quarry-lane", AttachmentId: "reel-6", Attachment: &pb.Attached{DisplayName: "Six metres", Kind: "header"}})
	require.NoError(r.t, err)
	return func(to string) (*pb.MoveAttachmentResponse, error) {
		if to != "" {
			to = machineName(to)
		}
		return s.MoveAttachment(r.ctx, &pb.MoveAttachmentRequest{Name: "customers/quarry-lane/attachments/reel-6", Machine: to})
	}
}

// use has a machine run its header: its meter shows 31 h, and it was greased at 20.
func (r *workRig) use(machine string) {
	r.t.Helper()
	_, err := (&readings{API: r.API}).RecordHours(r.ctx, &pb.RecordHoursRequest{Parent: machineName(machine), Meter: "reel", ShownMs: int64(20 * hours.Hour)})
	require.NoError(r.t, err)
	_, err = (&records{API: r.API}).CreateServiceRecord(r.ctx, &pb.CreateServiceRecordRequest{Parent: machineName(machine), Record: &pb.ServiceRecord{Round: "r-reel"}})
	require.NoError(r.t, err)
	r.now = r.now.Add(24 * time.Hour)
	_, err = (&readings{API: r.API}).RecordHours(r.ctx, &pb.RecordHoursRequest{Parent: machineName(machine), Meter: "reel", ShownMs: int64(31 * hours.Hour)})
	require.NoError(r.t, err)
}

func TestAnAttachmentTakesItsHoursAndRecordsAlong(t *testing.T) {
	r := openWork(t, ingesttest.New(), workDay).furnish()
	r.machine("hob-1", "north-yard")
	r.machine("hob-2", "north-yard")
	move := r.reel()
	_, err := move("hob-1")
	require.NoError(t, err)
	r.use("hob-1")
	a, err := move("hob-2")
	require.NoError(t, err)
	assert.Equal(t, "machines/hob-1", a.From)
	assert.Equal(t, "machines/hob-2", a.Attachment.Machine)
	again, err := move("hob-2")
	require.NoError(t, err)
	assert.Empty(t, again.From, "it is there already")
	one, two := events[*maintenance.Attachment](r, "hob-1"), events[*maintenance.Attachment](r, "hob-2")
	require.Len(t, one, 2)
	assert.True(t, one[0].On)
	assert.False(t, one[1].On)
	require.Len(t, two, 1)
	assert.Equal(t, []maintenance.MeterShown{{Meter: "reel", Shown: 31 * hours.Hour}}, two[0].Shown)
	assert.Equal(t, "reel-6", two[0].Piece)
	require.Len(t, two[0].Carried, 1)
	assert.Equal(t, "wobble-box/grease", two[0].Carried[0].Task)
	assert.Equal(t, []maintenance.MeterShown{{Meter: "reel", Shown: 20 * hours.Hour}}, two[0].Carried[0].Hours)

	// Off, a winter in the shed, and onto another: what it brings is kept.
	_, err = move("")
	require.NoError(t, err)
	r = r.again()
	_, err = (&attachments{API: r.API}).MoveAttachment(r.ctx, &pb.MoveAttachmentRequest{Name: "customers/quarry-lane/attachments/reel-6", Machine: "machines/hob-1"})
	require.NoError(t, err)
	one = events[*maintenance.Attachment](r, "hob-1")
	require.Len(t, one, 3)
	assert.Equal(t, []maintenance.MeterShown{{Meter: "reel", Shown: 31 * hours.Hour}}, one[2].Shown)
}

// TestAMoveThatBrokeIsFinished at each place where it can: before either stream
// has its event, and between the two.
func TestAMoveThatBrokeIsFinished(t *testing.T) {
	for name, halfway := range map[string]bool{"before both": false, "between the two": true} {
		t.Run(name, func(t *testing.T) {
			r := openWork(t, ingesttest.New(), workDay).furnish()
			r.machine("hob-1", "north-yard")
			r.machine("hob-2", "north-yard")
			move := r.reel()
			_, err := move("hob-1")
			require.NoError(t, err)
			r.use("hob-1")
			body := func(on bool) []byte {
				b, err := wire.Marshal(nil, wire.Stamp{Time: 1}, &maintenance.Attachment{Attachment: "header", On: on, Shown: []maintenance.MeterShown{{Meter: "reel", Shown: 31 * hours.Hour}}, Person: "keeper"})
				require.NoError(t, err)
				return b
			}
			m := office.Moving{Attachment: "reel-6", From: "hob-1", To: "hob-2", Key: [16]byte{5}, At: moment.At(r.API.now()), Off: body(false), On: body(true)}
			require.NoError(t, r.o.Office.MoveAttachment(r.ctx, m))
			if halfway {
				require.NoError(t, r.bring(r.ctx, "hob-1", m.Key, m.At, m.Off))
			}
			r = r.again()
			require.NoError(t, r.Settle(r.ctx))
			assert.Empty(t, r.o.Office.Movings())
			one, two := events[*maintenance.Attachment](r, "hob-1"), events[*maintenance.Attachment](r, "hob-2")
			require.Len(t, one, 2)
			assert.False(t, one[1].On)
			require.Len(t, two, 1)
			assert.Equal(t, 31*hours.Hour, two[0].Shown[0].Shown)
		})
	}
}

func TestWhatAnAttachmentDoesNotFit(t *testing.T) {
	r := openWork(t, ingesttest.New(), workDay).furnish()
	r.machine("far-1", "ewe-barn")
	move := r.reel()
	_, err := move("far-1")
	assert.ErrorContains(t, err, "machine far-1 is of another customer than attachment reel-6")
	_, err = move("nothing")
	assert.Equal(t, fault.NotFound, fault.Of(err).Reason)
	_, err = (&machines{API: r.API}).CreateMachine(r.ctx, &pb.CreateMachineRequest{MachineId: "bare", Machine: &pb.Machine{DisplayName: "bare", Site: "customers/quarry-lane/sites/north-yard"}})
	require.NoError(t, err)
	_, err = move("bare")
	assert.ErrorContains(t, err, "machine bare has no chart yet")
	s := &attachments{API: r.API}
	_, err = s.CreateAttachment(r.ctx, &pb.CreateAttachmentRequest{Parent: "customers/quarry-lane", AttachmentId: "trailer", Attachment: &pb.Attached{DisplayName: "x", Kind: "trailer"}})
	require.NoError(t, err)
	r.machine("hob-1", "north-yard")
	_, err = s.MoveAttachment(r.ctx, &pb.MoveAttachmentRequest{Name: "customers/quarry-lane/attachments/trailer", Machine: "machines/hob-1"})
	assert.ErrorContains(t, err, `chart drover of machine hob-1 names no attachment "trailer"`)
	fern := r.person("fern", "ewe-hill", access.All()...)
	_, err = s.MoveAttachment(fern, &pb.MoveAttachmentRequest{Name: "customers/quarry-lane/attachments/reel-6", Machine: "machines/far-1"})
	assert.Equal(t, fault.Missing("customer", "quarry-lane").Error(), err.Error())
	_, err = s.CreateAttachment(fern, &pb.CreateAttachmentRequest{Parent: "customers/ewe-hill", AttachmentId: "reel-6", Attachment: &pb.Attached{DisplayName: "x", Kind: "header"}})
	assert.ErrorContains(t, err, `"reel-6" can't be used`)
}

// TestASoldMachineIsTheNewOwnersAlone: the one before finds nothing of it any
// more, the new one finds all of it.
func TestASoldMachineIsTheNewOwnersAlone(t *testing.T) {
	r := openWork(t, ingesttest.New(), workDay).furnish()
	r.machine("hob-1", "north-yard")
	rd := &readings{API: r.API}
	record := func(ctx context.Context, h int) error {
		_, err := rd.RecordHours(ctx, &pb.RecordHoursRequest{Parent: "machines/hob-1", Meter: "engine", ShownMs: int64(hours.Millis(h) * hours.Hour)})
		return err
	}
	require.NoError(t, record(r.ctx, 640))
	before, after := r.person("fern", "quarry-lane", access.All()...), r.person("moss", "ewe-hill", access.All()...)
	_, err := (&seasons{API: r.API}).OpenSeason(r.ctx, &pb.OpenSeasonRequest{Site: "customers/ewe-hill/sites/ewe-barn", Season: "2033"})
	require.NoError(t, err)

	f := &fleetFiles{API: r.API}
	q := &pb.HandOverMachineRequest{Name: "machines/hob-1", Site: "customers/ewe-hill/sites/ewe-barn"}
	_, err = f.HandOverMachine(before, q)
	assert.Equal(t, fault.NotFound, fault.Of(err).Reason, "who has no say at the new site can't hand over to it")
	_, err = f.HandOverMachine(after, q)
	assert.Equal(t, fault.Missing("machine", "hob-1").Error(), err.Error(), "nor can the new one take it")
	a, err := f.HandOverMachine(r.ctx, q)
	require.NoError(t, err)
	assert.Equal(t, "customers/quarry-lane", a.CustomerBefore)
	again, err := f.HandOverMachine(r.ctx, q)
	require.NoError(t, err)
	assert.Empty(t, again.CustomerBefore, "it is there already")

	r.now = r.now.Add(24 * time.Hour)
	require.NoError(t, record(after, 650))
	m := &machines{API: r.API}
	_, err = m.GetMachine(before, &pb.GetMachineRequest{Name: "machines/hob-1"})
	assert.Equal(t, fault.Missing("machine", "hob-1").Error(), err.Error())
	_, err = rd.ListReadings(before, &pb.ListReadingsRequest{Parent: "machines/hob-1"})
	assert.Equal(t, fault.NotFound, fault.Of(err).Reason)
	list, err := m.ListMachines(before, &pb.ListMachinesRequest{})
	require.NoError(t, err)
	assert.Empty(t, list.Machines)
	assert.Equal(t, fault.NotFound, fault.Of(record(before, 700)).Reason)

	history, err := rd.ListReadings(after, &pb.ListReadingsRequest{Parent: "machines/hob-1"})
	require.NoError(t, err)
	assert.Len(t, history.Readings, 2)
	handed := events[*maintenance.HandedOver](r, "hob-1")
	require.Len(t, handed, 1)
	assert.Equal(t, maintenance.HandedOver{Customer: "ewe-hill", Site: "ewe-barn", Zone: "Etc/UTC", TurnsAt: 240, Person: "keeper"}, *handed[0])
	assert.Len(t, events[*maintenance.Season](r, "hob-1"), 1, "the new site's season")
	r = r.again()
	require.NoError(t, r.Settle(r.ctx))
	assert.Len(t, events[*maintenance.HandedOver](r, "hob-1"), 1)
}

// TestAMachineThatGoesNorthWithTheHarvest meets a season of the same name that
// opens after the one it knows has closed.
func TestAMachineThatGoesNorthWithTheHarvest(t *testing.T) {
	r := openWork(t, ingesttest.New(), workDay).furnish()
	r.machine("hob-1", "north-yard")
	s := &seasons{API: r.API}
	season := func(site string, open, shut int32) {
		t.Helper()
		_, err := s.OpenSeason(r.ctx, &pb.OpenSeasonRequest{Site: site, Season: "2033", Crop: "wheat", Date: &pb.CivilDate{Year: 2033, Month: open, Day: 1}})
		require.NoError(t, err)
		if shut > 0 {
			_, err = s.CloseSeason(r.ctx, &pb.CloseSeasonRequest{Site: site, Season: "2033", Crop: "wheat", Date: &pb.CivilDate{Year: 2033, Month: shut, Day: 1}})
			require.NoError(t, err)
		}
	}
	season("customers/quarry-lane/sites/north-yard", 6, 7)
	season("customers/ewe-hill/sites/ewe-barn", 8, 0)
	r.now = r.now.Add(time.Hour)
	_, err := (&fleetFiles{API: r.API}).HandOverMachine(r.ctx, &pb.HandOverMachineRequest{Name: "machines/hob-1", Site: "customers/ewe-hill/sites/ewe-barn"})
	require.NoError(t, err)
	assert.Empty(t, r.o.Office.UntoldSeasons("hob-1"))
	require.NoError(t, r.view(r.ctx, "hob-1", func(st *maintenance.State) {
		require.Len(t, st.Seasons, 1)
		assert.Equal(t, "2033-08-01", st.Seasons[0].Opened.String())
		assert.False(t, st.Seasons[0].Closed.Known(), "the south's closing is none of the north's")
	}))
}

func TestAHandOverThatBrokeIsFinished(t *testing.T) {
	r := openWork(t, ingesttest.New(), workDay).furnish()
	r.machine("hob-1", "north-yard")
	_, err := r.o.Office.HandOver(r.ctx, "hob-1", "ewe-barn", [16]byte{3}, false)
	require.NoError(t, err)
	r = r.again()
	require.NoError(t, r.Settle(r.ctx))
	assert.Len(t, events[*maintenance.HandedOver](r, "hob-1"), 1)
	assert.Empty(t, r.o.Office.HandingsOver())
}

func TestPartsCrewsAndShifts(t *testing.T) {
	r := openWork(t, ingesttest.New(), workDay).furnish()
	s := &crews{API: r.API}
	_, err := s.CreateCrew(r.ctx, &pb.CreateCrewRequest{Parent: "customers/quarry-lane", CrewId: "late", Crew: &pb.Crew{DisplayName: "Late"}})
	require.NoError(t, err)
	_, err = s.SetPersonPart(r.ctx, &pb.SetPersonPartRequest{Name: "persons/wren", Part: pb.TradePart_TRADE_PART_TECHNICIAN})
	require.NoError(t, err)
	c, err := s.SetCrewMember(r.ctx, &pb.SetCrewMemberRequest{Name: "customers/quarry-lane/crews/late", Person: "persons/wren"})
	require.NoError(t, err)
	require.Len(t, c.Crew.Members, 1)
	assert.Equal(t, pb.TradePart_TRADE_PART_TECHNICIAN, c.Crew.Members[0].Part)
	shift, err := s.SetShift(r.ctx, &pb.SetShiftRequest{ShiftId: "late", Shift: &pb.Shift{Crew: "customers/quarry-lane/crews/late", FromMinutes: 840, ToMinutes: 90, WeekDays: []int32{6, 7}, Quiet: true}})
	require.NoError(t, err)
	assert.Equal(t, []int32{6, 7}, shift.Shift.WeekDays)
	fern := r.person("fern", "ewe-hill", access.All()...)
	_, err = s.SetShift(fern, &pb.SetShiftRequest{ShiftId: "late", Shift: &pb.Shift{Site: "customers/ewe-hill/sites/ewe-barn", FromMinutes: 1, ToMinutes: 2}})
	assert.ErrorContains(t, err, `"late" can't be used`)
	for name, q := range map[string]*pb.Shift{"none": {ToMinutes: 5}, "day": {Site: "customers/quarry-lane/sites/north-yard", ToMinutes: 5, WeekDays: []int32{8}}, "minute": {Site: "customers/quarry-lane/sites/north-yard", ToMinutes: 1440}} {
		_, err := s.SetShift(r.ctx, &pb.SetShiftRequest{ShiftId: "x", Shift: q})
		assert.Equal(t, fault.FieldInvalid, fault.Of(err).Reason, name)
	}
	_, err = s.EndShift(r.ctx, &pb.EndShiftRequest{Name: "customers/quarry-lane/shifts/late"})
	require.NoError(t, err)
	_, err = s.SetPersonPart(r.ctx, &pb.SetPersonPartRequest{Name: "persons/wren", Part: 9})
	assert.Equal(t, fault.FieldInvalid, fault.Of(err).Reason)
}

// fleetOf40 writes a table of forty machines; bad puts three mistakes into it.
func fleetOf40(bad bool) string {
	var b strings.Builder
	b.WriteString("machine;site;chart;trait:unloader;hours:engine;last:r-70;last:r-300\n")
	for i := range 40 {
		row := fmt.Sprintf("hob-%02d;north-yard;drover;long;%d,5;unknown;", i, 400+i)
		switch {
		case bad && i == 4:
			row = fmt.Sprintf("hob-%02d;north-yard;dorver;long;404,5;unknown;", i)
		case bad && i == 17:
			row = fmt.Sprintf("hob-%02d;north-yard;drover;middling;417,5;unknown;", i)
		case bad && i == 39:
			row = fmt.Sprintf("hob-%02d;north-yard;drover;long;439,5;unknown;500", i)
		}
		b.WriteString(row + "\n")
	}
	return b.String()
}

func TestAFleetIsTakenWholeOrNotAtAll(t *testing.T) {
	r := openWork(t, ingesttest.New(), workDay).furnish()
	f := &fleetFiles{API: r.API}
	_, err := f.ImportFleet(r.ctx, &pb.ImportFleetRequest{FileName: "fleet.csv", Table: fleetOf40(true)})
	assert.EqualError(t, err, "fleet.csv:6:19: there is no chart dorver, or you were not granted it\n"+
		`fleet.csv:19:26: "middling" is no answer to trait unloader; want one of short, long`+"\n"+
		"fleet.csv:41:45: 500.00 h when round r-300 was last done, and the meter shows 439.50 h now; want no more hours than it shows; give hours:engine as read now beside it")
	assert.Equal(t, "3", fault.Of(err).Meta["mistakes"])
	assert.Empty(t, r.o.Office.ListMachines("quarry-lane"), "nothing is made")

	check, err := f.ImportFleet(r.ctx, &pb.ImportFleetRequest{Table: fleetOf40(false), ValidateOnly: true})
	require.NoError(t, err)
	assert.EqualValues(t, 40, check.Outcome.Commissioned)
	assert.Empty(t, r.o.Office.ListMachines("quarry-lane"), "looking makes nothing")

	a, err := f.ImportFleet(r.ctx, &pb.ImportFleetRequest{Table: fleetOf40(false)})
	require.NoError(t, err)
	assert.Equal(t, &pb.FleetOutcome{Machines: 40, Commissioned: 40, UnknownRounds: 40 * 5, Site: "customers/quarry-lane/sites/north-yard"}, a.Outcome)
	assert.Len(t, r.o.Office.ListMachines("quarry-lane"), 40)
	list, err := (&machines{API: r.API}).ListMachines(r.ctx, &pb.ListMachinesRequest{Customer: "customers/quarry-lane", PageSize: 100})
	require.NoError(t, err)
	require.Len(t, list.Machines, 40)
	assert.Equal(t, int64(417*hours.Hour+hours.Hour/2), list.Machines[17].Meters[0].GetTotalMs())
	for _, m := range list.Machines {
		assert.Zero(t, m.OpenNotices, "what is unknown rings nobody")
		assert.EqualValues(t, 5, m.Tasks.Unknown)
	}
	before := r.mem.Last("machines/hob-00")
	again, err := f.ImportFleet(r.ctx, &pb.ImportFleetRequest{Table: fleetOf40(false)})
	require.NoError(t, err)
	assert.EqualValues(t, 40, again.Outcome.Unchanged)
	assert.Zero(t, again.Outcome.Commissioned+again.Outcome.UnknownRounds)
	assert.Equal(t, before, r.mem.Last("machines/hob-00"), "the same file writes nothing")
}

// taskOf gives a task as the API tells it.
func (r *workRig) taskOf(machine, task string) *pb.Task {
	r.t.Helper()
	a, err := (&tasks{API: r.API}).GetTask(r.ctx, &pb.GetTaskRequest{Name: taskName(machine, task)})
	require.NoError(r.t, err)
	return a.Task
}

// TestHoursSinceARoundAreThoseSinceTheFigureGiven: 412.5 h now less 380 h then,
// and 412.5 less 95, in one file and one call.
func TestHoursSinceARoundAreThoseSinceTheFigureGiven(t *testing.T) {
	r := openWork(t, ingesttest.New(), workDay).furnish()
	f := &fleetFiles{API: r.API}
	text := "machine,site,chart,as_of,hours:engine,last:r-70,last:r-300,last:r-year,last:r-mixed,trait:frame,trait:four-wheel\n" +
		"old,north-yard,drover,2033-06-07 18:00,412.5,380,95 2032-11-02,2033-04-30,2033-06-01,90125.5,YES\n" +
		"late,north-yard,drover,,412.5,330,,,,,\n"
	a, err := f.ImportFleet(r.ctx, &pb.ImportFleetRequest{Table: text})
	require.NoError(t, err)
	assert.EqualValues(t, 2, a.Outcome.Commissioned)
	assert.EqualValues(t, 2, a.Outcome.Notices, "317.5 h of 300 are due, and 82.5 h of 70, and that is said")
	assert.EqualValues(t, 2, a.Outcome.NoticeMachines)
	seventy, three := r.taskOf("old", "kingpin/grease"), r.taskOf("old", "sump/change")
	require.NotNil(t, seventy.Counters[0].SinceMs)
	assert.Equal(t, int64(32*hours.Hour+hours.Hour/2), *seventy.Counters[0].SinceMs)
	assert.Equal(t, pb.DueState_DUE_STATE_NOT_DUE, seventy.DueState)
	require.NotNil(t, three.Counters[0].SinceMs)
	assert.Equal(t, int64(317*hours.Hour+hours.Hour/2), *three.Counters[0].SinceMs)
	assert.Equal(t, pb.DueState_DUE_STATE_NOT_DUE, r.taskOf("old", "horn/check").DueState, "of 30 April")
	assert.Equal(t, int64(82*hours.Hour+hours.Hour/2), *r.taskOf("late", "kingpin/grease").Counters[0].SinceMs)
	records := events[*maintenance.ServiceDone](r, "old")
	require.Len(t, records, 4)
	traits := events[*maintenance.Trait](r, "old")
	require.Len(t, traits, 2)
	assert.Equal(t, "90125.5", traits[0].Value)
	assert.Equal(t, "yes", traits[1].Value)
	for _, m := range []string{"old", "late"} {
		require.NoError(t, r.view(r.ctx, m, func(st *maintenance.State) {
			assert.Empty(t, st.Doubts, m)
			assert.Equal(t, 412*hours.Hour+hours.Hour/2, st.Meters[0].Total, m)
			assert.Empty(t, st.Meters[0].Held, m)
			assert.Len(t, st.Meters[0].Lives, 1, m)
		}))
	}
	v, err := r.o.Ingest.Verify(r.ctx, "old", nil)
	require.NoError(t, err)
	assert.True(t, v.Same())
}

// TestAFleetComesWithItsHeaders: the header's hours count, since it is on.
func TestAFleetComesWithItsHeaders(t *testing.T) {
	r := openWork(t, ingesttest.New(), workDay).furnish()
	r.reel()
	f := &fleetFiles{API: r.API}
	const text = "machine,site,chart,attachment,hours:reel,last:r-reel\nhob-1,north-yard,drover,reel-6,55.5,30\nhob-2,north-yard,drover,none,,\n"
	for range 2 {
		_, err := f.ImportFleet(r.ctx, &pb.ImportFleetRequest{Table: text})
		require.NoError(t, err)
	}
	a, err := r.o.Office.Attachment("reel-6")
	require.NoError(t, err)
	assert.Equal(t, "hob-1", a.Machine)
	assert.Len(t, events[*maintenance.Attachment](r, "hob-1"), 1)
	assert.Equal(t, int64(25*hours.Hour+hours.Hour/2), *r.taskOf("hob-1", "wobble-box/grease").Counters[0].SinceMs)
	_, err = f.ImportFleet(r.ctx, &pb.ImportFleetRequest{FileName: "f", Table: "machine,site,chart,attachment\nhob-3,north-yard,drover,reel-6\n"})
	assert.EqualError(t, err, "f:2:25: attachment reel-6 is on machine hob-1; take it off there first")
}

// TestHoursAloneNameNoDay: of a round that counts months as well only the hours
// are known then, and its year does not begin on a day that nobody named.
func TestHoursAloneNameNoDay(t *testing.T) {
	r := openWork(t, ingesttest.New(), workDay)
	c := mowerChart()
	c.Tasks[1].Limbs = append(c.Tasks[1].Limbs, maintenance.Limb{Kind: maintenance.LimbMonths, Months: 12})
	r.furnish()
	_, err := r.o.Office.PutEdition(r.ctx, office.Edition{Chart: c.ID, Edition: 2, Compiled: maintenance.AppendChart(nil, func() *maintenance.Chart { c.Edition = 2; return c }())})
	require.NoError(t, err)
	_, err = (&fleetFiles{API: r.API}).ImportFleet(r.ctx, &pb.ImportFleetRequest{Table: "machine,site,chart,hours:engine,last:r-300\nold,north-yard,drover,900,890\n"})
	require.NoError(t, err)
	task := r.taskOf("old", "sump/change")
	require.Len(t, task.Counters, 2)
	assert.Equal(t, int64(10*hours.Hour), *task.Counters[0].SinceMs)
	assert.NotEmpty(t, task.Counters[1].UnknownWhy)
	assert.Equal(t, pb.DueState_DUE_STATE_NOT_DUE, task.DueState)
}

func TestMistakesOfAFleet(t *testing.T) {
	r := openWork(t, ingesttest.New(), workDay).furnish()
	r.machine("here", "north-yard")
	r.machine("theirs", "ewe-barn")
	r.reel()
	f := &fleetFiles{API: r.API}
	head := "machine,site,chart,customer,as_of,hours:engine,last:r-70,last:r-mixed,last:r-year,trait:frame,trait:four-wheel,attachment,display\n"
	for name, c := range map[string]struct{ row, want string }{
		"id":              {"Hob 1,north-yard,drover", `f:2:1: "Hob 1" can't be an id; use 1 to 63 of a-z, 0-9 and '-', with a letter first and no '-' last`},
		"no site":         {"m,,drover", "f:2:3: the row names no site; want the id of a site"},
		"no such site":    {"m,moon,drover", "f:2:3: there is no site moon, or you were not granted it"},
		"no chart":        {"m,north-yard,", "f:2:14: the row names no chart; want a chart, as CHART or CHART/EDITION"},
		"no such edition": {"m,north-yard,drover/4", "f:2:14: there is no edition drover/4, or you were not granted it"},
		"customer":        {"m,north-yard,drover,ewe-hill", "f:2:21: site north-yard belongs to customer quarry-lane; name that customer, or a site of customer ewe-hill"},
		"to come":         {"m,north-yard,drover,,2033-06-09,5", "f:2:22: 2033-06-09 has not come yet at site north-yard; give when the hours were read"},
		"there":           {"here,ewe-barn,drover", `f:2:1: machine here is there already: "here" at site north-yard, chart drover; choose another id, or say the same of it`},
		"hours alone":     {"m,north-yard,drover,,,5,,4", "f:2:26: round r-mixed counts on engine and rotor, so hours alone don't tell; want the day on which it was last done, as 2031-07-14"},
		"no hours":        {"m,north-yard,drover,,,5,,,4", "f:2:27: round r-year counts no hours; want the day on which it was last done, as 2031-07-14"},
		"not yet":         {"m,north-yard,drover,,,5,2033-07-01", "f:2:25: 2033-07-01 has not come yet at site north-yard; give the day on which the round was done"},
		"too fast":        {"m,north-yard,drover,,,405,300 2033-06-07", "f:2:27: 300.00 h on 2033-06-07: the meter shows 405.00 h now and can't have run so far since; look both figures up again"},
		"number":          {"m,north-yard,drover,,,,,,,twelve", `f:2:27: "twelve" is no answer to trait frame; want a number with at most three decimals`},
		"yes or no":       {"m,north-yard,drover,,,,,,,,perhaps", `f:2:28: "perhaps" is no answer to trait four-wheel; want yes or no`},
		"attachment":      {"m,north-yard,drover,,,,,,,,,reel-9", `f:2:29: customer quarry-lane has no attachment "reel-9"; add it first`},
		"another's":       {"m,ewe-barn,drover,,,,,,,,,reel-6", `f:2:27: customer ewe-hill has no attachment "reel-6"; add it first`},
		"attached twice":  {"m,north-yard,drover,,,,,,,,,reel-6\nn,north-yard,drover,,,,,,,,,reel-6", "f:3:29: attachment reel-6 is on a machine in line 2 already; leave one of the two out"},
	} {
		t.Run(name, func(t *testing.T) {
			before := len(r.o.Office.ListMachines(""))
			_, err := f.ImportFleet(r.ctx, &pb.ImportFleetRequest{FileName: "f", Table: head + c.row + "\n"})
			assert.EqualError(t, err, c.want)
			assert.Len(t, r.o.Office.ListMachines(""), before)
		})
	}
	_, err := f.ImportFleet(r.ctx, &pb.ImportFleetRequest{FileName: "f", Table: "machine,hours:rotors,last:r-7,trait:colour,chart,site\nm,5,6,red,drover,north-yard\n"})
	assert.EqualError(t, err, `f:2:3: chart drover has no meter "rotors"; want one of engine, rotor, reel`+"\n"+`f:2:5: chart drover has no round "r-7"; want one of r-70, r-300, r-mixed, r-year, r-reel`+"\n"+
		`f:2:7: chart drover asks for no trait "colour"; want one of unloader, four-wheel, frame`)
	_, err = f.ImportFleet(r.ctx, &pb.ImportFleetRequest{FileName: "f", Table: "machine\nm\n"})
	assert.EqualError(t, err, `f:1:1: the column "site" is missing; name it in the first row, or name one site for all machines beside the file`+"\n"+`f:1:1: the column "chart" is missing; name it in the first row`)

	// What others have is not told apart from what nobody has.
	fern := r.person("fern", "quarry-lane", access.All()...)
	for _, text := range []string{"machine,site,chart\nm,ewe-barn,drover\n", "machine,site,chart\nm,nowhere,drover\n"} {
		_, err := f.ImportFleet(fern, &pb.ImportFleetRequest{FileName: "f", Table: text})
		assert.Contains(t, err.Error(), "or you were not granted it")
	}
	_, err = f.ImportFleet(fern, &pb.ImportFleetRequest{FileName: "f", Table: "machine,site,chart\ntheirs,north-yard,drover\n"})
	assert.EqualError(t, err, `f:2:1: "theirs" can't be used; choose another id`)
	_, err = f.UpdateFleet(fern, &pb.UpdateFleetRequest{FileName: "f", Table: "machine,hours:engine\ntheirs,5\nnone,5\n"})
	assert.EqualError(t, err, "f:2:1: there is no machine theirs, or you were not granted it\nf:3:1: there is no machine none, or you were not granted it")
}

func TestAFleetThatIsThereIsSet(t *testing.T) {
	r := openWork(t, ingesttest.New(), workDay).furnish()
	r.machine("here", "north-yard")
	f := &fleetFiles{API: r.API}
	set := func(text string) (*pb.FleetOutcome, error) {
		a, err := f.UpdateFleet(r.ctx, &pb.UpdateFleetRequest{FileName: "f", Table: text})
		return a.GetOutcome(), err
	}
	const text = "machine,chart,trait:unloader,hours:engine,last:r-70\nhere,drover,short,812.5,790\n"
	o, err := set(text)
	require.NoError(t, err)
	assert.EqualValues(t, 1, o.Machines)
	before := r.mem.Last("machines/here")
	_, err = set(text)
	require.NoError(t, err)
	assert.Equal(t, before, r.mem.Last("machines/here"), "the same file on the same day writes nothing")
	assert.Equal(t, int64(22*hours.Hour+hours.Hour/2), *r.taskOf("here", "kingpin/grease").Counters[0].SinceMs)

	// A round without the hours of today counts to what was read last.
	r.now = r.now.Add(30 * time.Hour)
	_, err = set("machine,last:r-300\nhere,700\n")
	require.NoError(t, err)
	assert.Equal(t, int64(112*hours.Hour+hours.Hour/2), *r.taskOf("here", "sump/change").Counters[0].SinceMs)
	_, err = set("machine,last:r-300\nhere,900\n")
	assert.EqualError(t, err, "f:2:6: 900.00 h when round r-300 was last done, and the meter shows 812.50 h now; want no more hours than it shows; give hours:engine as read now beside it")
	o, err = set("machine,hours:engine\nhere,600\n")
	require.NoError(t, err)
	assert.EqualValues(t, 1, o.Held, "a figure that fell is held, and said")
	_, err = set("machine,site,display\nhere,ewe-barn,Other\n")
	assert.EqualError(t, err, `f:2:6: machine here has the site "north-yard"; leave it as it is: only traits, hours and rounds are set here`+"\n"+
		`f:2:15: machine here has the name "here"; leave it as it is: only traits, hours and rounds are set here`)
}
