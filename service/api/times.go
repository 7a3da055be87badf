package api

import (
	"fmt"
	"time"

	"google.golang.org/protobuf/types/known/timestamppb"

	"github.com/hourbell/hourbell/internal/maintenance/civil"
	"github.com/hourbell/hourbell/internal/maintenance/moment"
	pb "github.com/hourbell/hourbell/proto/hourbell/v1"
	"github.com/hourbell/hourbell/service/fault"
)

// stampOf gives an instant; nil where none is known.
func stampOf(t moment.Instant) *timestamppb.Timestamp {
	if t == 0 {
		return nil
	}
	return timestamppb.New(time.UnixMilli(int64(t)))
}

// momentOf gives a span; nil where no time is known.
func momentOf(s moment.Span) *pb.Moment {
	if s == (moment.Span{}) {
		return nil
	}
	return &pb.Moment{NotBeforeTime: stampOf(s.NotBefore), NotAfterTime: stampOf(s.NotAfter)}
}

// dateOf gives a civil date; nil for none.
func dateOf(d civil.Date) *pb.CivilDate {
	if !d.Known() {
		return nil
	}
	y, m, day := d.YMD()
	return &pb.CivilDate{Year: int32(y), Month: int32(m), Day: int32(day)}
}

// parseDate reads a civil date.
func parseDate(field string, d *pb.CivilDate) (civil.Date, error) {
	date, is := civil.Of(int(d.Year), int(d.Month), int(d.Day))
	if !is {
		return 0, fault.InvalidField(field, fmt.Sprintf("%d-%d-%d is no day of the calendar", d.Year, d.Month, d.Day), "give year, month and day")
	}
	return date, nil
}

// parseStamp reads a time that a person gave; not after now, with a minute for
// clocks that differ.
func parseStamp(field string, t *timestamppb.Timestamp, now time.Time) (moment.Instant, error) {
	if err := t.CheckValid(); err != nil {
		return 0, fault.InvalidField(field, "it is no time: "+err.Error(), "give it as RFC 3339 does")
	}
	at := t.AsTime()
	switch {
	case at.Year() < 1971:
		return 0, fault.InvalidField(field, fmt.Sprintf("%s is before any machine of this kind ran", at.Format(time.RFC3339)), "give when it was")
	case at.After(now.Add(time.Minute)):
		return 0, fault.InvalidField(field, fmt.Sprintf("%s has not come yet; it is %s", at.Format(time.RFC3339), now.UTC().Format(time.RFC3339)), "give when it was, with its zone")
	case at.After(now):
		at = now
	}
	return moment.Instant(at.UnixMilli()), nil
}

// parseMoment reads a moment that a person gave; none is now.
func parseMoment(field string, m *pb.Moment, now time.Time) (moment.Span, error) {
	if m.GetNotAfterTime() == nil && m.GetNotBeforeTime() == nil {
		return moment.At(moment.Instant(now.UnixMilli())), nil
	}
	from, to := m.GetNotBeforeTime(), m.GetNotAfterTime()
	if from == nil {
		from = to
	}
	if to == nil {
		to = from
	}
	before, err := parseStamp(field+".not_before_time", from, now)
	if err != nil {
		return moment.Span{}, err
	}
	after, err := parseStamp(field+".not_after_time", to, now)
	if err != nil {
		return moment.Span{}, err
	}
	if before > after {
		return moment.Span{}, fault.InvalidField(field, "it ends before it begins", "give not_before_time first")
	}
	return moment.Span{NotBefore: before, NotAfter: after}, nil
}
