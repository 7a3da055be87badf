package demo

import (
	"fmt"
	"math"
	"strings"
	"time"

	"github.com/hourbell/hourbell/internal/combinesim"
	pb "github.com/hourbell/hourbell/proto/hourbell/v1"
)

// rowForm fits 79 columns.
const (
	rowForm    = "%-11s %7s %7s %-10s %-9s %s"
	roundWidth = 30
)

// rows is the table: live hours, a line a machine.
func (b *board) rows() []string {
	now := b.shift.pace.Now()
	b.mu.Lock()
	defer b.mu.Unlock()
	lines := []string{
		"",
		fmt.Sprintf("%s  %s%s", clock(now), combinesim.Place, b.speed()),
		fmt.Sprintf(rowForm, "MACHINE", "ENGINE", "SEPAR.", "READ", "NOW", "NEXT ROUND"),
	}
	for _, k := range b.shift.crew {
		name := "machines/" + k.story.ID
		m := b.machines[name]
		lines = append(lines, strings.TrimRight(fmt.Sprintf(rowForm, k.story.Name, totalText(m, engine), totalText(m, separator), readText(m, now), b.doing(name, m), cut(b.nextRound(name, m), roundWidth)), " "))
	}
	return lines
}

// totalText is a meter's hours; one that was never read has none, which is not 0.
func totalText(m *pb.Machine, meter string) string {
	if t := meterOf(m, meter); t.GetTotalMs() > 0 {
		return hours(t.GetTotalMs())
	}
	return "-"
}

func meterOf(m *pb.Machine, meter string) *pb.MachineMeter {
	for _, t := range m.GetMeters() {
		if t.Meter == meter {
			return t
		}
	}
	return nil
}

// readText is how old the newest reading is.
func readText(m *pb.Machine, now time.Time) string {
	var read time.Time
	for _, t := range m.GetMeters() {
		if t.ReadMoment != nil {
			read = later(read, latest(t.ReadMoment))
		}
	}
	if read.IsZero() {
		return "never"
	}
	return age(now, read)
}

// nextRound is the round that has least left.
func (b *board) nextRound(name string, m *pb.Machine) string {
	least, call := int64(math.MaxInt64), ""
	for _, t := range b.due[name] {
		for _, c := range t.Counters {
			total := meterOf(m, c.Meter).GetTotalMs()
			if c.DueAtMs == nil || total == 0 || c.GetDueAtMs()-total >= least {
				continue
			}
			least, call = c.GetDueAtMs()-total, roundCall(t)
		}
	}
	switch {
	case call == "":
		return ""
	case least <= 0:
		return fmt.Sprintf("%s %s h over", call, tenths(-least))
	}
	if least < combinesim.Hour {
		return fmt.Sprintf("%s in %s h", call, hours(least))
	}
	return fmt.Sprintf("%s in %s h", call, tenths(least))
}

func (b *board) speed() string {
	if b.shift.o.Factor == 0 {
		return ""
	}
	return fmt.Sprintf(", %g times as fast as life", b.shift.o.Factor)
}

// doing is what the machine does, as far as anybody knows.
func (b *board) doing(name string, m *pb.Machine) string {
	if s := b.state[name]; s != "" {
		return s
	}
	switch {
	case m.GetEngine() == nil:
		return ""
	case m.Engine.Running:
		return "runs"
	}
	return "stands"
}

// plainHour prints the hours once for each hour of the shift, where there is no
// table.
func (b *board) plainHour() {
	now := b.shift.pace.Now()
	b.mu.Lock()
	if b.terminal || now.Sub(b.hour) < time.Hour {
		b.mu.Unlock()
		return
	}
	b.hour = b.hour.Add(now.Sub(b.hour).Truncate(time.Hour))
	parts := make([]string, 0, len(b.shift.crew))
	for _, k := range b.shift.crew {
		parts = append(parts, k.story.Name+" "+totalText(b.machines["machines/"+k.story.ID], engine))
	}
	b.mu.Unlock()
	b.say(hourAndMinute(now) + "  engine hours: " + strings.Join(parts, ", "))
}
