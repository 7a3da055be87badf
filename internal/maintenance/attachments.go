package maintenance

import (
	"fmt"
	"slices"
	"sort"

	"github.com/hourbell/hourbell/internal/maintenance/moment"
)

// attachment takes in that an attachment was put on or taken off.
func (t *step) attachment(b *Attachment) {
	s := t.s
	i := sort.Search(len(s.Attachments), func(i int) bool { return s.Attachments[i].Attachment >= b.Attachment })
	var was AttachmentSeen
	switch {
	case i < len(s.Attachments) && s.Attachments[i].Attachment == b.Attachment:
		was = s.Attachments[i]
		if was.At.Compare(t.e.At) > 0 {
			t.ignore("a later word on the attachment is known")
			return
		}
	case len(s.Attachments) >= AttachKept:
		t.ignore(fmt.Sprintf("attachment %q is one too many; %d are kept", b.Attachment, AttachKept))
		return
	default:
		// Until somebody speaks of it, it counts as on.
		s.Attachments = slices.Insert(s.Attachments, i, AttachmentSeen{Attachment: b.Attachment, On: true})
	}
	t.later = true
	if b.On {
		t.putOn(i, b, &was)
	} else {
		t.takeOff(i, b, &was)
	}
	t.later, t.waiting = false, nil
	s.thresholds()
	t.settleAll()
}

// putOn makes an attachment's own hours and records those of its meters and tasks
// here.
func (t *step) putOn(i int, b *Attachment, was *AttachmentSeen) {
	s := t.s
	s.Attachments[i] = AttachmentSeen{Attachment: b.Attachment, Piece: b.Piece, On: true, At: t.e.At, By: t.e.Key}
	other := was.Attachment != "" && was.Piece != b.Piece
	for m := range s.Meters {
		if s.meterOf(m) != b.Attachment {
			continue
		}
		if k := slices.IndexFunc(b.Shown, func(o MeterShown) bool { return o.Meter == s.Meters[m].ID }); k >= 0 {
			t.openAttached(m, b.Shown[k], fmt.Sprintf("attachment %s put on", nameOf(b)))
		} else if other {
			// Another piece whose hours nobody read: its first reading tells them.
			s.Meters[m] = Meter{ID: s.Meters[m].ID, Gone: s.Meters[m].Gone}
			t.closeDoubts(s.Meters[m].ID, "another piece was put on")
		}
	}
	if other {
		s.swapLog(b.Attachment, awayKey(b.Attachment, was.Piece), awayKey(b.Attachment, b.Piece))
		t.rebuildTasks() // a part that went with its piece may have answered a question
	}
	for j := range s.Tasks {
		if s.taskAttachment(j) == b.Attachment {
			t.carryIn(j, b, was.Piece, other)
		}
	}
	t.effect(EffectAttachment, i, nameOf(b)+" put on")
}

// nameOf is the piece, or the attachment where no piece is named.
func nameOf(b *Attachment) string {
	if b.Piece == "" {
		return b.Attachment
	}
	return b.Piece
}

// takeOff counts what its meters showed and lets them rest.
func (t *step) takeOff(i int, b *Attachment, was *AttachmentSeen) {
	s := t.s
	for k := range b.Shown {
		if m := s.meterIndex(b.Shown[k].Meter); m >= 0 && s.meterOf(m) == b.Attachment {
			t.read(m, shownAt{shown: b.Shown[k].Shown, step: HandStep, origin: OriginPerson, key: t.e.Key, at: t.e.At, quiet: true})
		}
	}
	piece := b.Piece
	if piece == "" {
		piece = was.Piece
	}
	s.Attachments[i] = AttachmentSeen{Attachment: b.Attachment, Piece: piece, At: t.e.At, By: t.e.Key}
	t.effect(EffectAttachment, i, nameOf(b)+" taken off")
}

// openAttached opens a life in which the attachment's own hours are the machine's
// hours on the meter, whatever another one had. What was read of that one no
// longer tells anything.
func (t *step) openAttached(m int, shown MeterShown, why string) {
	meter := &t.s.Meters[m]
	t.closeDoubts(meter.ID, why)
	at := t.e.At
	t.addLife(m, Life{Opened: t.e.Key, First: shown.Shown, Last: shown.Shown, Offset: shown.Shown, From: at, Why: why, Same: len(meter.Lives) > 0})
	meter.Total, meter.TotalAt, meter.TotalBy = shown.Shown, moment.Span{}, Key{}
	meter.Held, meter.HeldN, meter.Trail, meter.DayTops = nil, 0, nil, nil
	t.effect(EffectLifeOpened, m, why)
	t.accept(m, len(meter.Lives)-1, shownAt{shown: shown.Shown, step: HandStep, origin: OriginPerson, key: t.e.Key, at: at})
}

// awayKey marks what is of a piece that is not on the machine, so that it stands
// again when the piece comes back.
func awayKey(attachment, piece string) Key { return ServiceKey("away", attachment, piece) }

// swapLog lets what was fitted, measured and put in at an attachment go with its
// piece: what stands is marked with gone, and what is marked with back stands.
func (s *State) swapLog(attachment string, gone, back Key) {
	swap := func(void *Key) {
		switch {
		case void.IsZero():
			*void = gone
		case *void == back:
			*void = Key{}
		}
	}
	for i := range s.Parts {
		for j := range s.Parts[i].Pieces {
			if s.pointAttachment(s.Parts[i].ID) == attachment {
				swap(&s.Parts[i].Pieces[j].Void)
			}
		}
	}
	at := func(task string) bool { return s.taskAttachment(s.taskIndex(task)) == attachment }
	for i := range s.Measures {
		if at(s.Measures[i].Task) {
			for j := range s.Measures[i].Values {
				swap(&s.Measures[i].Values[j].Void)
			}
		}
	}
	for i := range s.Used {
		if at(s.Used[i].Task) {
			swap(&s.Used[i].Void)
		}
	}
}

// carryIn gives a task at an attachment the records that came with it, or else
// those that were here before. Those of another piece stand no longer.
func (t *step) carryIn(j int, b *Attachment, before string, other bool) {
	task := &t.s.Tasks[j]
	was, meter := task.latestKey(), t.s.orderMeter(j)
	for k := range task.Records {
		r := &task.Records[k]
		switch {
		case other && r.Void.IsZero():
			r.Void = awayKey(b.Attachment, before)
		case other && len(b.Carried) == 0 && r.Void == awayKey(b.Attachment, b.Piece):
			r.Void = Key{}
		}
	}
	for k := range b.Carried {
		c := &b.Carried[k]
		if c.Task != task.ID {
			continue
		}
		task.Records = slices.DeleteFunc(task.Records, func(r TaskRecord) bool { return r.Record == c.Record })
		task.insert(TaskRecord{Record: c.Record, At: c.At, Date: c.Date, Hours: copyOf(c.Hours), Person: c.Person, Carried: true}, meter, t.s.remembered(j))
	}
	task.cull(t.s.remembered(j))
	if other && task.putOff() != nil {
		task.Postponed = nil
		t.effect(EffectPostponed, j, "another piece was put on")
	}
	if task.latestKey() != was {
		t.openCycle(j, nameOf(b)+" was put on")
	}
}

// meterOf is the attachment whose meter it is, "" the machine's own.
func (s *State) meterOf(m int) string {
	if m < s.chartMeters() {
		return s.Chart.Meters[m].Of
	}
	return ""
}

// taskAttachment is the attachment that a task's point is on, "" the machine.
func (s *State) taskAttachment(i int) string {
	if def := s.taskDef(i); def != nil {
		return s.pointAttachment(def.Point)
	}
	return ""
}

func (s *State) pointAttachment(point string) string {
	if s.Chart == nil || len(s.Chart.Attachments) == 0 {
		return ""
	}
	for i := range s.Chart.Points {
		if s.Chart.Points[i].ID == point {
			return s.Chart.Points[i].Attachment
		}
	}
	return ""
}

// attachmentIs returns what is known of an attachment, nil where nobody spoke of
// it.
func (s *State) attachmentIs(id string) *AttachmentSeen {
	for i := range s.Attachments {
		if s.Attachments[i].Attachment == id {
			return &s.Attachments[i]
		}
	}
	return nil
}

// attached reports whether a point is there to be worked at: on the machine, or on
// an attachment that nobody took off.
func (s *State) attached(point string) bool {
	if !slices.ContainsFunc(s.Attachments, func(a AttachmentSeen) bool { return !a.On }) {
		return true
	}
	a := s.attachmentIs(s.pointAttachment(point))
	return a == nil || a.On
}

// detached says why what a meter showed at a time is not the machine's, or "".
func (s *State) detached(m int, at moment.Span) string {
	if s.Rules < WorkRules || len(s.Attachments) == 0 {
		return ""
	}
	of := s.meterOf(m)
	if of == "" {
		return ""
	}
	a := s.attachmentIs(of)
	switch {
	case a == nil:
	case a.On && at.Hi() < a.At.Lo():
		return fmt.Sprintf("%s is from before %s was put on (%v)", s.Meters[m].ID, of, a.At)
	case !a.On && at.Hi() > a.At.Lo():
		return fmt.Sprintf("%s was taken off (%v): its meter %s does not count here", of, a.At, s.Meters[m].ID)
	}
	return ""
}

// CarryOut returns what the next machine needs of an attachment: its own hours on
// each of its meters, and the records of its tasks that stand, with its meters'
// hours alone.
func (s *State) CarryOut(attachment string) (shown []MeterShown, carried []CarriedRecord) {
	for m := range s.Meters {
		if s.meterOf(m) == attachment && attachment != "" && len(s.Meters[m].Lives) > 0 {
			shown = append(shown, MeterShown{Meter: s.Meters[m].ID, Shown: max(s.Meters[m].Total, 0)})
		}
	}
	most := CyclesKept
	for ; most > 0; most-- {
		if carried = s.carried(attachment, most); len(carried) <= maxList {
			return shown, carried
		}
	}
	return shown, carried[:maxList]
}

// carried are the last standing records of each task at an attachment.
func (s *State) carried(attachment string, most int) (out []CarriedRecord) {
	for i := range s.Tasks {
		if attachment == "" || s.taskAttachment(i) != attachment {
			continue
		}
		list := lastOf(slices.DeleteFunc(copyOf(s.Tasks[i].Records), func(r TaskRecord) bool { return !r.stands() }), most)
		for j := range list {
			r := &list[j]
			out = append(out, CarriedRecord{Record: r.Record, Task: s.Tasks[i].ID, At: r.At, Date: r.Date, Hours: s.hoursOn(attachment, r.Hours), Person: r.Person})
		}
	}
	return out
}

// hoursOn are those of some hours that an attachment's meters counted.
func (s *State) hoursOn(attachment string, list []MeterShown) (out []MeterShown) {
	for _, h := range list {
		if m := s.meterIndex(h.Meter); m >= 0 && s.meterOf(m) == attachment {
			out = append(out, MeterShown{Meter: h.Meter, Shown: max(h.Shown, 0)})
		}
	}
	return out
}

// suitsAttachment refuses an attachment, a meter or a task that the chart does
// not have, and what it is already.
func (s *State) suitsAttachment(b *Attachment) *fault {
	if s.Rules < WorkRules {
		return nil
	}
	if s.Chart == nil || !slices.ContainsFunc(s.Chart.Attachments, func(d AttachmentDef) bool { return d.ID == b.Attachment }) {
		return &fault{"attachment", fmt.Sprintf("attachment %q is not in the machine's chart", b.Attachment), "name one of its chart"}
	}
	a := s.attachmentIs(b.Attachment)
	switch {
	case b.On && a != nil && a.On && a.Piece != b.Piece:
		return &fault{"attachment", fmt.Sprintf("%s is on already", a.Piece), "take it off first"}
	case !b.On && a != nil && !a.On:
		return &fault{"attachment", "it is off already", "nothing is left to do"}
	}
	for _, h := range b.Shown {
		if m := s.meterIndex(h.Meter); m < 0 || s.meterOf(m) != b.Attachment {
			return &fault{"shown", fmt.Sprintf("%q is no meter of %s", h.Meter, b.Attachment), "name its own meters"}
		}
	}
	for i := range b.Carried {
		if j := s.taskIndex(b.Carried[i].Task); j < 0 || s.taskAttachment(j) != b.Attachment {
			return &fault{"carried", fmt.Sprintf("task %q is not at %s on this machine", b.Carried[i].Task, b.Attachment), "carry the records of its tasks that the chart has"}
		}
	}
	return nil
}
