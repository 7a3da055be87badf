package intervals

import (
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"github.com/hourbell/hourbell/internal/maintenance/civil"
	"github.com/hourbell/hourbell/internal/maintenance/hours"
)

// The expected thresholds follow from the rule by hand: a tenth of the
// interval, at least an hour or a day, unless the chart says otherwise.
func TestOfHours(t *testing.T) {
	const hh = hours.Hour
	for name, c := range map[string]struct {
		from, every, soon, late hours.Millis
		want                    Hours
	}{
		"a tenth":             {400 * hh, 50 * hh, 0, 0, Hours{445 * hh, 450 * hh, 455 * hh}},
		"at least an hour":    {400 * hh, 8 * hh, 0, 0, Hours{407 * hh, 408 * hh, 409 * hh}},
		"soon and late given": {400 * hh, 150 * hh, 12 * hh, 20 * hh, Hours{538 * hh, 550 * hh, 570 * hh}},
		"shorter than the least": {400 * hh, hh / 2, 0, 0,
			Hours{400 * hh, 400*hh + hh/2, 401*hh + hh/2}},
		"soon beyond the interval": {400 * hh, 10 * hh, 30 * hh, 0, Hours{400 * hh, 410 * hh, 411 * hh}},
	} {
		assert.Equal(t, c.want, OfHours(c.from, c.every, c.soon, c.late), name)
	}
}

func TestHoursAt(t *testing.T) {
	th := OfHours(400*hours.Hour, 50*hours.Hour, 0, 0)
	for total, want := range map[hours.Millis]Standing{
		0: NotDue, th.Soon - 1: NotDue, th.Soon: Soon, th.Due - 1: Soon, th.Due: Due, th.Overdue - 1: Due, th.Overdue: Overdue,
	} {
		assert.Equal(t, want, th.At(total), total)
		if next, ok := th.Next(total); ok {
			assert.Greater(t, next, total)
			assert.Greater(t, th.At(next), want)
			assert.Equal(t, want, th.At(next-1))
		} else {
			assert.Equal(t, Overdue, want)
		}
	}
	assert.Equal(t, th.Due, th.Threshold(Due))
	assert.Zero(t, th.Threshold(NotDue))
}

func TestOfMonths(t *testing.T) {
	for name, c := range map[string]struct {
		anchor             string
		months, soon, late uint32
		want               [3]string
	}{
		// 366 days: a tenth is 36.6, cut to 36.
		"a year":              {"2031-07-14", 12, 0, 0, [3]string{"2032-06-08", "2032-07-14", "2032-08-19"}},
		"month ends clamp":    {"2031-01-31", 1, 0, 0, [3]string{"2031-02-26", "2031-02-28", "2031-03-02"}},
		"soon and late given": {"2031-07-14", 6, 30, 1, [3]string{"2031-12-15", "2032-01-14", "2032-01-15"}},
		"soon is too long":    {"2031-07-14", 1, 90, 0, [3]string{"2031-07-14", "2031-08-14", "2031-08-17"}},
	} {
		anchor, err := civil.Parse(c.anchor)
		require.NoError(t, err)
		d, ok := OfMonths(anchor, c.months, c.soon, c.late)
		require.True(t, ok)
		assert.Equal(t, c.want, [3]string{d.Soon.String(), d.Due.String(), d.Overdue.String()}, name)
		assert.Equal(t, NotDue, d.At(d.Soon-1))
		assert.Equal(t, Soon, d.At(d.Due-1))
		assert.Equal(t, Due, d.At(d.Due))
		assert.Equal(t, Overdue, d.At(d.Overdue))
		assert.Equal(t, Unknown, d.At(civil.None))
		assert.Equal(t, d.Overdue, d.Threshold(Overdue))
		assert.Equal(t, civil.None, d.Threshold(NotDue))
	}
	_, ok := OfMonths(civil.None, 12, 0, 0)
	assert.False(t, ok)
	_, ok = OfMonths(civil.Last, 12, 0, 0)
	assert.False(t, ok)
}

func TestFirst(t *testing.T) {
	for _, c := range []struct {
		a, b   Standing
		want   Standing
		second bool
	}{{NotDue, Due, Due, true}, {Due, NotDue, Due, false}, {Due, Due, Due, false}, {Unknown, NotDue, NotDue, true}, {Soon, Unknown, Soon, false}} {
		got, second := First(c.a, c.b)
		assert.Equal(t, c.want, got)
		assert.Equal(t, c.second, second)
	}
}
