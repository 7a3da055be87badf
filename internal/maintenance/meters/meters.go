// Package meters tells whether a reading of an hour meter can be right.
//
// A meter that counts true can't fall, and can't advance by more than the time
// that passed. Two readings at uncertain times are judged by the placement that
// suits them best: a reading is taken if some instant within its span satisfies
// every neighbour.
package meters

import (
	"github.com/hourbell/hourbell/internal/maintenance/hours"
	"github.com/hourbell/hourbell/internal/maintenance/moment"
)

// Slack is the stated tolerance between two readings beside the coarser of
// their resolutions: 0.1 h. It covers clocks that were set between them, a
// display read a little late and a group that is broadcast once a minute.
const Slack = hours.Hour / 10

// Tolerance is how far two readings may differ and still agree, and by how much
// an advance may exceed the time that passed: Slack and the coarser resolution.
func Tolerance(a, b hours.Millis) hours.Millis { return Slack + max(a, b, 0) }

// Window is what is left of a reading's span when neighbours have had their say.
type Window struct{ Lo, Hi moment.Instant }

// Over returns the window of a span that nothing narrows yet.
func Over(s moment.Span) Window { return Window{Lo: s.Lo(), Hi: s.Hi()} }

// Open reports whether an instant is left.
func (w Window) Open() bool { return w.Lo <= w.Hi }

// Against narrows the window of a reading that showed shown by a neighbour that
// showed near at some time in the span at. Where they differ by more than the
// tolerance the lower one came first, and at least the difference less the
// tolerance lies between them.
func (w *Window) Against(shown, near hours.Millis, at moment.Span, tolerance hours.Millis) {
	if ahead := shown - near - tolerance; ahead > 0 {
		w.Lo = max(w.Lo, at.Lo().Add(ahead))
	}
	if behind := near - shown - tolerance; behind > 0 {
		w.Hi = min(w.Hi, at.Hi().Add(-behind))
	}
}
