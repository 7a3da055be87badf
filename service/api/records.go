package api

import (
	"cmp"
	"context"
	"fmt"
	"math"
	"reflect"
	"slices"
	"strconv"
	"time"

	"github.com/hourbell/hourbell/internal/maintenance"
	"github.com/hourbell/hourbell/internal/maintenance/civil"
	"github.com/hourbell/hourbell/internal/maintenance/hours"
	"github.com/hourbell/hourbell/internal/maintenance/moment"
	pb "github.com/hourbell/hourbell/proto/hourbell/v1"
	"github.com/hourbell/hourbell/service/access"
	"github.com/hourbell/hourbell/service/fault"
	"github.com/hourbell/hourbell/service/ingest"
)

const recordPattern = "machines/{machine}/records/{record}"

type records struct {
	pb.UnimplementedServiceRecordServiceServer
	*API
}

// CreateServiceRecord writes down what was done.
func (s *records) CreateServiceRecord(ctx context.Context, q *pb.CreateServiceRecordRequest) (*pb.CreateServiceRecordResponse, error) {
	machine, err := parseMachine("parent", q.GetParent())
	if err != nil {
		return nil, err
	}
	if _, err := s.o.Access.Machine(ctx, access.Record, machine); err != nil {
		return nil, err
	}
	at, err := parseMoment("record.done_moment", q.GetRecord().GetDoneMoment(), s.o.Now())
	if err != nil {
		return nil, err
	}
	body, err := s.done(ctx, machine, at, q.GetRecord())
	if err != nil {
		return nil, err
	}
	if q.GetValidateOnly() {
		return s.preview(ctx, machine, q.GetRequestId(), at, body)
	}
	said, err := s.sayBefore(ctx, machine, at, body)
	if err != nil {
		return nil, err
	}
	key, receipt, err := s.act(ctx, machine, q.GetRequestId(), at, body)
	if err != nil {
		return nil, underRecord(err)
	}
	var v voided
	kept := &past{event: &maintenance.Event{Key: key, At: at, Known: s.now(), Body: body}, revision: receipt.Revision}
	if receipt.Repeats > 0 {
		if kept, v, err = s.repeated(ctx, machine, key, body); err != nil {
			return nil, err
		}
	}
	out := &pb.CreateServiceRecordResponse{Repeated: receipt.Repeats > 0}
	out.Record = recordOf(machine, kept, v)
	err = s.view(ctx, machine, func(st *maintenance.State) { answerRecord(out, st, kept.event) })
	if len(said) > 0 && receipt.Repeats == 0 {
		out.Says, out.Record.Says = said, said
	}
	return out, err
}

// sayBefore is what the rules say of a record before it is written, with figures.
func (s *records) sayBefore(ctx context.Context, machine string, at moment.Span, body *maintenance.ServiceDone) (said []*pb.RecordSaying, err error) {
	e := &maintenance.Event{Writer: maintenance.WriterPerson, At: at, Known: s.now(), Body: body}
	err = s.view(ctx, machine, func(st *maintenance.State) {
		said = append(sayingsTo(st, maintenance.Says(st, e)), judged(st, body)...)
	})
	return said, err
}

// preview says what would come of a record: it is applied to a copy of the
// machine's state.
func (s *records) preview(ctx context.Context, machine, requestID string, at moment.Span, body *maintenance.ServiceDone) (*pb.CreateServiceRecordResponse, error) {
	id, err := s.actID(requestID)
	if err != nil {
		return nil, err
	}
	e := &maintenance.Event{Key: maintenance.Key{Stream: id}, Writer: maintenance.WriterPerson, At: at, Known: s.now(), Body: body}
	var copied *maintenance.State
	var verdict maintenance.Verdict
	var said []*pb.RecordSaying
	err = s.view(ctx, machine, func(st *maintenance.State) {
		if verdict = maintenance.Admit(st, e); verdict.Word == maintenance.VerdictTake {
			copied, said = st.Clone(), append(sayingsTo(st, maintenance.Says(st, e)), judged(st, body)...)
		}
	})
	switch {
	case err != nil:
		return nil, err
	case verdict.Word == maintenance.VerdictRepeat:
		return nil, fault.New(fault.AlreadyExists, "an act stands under this request id on machine "+machine+": leave it out to look ahead", "request_id", keyID(e.Key))
	case copied == nil:
		return nil, underRecord(&ingest.Refused{Field: verdict.Field, Why: verdict.Why, Fix: verdict.Do})
	}
	maintenance.Apply(copied, e, nil)
	out := &pb.CreateServiceRecordResponse{Record: recordOf(machine, &past{event: e}, voided{})}
	out.Record.Name = ""
	answerRecord(out, copied, e)
	if len(said) > 0 {
		out.Says, out.Record.Says = said, said
	}
	return out, nil
}

// answerRecord says what came of a record.
func answerRecord(out *pb.CreateServiceRecordResponse, st *maintenance.State, e *maintenance.Event) {
	out.Tasks, out.Waiting, out.Cautions = setBack(st, e.Key)
	if b, is := e.Body.(*maintenance.ServiceDone); is {
		for _, id := range named(st, b) {
			out.Cautions = addCautions(out.Cautions, cautionsOf(st.Chart, id))
		}
	}
	standing(out.Record, st, e)
	out.Says = out.Record.Says
}

// named gives the tasks that a record speaks of.
func named(st *maintenance.State, b *maintenance.ServiceDone) []string {
	out := slices.Concat(b.Tasks, b.Failed)
	for i := range b.Found {
		out = append(out, b.Found[i].Task)
	}
	for i := range b.Seen {
		out = append(out, b.Seen[i].Task)
	}
	if st.Chart == nil || b.Round == "" {
		return out
	}
	for i := range st.Chart.Tasks {
		if st.Chart.Tasks[i].Round == b.Round {
			out = append(out, st.Chart.Tasks[i].ID)
		}
	}
	return out
}

// standing says how a record stands in the state.
func standing(out *pb.ServiceRecord, st *maintenance.State, e *maintenance.Event) {
	_, waiting, _ := setBack(st, e.Key)
	out.Waiting = len(waiting) > 0
	out.Says = sayingsTo(st, saidOf(st, e.Key))
}

// underRecord gives the domain's fields their place in the request.
func underRecord(err error) error {
	f := fault.Of(err)
	if f.Reason != fault.FieldInvalid {
		return err
	}
	for i := range f.Fields {
		if f.Fields[i].Path == "request_id" {
			continue
		}
		if f.Fields[i].Path == "at" {
			f.Fields[i].Path = "done_moment"
		}
		f.Fields[i].Path = "record." + f.Fields[i].Path
	}
	return &fault.Error{Is: f, Cause: err}
}

// repeated gives the record that stands under an id, and refuses the id for
// another one.
func (s *records) repeated(ctx context.Context, machine string, key maintenance.Key, body *maintenance.ServiceDone) (*past, voided, error) {
	kept, v, err := s.kept(ctx, machine, key)
	if err != nil {
		return nil, v, err
	}
	if kept != nil && sameWork(doneOf(kept), body) {
		return kept, v, nil
	}
	return nil, v, fault.New(fault.AlreadyExists, "another act stands under this request id on machine "+machine+": give each act an id of its own", "request_id", keyID(key))
}

// sameWork compares what was done, but not the day, which is filled in where it
// was left out.
func sameWork(a, b *maintenance.ServiceDone) bool {
	return reflect.DeepEqual(likened(a), likened(b))
}

// likened gives a record without what is filled in for its writer, and with
// no list told apart from an empty one.
func likened(b *maintenance.ServiceDone) maintenance.ServiceDone {
	x := *b
	x.Date, x.As = 0, ""
	x.Tasks, x.Failed = full(x.Tasks), full(x.Failed)
	x.Shown, x.Materials, x.Measured = full(x.Shown), full(x.Materials), full(x.Measured)
	x.Found, x.Seen, x.Parts, x.Closes = full(x.Found), full(x.Seen), full(x.Parts), full(x.Closes)
	return x
}

func full[T any](list []T) []T { return append([]T{}, list...) }

// done reads a record out of a request.
func (s *records) done(ctx context.Context, machine string, at moment.Span, r *pb.ServiceRecord) (*maintenance.ServiceDone, error) {
	body := &maintenance.ServiceDone{Round: r.GetRound(), Person: access.Person(ctx), Note: r.GetNote(), As: s.partOf(access.Person(ctx)), About: r.GetAbout()}
	switch {
	case len(r.GetTasks()) == 0 && r.GetRound() == "" && len(r.GetFailed()) == 0:
		return nil, fault.InvalidField("record.tasks", "neither tasks nor a round are named", "name what was done")
	case len(r.GetTasks()) > 0 && r.GetRound() != "":
		return nil, fault.InvalidField("record.tasks", "both tasks and a round are named", "name the one or the other")
	}
	for i, path := range r.GetTasks() {
		id, err := taskUnder(fieldAt("record.tasks", i), machine, path)
		if err != nil {
			return nil, err
		}
		if !slices.Contains(body.Tasks, id) {
			body.Tasks = append(body.Tasks, id)
		}
	}
	for i, m := range r.GetShown() {
		if m.GetShownMs() < 0 {
			return nil, fault.InvalidField(fmt.Sprintf("record.shown[%d].shown_ms", i), fmt.Sprintf("it is %d", m.GetShownMs()), "a meter shows 0 or more")
		}
		body.Shown = append(body.Shown, maintenance.MeterShown{Meter: m.GetMeter(), Shown: hours.Millis(m.GetShownMs())})
	}
	body.Materials = materialsOf(machine, r.GetMaterials())
	body.Measured = measuredOf(machine, r.GetMeasured())
	if err := doneMore(machine, r, body); err != nil {
		return nil, err
	}
	var bad error
	if err := s.view(ctx, machine, func(st *maintenance.State) { bad = unitsKnown(st, body.Materials) }); err != nil || bad != nil {
		return nil, cmp.Or(err, bad)
	}
	date, err := s.date(ctx, machine, at, r.GetDoneDate())
	body.Date = date
	return body, err
}

// date gives the site's work day of a service: as it was said, or the one that
// its time lies in.
func (s *records) date(ctx context.Context, machine string, at moment.Span, said *pb.CivilDate) (civil.Date, error) {
	date, err := s.dayAt(ctx, machine, "record.done_date", at, said)
	if err == nil && said == nil && date == civil.None {
		return date, fault.InvalidField("record.done_date", "no work day of the site is known at that time", "give the day on which it was done")
	}
	return date, err
}

// saidDate reads the day that a person named. A work day and the UTC day of its
// instants differ by at most one, in any zone and with any turn; more is a slip,
// which would put a calendar interval off by as much.
func saidDate(field string, at moment.Span, said *pb.CivilDate) (civil.Date, error) {
	date, err := parseDate(field, said)
	if err != nil {
		return date, err
	}
	if date < utcDate(at.Lo())-1 || date > utcDate(at.Hi())+1 {
		return date, fault.InvalidField(field, fmt.Sprintf("%04d-%02d-%02d is not the day of the time at which it was done", said.Year, said.Month, said.Day), "give day and time of the same service")
	}
	return date, nil
}

// utcDate is the day of an instant in UTC.
func utcDate(t moment.Instant) civil.Date {
	y, m, d := time.UnixMilli(int64(t)).UTC().Date()
	date, _ := civil.Of(y, int(m), d)
	return date
}

// setBack gives the tasks that count from a record, those that wait for its
// confirmation, and the cautions of both.
func setBack(st *maintenance.State, key maintenance.Key) (names, waiting []string, cautions []*pb.Caution) {
	for i := range st.Tasks {
		t := &st.Tasks[i]
		at := slices.IndexFunc(t.Records, func(r maintenance.TaskRecord) bool { return r.Record == key && r.Void.IsZero() })
		if at < 0 {
			continue
		}
		name := taskName(st.Machine.Machine, t.ID)
		if t.Records[at].Waiting {
			waiting = append(waiting, name)
		} else {
			names = append(names, name)
		}
		cautions = addCautions(cautions, cautionsOf(st.Chart, t.ID))
	}
	return names, waiting, cautions
}

// GetServiceRecord gives a record.
func (s *records) GetServiceRecord(ctx context.Context, q *pb.GetServiceRecordRequest) (*pb.GetServiceRecordResponse, error) {
	machine, key, err := parseKeyed("name", recordPattern, q.GetName())
	if err != nil {
		return nil, err
	}
	if _, err := s.o.Access.Machine(ctx, access.See, machine); err != nil {
		return nil, err
	}
	r, err := s.record(ctx, machine, key)
	return &pb.GetServiceRecordResponse{Record: r}, err
}

// kept gives a record with whether and why it was voided; nil where there is
// none.
func (s *records) kept(ctx context.Context, machine string, key maintenance.Key) (*past, voided, error) {
	on, err := s.shelf(ctx, machine)
	if err != nil {
		return nil, voided{}, err
	}
	at, found := on.find(key)
	v := on.voided(key)
	on.mu.Unlock()
	if !found {
		return nil, v, nil
	}
	kept, err := s.fetch(ctx, machine, at)
	return kept, v, err
}

// doneOf gives what a record says was done.
func doneOf(kept *past) *maintenance.ServiceDone {
	b, _ := kept.event.Body.(*maintenance.ServiceDone)
	return b
}

func (s *records) record(ctx context.Context, machine string, key maintenance.Key) (*pb.ServiceRecord, error) {
	kept, v, err := s.kept(ctx, machine, key)
	if err != nil {
		return nil, err
	}
	if kept == nil {
		return nil, fault.Missing("service record", keyID(key))
	}
	out := recordOf(machine, kept, v)
	err = s.view(ctx, machine, func(st *maintenance.State) { standing(out, st, kept.event) })
	return out, err
}

// ListServiceRecords lists a machine's records, the last written first.
func (s *records) ListServiceRecords(ctx context.Context, q *pb.ListServiceRecordsRequest) (*pb.ListServiceRecordsResponse, error) {
	machine, err := parseMachine("parent", q.GetParent())
	if err != nil {
		return nil, err
	}
	if _, err := s.o.Access.Machine(ctx, access.See, machine); err != nil {
		return nil, err
	}
	p, err := newPager(q)
	if err != nil {
		return nil, err
	}
	below := uint64(math.MaxUint64)
	if p.begun {
		if below, err = strconv.ParseUint(p.cursor, 10, 64); err != nil {
			return nil, badCursor()
		}
	}
	on, err := s.shelf(ctx, machine)
	if err != nil {
		return nil, err
	}
	rows, more := on.before(below, p.size)
	voids := make([]voided, len(rows))
	for i := range rows {
		voids[i] = on.voided(rows[i].key)
	}
	on.mu.Unlock()
	out := &pb.ListServiceRecordsResponse{}
	if more {
		out.NextPageToken = p.token(strconv.FormatUint(rows[len(rows)-1].revision, 10))
	}
	var events []*maintenance.Event
	for i := range rows {
		kept, err := s.fetch(ctx, machine, rows[i])
		if err != nil {
			return nil, err
		}
		if kept != nil {
			out.Records = append(out.Records, recordOf(machine, kept, voids[i]))
			events = append(events, kept.event)
		}
	}
	err = s.view(ctx, machine, func(st *maintenance.State) {
		for i := range events {
			standing(out.Records[i], st, events[i])
		}
	})
	return out, err
}

// ConfirmServiceRecord lets a record count that waits for it.
func (s *records) ConfirmServiceRecord(ctx context.Context, q *pb.ConfirmServiceRecordRequest) (*pb.ConfirmServiceRecordResponse, error) {
	machine, key, err := s.onKeyed(ctx, access.Record, recordPattern, q.GetName())
	if err != nil {
		return nil, err
	}
	if _, err := s.record(ctx, machine, key); err != nil {
		return nil, err
	}
	person := access.Person(ctx)
	if s.partOf(person) == "" {
		return nil, fault.New(fault.Refused, person+" has no part in the trade, so it can't be said who confirms: let whoever runs the service say it with `hourbell person part`", "person", person)
	}
	_, receipt, err := s.doing(ctx, machine, q.GetRequestId(), &maintenance.Confirmed{Record: key, Person: person, As: s.partOf(person)})
	if err != nil {
		return nil, err
	}
	out := &pb.ConfirmServiceRecordResponse{Repeated: receipt.Repeats > 0}
	if out.Record, err = s.record(ctx, machine, key); err != nil {
		return nil, err
	}
	err = s.view(ctx, machine, func(st *maintenance.State) { out.Tasks, _, out.Cautions = setBack(st, key) })
	return out, err
}

// voided says whether and why a record was taken back.
type voided struct {
	is  bool
	why string
}

func (s *shelf) voided(key maintenance.Key) voided {
	why, is := s.void[key]
	return voided{is, why}
}

// VoidServiceRecord takes a record back.
func (s *records) VoidServiceRecord(ctx context.Context, q *pb.VoidServiceRecordRequest) (*pb.VoidServiceRecordResponse, error) {
	machine, key, err := parseKeyed("name", recordPattern, q.GetName())
	if err != nil {
		return nil, err
	}
	if _, err := s.o.Access.Machine(ctx, access.Record, machine); err != nil {
		return nil, err
	}
	if q.GetWhy() == "" {
		return nil, fault.InvalidField("why", "no reason is given", "say in words why the record is taken back")
	}
	if _, err := s.record(ctx, machine, key); err != nil {
		return nil, err
	}
	_, receipt, err := s.act(ctx, machine, q.GetRequestId(), moment.At(s.now()), &maintenance.Void{Record: key, Person: access.Person(ctx), Why: q.GetWhy()})
	if err != nil {
		return nil, err
	}
	r, err := s.record(ctx, machine, key)
	return &pb.VoidServiceRecordResponse{Record: r, Repeated: receipt.Repeats > 0}, err
}

func recordOf(machine string, kept *past, v voided) *pb.ServiceRecord {
	b := doneOf(kept)
	out := &pb.ServiceRecord{
		Name: recordName(machine, kept.event.Key), Round: b.Round, DoneMoment: momentOf(kept.event.At), DoneDate: dateOf(b.Date),
		CreateTime: stampOf(kept.event.Known), Person: b.Person, Note: b.Note, Revision: kept.revision, Voided: v.is, VoidWhy: v.why,
	}
	for _, id := range b.Tasks {
		out.Tasks = append(out.Tasks, taskPath(id))
	}
	for _, m := range b.Shown {
		out.Shown = append(out.Shown, &pb.MeterShown{Meter: m.Meter, ShownMs: int64(m.Shown)})
	}
	for _, m := range b.Materials {
		out.Materials = append(out.Materials, &pb.MaterialUsed{Material: m.Material, Milli: m.Milli, Unit: m.Unit, Task: m.Task, Gun: m.Gun})
	}
	recordMore(out, machine, b)
	for _, m := range b.Measured {
		out.Measured = append(out.Measured, &pb.Measured{Task: m.Task, Spot: m.Spot, Left: m.Left, Micro: m.Micro, Unit: m.Unit, State: m.State})
	}
	return out
}
