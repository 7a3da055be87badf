package civil

import (
	"os"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"
)

func TestAddMonthsAgainstReferences(t *testing.T) {
	for file, rows := range map[string]int{"month_end_reference.tsv": 190, "month_end_open.tsv": 90} {
		b, err := os.ReadFile("testdata/" + file)
		require.NoError(t, err)
		n := 0
		for line := range strings.Lines(string(b)) {
			f := strings.Split(strings.TrimSpace(line), "\t")
			if strings.HasPrefix(line, "#") || f[0] == "start" {
				continue
			}
			require.Len(t, f, 3, line)
			months, err := strconv.Atoi(f[1])
			require.NoError(t, err)
			start, err := Parse(f[0])
			require.NoError(t, err)
			assert.Equal(t, f[2], start.AddMonths(months).String(), line)
			n++
		}
		assert.Equal(t, rows, n, file)
	}
}

// The standard library's calendar is a second opinion on days and weekdays.
func TestDatesAgainstTheStandardLibrary(t *testing.T) {
	for d := First; d <= Last; d += 97 {
		want := time.Unix(int64(d)*86400, 0).UTC()
		y, m, day := d.YMD()
		require.Equal(t, []int{want.Year(), int(want.Month()), want.Day()}, []int{y, m, day})
		require.Equal(t, want.Format(time.DateOnly), d.String())
		require.Equal(t, (int(want.Weekday())+6)%7+1, int(d.Weekday()))
		back, ok := Of(y, m, day)
		require.True(t, ok)
		require.Equal(t, d, back)
	}
}

func TestEveryDayOfFourCenturiesComesBack(t *testing.T) {
	at, ok := Of(1999, 12, 31)
	require.True(t, ok)
	for range 146_097 + 2 {
		y, m, d := at.YMD()
		back, ok := Of(y, m, d)
		require.True(t, ok)
		require.Equal(t, at, back)
		at++
	}
}

func TestParse(t *testing.T) {
	for text, why := range map[string]string{
		"":            "write year, month and day",
		"2031-7-14":   "write year, month and day",
		"14.07.2031":  "write year, month and day",
		"2031-02-29":  "there is no such day",
		"2031-13-01":  "there is no such day",
		"2031-00-10":  "there is no such day",
		"0000-01-01":  "there is no such day",
		"2031-07-14 ": "write year, month and day",
		"20+1-07-14":  "write year, month and day",
	} {
		_, err := Parse(text)
		require.ErrorIs(t, err, ErrFormat, text)
		assert.Contains(t, err.Error(), why, text)
	}
	d, err := Parse("2032-02-29")
	require.NoError(t, err)
	assert.Equal(t, "2032-02-29", d.String())
	assert.Equal(t, Sunday, d.Weekday())
}

func TestNone(t *testing.T) {
	assert.False(t, None.Known())
	assert.Equal(t, None, None.AddMonths(3))
	assert.Equal(t, None, None.AddDays(3))
	assert.Equal(t, "no date", None.String())
	assert.Zero(t, None.Weekday())
	assert.Zero(t, None.Sub(5))
	assert.Equal(t, None, Last.AddMonths(1))
	assert.Equal(t, None, Last.AddDays(1))
	assert.Equal(t, None, First.AddMonths(-1))
	assert.Equal(t, None, First.AddDays(-1))
}

func TestDaysRoundTrip(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		d := Date(rapid.Int32Range(int32(First), int32(Last)).Draw(t, "d"))
		n := rapid.IntRange(-2000, 2000).Draw(t, "n")
		back, err := Parse(d.String())
		require.NoError(t, err)
		require.Equal(t, d, back)
		if o := d.AddDays(n); o != None {
			require.Equal(t, n, o.Sub(d))
		}
		if o := d.AddMonths(n); o != None {
			y, m, day := d.YMD()
			oy, om, oday := o.YMD()
			require.Equal(t, n, (oy-y)*12+om-m)
			require.True(t, oday == day || oday < day && oday == DaysIn(oy, om))
		}
	})
}
