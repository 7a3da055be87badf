package workday_test

import (
	"encoding/csv"
	"os"
	"slices"
	"strconv"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"github.com/hourbell/hourbell/internal/maintenance/civil"
	"github.com/hourbell/hourbell/internal/maintenance/moment"
	"github.com/hourbell/hourbell/service/ingest/workday"
)

func date(t *testing.T, s string) civil.Date {
	t.Helper()
	at, err := time.Parse(time.DateOnly, s)
	require.NoError(t, err)
	return civil.Date(at.Unix() / 86_400)
}

func instant(t *testing.T, s string) moment.Instant {
	t.Helper()
	at, err := time.Parse(time.RFC3339, s)
	require.NoError(t, err)
	return moment.Instant(at.UnixMilli())
}

func rows(t *testing.T, name string) (out []map[string]string) {
	t.Helper()
	f, err := os.Open("testdata/" + name)
	require.NoError(t, err)
	defer f.Close()
	r := csv.NewReader(f)
	r.Comma, r.Comment, r.FieldsPerRecord, r.LazyQuotes = '\t', '#', -1, true
	all, err := r.ReadAll()
	require.NoError(t, err)
	for _, line := range all[1:] {
		row := map[string]string{}
		for i, v := range line {
			row[all[0][i]] = v
		}
		out = append(out, row)
	}
	return out
}

// The days of the tables begin at midnight.
func TestDaysOfTheTables(t *testing.T) {
	for _, table := range []string{"dst_reference.tsv", "dst_open.tsv"} {
		got := rows(t, table)
		require.Greater(t, len(got), 18)
		for _, row := range got {
			turns, err := workday.New(row["zone"], 0)
			require.NoError(t, err)
			day, is := turns.Day(date(t, row["local_date"]))
			require.True(t, is)
			name := row["zone"] + " " + row["local_date"]
			assert.Equal(t, instant(t, row["day_start_utc"]), day.From, "%s starts", name)
			assert.Equal(t, instant(t, row["next_day_start_utc"]), day.Until, "%s ends", name)
			assert.Equal(t, minutes(t, row), int64(day.Until-day.From)/60_000, "%s length", name)
		}
	}
}

func minutes(t *testing.T, row map[string]string) int64 {
	if m, has := row["minutes"]; has {
		n, err := strconv.ParseInt(m, 10, 64)
		require.NoError(t, err)
		return n
	}
	h, err := strconv.ParseFloat(row["day_length_h"], 64)
	require.NoError(t, err)
	return int64(h * 60)
}

// Worked out by hand from the same transitions: Berlin on 2024-03-31 goes from
// 02:00 to 03:00 at 01:00Z, on 2024-10-27 from 03:00 to 02:00 at 01:00Z.
func TestTurnsThatClocksJumpOver(t *testing.T) {
	cases := []struct {
		name    string
		minutes uint16
		date    string
		from    string
	}{
		{"in the gap", 150, "2024-03-31", "2024-03-31T01:00:00Z"},
		{"before the gap", 119, "2024-03-31", "2024-03-31T00:59:00Z"},
		{"at the gap's end", 180, "2024-03-31", "2024-03-31T01:00:00Z"},
		{"twice: the first counts", 150, "2024-10-27", "2024-10-27T00:30:00Z"},
		{"after both", 180, "2024-10-27", "2024-10-27T02:00:00Z"},
		{"four in summer", 240, "2024-07-01", "2024-07-01T02:00:00Z"},
		{"four in winter", 240, "2024-12-01", "2024-12-01T03:00:00Z"},
		{"last minute", 1439, "2024-12-01", "2024-12-01T22:59:00Z"},
	}
	for _, c := range cases {
		t.Run(c.name, func(t *testing.T) {
			turns, err := workday.New("Europe/Berlin", c.minutes)
			require.NoError(t, err)
			day, is := turns.Day(date(t, c.date))
			require.True(t, is)
			assert.Equal(t, instant(t, c.from), day.From)
		})
	}
}

// Samoa left 2011-12-30 out when it crossed the date line (tz database, file
// australasia: Apia, from memory).
func TestDateLeftOut(t *testing.T) {
	turns, err := workday.New("Pacific/Apia", 0)
	require.NoError(t, err)
	_, is := turns.Day(date(t, "2011-12-30"))
	assert.False(t, is)
	var got []civil.Date
	for day := range turns.From(date(t, "2011-12-29"), 3) {
		got = append(got, day.Date)
	}
	assert.Equal(t, []civil.Date{date(t, "2011-12-29"), date(t, "2011-12-31"), date(t, "2012-01-01")}, got)
}

// Days follow each other without a hole, and At finds the one an instant lies in.
func TestDaysAreSeamless(t *testing.T) {
	for _, zone := range []string{"Europe/Berlin", "America/Havana", "Australia/Lord_Howe", "Pacific/Apia", "Asia/Kathmandu", "Africa/Casablanca", "Etc/UTC"} {
		for _, minute := range []uint16{0, 30, 240, 1410} {
			turns, err := workday.New(zone, minute)
			require.NoError(t, err)
			days := slices.Collect(turns.From(date(t, "2010-12-30"), 800))
			require.Len(t, days, 800)
			for i, day := range days {
				require.Equal(t, day, turns.At(day.From), "%s first instant", zone)
				require.Equal(t, day, turns.At(day.Until-1), "%s last instant", zone)
				if i > 0 {
					require.Equal(t, days[i-1].Until, day.From, "%s %d", zone, day.Date)
				}
			}
		}
	}
}

func TestBadRules(t *testing.T) {
	for _, zone := range []string{"", "Local", "Nowhere/Crater", "../etc/passwd"} {
		_, err := workday.New(zone, 240)
		assert.ErrorContains(t, err, "time zone", zone)
	}
	_, err := workday.New("Etc/UTC", 1440)
	assert.ErrorContains(t, err, "0 to 1439")
}
