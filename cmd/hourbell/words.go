package main

import (
	"fmt"
	"strconv"
	"strings"
	"time"

	"google.golang.org/protobuf/types/known/timestamppb"

	pb "github.com/hourbell/hourbell/proto/hourbell/v1"
)

const (
	msPerHour   = 3_600_000
	maxHourText = 1_000_000 // hours; no meter of a machine comes near it
)

// hoursText gives running time in hours with one decimal, or two where the
// second is not 0, cut and not rounded, as a meter shows it.
func hoursText(ms int64) string {
	sign := ""
	if ms < 0 {
		sign, ms = "-", -ms
	}
	hundredths := ms / (msPerHour / 100)
	if hundredths%10 == 0 {
		return fmt.Sprintf("%s%d.%d", sign, hundredths/100, hundredths%100/10)
	}
	return fmt.Sprintf("%s%d.%02d", sign, hundredths/100, hundredths%100)
}

// leftText says how far something is from due: "12.5 h left" or "3.2 h over".
func leftText(ms int64) string {
	if ms < 0 {
		return hoursText(-ms) + " h over"
	}
	return hoursText(ms) + " h left"
}

// parseHours reads hours as typed, 1234.5 or 1234,5, and gives milliseconds and
// the step of the last digit typed.
func parseHours(s string) (ms, step int64, err error) {
	whole, frac, _ := strings.Cut(strings.Replace(s, ",", ".", 1), ".")
	if len(frac) > 2 || whole == "" || strings.HasSuffix(s, ".") || strings.HasSuffix(s, ",") {
		return 0, 0, fmt.Errorf("hours %q: want digits with at most two decimals, as 1234.5", s)
	}
	for _, r := range whole + frac {
		if r < '0' || r > '9' {
			return 0, 0, fmt.Errorf("hours %q: want digits with at most two decimals, as 1234.5", s)
		}
	}
	step = msPerHour
	for range len(frac) {
		step /= 10
	}
	n, err := strconv.ParseInt(whole+frac, 10, 64)
	if err != nil || n > maxHourText*msPerHour/step {
		return 0, 0, fmt.Errorf("hours %q: at most %d h are taken", s, maxHourText)
	}
	return n * step, step, nil
}

// ageText says in words how long ago a time was.
func ageText(now, t time.Time) string {
	age := now.Sub(t)
	switch {
	case age < -time.Minute:
		return "in the future: " + t.Local().Format("2006-01-02 15:04")
	case age < 10*time.Second:
		return "just now"
	case age < 2*time.Minute:
		return fmt.Sprintf("%d seconds ago", int(age.Seconds()))
	case age < 2*time.Hour:
		return fmt.Sprintf("%d minutes ago", int(age.Minutes()))
	case age < 48*time.Hour:
		return fmt.Sprintf("%d hours ago", int(age.Hours()))
	}
	return fmt.Sprintf("%d days ago", int(age.Hours()/24))
}

// momentAge says how long ago a moment was; none says what no moment means.
func momentAge(now time.Time, m *pb.Moment, none string) string {
	from, to := m.GetNotBeforeTime(), m.GetNotAfterTime()
	switch {
	case from == nil && to == nil:
		return none
	case from == nil:
		return "not after " + clock(to.AsTime())
	case to == nil:
		return "not before " + clock(from.AsTime())
	case from.AsTime().Equal(to.AsTime()):
		return ageText(now, to.AsTime())
	}
	return "between " + clock(from.AsTime()) + " and " + clock(to.AsTime())
}

// clock gives an instant in the reader's own zone.
func clock(t time.Time) string { return t.Local().Format("2006-01-02 15:04:05") }

func stampText(t *timestamppb.Timestamp, none string) string {
	if t == nil {
		return none
	}
	return clock(t.AsTime())
}

func momentText(m *pb.Moment, none string) string {
	from, to := m.GetNotBeforeTime(), m.GetNotAfterTime()
	switch {
	case from == nil && to == nil:
		return none
	case from == nil:
		return "not after " + clock(to.AsTime())
	case to == nil:
		return "not before " + clock(from.AsTime())
	case from.AsTime().Equal(to.AsTime()):
		return clock(to.AsTime())
	}
	return clock(from.AsTime()) + " to " + clock(to.AsTime())
}

func dateText(d *pb.CivilDate, none string) string {
	if d == nil {
		return none
	}
	return fmt.Sprintf("%04d-%02d-%02d", d.Year, d.Month, d.Day)
}

// dueWord gives a due state in the words people use for it.
func dueWord(s pb.DueState) string {
	switch s {
	case pb.DueState_DUE_STATE_UNKNOWN:
		return "unknown"
	case pb.DueState_DUE_STATE_NOT_DUE:
		return "not due"
	case pb.DueState_DUE_STATE_SOON:
		return "soon"
	case pb.DueState_DUE_STATE_DUE:
		return "due"
	case pb.DueState_DUE_STATE_OVERDUE:
		return "overdue"
	}
	return "?"
}

// word gives an enumeration's value as a word: its name without the enum's.
func word(value fmt.Stringer, prefix string) string {
	s := strings.TrimPrefix(value.String(), prefix)
	return strings.ToLower(strings.ReplaceAll(s, "_", " "))
}

// lastPart gives the last part of a resource name.
func lastPart(name string) string { return name[strings.LastIndexByte(name, '/')+1:] }

// taskText gives point/task of a task's name.
func taskText(name string) string {
	parts := strings.Split(name, "/")
	if len(parts) < 4 {
		return name
	}
	return parts[len(parts)-3] + "/" + parts[len(parts)-1]
}

// machineText gives the machine's id of any name under it.
func machineText(name string) string {
	parts := strings.Split(name, "/")
	if len(parts) < 2 {
		return name
	}
	return parts[1]
}

// under puts an id under its collection, unless it has it.
func under(collection, id string) string {
	if strings.HasPrefix(id, collection+"/") {
		return id
	}
	return collection + "/" + id
}

// taskName makes a task's full name of a machine and point/task.
func taskName(machine, task string) (string, error) {
	machine = under("machines", machine)
	if strings.HasPrefix(task, machine+"/points/") {
		return task, nil
	}
	point, id, ok := strings.Cut(task, "/")
	if !ok || point == "" || id == "" || strings.Contains(id, "/") {
		return "", fmt.Errorf("task %q: want POINT/TASK, as `hourbell due` prints it", task)
	}
	return machine + "/points/" + point + "/tasks/" + id, nil
}

func orDash(s string) string {
	if s == "" {
		return "-"
	}
	return s
}

// parseWhen reads a time as people type it: RFC 3339, or a day and clock time or
// a clock time alone in the reader's own zone.
func parseWhen(s string, now time.Time) (time.Time, error) {
	if t, err := time.Parse(time.RFC3339, s); err == nil {
		return t, nil
	}
	for _, layout := range []string{"2006-01-02 15:04", "2006-01-02T15:04"} {
		if t, err := time.ParseInLocation(layout, s, now.Location()); err == nil {
			return t, nil
		}
	}
	if t, err := time.ParseInLocation("15:04", s, now.Location()); err == nil {
		return time.Date(now.Year(), now.Month(), now.Day(), t.Hour(), t.Minute(), 0, 0, now.Location()), nil
	}
	return time.Time{}, fmt.Errorf("time %q: want 2031-07-14T18:30:00Z, \"2031-07-14 18:30\" or 18:30", s)
}
