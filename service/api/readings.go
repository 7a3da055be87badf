package api

import (
	"context"
	"fmt"
	"strings"

	"github.com/hourbell/hourbell/internal/maintenance"
	"github.com/hourbell/hourbell/internal/maintenance/hours"
	"github.com/hourbell/hourbell/internal/maintenance/moment"
	pb "github.com/hourbell/hourbell/proto/hourbell/v1"
	"github.com/hourbell/hourbell/service/access"
	"github.com/hourbell/hourbell/service/api/counter"
	"github.com/hourbell/hourbell/service/fault"
)

// finestRead is the step of a reading off a display where nobody says: a tenth
// of an hour.
const finestRead = hours.Hour / 10

type readings struct {
	pb.UnimplementedReadingServiceServer
	*API
}

// ListReadings lists readings, the last taken in first.
func (s *readings) ListReadings(ctx context.Context, q *pb.ListReadingsRequest) (*pb.ListReadingsResponse, error) {
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
	rows, next, err := s.historyPage(ctx, p, id, func(e *maintenance.Event) bool {
		r := readingOf(e)
		return r != nil && (q.GetMeter() == "" || r.Meter == q.GetMeter())
	})
	if err != nil {
		return nil, err
	}
	held, err := s.held(ctx, id)
	if err != nil {
		return nil, err
	}
	out := &pb.ListReadingsResponse{NextPageToken: next}
	for _, row := range rows {
		r := readingOf(row.event)
		one := &pb.MeterReading{
			Meter: r.Meter, ShownMs: int64(r.Shown), ResolutionMs: int64(r.Resolution), Origin: pb.Origin(r.Origin),
			ReadMoment: momentOf(row.event.At), KnownTime: stampOf(row.event.Known), Revision: row.revision,
		}
		if hand, is := row.event.Body.(*maintenance.HandReading); is {
			one.Person, one.Origin = hand.Person, pb.Origin_ORIGIN_PERSON
		}
		one.HeldWhy, one.Held = held[row.event.Key]
		out.Readings = append(out.Readings, one)
	}
	return out, nil
}

// held gives why each reading of a machine that is held now is so.
func (s *readings) held(ctx context.Context, machine string) (map[maintenance.Key]string, error) {
	out := map[maintenance.Key]string{}
	return out, s.view(ctx, machine, func(st *maintenance.State) {
		for i := range st.Meters {
			for _, h := range st.Meters[i].Held {
				out[h.Key] = h.Why
			}
		}
	})
}

// readingOf gives the reading in an event, nil where it is none.
func readingOf(e *maintenance.Event) *maintenance.Reading {
	switch b := e.Body.(type) {
	case *maintenance.Reading:
		return b
	case *maintenance.HandReading:
		return &b.Reading
	}
	return nil
}

// RecordHours takes what a person read off a display.
func (s *readings) RecordHours(ctx context.Context, q *pb.RecordHoursRequest) (*pb.RecordHoursResponse, error) {
	id, err := parseMachine("parent", q.GetParent())
	if err != nil {
		return nil, err
	}
	if _, err := s.o.Access.Machine(ctx, access.Record, id); err != nil {
		return nil, err
	}
	at := moment.At(s.now())
	if q.GetReadTime() != nil {
		t, err := parseStamp("read_time", q.GetReadTime(), s.o.Now())
		if err != nil {
			return nil, err
		}
		at = moment.At(t)
	}
	body := &maintenance.HandReading{Person: access.Person(ctx), Reading: maintenance.Reading{
		Meter: q.GetMeter(), Shown: hours.Millis(q.GetShownMs()), Resolution: hours.Millis(q.GetResolutionMs()), Origin: maintenance.OriginPerson,
	}}
	if err := s.fitReading(ctx, id, &body.Reading); err != nil {
		return nil, err
	}
	_, receipt, err := s.act(ctx, id, q.GetRequestId(), at, body)
	if err != nil {
		return nil, err
	}
	out := &pb.RecordHoursResponse{Revision: receipt.Revision, Repeated: receipt.Repeats > 0}
	for _, fx := range receipt.Effects {
		if fx.Kind == maintenance.EffectReadingHeld {
			out.Held, out.Why = true, fx.Why
		}
	}
	err = s.view(ctx, id, func(st *maintenance.State) {
		if m := counter.Meter(st, q.GetMeter()); m != nil {
			out.Meter = meterOf(m)
		}
	})
	return out, err
}

// fitReading holds a reading to the meters of the machine's chart and fills its
// step in.
func (s *readings) fitReading(ctx context.Context, machine string, r *maintenance.Reading) error {
	if r.Shown < 0 {
		return fault.InvalidField("shown_ms", fmt.Sprintf("it is %d", r.Shown), "a meter shows 0 or more")
	}
	if r.Resolution < 0 {
		return fault.InvalidField("resolution_ms", fmt.Sprintf("it is %d", r.Resolution), "give the display's step, 360000 for a tenth of an hour, or leave it out")
	}
	var known []string
	var def *maintenance.MeterDef
	err := s.view(ctx, machine, func(st *maintenance.State) {
		if st.Chart == nil {
			return
		}
		for i := range st.Chart.Meters {
			known = append(known, st.Chart.Meters[i].ID)
			if st.Chart.Meters[i].ID == r.Meter {
				def = &st.Chart.Meters[i]
			}
		}
	})
	switch {
	case err != nil:
		return err
	case known == nil:
		return fault.New(fault.Refused, "machine "+machine+" has no chart yet, so it has no meters: put one in force first", "machine", machine)
	case def == nil:
		return fault.InvalidField("meter", fmt.Sprintf("%q is no meter of this machine", cut(r.Meter)), "its chart names "+strings.Join(known, ", "))
	case r.Resolution == 0:
		r.Resolution = max(def.Resolution, finestRead)
	}
	return nil
}
