package maintenance

import (
	"fmt"

	"github.com/hourbell/hourbell/internal/maintenance/civil"
	"github.com/hourbell/hourbell/internal/maintenance/hours"
	"github.com/hourbell/hourbell/internal/maintenance/moment"
)

// tooSoon says with figures that a service at a time, at machine's hours and on
// a date comes too early after the one before it; "" where it does not, or where
// that can't be told. Of hours and days the one reached first makes it right, and
// so does an event since that the chart names.
func (s *State) tooSoon(task int, at moment.Span, shown []MeterShown, date civil.Date) string {
	if s.Chart == nil || task < 0 || task >= len(s.Chart.Tasks) || task >= len(s.Tasks) {
		return ""
	}
	d := &s.Chart.Tasks[task].TooSoon
	last := s.Tasks[task].before(at)
	if last == nil || d.Hours <= 0 && d.Days == 0 || s.excused(d, last, at) {
		return ""
	}
	inHours, enough := s.soonInHours(d, last, shown)
	inDays, later := soonInDays(d, last, date)
	switch {
	case enough || later || inHours == "" && inDays == "":
		return ""
	case inHours != "" && inDays != "":
		return inHours + "; and " + inDays
	}
	return inHours + inDays
}

// before returns the last standing record from before a time.
func (t *Task) before(at moment.Span) *TaskRecord {
	for i := len(t.Records) - 1; i >= 0; i-- {
		if r := &t.Records[i]; r.stands() && r.At.Compare(at) < 0 {
			return r
		}
	}
	return nil
}

// excused reports whether an event since the last service makes one right.
func (s *State) excused(d *TooSoonDef, last *TaskRecord, at moment.Span) bool {
	for i := range s.Happened {
		h := &s.Happened[i]
		if h.Kind != HappenedEvent || h.At.Compare(last.At) <= 0 || h.At.Compare(at) > 0 {
			continue
		}
		for _, name := range d.Unless {
			if h.Name == name {
				return true
			}
		}
	}
	return false
}

// soonInHours gives the figures where it is too early in hours, and whether
// enough have run.
func (s *State) soonInHours(d *TooSoonDef, last *TaskRecord, shown []MeterShown) (string, bool) {
	m := s.meterOr(d.Meter)
	if d.Hours <= 0 || m < 0 {
		return "", false
	}
	id := s.Meters[m].ID
	from, ok1 := last.on(id)
	now, ok2 := shownOn(shown, id)
	if !ok1 || !ok2 {
		return "", false
	}
	ran := max(hours.Sub(now, from), 0)
	if ran >= d.Hours {
		return "", true
	}
	return fmt.Sprintf("%v h of %s since the last one at %v h; not before %v h", ran, id, from, d.Hours), false
}

func soonInDays(d *TooSoonDef, last *TaskRecord, date civil.Date) (string, bool) {
	if d.Days == 0 || last.Date == civil.None || date == civil.None {
		return "", false
	}
	days := max(date.Sub(last.Date), 0)
	if days >= int(d.Days) {
		return "", true
	}
	return fmt.Sprintf("%s since the last one on %v; not before %s", daysText(days), last.Date, daysText(int(d.Days))), false
}

func daysText(n int) string {
	if n == 1 {
		return "1 day"
	}
	return fmt.Sprintf("%d days", n)
}
