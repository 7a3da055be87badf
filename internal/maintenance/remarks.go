package maintenance

import (
	"fmt"
	"slices"
	"strings"

	"github.com/hourbell/hourbell/internal/maintenance/civil"
	"github.com/hourbell/hourbell/internal/maintenance/moment"
)

// remark opens what a person found.
func (t *step) remark(b *Remark) {
	if f := t.s.suitsRemark(b); f != nil {
		t.ignore(f.text())
		return
	}
	t.openRemark(*b, t.e.Key, t.e.At)
}

// remarkWord takes in a person's word on a remark. Of words that come late only
// those count that are later than what they speak of was last told.
func (t *step) remarkWord(b *RemarkWord) {
	s := t.s
	if f := s.suitsRemarkWord(b); f != nil {
		t.ignore(f.text())
		return
	}
	i := s.remarkIndex(b.Remark)
	r := &s.Remarks[i]
	told := &r.Told
	if b.Act == RemarkChange {
		told = &r.Changed
	}
	if *told != (moment.Span{}) && t.e.At.Compare(*told) < 0 {
		t.ignore("a later word on the remark stands")
		return
	}
	*told = t.e.At
	switch b.Act {
	case RemarkClose:
		r.Closed, r.Record, r.How = t.e.Key, Key{}, b.Why
	case RemarkCarry:
		r.Carried = true
	case RemarkReopen:
		r.Closed, r.Record, r.How, r.Carried = Key{}, Key{}, "", false
	case RemarkChange:
		r.change(b)
	}
	t.effect(EffectRemark, i, b.Act.String())
}

func (r *RemarkSeen) change(b *RemarkWord) {
	if b.Verdict != 0 {
		r.Verdict = b.Verdict
	}
	if b.Part != "" {
		r.Part = b.Part
	}
	if b.DoBy != civil.None {
		r.DoBy = b.DoBy
	}
	// The list is copied: a clone shares it.
	pictures := copyOf(r.Pictures)
	for _, p := range b.Pictures {
		if len(pictures) < maxPictures && !slices.Contains(pictures, p) {
			pictures = append(pictures, p)
		}
	}
	r.Pictures = pictures
}

// String gives the act in the words that pages use.
func (a RemarkAct) String() string {
	switch a {
	case RemarkClose:
		return "closed"
	case RemarkChange:
		return "changed"
	case RemarkCarry:
		return "carried to the winter's work"
	case RemarkReopen:
		return "opened again"
	}
	return fmt.Sprintf("act %d", uint8(a))
}

// suitsRemark refuses a remark on what is not on the machine, and one more than
// are taken. A machine without a chart takes remarks on any place.
func (s *State) suitsRemark(b *Remark) *fault {
	if s.remarksOpen() >= RemarksOpen {
		return &fault{"remark", fmt.Sprintf("%d remarks are open on this machine, and no more are taken", RemarksOpen),
			"close those that are done, or carry several to one"}
	}
	if b.Task != "" && s.taskIndex(b.Task) < 0 {
		return &fault{"task", fmt.Sprintf("task %q is unknown on this machine", b.Task), "name a task of its chart, or the point"}
	}
	if s.Chart == nil {
		return nil
	}
	if b.Point != "" && s.Chart.point(b.Point) == nil {
		return &fault{"point", fmt.Sprintf("the chart has no point %q", b.Point), "name a point of the chart, or leave it out and say in words where it is"}
	}
	if names := s.Chart.remarkNames(); b.Name != "" && !slices.Contains(names, b.Name) {
		return &fault{"name", fmt.Sprintf("the chart has no remark %q", b.Name), "leave it out or use one of " + namesListed(names, 20)}
	}
	return nil
}

// remarkNames are the remarks that the chart's criteria open and its leads
// begin with, in the order of the alphabet.
func (c *Chart) remarkNames() []string {
	var out []string
	for i := range c.Tasks {
		for j := range c.Tasks[i].Else {
			if r := c.Tasks[i].Else[j].Remark; r != "" {
				out = append(out, r)
			}
		}
	}
	for i := range c.Leads {
		out = append(out, c.Leads[i].Remarks...)
	}
	slices.Sort(out)
	return slices.Compact(out)
}

func (s *State) suitsRemarkWord(b *RemarkWord) *fault {
	i := s.remarkIndex(b.Remark)
	if i < 0 {
		return &fault{"remark", fmt.Sprintf("remark %v is unknown on this machine", b.Remark), "name one of its remarks"}
	}
	r := &s.Remarks[i]
	open := r.Closed.IsZero()
	switch {
	case b.Act == RemarkReopen && open:
		return &fault{"act", "the remark is open", "nothing is left to do"}
	case b.Act == RemarkReopen && s.remarksOpen() >= RemarksOpen:
		return &fault{"act", fmt.Sprintf("%d remarks are open on this machine, and no more are taken", RemarksOpen), "close those that are done"}
	case b.Act == RemarkClose && !open:
		return &fault{"act", strings.TrimSuffix("the remark is closed already: "+r.How, ": "), "nothing is left to do"}
	case b.Act != RemarkReopen && !open:
		return &fault{"act", "the remark is closed", "open it again first"}
	case b.Act == RemarkCarry && r.Carried:
		return &fault{"act", "the remark is carried to the winter's work already", "nothing is left to do"}
	case b.Act == RemarkChange && b.Verdict == 0 && b.Part == "" && b.DoBy == civil.None && len(b.Pictures) == 0:
		return &fault{"act", "nothing of the remark changes", "give a verdict, the part wanted, a date or a picture"}
	}
	return nil
}
