package trend

import (
	"fmt"
	"math/big"
	"strconv"
	"strings"

	"github.com/hourbell/hourbell/internal/maintenance"
	"github.com/hourbell/hourbell/internal/maintenance/hours"
)

// tooFew says that the values are too few, or "".
func tooFew(r *run, different int) string {
	after, without := "", ""
	if r.after {
		after = " since the last remedy"
	}
	if r.noHours > 0 {
		without = fmt.Sprintf(" (and %d without hours)", r.noHours)
	}
	switch n := len(r.points); {
	case n < LeastValues:
		return fmt.Sprintf("%s%s%s; %d are needed", count(n, "value"), after, without, LeastValues)
	case different < LeastHours:
		return fmt.Sprintf("%s%s%s at %s; %d are needed", count(n, "value"), after, without, count(different, "different hour"), LeastHours)
	}
	return ""
}

func count(n int, what string) string {
	if n == 1 {
		return "1 " + what
	}
	return fmt.Sprintf("%d %ss", n, what)
}

// unsure says that values don't tell whether the measure moves.
func unsure(d *maintenance.MeasureDef, f fit, t *Trend) string {
	if f.clipped {
		return fmt.Sprintf("%d values at %d different hours are too few to be sure of a direction: measure at further hours", t.Values, t.Different)
	}
	return fmt.Sprintf("%d values do not tell whether it moves: between %s and %s in 100 h", t.Values,
		figure(perThousand(f.lo)/10, ""), figure(perThousand(f.hi)/10, d.Unit))
}

// words gives the trend in words.
func (t *Trend) words(d *maintenance.MeasureDef) string {
	verb, slope, lo, hi := "rises", t.Slope, t.SlopeLo, t.SlopeHi
	if slope < 0 {
		verb, slope, lo, hi = "falls", -slope, -hi, -lo
	}
	what := d.What
	if t.Spot != "" {
		what = strings.TrimPrefix(what+", "+t.Spot, ", ")
	}
	return strings.TrimPrefix(fmt.Sprintf("%s: %s by %s in 100 h (%s to %s), from %d values at %d different hours, %s to %s h", what, verb,
		figure(slope/10, d.Unit), figure(lo/10, ""), figure(hi/10, ""), t.Values, t.Different, down(t.First), up(t.Last)), ": ")
}

// words says when a limit is reached; will and has are what the measure does there.
func (r *Reach) words(will, has, unit string, last hours.Millis) string {
	limit := exact(r.Limit, unit)
	switch r.Word {
	case ReachFar:
		return fmt.Sprintf("likely %s (%s) after %s h, further ahead than the values can tell", will, limit, down(r.Horizon))
	case ReachPast:
		return fmt.Sprintf("by %s h likely %s (%s)", up(last), has, limit)
	case ReachAhead:
		return fmt.Sprintf("%s (%s) at about %s h, %s", will, limit, near(r.Likely), r.between(last))
	}
	return ""
}

func (r *Reach) between(last hours.Millis) string {
	early := "perhaps by now"
	if r.Earliest > last {
		early = fmt.Sprintf("%s h at the earliest", down(r.Earliest))
	}
	if r.Open {
		return early + "; how late is not sure"
	}
	return fmt.Sprintf("%s, %s h at the latest", early, up(r.Latest))
}

// Whole hours: cut off, rounded, and rounded up.
func down(h hours.Millis) string { return strconv.FormatInt(int64(h/hours.Hour), 10) }
func near(h hours.Millis) string { return down(h + hours.Hour/2) }
func up(h hours.Millis) string   { return down(h + hours.Hour - 1) }

// exact gives millionths as a decimal without idle zeros, with its unit.
func exact(micro int64, unit string) string {
	text := big.NewRat(micro, 1_000_000).FloatString(6)
	return strings.TrimSpace(strings.TrimRight(strings.TrimRight(text, "0"), ".") + " " + unit)
}

// figure is exact of the first three digits that count, rounded.
func figure(micro int64, unit string) string {
	step := int64(1)
	for s := size(micro); s >= 1000; s /= 10 {
		step *= 10
	}
	n, rest := micro/step, micro%step
	if 2*size(rest) >= uint64(step) {
		n += int64(sign(rest))
	}
	return exact(n*step, unit)
}
