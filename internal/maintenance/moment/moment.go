// Package moment holds points in time as whole milliseconds and, where a time
// is not certain, the span in which it lies.
package moment

import (
	"cmp"

	"github.com/hourbell/hourbell/internal/maintenance/civil"
	"github.com/hourbell/hourbell/internal/maintenance/hours"
)

// Instant is a point in time: milliseconds since 1970-01-01T00:00:00Z, leap
// seconds not counted. Zero means that no time is known.
type Instant int64

// Latest is the last instant that is written: the end of the year 9999.
const Latest Instant = 253402300799999

// Ever and Never stand for the ends that an unknown time may have. They lie
// far outside the range of instants and leave room for sums.
const (
	Ever  Instant = -1 << 60
	Never Instant = 1 << 60
)

// Span says that something happened not before one instant and not after
// another. Both ends are the same where the time is certain. An end that is 0
// is not known.
type Span struct {
	NotBefore Instant
	NotAfter  Instant
}

// At returns the span of one certain instant.
func At(t Instant) Span { return Span{NotBefore: t, NotAfter: t} }

// Certain reports whether both ends are one known instant.
func (s Span) Certain() bool { return s.NotBefore == s.NotAfter && s.NotBefore != 0 }

// Lo is the earliest that s may be: Ever where that is not known.
func (s Span) Lo() Instant {
	if s.NotBefore == 0 {
		return Ever
	}
	return s.NotBefore
}

// Hi is the latest that s may be: Never where that is not known.
func (s Span) Hi() Instant {
	if s.NotAfter == 0 {
		return Never
	}
	return s.NotAfter
}

// Valid reports whether the ends are instants from 0 to Latest in order.
func (s Span) Valid() bool {
	return s.NotBefore >= 0 && s.NotBefore <= Latest && s.NotAfter >= 0 && s.NotAfter <= Latest && s.Lo() <= s.Hi()
}

// Before reports whether s certainly ended before o began.
func (s Span) Before(o Span) bool { return s.Hi() < o.Lo() }

// Compare orders spans totally: by the latest that each may be, then by the
// earliest. A span is so counted as late as it can be.
func (s Span) Compare(o Span) int {
	return cmp.Or(cmp.Compare(s.Hi(), o.Hi()), cmp.Compare(s.Lo(), o.Lo()))
}

// MinElapsed is the least time that can have passed from o to s, at least 0.
func (s Span) MinElapsed(o Span) hours.Millis {
	return hours.Millis(max(s.Lo()-o.Hi(), 0))
}

// MaxElapsed is the most time that can have passed from o to s; negative where
// s certainly came first.
func (s Span) MaxElapsed(o Span) hours.Millis { return hours.Millis(s.Hi() - o.Lo()) }

// Elapsed is the time from o to t; negative where t came first.
func (t Instant) Elapsed(o Instant) hours.Millis { return hours.Millis(t - o) }

// Add returns the instant d later.
func (t Instant) Add(d hours.Millis) Instant { return t + Instant(d) }

const dayMillis = 24 * 60 * 60 * 1000

// UTC splits an instant into its date and the milliseconds of the day, in
// universal time. The dates that intervals count are civil dates of the site
// and come with the day's turn; this one is for print only.
func (t Instant) UTC() (civil.Date, int) {
	d, ms := t/dayMillis, t%dayMillis
	if ms < 0 {
		d--
		ms += dayMillis
	}
	return civil.Date(d), int(ms)
}

// String gives 2031-07-14T18:05:09Z (RFC 3339, in universal time, cut off at
// the second), and "no time" where none is known.
func (t Instant) String() string {
	if t <= 0 || t > Latest {
		return "no time"
	}
	d, ms := t.UTC()
	b := append(d.Append(make([]byte, 0, 24)), 'T')
	sec := ms / 1000
	for i, n := range [3]int{sec / 3600, sec / 60 % 60, sec % 60} {
		if i > 0 {
			b = append(b, ':')
		}
		b = append(b, byte('0'+n/10), byte('0'+n%10))
	}
	return string(append(b, 'Z'))
}

// String gives the instant where it is certain, and otherwise both ends.
func (s Span) String() string {
	switch {
	case s.NotBefore == 0 && s.NotAfter == 0:
		return "no time"
	case s.NotBefore == s.NotAfter:
		return s.NotAfter.String()
	case s.NotBefore == 0:
		return "not after " + s.NotAfter.String()
	case s.NotAfter == 0:
		return "not before " + s.NotBefore.String()
	}
	return s.NotBefore.String() + " to " + s.NotAfter.String()
}
