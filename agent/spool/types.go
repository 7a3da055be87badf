package spool

import (
	"time"

	"github.com/hourbell/hourbell/internal/spoolhash"
)

// Class says what an event may suffer when room runs out.
type Class uint8

// The classes.
const (
	Reading Class = 1 // absolute, so most of them can go
	Keep    Class = 2 // warnings, identity, minutes of a drive: goes after the readings
	Record  Class = 3 // a person's: never goes before it is acknowledged
)

func (c Class) String() string {
	switch c {
	case Reading:
		return "reading"
	case Keep:
		return "keep"
	case Record:
		return "record"
	}
	return "unknown class"
}

// Event is what is appended.
type Event struct {
	Class Class
	// Key tells readings of one thing (a meter) from those of another: each is
	// thinned by itself. Opaque here.
	Key     uint16
	Payload []byte
}

// Item is an event read, or a gap.
type Item struct {
	Seq     uint64 // of the event; of a gap its first
	Class   Class  // 0 for a gap
	Key     uint16
	At      time.Time // when it was appended, by Options.Now
	Payload []byte
	Gap     *Gap // not nil: no event, but a stretch that is no longer there
}

// Gap is a stretch of sequence numbers without events.
type Gap struct {
	From, To                 uint64         // [From, To)
	Hash                     spoolhash.Hash // H(To-1): the chain goes on from it
	Readings, Keeps, Records uint64         // what was dropped; records only after they were acknowledged
	Lost                     uint64         // damaged on the disk
}

// Batch is what a read gives.
type Batch struct {
	Epoch spoolhash.Epoch
	Items []Item
	Last  uint64         // sequence number up to which Items go; one below the first asked for when empty
	Hash  spoolhash.Hash // H(Last)
}

// EpochInfo tells of one epoch.
type EpochInfo struct {
	ID      spoolhash.Epoch
	Ordinal uint64 // 1 for the first
	Reason  string // why it was begun
	At      time.Time
	Carried uint64 // events carried over into it from the one before
	Lost    uint64 // records that were damaged when it began

	// Of an epoch that has ended.
	Ended bool
	Last  uint64
	Hash  spoolhash.Hash // H(Last)
	Acked uint64
}

// Recovery says what Open found.
type Recovery struct {
	Torn     int64    // bytes of unsynced events cut off after a crash
	Damaged  uint64   // records whose bytes rotted, of those not acknowledged
	SetAside []string // meta and state files set aside
	NewEpoch string   // why a new epoch had to be begun; empty if none
}

// Clean reports that nothing was amiss. A torn end after a crash is amiss only in
// that somebody pulled the plug; nothing durable is lost by it.
func (r Recovery) Clean() bool {
	return r.Torn == 0 && r.Damaged == 0 && len(r.SetAside) == 0 && r.NewEpoch == ""
}

// Stats are figures for metrics and pages.
type Stats struct {
	Bytes, MaxBytes  int64
	Segments         int
	First            uint64 // the first event of the epoch still kept, or a gap's
	Last, Acked      uint64
	ThinnedReadings  uint64 // since Open
	ThinnedKeeps     uint64 // since Open
	Tight            bool   // only records are taken
	ReserveAvailable bool
}
