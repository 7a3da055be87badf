package maintenance

import (
	"fmt"
	"slices"
)

// The rule of thumb of a review: from so many conditions on, a greased point
// found dry so often suggests a shorter interval, and one found with old grease
// coming out so often, and never dry, a longer one or less grease.
// Common practice, no source.
const (
	ReviewFrom   = 20
	reviewDry    = 6
	reviewPurged = 10
)

// ReviewBasis is who says so of the rule of thumb.
const ReviewBasis = "common practice, no source"

// ReviewWord is what the conditions found suggest.
type ReviewWord uint8

// The words of a review.
const (
	ReviewMore    ReviewWord = 0 // too few conditions to say
	ReviewStays   ReviewWord = 1 // nothing speaks against the interval
	ReviewShorter ReviewWord = 2 // a shorter interval
	ReviewLonger  ReviewWord = 3 // a longer interval, or less grease
)

// ReviewOf is what the last conditions found at a task suggest. It changes
// nothing: a person changes the chart.
type ReviewOf struct {
	Task              string
	Seen              int // conditions looked at, at most ReviewFrom
	Dry, Fine, Purged int
	Needed            int // how many more are needed to say
	Word              ReviewWord
	Text              string
	Basis             string
}

// Review looks at the last ReviewFrom conditions in which a task's point was found
// that stand. It is false where the machine has no such task.
func Review(s *State, task string) (ReviewOf, bool) {
	if s.taskIndex(task) < 0 {
		return ReviewOf{}, false
	}
	var found []*FoundAt
	for i := range s.FoundAt {
		if f := &s.FoundAt[i]; f.Task == task && f.Void.IsZero() {
			found = append(found, f)
		}
	}
	slices.SortStableFunc(found, func(a, b *FoundAt) int {
		if c := a.At.Compare(b.At); c != 0 {
			return c
		}
		return a.Record.Compare(b.Record)
	})
	out := ReviewOf{Task: task, Basis: ReviewBasis}
	for _, f := range found[max(len(found)-ReviewFrom, 0):] {
		out.count(f.Word)
	}
	out.suggest()
	return out, true
}

func (r *ReviewOf) count(w FoundWord) {
	r.Seen++
	switch w {
	case FoundDry:
		r.Dry++
	case FoundFine:
		r.Fine++
	case FoundPurged:
		r.Purged++
	}
}

func (r *ReviewOf) suggest() {
	figures := fmt.Sprintf("of the last %d times it was found dry %d, fine %d, with old grease coming out %d", r.Seen, r.Dry, r.Fine, r.Purged)
	switch {
	case r.Seen < ReviewFrom:
		r.Needed = ReviewFrom - r.Seen
		r.Text = fmt.Sprintf("%d conditions as found are on record; %d more are needed to say anything", r.Seen, r.Needed)
	case r.Dry >= reviewDry:
		r.Word, r.Text = ReviewShorter, figures+"; a shorter interval may suit"
	case r.Purged >= reviewPurged && r.Dry == 0:
		r.Word, r.Text = ReviewLonger, figures+"; a longer interval or less grease may suit"
	default:
		r.Word, r.Text = ReviewStays, figures+"; nothing speaks against the interval"
	}
}
