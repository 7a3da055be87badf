package maintenance

import (
	"fmt"

	"github.com/hourbell/hourbell/internal/maintenance/moment"
)

// stageOf is the stage of a due state, 0 for those that ring nobody.
func stageOf(d DueState) Stage {
	if d < DueSoon {
		return 0
	}
	return Stage(d - DueSoon + 1)
}

// ring raises or withdraws a task's notices after its due state. Each stage
// rings once a cycle; of several crossed at once only the highest does. Where an
// edition, a record or an answer takes the state back, the notice of what it is
// now stands again, and so does the other once it comes about in earnest.
func (t *step) ring(i int) {
	task := &t.s.Tasks[i]
	stage, gone := stageOf(task.State), "it is no longer so"
	if p := task.putOff(); t.s.Chart.Tasks[i].Soft {
		stage, gone = 0, "the task rings nobody"
	} else if p != nil && stage > 0 {
		stage, gone = 0, p.words()
	}
	if stage == task.Rung {
		return
	}
	if stage > task.Rung {
		t.closeNotices(task.ID, stage-1, "a later stage has come")
	} else {
		t.closeAbove(task.ID, stage, gone)
	}
	if stage > 0 {
		t.raise(Notice{ID: NoticeIDFor(t.s.Machine.Machine, task.ID, task.Cycle, stage),
			Task: task.ID, Cycle: task.Cycle, Stage: stage, Raised: task.Since, By: task.By})
	}
	task.Rung = stage
}

// raise adds a notice, or lets one that was withdrawn stand again.
func (t *step) raise(n Notice) {
	s := t.s
	n.Revision = s.Revision
	if i := s.noticeIndex(n.ID); i >= 0 {
		if s.Notices[i].Withdrawn.IsZero() {
			return
		}
		s.work.closed--
		n.Fates = s.Notices[i].Fates
		s.Notices[i] = n
		t.fx = append(t.fx, Effect{Kind: EffectNoticeRaised, Index: i, Notice: n.ID, Why: "again"})
		return
	}
	s.Notices = append(s.Notices, n)
	t.fx = append(t.fx, Effect{Kind: EffectNoticeRaised, Index: len(s.Notices) - 1, Notice: n.ID})
}

// closeNotices closes a task's open notices up to a stage, closeAbove those
// beyond one.
func (t *step) closeNotices(task string, upTo Stage, how string) {
	for i := range t.s.Notices {
		if n := &t.s.Notices[i]; n.Task == task && n.Doubt.IsZero() && n.Stage <= upTo {
			t.closeNotice(i, how)
		}
	}
}

func (t *step) closeAbove(task string, stage Stage, how string) {
	for i := range t.s.Notices {
		if n := &t.s.Notices[i]; n.Task == task && n.Doubt.IsZero() && n.Stage > stage {
			t.closeNotice(i, how)
		}
	}
}

func (t *step) closeNotice(i int, how string) {
	n := &t.s.Notices[i]
	if !n.Withdrawn.IsZero() {
		return
	}
	n.Withdrawn, n.How, n.Waiting = t.e.Key, how, false
	t.s.work.closed++
	t.fx = append(t.fx, Effect{Kind: EffectNoticeWithdrawn, Index: i, Notice: n.ID, Why: how})
}

// noticeIndex returns the index of a notice, -1 where it is not kept.
func (s *State) noticeIndex(id NoticeID) int {
	for i := len(s.Notices) - 1; i >= 0; i-- {
		if s.Notices[i].ID == id {
			return i
		}
	}
	return -1
}

// noticeAnswer keeps a person's word on a notice.
func (t *step) noticeAnswer(b *NoticeAnswer) {
	s := t.s
	i := s.noticeIndex(b.Notice)
	if i < 0 || !s.Notices[i].Withdrawn.IsZero() {
		t.ignore(fmt.Sprintf("notice %v is not open", b.Notice))
		return
	}
	n := &s.Notices[i]
	n.Word, n.Person = b.Word, b.Person
	n.Waiting, n.LaterAt, n.LaterOn = b.Word == NoticeLater, 0, ""
	if m := s.laterMeter(n); n.Waiting && b.Later > 0 && m >= 0 {
		n.LaterOn, n.LaterAt = s.Meters[m].ID, s.Meters[m].Total+b.Later
	}
	t.fx = append(t.fx, Effect{Kind: EffectNoticeAnswered, Index: i, Notice: n.ID})
	s.thresholds()
}

// laterMeter is the meter whose running hours a later counts: that of the limb
// that decides the task, that of the doubt, or the machine's first.
func (s *State) laterMeter(n *Notice) int {
	if d := s.doubtIndex(n.Doubt); d >= 0 {
		if m := s.meterIndex(s.Doubts[d].Meter); m >= 0 {
			return m
		}
	}
	if i := s.taskIndex(n.Task); i >= 0 {
		if m := s.meterIndex(s.limbMeter(i, s.Tasks[i].Limb)); m >= 0 {
			return m
		}
	}
	return len(s.Meters[:min(len(s.Meters), 1)]) - 1
}

// ringLater rings the notices whose running hours are over, once each.
func (t *step) ringLater() {
	for i := range t.s.Notices {
		n := &t.s.Notices[i]
		if !n.Waiting || n.LaterAt == 0 || !n.Withdrawn.IsZero() {
			continue
		}
		if m := t.s.meterIndex(n.LaterOn); m >= 0 && t.s.Meters[m].Total >= n.LaterAt {
			t.ringAgain(i, "later is over")
		}
	}
}

// ringHalt rings the notices that were put off to the next halt.
func (t *step) ringHalt() {
	for i := range t.s.Notices {
		if n := &t.s.Notices[i]; n.Waiting && n.LaterAt == 0 && n.Withdrawn.IsZero() {
			t.ringAgain(i, "the halt has come")
		}
	}
}

func (t *step) ringAgain(i int, why string) {
	n := &t.s.Notices[i]
	n.Waiting = false
	t.fx = append(t.fx, Effect{Kind: EffectNoticeRaised, Index: i, Notice: n.ID, Why: why})
}

// noticeFate keeps what became of a delivery, the last word a channel.
func (t *step) noticeFate(b *NoticeFate) {
	i := t.s.noticeIndex(b.Notice)
	if i < 0 {
		t.ignore(fmt.Sprintf("notice %v is not kept any more", b.Notice))
		return
	}
	n := &t.s.Notices[i]
	fate := NoticeFateAt{Channel: b.Channel, Word: b.Word, At: instantOf(t.e)}
	for j := range n.Fates {
		if n.Fates[j].Channel == b.Channel {
			n.Fates[j] = fate
			return
		}
	}
	n.Fates = appendBounded(n.Fates, fate, FatesKept)
}

// instantOf is the latest instant that an event may be from, or when it became
// known.
func instantOf(e *Event) moment.Instant {
	if e.At.NotAfter != 0 {
		return e.At.NotAfter
	}
	return e.Known
}
