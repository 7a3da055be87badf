package chart

import (
	"cmp"
	"fmt"
	"io"
	"slices"
	"strings"

	"github.com/hourbell/hourbell/internal/maintenance"
	"github.com/hourbell/hourbell/internal/maintenance/hours"
)

// Describe writes a chart for people to read: what it measures, then every
// point in walking order with its tasks, and at each task its cautions in full.
// The basis may be empty. It returns the first error of w.
func Describe(w io.Writer, c *maintenance.Chart, basis Basis) error {
	p := &printer{w: w}
	p.line("%s, edition %d", c.ID, c.Edition)
	if c.Exception != "" {
		p.line("  an exception for %s only", c.Exception)
	}
	if len(c.Basis) == 0 {
		p.basis(basis)
	}
	for _, b := range c.Basis {
		p.line("  %s: %s", basisWord(b.Kind), basisWordsOf(b))
	}
	p.bus(c)
	p.build(c)
	p.rounds(c)
	p.points(c)
	p.after(c)
	return p.err
}

// printer writes lines until one fails.
type printer struct {
	w   io.Writer
	err error
}

func (p *printer) line(format string, a ...any) {
	if p.err == nil {
		_, p.err = fmt.Fprintf(p.w, format+"\n", a...)
	}
}

// section writes a heading, where there is something below it.
func (p *printer) section(title string, n int) {
	if n > 0 {
		p.line("")
		p.line("%s", title)
	}
}

func (p *printer) basis(b Basis) {
	for _, row := range [][2]string{{"book", b.Book}, {"decal", b.Decal}, {"shop", b.Shop}, {"owner", b.Owner}} {
		if row[1] != "" {
			p.line("  %s: %s", row[0], row[1])
		}
	}
}

func (p *printer) bus(c *maintenance.Chart) {
	p.section("Meters", len(c.Meters))
	for _, m := range c.Meters {
		p.line("  %s: %s", m.ID, meterWords(m, c.Signals))
	}
	p.section("Signals", len(c.Signals))
	for _, s := range c.Signals {
		p.line("  %s: %s", s.ID, signalWords(s))
	}
	p.section("Drives", len(c.Drives))
	for _, d := range c.Drives {
		p.line("  %s: %s", d.ID, driveWords(d, c.Signals))
	}
	p.section("Codes", len(c.Codes))
	for _, k := range c.Codes {
		p.line("  %s: %s", k.ID, codeWords(k))
	}
	p.section("Older packings of codes", len(c.Methods))
	for _, m := range c.Methods {
		p.line("  source 0x%02X: method %d", m.Source, m.Method)
	}
}

func (p *printer) rounds(c *maintenance.Chart) {
	p.section("Rounds", len(c.Rounds))
	for _, r := range c.Rounds {
		n := 0
		for _, t := range c.Tasks {
			if t.Round == r.ID {
				n++
			}
		}
		p.line("  %s: %s, %s%s", r.ID, r.Call, plural(int64(n), "task"), minutesWords(r.Minutes))
	}
}

func (p *printer) points(c *maintenance.Chart) {
	p.section("Points, in walking order", len(c.Points))
	for _, point := range WalkingOrder(c.Points) {
		p.line("  %s%s", point.ID, placeWords(point))
		for _, line := range pointLines(point, c) {
			p.line("    %s", line)
		}
		for _, t := range c.Tasks {
			if t.Point == point.ID {
				p.task(t, c)
			}
		}
	}
}

func (p *printer) task(t maintenance.TaskDef, c *maintenance.Chart) {
	p.line("    %s: %s, %s", t.ID, t.Call, whenWords(t, c))
	if t.Do != forbidden {
		about := []string{"by " + whoWord(t.Who)}
		if t.Round != "" {
			about = append(about, "round "+t.Round)
		}
		if t.Material != "" {
			about = append(about, materialWord(t.Material, c))
		}
		if t.Amount != "" {
			about = append(about, t.Amount)
		}
		p.line("      %s%s", strings.Join(about, ", "), minutesWords(t.Minutes))
	}
	for _, line := range taskLines(t, c) {
		p.line("      %s", line)
	}
	for _, id := range t.Cautions {
		p.line("      ! %s", cautionText(c.Cautions, id))
	}
}

// WalkingOrder gives the points as a person meets them: by station, the
// unplaced last, the author's order within a station.
func WalkingOrder(points []maintenance.PointDef) []maintenance.PointDef {
	sorted := slices.Clone(points)
	slices.SortStableFunc(sorted, func(a, b maintenance.PointDef) int {
		if (a.Station == 0) != (b.Station == 0) {
			return cmp.Compare(b.Station, a.Station)
		}
		return cmp.Compare(a.Station, b.Station)
	})
	return sorted
}

// IntervalWords says an interval: "every 50 h on engine or 12 months, whichever
// comes first".
func IntervalWords(limbs []maintenance.Limb) string {
	if len(limbs) == 0 {
		return "by hand only"
	}
	words := make([]string, len(limbs))
	for i, l := range limbs {
		words[i] = everyWords(l) + nearWords(l)
	}
	s := "every " + list(words, "or")
	if len(limbs) > 1 {
		s += ", whichever comes first"
	}
	return s
}

func everyWords(l maintenance.Limb) string {
	words := ""
	switch l.Kind {
	case maintenance.LimbHours:
		words = hourWords(l.Every) + " on " + l.Meter
	case maintenance.LimbDays:
		words = dayWorkedWords(l.Days)
		if l.Meter != "" {
			words += " on " + l.Meter
		}
	case maintenance.LimbSeason:
		words = seasonWords(l)
	case maintenance.LimbCounted:
		words = perUnit(l.Count, milli) + " " + spoken(l.Of)
	default:
		words = plural(int64(l.Months), "month")
	}
	if l.Grid && l.Kind == maintenance.LimbHours {
		words += " at whole multiples"
	} else if l.Grid {
		words += " in steps from " + l.GridFrom.String()
	}
	if len(l.While) > 0 {
		words += " while " + condsWords(l.While)
	}
	return words
}

func dayWorkedWords(n uint32) string {
	if n == 1 {
		return "day worked"
	}
	return fmt.Sprintf("%d days worked", n)
}

func seasonWords(l maintenance.Limb) string {
	words := "season"
	if l.Seasons > 1 {
		words = fmt.Sprintf("%d seasons", l.Seasons)
	}
	if l.Crop != "" {
		words += " of " + spoken(l.Crop)
	}
	switch l.When {
	case maintenance.SeasonIn:
		return words + " while it is open"
	case maintenance.SeasonAfter:
		return words + " once it is closed"
	}
	return words + " before it opens"
}

// nearWords says soon and late where the chart sets them.
func nearWords(l maintenance.Limb) string {
	var words []string
	if s := nearWord(l, l.Soon, l.SoonDays); s != "" {
		words = append(words, "soon "+s+" before")
	}
	if s := nearWord(l, l.Late, l.LateDays); s != "" {
		words = append(words, "overdue "+s+" after")
	}
	if len(words) == 0 {
		return ""
	}
	return " (" + strings.Join(words, ", ") + ")"
}

func nearWord(l maintenance.Limb, n hours.Millis, days uint32) string {
	switch {
	case n > 0 && l.Kind == maintenance.LimbCounted:
		return perUnit(int64(n), milli) + " " + spoken(l.Of)
	case n > 0:
		return hourWords(n)
	case days > 0 && l.Kind == maintenance.LimbDays:
		return plural(int64(days), "day") + " worked"
	case days > 0:
		return plural(int64(days), "day")
	}
	return ""
}

func hourWords(h hours.Millis) string { return perUnit(int64(h), msPerHour) + " h" }

func minutesWords(n uint32) string {
	if n == 0 {
		return ""
	}
	return fmt.Sprintf(", %d min", n)
}

func whoWord(who string) string {
	if who == "" {
		return "anyone"
	}
	return who
}

func placeWords(p maintenance.PointDef) string {
	var words []string
	if p.Station > 0 {
		words = append(words, fmt.Sprintf("station %d", p.Station))
	}
	if p.Attachment != "" {
		words = append(words, "on "+spoken(p.Attachment))
	}
	if p.Side != "" {
		words = append(words, p.Side)
	}
	if p.Clock > 0 {
		words = append(words, fmt.Sprintf("at %d o'clock seen from %s", p.Clock, p.SeenFrom))
	}
	if p.Reach != "" {
		words = append(words, p.Reach)
	}
	if len(words) == 0 {
		return ""
	}
	return " (" + strings.Join(words, ", ") + ")"
}

// cautionText gives a caution's text, or its id where the chart has none: a
// caution is never left out.
func cautionText(cautions []maintenance.CautionDef, id string) string {
	for _, c := range cautions {
		if c.ID == id {
			return c.Text
		}
	}
	return id
}

func meterWords(m maintenance.MeterDef, signals []maintenance.SignalDef) string {
	step := ", in steps of " + hourWords(m.Resolution)
	if m.Of != "" {
		step += ", of the attachment " + m.Of
	}
	switch m.Kind {
	case maintenance.MeterBroadcast:
		return fmt.Sprintf("on the bus, group %d, SPN %d%s%s", m.Group, m.SPN, sourceWords(m.Source), step)
	case maintenance.MeterDerived:
		s := fmt.Sprintf("time during which %s is above %s%s for more than %s s", m.Signal,
			perUnit(m.Above, milli), unitOf(signals, m.Signal), perUnit(int64(m.Hold), msPerSecond))
		if m.SetFrom != "" {
			s += ", set from " + m.SetFrom
		}
		return s + step
	}
	return "read off: " + m.SetFrom + step
}

func sourceWords(source int16) string {
	if source == maintenance.AnySource {
		return ", any source"
	}
	return fmt.Sprintf(", source 0x%02X", source)
}

// unitOf gives a signal's unit with a blank before it.
func unitOf(signals []maintenance.SignalDef, id string) string {
	for _, s := range signals {
		if s.ID == id && s.Unit != "" {
			return " " + s.Unit
		}
	}
	return ""
}

func signalWords(s maintenance.SignalDef) string {
	words := fmt.Sprintf("group %d%s, byte %d", s.Group, sourceWords(s.Source), s.Byte)
	if s.Bit != usualBit(s.BigEndian) {
		words += fmt.Sprintf(" bit %d", s.Bit)
	}
	words += ", " + plural(int64(s.Bits), "bit")
	if s.BigEndian {
		words += ", high byte first"
	}
	if s.Signed {
		words += ", signed"
	}
	words += ", " + rational{s.ScaleNum, s.ScaleDen}.String()
	if s.Unit != "" {
		words += " " + s.Unit
	}
	words += " a bit"
	if s.OffsetNum != 0 {
		words += " from " + rational{s.OffsetNum, s.OffsetDen}.String()
	}
	return words
}

func driveWords(d maintenance.DriveDef, signals []maintenance.SignalDef) string {
	s := fmt.Sprintf("%s drives %s at %s, judged above %s%s", d.Driver, d.Driven, perUnit(int64(d.RatioMicro), micro),
		perUnit(d.DriverAbove, milli), unitOf(signals, d.Driver))
	if d.Load != "" {
		s += fmt.Sprintf(", loaded when %s is above %s%s", d.Load, perUnit(d.LoadedAbove, milli), unitOf(signals, d.Load))
	}
	return s
}

func codeWords(k maintenance.CodeDef) string {
	fmi := fmt.Sprintf("FMI %d", k.FMI)
	if k.AnyFMI {
		fmi = "any FMI"
	}
	s := fmt.Sprintf("SPN %d, %s%s", k.SPN, fmi, sourceWords(k.Source))
	if k.Text != "" {
		s += ": " + k.Text
	}
	return s
}
