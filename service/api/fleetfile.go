package api

import (
	"context"
	"crypto/sha256"
	"errors"
	"fmt"
	"strings"

	table "github.com/hourbell/hourbell/internal/fleet"
	"github.com/hourbell/hourbell/internal/maintenance"
	"github.com/hourbell/hourbell/internal/maintenance/moment"
	"github.com/hourbell/hourbell/internal/wire"
	pb "github.com/hourbell/hourbell/proto/hourbell/v1"
	"github.com/hourbell/hourbell/service/access"
	"github.com/hourbell/hourbell/service/fault"
	"github.com/hourbell/hourbell/service/ingest"
	"github.com/hourbell/hourbell/service/office"
)

type fleetFiles struct {
	pb.UnimplementedFleetFileServiceServer
	*API
}

// planned is one event that a row of a file asks for.
type planned struct {
	key   maintenance.Key
	at    moment.Span
	body  maintenance.Body
	place table.Place // where the file says so
}

// plan is what one row of a file asks for.
type plan struct {
	row   *table.Row
	entry office.Machine
	site  office.Site
	// there says that the registry has the machine, whole that all of the row was
	// taken in before.
	there, whole bool
	edition      *office.Edition // to be put in force, nil none
	chart        *maintenance.Chart
	events       []planned
	attachment   string
	sum          [32]byte
}

// reading is a fleet's file being read: what it asks for, and every mistake.
type readingFleet struct {
	*API
	*table.Report
	ctx      context.Context
	file     table.Fleet
	site     *office.Site // for rows that name none
	update   bool
	now      moment.Instant
	plans    []*plan
	charts   map[string]*office.Edition
	compiled map[[32]byte]*maintenance.Chart
	hooked   map[string]table.Place // attachments that rows name
	outcome  *pb.FleetOutcome
}

// ImportFleet commissions the machines of a file.
func (s *fleetFiles) ImportFleet(ctx context.Context, q *pb.ImportFleetRequest) (*pb.ImportFleetResponse, error) {
	if err := s.o.Access.Anywhere(ctx, access.Commission); err != nil {
		return nil, err
	}
	if _, err := parseUUID("request_id", q.GetRequestId()); err != nil {
		return nil, err
	}
	r := s.begin(ctx, false)
	if q.GetSite() != "" {
		parts, err := parse("site", sitePattern, q.GetSite())
		if err != nil {
			return nil, err
		}
		site, err := s.o.Access.Site(ctx, access.Commission, parts[0], parts[1])
		if err != nil {
			return nil, err
		}
		r.site = &site
	}
	out, err := r.run(q.GetFileName(), q.GetTable(), q.GetValidateOnly())
	return &pb.ImportFleetResponse{Outcome: out}, err
}

// UpdateFleet sets what a file says for machines that are there.
func (s *fleetFiles) UpdateFleet(ctx context.Context, q *pb.UpdateFleetRequest) (*pb.UpdateFleetResponse, error) {
	if err := s.o.Access.Anywhere(ctx, access.Record); err != nil {
		return nil, err
	}
	if _, err := parseUUID("request_id", q.GetRequestId()); err != nil {
		return nil, err
	}
	out, err := s.begin(ctx, true).run(q.GetFileName(), q.GetTable(), q.GetValidateOnly())
	return &pb.UpdateFleetResponse{Outcome: out}, err
}

func (a *API) begin(ctx context.Context, update bool) *readingFleet {
	return &readingFleet{API: a, ctx: ctx, update: update, now: a.now(), charts: map[string]*office.Edition{}, compiled: map[[32]byte]*maintenance.Chart{},
		hooked: map[string]table.Place{}, outcome: &pb.FleetOutcome{}}
}

// run reads all of the file, and makes all of it or nothing.
func (r *readingFleet) run(name, text string, validateOnly bool) (*pb.FleetOutcome, error) {
	if name == "" {
		name = "fleet.csv"
	}
	r.file, r.Report = table.Read(name, []byte(text))
	if len(r.file.Rows) == 0 {
		return nil, fleetMistakes(r.Err())
	}
	r.columns()
	for i := range r.file.Rows {
		p := &plan{row: &r.file.Rows[i]}
		if r.plan(p) {
			r.plans = append(r.plans, p)
		}
	}
	if err := r.rehearse(); err != nil {
		return nil, err
	}
	if err := r.Err(); err != nil {
		return nil, fleetMistakes(err)
	}
	r.count()
	if validateOnly {
		return r.outcome, nil
	}
	return r.outcome, r.make()
}

// fleetMistakes tells every mistake of a file at once, each as a field of its own.
func fleetMistakes(err error) error {
	var list table.Errors
	if !errors.As(err, &list) {
		return err
	}
	f := fault.Fault{Reason: fault.FieldInvalid, Text: list.Error(), Meta: map[string]string{"mistakes": fmt.Sprint(len(list))}}
	for _, e := range list {
		f.Fields = append(f.Fields, fault.Field{Path: "table", Why: e.Error()})
	}
	return &fault.Error{Is: f}
}

// columns holds the file to those that are needed for new machines.
func (r *readingFleet) columns() {
	if r.update {
		return
	}
	if !r.file.Has("site") && r.site == nil {
		r.Add(r.file.Head, `the column "site" is missing`, "", "name it in the first row, or name one site for all machines beside the file")
	}
	if !r.file.Has("chart") {
		r.Add(r.file.Head, `the column "chart" is missing`, "", "name it in the first row")
	}
}

// count says what the file comes to.
func (r *readingFleet) count() {
	r.outcome.Machines = int32(len(r.plans))
	site, one := "", true
	for _, p := range r.plans {
		switch {
		case p.whole:
			r.outcome.Unchanged++
		case !p.there:
			r.outcome.Commissioned++
		}
		if name := siteName(p.site.Customer, p.site.ID); site == "" {
			site = name
		} else if site != name {
			one = false
		}
	}
	if one {
		r.outcome.Site = site
	}
}

// make does what all rows ask for. Each step is a no-op where it was done before,
// so that a call that broke is made again.
func (r *readingFleet) make() error {
	var rows [][32]byte
	var machines []string
	for _, p := range r.plans {
		if p.whole {
			continue
		}
		if err := r.makeOne(p); err != nil {
			return fmt.Errorf("machine %s (line %d): %w", p.entry.ID, p.row.Machine.Line, err)
		}
		rows, machines = append(rows, p.sum), append(machines, p.entry.ID)
	}
	if _, err := r.tellSeasons(r.ctx, machines...); err != nil {
		return err
	}
	if r.update {
		return nil
	}
	return r.o.Office.FleetTaken(r.ctx, rows...)
}

func (r *readingFleet) makeOne(p *plan) error {
	if !r.update {
		if _, err := r.o.Office.RegisterMachine(r.ctx, p.entry); err != nil {
			return err
		}
		if err := r.commission(p); err != nil {
			return err
		}
	}
	if p.edition != nil {
		if err := (&machines{API: r.API}).take(r.ctx, p.entry.ID, "", *p.edition); err != nil {
			return err
		}
	}
	// The attachment first: its meter counts only where it is on.
	if p.attachment != "" {
		if _, err := r.move(r.ctx, p.attachment, p.entry.ID, maintenance.ServiceKey("fleet", p.entry.ID, "attachment", p.attachment).Stream, r.hitched(p)); err != nil {
			return err
		}
	}
	return r.offer(p)
}

// hitched is when the row's attachment came onto the machine: some time before
// the hours that the row gives.
func (r *readingFleet) hitched(p *plan) moment.Span {
	return moment.Span{NotAfter: r.when(p).NotBefore}
}

// commission opens the machine's stream where it has none.
func (r *readingFleet) commission(p *plan) error {
	err := r.view(r.ctx, p.entry.ID, func(*maintenance.State) {})
	if !isUnknown(err) {
		return err
	}
	return r.o.Ingest.Commission(r.ctx, commissioned(p))
}

func commissioned(p *plan) maintenance.Commissioned {
	return maintenance.Commissioned{Machine: p.entry.ID, Display: p.entry.Display, Customer: p.site.Customer, Site: p.site.ID, Zone: p.site.Zone, TurnsAt: p.site.TurnsAt}
}

// offer brings the row's events to the machine's stream, with one wait for all.
func (r *readingFleet) offer(p *plan) error {
	var list []ingest.Offered
	for i := range p.events {
		e := &p.events[i]
		received, err := wire.Marshal(nil, wire.Stamp{Time: e.at.NotBefore}, e.body)
		if err != nil {
			return err
		}
		list = append(list, ingest.Offered{Key: e.key, Writer: maintenance.WriterPerson, At: e.at, Received: received})
	}
	if len(list) == 0 {
		return nil
	}
	_, err := r.o.Ingest.Offer(r.ctx, p.entry.ID, list)
	return err
}

// rowSum is SHA-256 of what a row says, wherever it stands.
func rowSum(p *plan) [32]byte {
	row := p.row
	parts := []string{p.entry.ID, p.entry.Display, p.entry.Customer, p.entry.Site, row.Chart.Text, row.Attachment.Text, row.AsOf.Date.String(), fmt.Sprint(row.AsOf.Minutes)}
	for _, t := range row.Traits {
		parts = append(parts, "trait", t.Name, t.Text)
	}
	for _, h := range row.Hours {
		parts = append(parts, "hours", h.Meter, fmt.Sprint(int64(h.Shown)))
	}
	for _, l := range row.Last {
		if l.Known {
			parts = append(parts, "last", l.Round, fmt.Sprint(l.HasHours, int64(l.Shown)), l.Date.String())
		}
	}
	for i := range parts {
		parts[i] = fmt.Sprintf("%q", parts[i])
	}
	return sha256.Sum256([]byte(strings.Join(parts, ",")))
}
