package office

import (
	"github.com/hourbell/hourbell/internal/maintenance/civil"
	"github.com/hourbell/hourbell/internal/maintenance/moment"
)

// Part is a person's part in the trade, "" where none was said. Records carry
// it, so the words never change.
type Part string

// The parts.
const (
	Operator   Part = "operator"
	Technician Part = "technician"
	Dealer     Part = "dealer"
)

// Crew is people who work machines together.
type Crew struct {
	ID, Customer, Display string
	Members               []string // pseudonyms, in order
}

// EveryDay is a shift's Days where it begins on each day of the week.
const EveryDay uint8 = 0x7f

// Shift is when a crew works, or people at a site.
type Shift struct {
	ID         string
	Crew, Site string // one of the two
	// From and To are minutes after the site's local midnight, 0..1439. A shift
	// that ends before it begins ends on the next day.
	From, To uint16
	Days     uint8 // on which it begins: bit 0 Monday to bit 6 Sunday
	Quiet    bool  // nothing but what can't wait rings
}

// SeasonWord is what a person said of a season: that it opens or closes on a day.
type SeasonWord struct {
	Site, Season, Crop string // Crop "": of whatever is grown
	Open               bool
	Date               civil.Date // None: what was said before is taken back
	Again              uint32     // how often the very same was said before; the office's to fill in
}

// Season is a season of one crop at one site as it was said last.
type Season struct {
	Site, Season, Crop string
	Opens, Closes      civil.Date // None: not said
}

// Attachment is a part that moves between machines and keeps its own hours.
type Attachment struct {
	ID, Customer, Display string
	Kind                  string // the id of an attachment in charts
	Machine               string // on which it is, "" none
}

// Moving is an attachment's way from one machine to another that was begun: both
// streams are to get their event.
type Moving struct {
	Attachment, From, To string // machines, "" none
	// Key is that of the events in both streams, At when it was moved.
	Key [16]byte
	At  moment.Span
	// Off and On are the events, serialised; Carries is as On, with what To's chart
	// does not have as well. Not to be changed.
	Off, On, Carries []byte
	Person           string // pseudonym
}

// HandingOver is a machine's way to another site that was begun: the registry
// has it, the machine's stream is to get its event.
type HandingOver struct {
	Machine, Customer, Site string
	Key                     [16]byte
	At                      moment.Instant
	Attachments             []string // that go with it
	Person                  string   // pseudonym
}
