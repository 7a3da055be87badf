// Package workday says when a site's work days turn.
//
// A work day is named by a civil date and turns at a set minute of the local
// day (04:00, not midnight, at most sites). It runs from the first instant at
// which the local clock shows that minute or later on its date, to the same of
// the next date. Where clocks go forward over the turn, the day turns the moment
// they do; where they go back over it, it turns the first time. A work day can
// so last 23, 24.5 or 25 hours, and a date that a zone left out has none.
//
// The zones' rules come with the program (time/tzdata).
package workday

import (
	"fmt"
	"iter"
	"time"
	_ "time/tzdata" // a server or an image may have no zones of its own

	"github.com/hourbell/hourbell/internal/maintenance"
	"github.com/hourbell/hourbell/internal/maintenance/civil"
	"github.com/hourbell/hourbell/internal/maintenance/moment"
)

// Turns is a site's rule.
type Turns struct {
	zone    *time.Location
	minutes int
}

// New returns the rule for a zone of the tz database and the minute of the local
// day, 0 to 1439, at which the work day turns.
func New(zone string, minutes uint16) (Turns, error) {
	if minutes > 1439 {
		return Turns{}, fmt.Errorf("a work day that turns at minute %d: a day has minutes 0 to 1439", minutes)
	}
	if zone == "" || zone == "Local" {
		return Turns{}, fmt.Errorf("time zone %q: give a name of the tz database, such as Etc/UTC", zone)
	}
	loc, err := time.LoadLocation(zone)
	if err != nil {
		return Turns{}, fmt.Errorf("time zone %q is not in the tz database: %w", zone, err)
	}
	return Turns{zone: loc, minutes: int(minutes)}, nil
}

// Day gives the work day of a date, false where the zone left that date out.
func (t Turns) Day(d civil.Date) (maintenance.DayTurned, bool) {
	day := maintenance.DayTurned{Date: d, From: t.start(d), Until: t.start(d + 1)}
	return day, day.Until > day.From
}

// At gives the work day that an instant lies in.
func (t Turns) At(i moment.Instant) maintenance.DayTurned {
	local := time.UnixMilli(int64(i)).In(t.zone).Add(-time.Duration(t.minutes) * time.Minute)
	for d := dateOf(local) - 1; ; d++ {
		if day, is := t.Day(d); is && i < day.Until {
			return day
		}
	}
}

// From gives n work days, from the one of a date on.
func (t Turns) From(d civil.Date, n int) iter.Seq[maintenance.DayTurned] {
	return func(yield func(maintenance.DayTurned) bool) {
		for n > 0 {
			if day, is := t.Day(d); is {
				n--
				if !yield(day) {
					return
				}
			}
			d++
		}
	}
}

// start is the first instant at which the local clock shows the turn of date d,
// or later.
func (t Turns) start(d civil.Date) moment.Instant {
	// The local clock as seconds since 1970-01-01T00:00 local.
	wanted := int64(d)*86_400 + int64(t.minutes)*60
	// No zone is more than 26 h off UTC, so the local clock shows less here.
	at := time.Unix(wanted, 0).Add(-36 * time.Hour).In(t.zone)
	for {
		_, offset := at.Zone()
		begins, ends := at.ZoneBounds()
		if !begins.IsZero() && begins.Unix()+int64(offset) >= wanted {
			return moment.Instant(begins.UnixMilli()) // clocks jumped over it
		}
		if ends.IsZero() || wanted < ends.Unix()+int64(offset) {
			return moment.Instant((wanted - int64(offset)) * 1000)
		}
		at = ends
	}
}

// dateOf is the date on the local clock.
func dateOf(local time.Time) civil.Date {
	_, offset := local.Zone()
	s := local.Unix() + int64(offset)
	d := s / 86_400
	if s%86_400 < 0 {
		d--
	}
	return civil.Date(d)
}
