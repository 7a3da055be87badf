package intervals

import (
	"os"
	"strconv"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"github.com/hourbell/hourbell/internal/maintenance/civil"
	"github.com/hourbell/hourbell/internal/maintenance/hours"
)

func day(t *testing.T, text string) civil.Date {
	t.Helper()
	d, err := civil.Parse(text)
	require.NoError(t, err)
	return d
}

// rows reads a file of check values; the first line of each names its source.
func rows(t *testing.T, file string) (out [][]string) {
	t.Helper()
	b, err := os.ReadFile(file)
	require.NoError(t, err)
	for line := range strings.Lines(string(b)) {
		if !strings.HasPrefix(line, "#") {
			out = append(out, strings.Split(strings.TrimSpace(line), "\t"))
		}
	}
	return out[1:]
}

// A step of the grid from its start is the month's end that the references give,
// where the service was done the day after the step before.
func TestGridMonthsAgainstReferences(t *testing.T) {
	n := 0
	for _, r := range rows(t, "../civil/testdata/month_end_open.tsv") {
		months, err := strconv.Atoi(r[1])
		require.NoError(t, err)
		if months < 1 {
			continue
		}
		d, ok := OfGridMonths(day(t, r[0]), day(t, r[0]), uint32(months), 0, 0)
		require.True(t, ok)
		assert.Equal(t, r[2], d.Due.String(), r)
		n++
	}
	assert.Equal(t, 70, n)
}

// The recurrences of RFC 5545 that a grid or a number of days can say, all at nine
// in the morning in a zone west of Greenwich, so that the instant's date is theirs.
func TestGridAgainstRecurrences(t *testing.T) {
	dates := map[string][]string{}
	for _, r := range rows(t, "testdata/rfc5545_open.tsv") {
		for _, at := range strings.Split(r[2], ",") {
			dates[r[1]] = append(dates[r[1]], at[:10])
		}
	}
	grid := func(rule, from string, months uint32, keep func(string) bool) {
		prev, n := day(t, from), 0
		for _, want := range dates[rule] {
			if !keep(want) || day(t, want) <= prev {
				continue
			}
			d, ok := OfGridMonths(day(t, from), prev, months, 0, 0)
			require.True(t, ok)
			assert.Equal(t, want, d.Due.String(), rule)
			prev = d.Due
			n++
		}
		assert.Positive(t, n, rule)
	}
	ends := func(days ...string) func(string) bool {
		return func(date string) bool {
			for _, d := range days {
				if strings.HasSuffix(date, "-"+d) {
					return true
				}
			}
			return false
		}
	}
	grid("FREQ=MONTHLY;COUNT=10;BYMONTHDAY=2,15", "1997-09-02", 1, ends("02"))
	grid("FREQ=MONTHLY;COUNT=10;BYMONTHDAY=2,15", "1997-09-15", 1, ends("15"))
	grid("FREQ=MONTHLY;COUNT=10;BYMONTHDAY=1,-1", "1997-08-31", 1, ends("30", "31"))
	grid("FREQ=MONTHLY;INTERVAL=18;COUNT=10;BYMONTHDAY=10,11,12,13,14,15", "1997-09-10", 18, ends("10"))
	list := dates["FREQ=DAILY;INTERVAL=10;COUNT=5"]
	require.Len(t, list, 5)
	for i, want := range list[1:] {
		d, ok := OfDays(day(t, list[i]), 10)
		require.True(t, ok)
		assert.Equal(t, want, d.Due.String())
	}
}

// By the rule, by hand: a service up to a tenth early counts for its multiple.
func TestOfGrid(t *testing.T) {
	const hh = hours.Hour
	for from, due := range map[hours.Millis]hours.Millis{
		0: 250 * hh, 224 * hh: 250 * hh, 225*hh - 1: 250 * hh, 225 * hh: 500 * hh, 250 * hh: 500 * hh, 474 * hh: 500 * hh, 476 * hh: 750 * hh,
	} {
		got := OfGrid(from, 250*hh, 0, 0)
		assert.Equal(t, due, got.Due, from)
		assert.Equal(t, due+25*hh, got.Overdue, from)
		assert.LessOrEqual(t, from, got.Soon)
	}
	assert.Equal(t, 2*hh, OfGrid(hh, hh, 0, 0).Due, "an hour's grid does not leave out a step")
}

func TestOfRunIn(t *testing.T) {
	const hh, mm = hours.Hour, hours.Minute
	assert.Equal(t, Hours{hh + 20*mm, hh + 20*mm, hh + 25*mm}, OfRunIn(hh, 20*mm), "not announced; 5 min is the least")
	assert.Equal(t, Hours{101 * hh, 101 * hh, 101*hh + 6*mm}, OfRunIn(100*hh, hh))
	assert.Equal(t, Hours{109 * hh, 110 * hh, 111 * hh}, OfRunIn(100*hh, 10*hh))
}

func TestOfWorkDaysAndCounts(t *testing.T) {
	assert.Equal(t, Counts{1, 1, 2}, OfWorkDays(1, 0, 0))
	assert.Equal(t, Counts{9, 9, 10}, OfWorkDays(9, 0, 0), "fewer than ten are not announced")
	assert.Equal(t, Counts{27, 30, 33}, OfWorkDays(30, 0, 0))
	assert.Equal(t, Counts{25, 30, 38}, OfWorkDays(30, 5, 8))
	assert.Equal(t, Counts{1000, 1000, 2000}, OfCount(1000), "the first one is not announced by none")
	assert.Equal(t, Counts{45_000, 50_000, 55_000}, OfCount(50_000))
	for n, want := range map[int64]Standing{0: NotDue, 26: NotDue, 27: Soon, 30: Due, 32: Due, 33: Overdue} {
		assert.Equal(t, want, OfWorkDays(30, 0, 0).At(n), n)
	}
	assert.EqualValues(t, 33, OfWorkDays(30, 0, 0).Threshold(Overdue))
	assert.Zero(t, OfCount(1000).Threshold(NotDue))
}

func TestBeforeOpening(t *testing.T) {
	open := day(t, "2032-01-05")
	assert.Equal(t, Dates{day(t, "2031-11-24"), day(t, "2031-12-22"), open}, BeforeOpening(open, 42, 14))
	assert.Equal(t, Dates{day(t, "2031-12-22"), day(t, "2031-12-22"), open}, BeforeOpening(open, 7, 14))
}
