package workday_test

import (
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"github.com/hourbell/hourbell/internal/maintenance/civil"
	"github.com/hourbell/hourbell/internal/maintenance/moment"
	"github.com/hourbell/hourbell/service/ingest/workday"
)

// The table of RFC 5545 has recurrences at 09:00 in one zone. Our rules know days,
// whole weeks as seven days, and months from an anchor; a work day that turns at
// 09:00 begins at the instants of the table.
//
// They part at the end of a short month: RFC 5545 (3.3.10) leaves out a date that
// a month does not have, while an interval of ours clamps to the month's last day,
// since a service must not go a month without being due. And a day counted from
// the end (BYMONTHDAY=-1) is none of our rules: it comes out alike only from an
// anchor on a 31st.

// recurrence is a row of the table, taken apart.
type recurrence struct {
	start    civil.Date
	freq     string
	interval int
	days     []int // BYMONTHDAY
	instants []moment.Instant
}

func recurrences(t *testing.T) map[string]recurrence {
	t.Helper()
	out := map[string]recurrence{}
	for _, row := range rows(t, "rfc5545_open.tsv") {
		at, err := time.Parse("20060102T150405", row["dtstart_local"])
		require.NoError(t, err)
		require.Equal(t, 9, at.Hour())
		r := recurrence{start: civil.Date(at.Unix() / 86_400), interval: 1}
		for part := range strings.SplitSeq(row["rrule"], ";") {
			name, value, _ := strings.Cut(part, "=")
			switch name {
			case "FREQ":
				r.freq = value
			case "INTERVAL":
				r.interval, err = strconv.Atoi(value)
			case "BYMONTHDAY":
				for d := range strings.SplitSeq(value, ",") {
					n, err := strconv.Atoi(d)
					require.NoError(t, err)
					r.days = append(r.days, n)
				}
			case "COUNT":
			default:
				t.Fatalf("rule part %s is not read", part)
			}
			require.NoError(t, err)
		}
		for text := range strings.SplitSeq(row["instants_utc"], ",") {
			at, err := time.Parse("2006-01-02T15:04Z", text)
			require.NoError(t, err)
			r.instants = append(r.instants, moment.Instant(at.UnixMilli()))
		}
		out[row["rrule"]] = r
	}
	require.Len(t, out, 7)
	return out
}

func turnsAtNine(t *testing.T) workday.Turns {
	t.Helper()
	turns, err := workday.New("America/New_York", 9*60)
	require.NoError(t, err)
	return turns
}

// Days and weeks: RFC 5545's and ours are the same, over the change of clocks too.
func TestDailyAndWeeklyRecurrences(t *testing.T) {
	turns, n := turnsAtNine(t), 0
	for rule, r := range recurrences(t) {
		step := map[string]int{"DAILY": 1, "WEEKLY": 7}[r.freq] * r.interval
		if step == 0 {
			continue
		}
		n++
		for i, want := range r.instants {
			day, is := turns.Day(r.start.AddDays(i * step))
			require.True(t, is)
			assert.Equal(t, want.String(), day.From.String(), "%s, number %d", rule, i+1)
			assert.Equal(t, day, turns.At(want), "%s, number %d", rule, i+1)
		}
	}
	assert.Equal(t, 3, n)
}

// monthly counts months from an anchor on each of the rule's days, as an interval
// does, up to the last instant of the table.
func monthly(t *testing.T, turns workday.Turns, r recurrence) map[string]bool {
	t.Helper()
	out := map[string]bool{}
	last := r.instants[len(r.instants)-1]
	year, month, _ := r.start.YMD()
	for _, d := range r.days {
		anchor, ok := civil.Of(year, month, d)
		require.True(t, ok)
		for n := 0; ; n += r.interval {
			day, is := turns.Day(anchor.AddMonths(n))
			require.True(t, is)
			if day.From > last {
				break
			}
			if day.Date >= r.start {
				out[day.From.String()] = true
			}
		}
	}
	return out
}

func texts(instants []moment.Instant) map[string]bool {
	out := map[string]bool{}
	for _, i := range instants {
		out[i.String()] = true
	}
	return out
}

// Months by days that every month has: the same instants, no more and no fewer,
// but those after the ten that the table shows.
func TestMonthlyRecurrencesThatAgree(t *testing.T) {
	all := recurrences(t)
	for _, rule := range []string{
		"FREQ=MONTHLY;COUNT=10;BYMONTHDAY=2,15",
		"FREQ=MONTHLY;INTERVAL=18;COUNT=10;BYMONTHDAY=10,11,12,13,14,15",
	} {
		r, ok := all[rule]
		require.True(t, ok, rule)
		assert.Equal(t, texts(r.instants), monthly(t, turnsAtNine(t), r), rule)
	}
}

// The 30th: RFC 5545 has none in February 2007, ours falls on its last day.
func TestMonthlyRecurrenceThatSkipsWhereOursClamps(t *testing.T) {
	r, ok := recurrences(t)["FREQ=MONTHLY;BYMONTHDAY=15,30;COUNT=5"]
	require.True(t, ok)
	want := texts(r.instants)
	clamped := "2007-02-28T14:00:00Z" // 09:00 in New York, five hours behind
	require.NotContains(t, want, clamped)
	want[clamped] = true
	assert.Equal(t, want, monthly(t, turnsAtNine(t), r))
}

// The last of the month: alike from an anchor on a 31st. From 30 September, on
// which the table starts, ours stays on the 30th.
func TestLastOfTheMonthNeedsAnAnchorOnA31st(t *testing.T) {
	r, ok := recurrences(t)["FREQ=MONTHLY;COUNT=10;BYMONTHDAY=1,-1"]
	require.True(t, ok)
	require.Equal(t, []int{1, -1}, r.days)
	turns, want := turnsAtNine(t), texts(r.instants)

	got := monthly(t, turns, recurrence{start: r.start, interval: 1, days: []int{1}, instants: r.instants})
	august, ok := civil.Of(1997, 8, 31)
	require.True(t, ok)
	for n := 1; n <= 5; n++ { // September to January
		day, is := turns.Day(august.AddMonths(n))
		require.True(t, is)
		got[day.From.String()] = true
	}
	assert.Equal(t, want, got)

	assert.Equal(t, "1997-10-30", r.start.AddMonths(1).String())
	assert.Contains(t, want, "1997-10-31T14:00:00Z", "RFC 5545 has the 31st there")
}
