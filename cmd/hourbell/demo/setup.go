package demo

import (
	"cmp"
	"context"
	"crypto/rand"
	"fmt"
	"slices"
	"strings"
	"time"

	"google.golang.org/grpc"

	"github.com/hourbell/hourbell/internal/combinesim"
	pb "github.com/hourbell/hourbell/proto/hourbell/v1"
)

// turnsAt is when the sites' work day turns, in minutes after midnight.
const turnsAt = 4 * 60

// dayRuns is how long a machine runs on a day of harvest, to date the services
// before the shift.
const dayRuns = 8 * combinesim.Hour

// setUp tells the service of the place, the charts, the machines and what was
// done to them before the shift, as people would: through the API.
func setUp(ctx context.Context, conn grpc.ClientConnInterface, crew []*known) error {
	for _, step := range []func(context.Context, grpc.ClientConnInterface, []*known) error{
		createPlaces, importCharts, createMachines, writeRecords, readDisplays,
	} {
		if err := step(ctx, conn, crew); err != nil {
			return fmt.Errorf("set the demo up: %w", err)
		}
	}
	return nil
}

// slug is the id of a name: its first word.
func slug(name string) string {
	first, _, _ := strings.Cut(strings.ToLower(name), " ")
	return first
}

func createPlaces(ctx context.Context, conn grpc.ClientConnInterface, crew []*known) error {
	client := pb.NewCustomerServiceClient(conn)
	for _, name := range []string{combinesim.CrewName, combinesim.OtherName} {
		id := slug(name)
		if _, err := client.CreateCustomer(ctx, &pb.CreateCustomerRequest{CustomerId: id, Customer: &pb.Customer{DisplayName: name}, RequestId: newID()}); err != nil {
			return err
		}
		site := &pb.Site{DisplayName: combinesim.Place, TimeZone: siteZone(crew[0].start), TurnsAtMinutes: turnsAt}
		if _, err := client.CreateSite(ctx, &pb.CreateSiteRequest{Parent: "customers/" + id, SiteId: id + "-fields", Site: site, RequestId: newID()}); err != nil {
			return err
		}
	}
	return nil
}

// siteZone is a time zone that shows whoever watches their own clock.
func siteZone(t time.Time) string {
	_, seconds := t.Zone()
	return fmt.Sprintf("Etc/GMT%+d", -seconds/3600) // west is + in these names
}

func importCharts(ctx context.Context, conn grpc.ClientConnInterface, _ []*known) error {
	for name, text := range map[string]string{rotaryKind: rotaryChart, handKind: handChart} {
		_, err := pb.NewChartServiceClient(conn).ImportEdition(ctx, &pb.ImportEditionRequest{FileName: name + ".points.yaml", Yaml: text, RequestId: newID()})
		if err != nil {
			return err
		}
	}
	return nil
}

func createMachines(ctx context.Context, conn grpc.ClientConnInterface, crew []*known) error {
	for _, k := range crew {
		kind := rotaryKind
		if !k.story.HasBus() {
			kind = handKind
		}
		customer := slug(k.story.Customer)
		m := &pb.Machine{DisplayName: k.story.Name, Site: "customers/" + customer + "/sites/" + customer + "-fields", Edition: "charts/" + kind + "/editions/-"}
		if _, err := pb.NewMachineServiceClient(conn).CreateMachine(ctx, &pb.CreateMachineRequest{MachineId: k.story.ID, Machine: m, RequestId: newID()}); err != nil {
			return err
		}
	}
	return nil
}

// writeRecords writes down when each round was done last, the oldest first.
func writeRecords(ctx context.Context, conn grpc.ClientConnInterface, crew []*known) error {
	for _, k := range crew {
		rounds := slices.SortedFunc(slices.Values(k.rounds), func(a, b round) int { return cmp.Compare(k.done(b).UnixNano(), k.done(a).UnixNano()) })
		slices.Reverse(rounds)
		for _, r := range rounds {
			at := k.done(r)
			y, m, d := at.Date()
			record := &pb.ServiceRecord{Round: r.Name, DoneMoment: moment(at), DoneDate: &pb.CivilDate{Year: int32(y), Month: int32(m), Day: int32(d)},
				Shown: []*pb.MeterShown{{Meter: r.On, ShownMs: r.LastMS}}}
			_, err := pb.NewServiceRecordServiceClient(conn).CreateServiceRecord(ctx, &pb.CreateServiceRecordRequest{Parent: "machines/" + k.story.ID, Record: record, RequestId: newID()})
			if err != nil {
				return err
			}
		}
	}
	return nil
}

// done is when a round was done last: so many days of harvest before the shift,
// or in winter.
func (k *known) done(r round) time.Time {
	days := winterDays
	if r.Name != winterRound {
		days = int((k.began(r.On)-r.LastMS)/dayRuns) + 1
	}
	return k.start.AddDate(0, 0, -days)
}

// readDisplays writes down what the meters stand at before the shift, as the cabs
// show it: the boxes sum the separators' hours up from there.
func readDisplays(ctx context.Context, conn grpc.ClientConnInterface, crew []*known) error {
	for _, k := range crew {
		for _, meter := range []string{engine, separator} {
			if !k.story.HasBus() {
				continue
			}
			if err := writeHours(ctx, conn, k.story.ID, meter, k.began(meter)); err != nil {
				return err
			}
		}
	}
	return nil
}

// writeHours writes down hours that a person reads off now.
func writeHours(ctx context.Context, conn grpc.ClientConnInterface, machine, meter string, ms int64) error {
	a, err := pb.NewReadingServiceClient(conn).RecordHours(ctx, &pb.RecordHoursRequest{Parent: "machines/" + machine, Meter: meter, ShownMs: ms,
		ResolutionMs: combinesim.MeterStep, RequestId: newID()})
	if err == nil && a.Held {
		err = fmt.Errorf("hours of %s written down by hand are held: %s", machine, a.Why)
	}
	return err
}

// newID makes the id of a person's act, a random UUID (RFC 9562, version 4).
func newID() string {
	var b [16]byte
	_, _ = rand.Read(b[:]) // never fails
	b[6], b[8] = b[6]&0x0f|0x40, b[8]&0x3f|0x80
	return fmt.Sprintf("%x-%x-%x-%x-%x", b[0:4], b[4:6], b[6:8], b[8:10], b[10:])
}
