package seglog

import "fmt"

// Damage is a span of records that can't be read. From == To when only
// bookkeeping bytes (a mark, a header) were hit and no record is missing.
type Damage struct {
	Segment  uint64 // first index of the segment
	From, To uint64 // records [From, To) are gone
	Offset   int64  // where in the file the bad bytes begin
	Bytes    int64  // how many they are
	Reason   string
}

func (d Damage) String() string {
	return fmt.Sprintf("records [%d, %d): %d bytes at %d of segment %d: %s", d.From, d.To, d.Bytes, d.Offset, d.Segment, d.Reason)
}

// Torn is what Open cut off the end of the last segment.
type Torn struct {
	Segment uint64 // first index of the segment
	Index   uint64 // of the first record cut
	Bytes   int64  // cut, without the zeros behind
	Reason  string
	Kept    string // name of the side file; empty when it could not be kept, see KeepErr
	KeepErr error
}

// Recovery says what Open found.
type Recovery struct {
	First, Next uint64   // records [First, Next) are there
	Torn        *Torn    // nil if the end was clean
	Damaged     []Damage // in the last segment and in headers; the sealed ones are read when asked (Verify)
	Leftovers   int      // unfinished files removed
}

// Clean reports that nothing was cut and nothing found damaged.
func (r Recovery) Clean() bool { return r.Torn == nil && len(r.Damaged) == 0 }

// SegmentInfo describes one segment.
type SegmentInfo struct {
	First, Next uint64 // records [First, Next)
	Bytes       int64  // size of the file
	Sealed      bool
	Codec       string // empty for a plain segment
}
