package api

import (
	"cmp"
	"context"
	"fmt"
	"slices"
	"strings"

	"google.golang.org/protobuf/types/known/timestamppb"

	"github.com/hourbell/hourbell/internal/maintenance"
	"github.com/hourbell/hourbell/internal/maintenance/moment"
	pb "github.com/hourbell/hourbell/proto/hourbell/v1"
	"github.com/hourbell/hourbell/service/access"
	"github.com/hourbell/hourbell/service/api/counter"
	"github.com/hourbell/hourbell/service/fault"
	"github.com/hourbell/hourbell/service/office"
)

type machines struct {
	pb.UnimplementedMachineServiceServer
	*API
}

// CreateMachine commissions a machine: it is entered in the registry, its stream
// is opened, and its first edition taken where one is named. Each step is a
// no-op where it was done before, so that a call that broke is made again.
func (s *machines) CreateMachine(ctx context.Context, q *pb.CreateMachineRequest) (*pb.CreateMachineResponse, error) {
	parts, err := parse("machine.site", "customers/{customer}/sites/{site}", q.GetMachine().GetSite())
	if err != nil {
		return nil, err
	}
	site, err := s.o.Access.Site(ctx, access.Commission, parts[0], parts[1])
	if err != nil {
		return nil, err
	}
	id := q.GetMachineId()
	if err := cmp.Or(office.CheckID("machine_id", id), s.form(q, site)); err != nil {
		return nil, err
	}
	edition, err := s.firstEdition(q.GetMachine().GetEdition())
	if err != nil {
		return nil, err
	}
	entry := office.Machine{ID: id, Display: q.GetMachine().GetDisplayName(), Customer: site.Customer, Site: site.ID}
	if edition != nil {
		entry.Chart = edition.Chart
	}
	if _, err := s.o.Office.RegisterMachine(ctx, entry); err != nil {
		return nil, s.taken(ctx, id, err)
	}
	if err := s.o.Ingest.Commission(ctx, maintenance.Commissioned{
		Machine: id, Display: entry.Display, Customer: site.Customer, Site: site.ID, Zone: site.Zone, TurnsAt: site.TurnsAt,
	}); err != nil {
		return nil, err
	}
	if edition != nil {
		if err := s.take(ctx, id, q.GetRequestId(), *edition); err != nil {
			return nil, err
		}
	}
	if _, err := s.tellSeasons(ctx, id); err != nil {
		return nil, err
	}
	m, err := s.machine(ctx, id)
	return &pb.CreateMachineResponse{Machine: m}, err
}

// form holds a request to what it says twice.
func (s *machines) form(q *pb.CreateMachineRequest, site office.Site) error {
	if _, err := parseUUID("request_id", q.GetRequestId()); err != nil {
		return err
	}
	if c := q.GetMachine().GetCustomer(); c != "" && c != customerName(site.Customer) {
		return fault.InvalidField("machine.customer", "it is not the site's", "leave it out; it follows from the site")
	}
	return nil
}

// taken keeps from the caller that a machine of a customer they don't know has
// this id: the id is refused either way, but nothing else shows.
func (s *machines) taken(ctx context.Context, id string, err error) error {
	if fault.Of(err).Reason != fault.AlreadyExists {
		return err
	}
	if _, seen := s.o.Access.Machine(ctx, access.See, id); seen != nil {
		return fault.InvalidField("machine_id", fmt.Sprintf("%q can't be used", id), "choose another id")
	}
	return err
}

func (s *machines) firstEdition(name string) (*office.Edition, error) {
	if name == "" {
		return nil, nil
	}
	e, err := s.edition("machine.edition", name)
	return &e, err
}

// edition finds an edition by its name.
func (a *API) edition(field, name string) (office.Edition, error) {
	chart, number, err := parseEdition(field, name)
	if err != nil {
		return office.Edition{}, err
	}
	return a.o.Office.Edition(chart, number)
}

// take puts an edition in force, unless it is.
func (s *machines) take(ctx context.Context, machine, requestID string, e office.Edition) error {
	var have [32]byte
	err := s.view(ctx, machine, func(st *maintenance.State) {
		if st.Chart != nil {
			have = st.Chart.Hash()
		}
	})
	if err != nil || have == e.Hash {
		return err
	}
	chart, err := maintenance.DecodeChart(e.Compiled)
	if err != nil {
		return fmt.Errorf("read edition %d of chart %s: %w", e.Edition, e.Chart, err)
	}
	_, _, err = s.act(ctx, machine, requestID, moment.At(s.now()), &maintenance.EditionTaken{Chart: chart, Person: access.Person(ctx)})
	return err
}

// GetMachine gives a machine as it stands.
func (s *machines) GetMachine(ctx context.Context, q *pb.GetMachineRequest) (*pb.GetMachineResponse, error) {
	id, err := parseMachine("name", q.GetName())
	if err != nil {
		return nil, err
	}
	if _, err := s.o.Access.Machine(ctx, access.See, id); err != nil {
		return nil, err
	}
	m, err := s.machine(ctx, id)
	return &pb.GetMachineResponse{Machine: m, AnswerTime: timestamppb.New(s.o.Now())}, err
}

// ListMachines lists those that the caller was granted.
func (s *machines) ListMachines(ctx context.Context, q *pb.ListMachinesRequest) (*pb.ListMachinesResponse, error) {
	customer, err := s.listed(ctx, q.GetCustomer())
	if err != nil {
		return nil, err
	}
	ids, err := s.granted(ctx, machineName(all))
	if err != nil {
		return nil, err
	}
	p, err := newPager(q)
	if err != nil {
		return nil, err
	}
	if customer != "" {
		ids = slices.DeleteFunc(ids, func(id string) bool {
			m, err := s.o.Office.Machine(id)
			return err != nil || m.Customer != customer
		})
	}
	ids, next := slicePage(p, ids, func(id string) string { return id })
	out := &pb.ListMachinesResponse{NextPageToken: next, AnswerTime: timestamppb.New(s.o.Now())}
	for _, id := range ids {
		m, err := s.machine(ctx, id)
		if isUnknown(err) {
			continue
		}
		if err != nil {
			return nil, err
		}
		out.Machines = append(out.Machines, m)
	}
	return out, nil
}

// listed checks the customer that a list is held to, if any.
func (s *machines) listed(ctx context.Context, name string) (string, error) {
	if name == "" {
		return "", nil
	}
	parts, err := parse("customer", "customers/{customer}", name)
	if err != nil {
		return "", err
	}
	_, err = s.o.Access.Customer(ctx, access.See, parts[0])
	return parts[0], err
}

// TakeEdition puts an edition in force.
func (s *machines) TakeEdition(ctx context.Context, q *pb.TakeEditionRequest) (*pb.TakeEditionResponse, error) {
	id, err := parseMachine("name", q.GetName())
	if err != nil {
		return nil, err
	}
	entry, err := s.o.Access.Machine(ctx, access.Commission, id)
	if err != nil {
		return nil, err
	}
	e, err := s.edition("edition", q.GetEdition())
	if err != nil {
		return nil, err
	}
	if err := s.unchanged(ctx, id, q.GetEtag()); err != nil {
		return nil, err
	}
	if err := s.take(ctx, id, q.GetRequestId(), e); err != nil {
		return nil, err
	}
	if entry.Chart != e.Chart {
		entry.Chart = e.Chart
		if _, err := s.o.Office.UpdateMachine(ctx, entry); err != nil {
			return nil, err
		}
	}
	m, err := s.machine(ctx, id)
	return &pb.TakeEditionResponse{Machine: m}, err
}

// unchanged holds a write to the etag that its writer read. The etag covers what
// persons decide, not the readings that come in all day.
func (s *machines) unchanged(ctx context.Context, machine, etag string) error {
	if etag == "" {
		return nil
	}
	var have string
	if err := s.view(ctx, machine, func(st *maintenance.State) { have = etagOf(st) }); err != nil {
		return err
	}
	if have != etag {
		return fault.New(fault.EtagMismatch, "the machine was changed by another since you read it: read it again, and decide anew", "machine", machine, "etag", have)
	}
	return nil
}

// ListDayHours lists the hours of each work day, newest first.
func (s *machines) ListDayHours(ctx context.Context, q *pb.ListDayHoursRequest) (*pb.ListDayHoursResponse, error) {
	id, err := parseMachine("parent", q.GetParent())
	if err != nil {
		return nil, err
	}
	if _, err := s.o.Access.Machine(ctx, access.See, id); err != nil {
		return nil, err
	}
	p, err := newPager(q)
	if err != nil {
		return nil, err
	}
	var rows []*pb.DayHours
	err = s.view(ctx, id, func(st *maintenance.State) { rows = dayHours(st, q.GetMeter()) })
	if err != nil {
		return nil, err
	}
	rows, next := slicePage(p, rows, dayKey)
	return &pb.ListDayHoursResponse{DayHours: rows, NextPageToken: next}, nil
}

// dayKey orders days newest first, then meters by name.
func dayKey(d *pb.DayHours) string {
	return fmt.Sprintf("%04d%02d%02d/%s", 9999-d.WorkDate.Year, 12-d.WorkDate.Month, 31-d.WorkDate.Day, d.Meter)
}

func dayHours(st *maintenance.State, meter string) []*pb.DayHours {
	var out []*pb.DayHours
	for i := range st.Meters {
		m := &st.Meters[i]
		if meter != "" && m.ID != meter {
			continue
		}
		for j := range m.DayTops {
			top := &m.DayTops[j]
			d := &pb.DayHours{Meter: m.ID, WorkDate: dateOf(top.Date), TotalMs: int64(top.Total)}
			if j > 0 {
				d.RanMs = new(int64(top.Total - m.DayTops[j-1].Total))
				d.SinceDate = dateOf(m.DayTops[j-1].Date)
			}
			if d.WorkDate != nil {
				out = append(out, d)
			}
		}
	}
	slices.SortFunc(out, func(a, b *pb.DayHours) int { return strings.Compare(dayKey(a), dayKey(b)) })
	return out
}

// machine gives a machine as it stands.
func (a *API) machine(ctx context.Context, id string) (*pb.Machine, error) {
	var out *pb.Machine
	err := a.view(ctx, id, func(st *maintenance.State) { out = a.machineOf(st) })
	return out, err
}

// machineOf gives a machine with what its agent told ahead of a backlog.
func (a *API) machineOf(st *maintenance.State) *pb.Machine {
	out := machineOf(st)
	if ahead, has := a.o.Agents.Ahead(st.Machine.Machine); has {
		out.Ahead = &pb.AheadNow{HeardTime: timestamppb.New(ahead.Heard), Readings: ahead.Now.GetReadings(), Behind: ahead.Now.GetBehind()}
	}
	return out
}

// etagOf names what persons decide about a machine.
func etagOf(st *maintenance.State) string {
	chart := "none"
	if st.Chart != nil {
		hash := st.Chart.Hash()
		chart = fmt.Sprintf("%x", hash[:8])
	}
	return fmt.Sprintf("%q", chart)
}

func machineOf(st *maintenance.State) *pb.Machine {
	c := &st.Machine
	out := &pb.Machine{
		Name: machineName(c.Machine), DisplayName: c.Display, Customer: customerName(c.Customer), Site: siteName(c.Customer, c.Site),
		Revision: st.Revision, Etag: etagOf(st), HeardTime: stampOf(st.Heard.Until), ListenedMs: int64(st.Heard.Total),
		Tasks: countTasks(st), ActiveWarnings: int32(len(st.Warnings)), Bus: &pb.BusIdentity{Vehicle: st.Names.Vehicle, Engine: st.Names.Engine},
	}
	if st.Chart != nil {
		out.Edition = editionName(st.Chart.ID, st.Chart.Edition)
	}
	if st.Engine.At != (moment.Span{}) {
		out.Engine = &pb.EngineNow{Running: st.Engine.Running, SinceMoment: momentOf(st.Engine.At)}
	}
	for i := range st.Meters {
		out.Meters = append(out.Meters, meterOf(&st.Meters[i]))
	}
	for i := range st.Notices {
		if st.Notices[i].Withdrawn.IsZero() {
			out.OpenNotices++
		}
	}
	for i := range st.Doubts {
		if st.Doubts[i].Closed.IsZero() {
			out.OpenDoubts++
		}
	}
	return out
}

// meterOf gives a meter; one that was never read has no hours, which is not 0.
func meterOf(m *maintenance.Meter) *pb.MachineMeter {
	out := &pb.MachineMeter{Meter: m.ID, Held: m.HeldN, Gone: m.Gone}
	if len(m.Lives) == 0 {
		return out
	}
	out.TotalMs, out.ShownMs = new(int64(m.Total)), new(int64(m.Lives[len(m.Lives)-1].Last))
	out.ReadMoment, out.Origin, out.Lives = momentOf(m.TotalAt), pb.Origin(m.Origin), int32(m.Folded)+int32(len(m.Lives))
	return out
}

func countTasks(st *maintenance.State) *pb.TaskCounts {
	out := &pb.TaskCounts{}
	counter.Tasks(st, func(t *maintenance.Task, def *maintenance.TaskDef) bool {
		switch t.State {
		case maintenance.DueUnknown:
			if !counter.CanBeDue(t, def) {
				return true
			}
			out.Unknown++
		case maintenance.NotDue:
			out.NotDue++
		case maintenance.DueSoon:
			out.Soon++
		case maintenance.Due:
			out.Due++
		case maintenance.Overdue:
			out.Overdue++
		}
		return true
	})
	return out
}

// workDate gives the site's work day that an instant lies in: one that has
// turned, or the last one.
func workDate(st *maintenance.State, at moment.Instant) (maintenance.Day, bool) {
	for i := len(st.Days) - 1; i >= 0; i-- {
		if d := st.Days[i]; at >= d.From && (at < d.Until || i == len(st.Days)-1) {
			return d, true
		}
	}
	return maintenance.Day{}, false
}
