package demo

import (
	"fmt"
	"time"

	"google.golang.org/protobuf/types/known/timestamppb"

	"github.com/hourbell/hourbell/internal/combinesim"
	pb "github.com/hourbell/hourbell/proto/hourbell/v1"
)

// hours is running time in hours with two decimals, cut as a meter cuts it.
func hours(ms int64) string {
	sign := ""
	if ms < 0 {
		sign, ms = "-", -ms
	}
	n := ms / (combinesim.Hour / 100)
	return fmt.Sprintf("%s%d.%02d", sign, n/100, n%100)
}

// tenths is the same with one decimal.
func tenths(ms int64) string {
	text := hours(ms)
	return text[:len(text)-1]
}

// clock is a time of the shift.
func clock(t time.Time) string { return t.Local().Format("15:04:05") }

// hourAndMinute is the same without seconds.
func hourAndMinute(t time.Time) string { return t.Local().Format("15:04") }

func clockOr(t time.Time, none string) string {
	if t.IsZero() {
		return none
	}
	return clock(t)
}

// counted is a number of things: "1 notice", "3 notices".
func counted(n int, what string) string {
	if n == 1 {
		return "1 " + what
	}
	return fmt.Sprintf("%d %ss", n, what)
}

// times is how often: "once", "3 times".
func times(n int) string {
	if n == 1 {
		return "once"
	}
	return fmt.Sprintf("%d times", n)
}

// age says how long ago something was.
func age(now, t time.Time) string {
	switch d := now.Sub(t); {
	case d < 4*time.Minute:
		return "just now"
	case d < time.Hour:
		return fmt.Sprintf("%d min ago", int(d.Minutes()))
	default:
		return fmt.Sprintf("%d h ago", int(d.Hours()))
	}
}

func stageWord(stage int) string {
	return [...]string{"nothing", "soon", "due", "overdue"}[min(max(stage, 0), 3)]
}

func moment(t time.Time) *pb.Moment {
	return &pb.Moment{NotBeforeTime: timestamppb.New(t), NotAfterTime: timestamppb.New(t)}
}

// dayAndClock is a time, with its day where that is not the day of now.
func dayAndClock(t, now time.Time) string {
	if y, m, d := t.Local().Date(); time.Date(y, m, d, 0, 0, 0, 0, time.Local).After(now.Local().Add(-24 * time.Hour)) {
		return clock(t)
	}
	return t.Local().Format("2 January 15:04")
}
