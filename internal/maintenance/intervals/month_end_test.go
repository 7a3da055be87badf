package intervals

import (
	"os"
	"strconv"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"github.com/hourbell/hourbell/internal/maintenance/civil"
)

// An interval of months is due on the dates of the tables, counted from the
// service and not from one due date to the next. Soon and overdue lie on either
// side of it and clamp nothing.
func TestDueDatesOfTheMonthEndTables(t *testing.T) {
	for file, want := range map[string]int{"month_end_reference.tsv": 152, "month_end_open.tsv": 70} {
		b, err := os.ReadFile("testdata/" + file)
		require.NoError(t, err)
		n := 0
		for line := range strings.Lines(string(b)) {
			f := strings.Split(strings.TrimSpace(line), "\t")
			if strings.HasPrefix(line, "#") || f[0] == "start" {
				continue
			}
			months, err := strconv.Atoi(f[1])
			require.NoError(t, err)
			if months <= 0 {
				continue // an interval goes forward
			}
			checkDue(t, f[0], uint32(months), f[2])
			n++
		}
		assert.Equal(t, want, n, file)
	}
}

func checkDue(t *testing.T, start string, months uint32, want string) {
	t.Helper()
	anchor, err := civil.Parse(start)
	require.NoError(t, err)
	d, ok := OfMonths(anchor, months, 1, 1)
	require.True(t, ok)
	assert.Equal(t, want, d.Due.String(), "%s and %d months", start, months)
	assert.Equal(t, Soon, d.At(d.Due.AddDays(-1)))
	assert.Equal(t, Due, d.At(d.Due))
	assert.Equal(t, Overdue, d.At(d.Due.AddDays(1)))
}
