package local

import (
	"github.com/hourbell/hourbell/internal/store"
)

// Stats is what a store says about itself.
type Stats struct {
	Streams int // with entries

	JournalBytes    int64 // all segments, and bytes set aside in its folder
	JournalSegments int
	JournalPacked   int    // of the segments
	JournalRecords  uint64 // synced since the store was made, those trimmed included
	JournalDamage   int    // damaged spans met so far

	FoldsBytes int64 // of the file
	FoldsUsed  int64 // of these, without free pages
	LagRecords int   // in the journal and not folded
	LagBytes   int64 // memory that they take
	Folds      uint64
	Waits      uint64 // times that Append waited for folding

	SetAside           int // folds set aside since the store was made
	Repaired           int // history blocks rebuilt from the journal
	DamagedCheckpoints int // met and not used

	Broken error // nil while the store works
}

type counts struct {
	folds, waits       uint64
	setAside, repaired int
	damagedCheckpoints int
}

// Stats says how the store is doing. It may be called on a closed store, and
// then gives what was last known.
func (s *Store) Stats() Stats {
	segments := s.log.Segments()
	_, damage := s.log.Damage()
	st := Stats{
		JournalBytes: s.log.Size(), JournalSegments: len(segments), JournalRecords: s.log.Synced() - 1,
		JournalDamage: damage,
	}
	st.FoldsBytes, st.FoldsUsed = s.folds.bytes()
	for _, g := range segments {
		if g.Codec != "" {
			st.JournalPacked++
		}
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	for _, x := range s.tail.streams {
		if x.head > 0 {
			st.Streams++
		}
	}
	st.LagRecords, st.LagBytes, st.Broken = s.tail.records, s.tail.bytes, s.broken
	st.Folds, st.Waits = s.counts.folds, s.counts.waits
	st.SetAside, st.Repaired, st.DamagedCheckpoints = s.counts.setAside, s.counts.repaired, s.counts.damagedCheckpoints
	return st
}

// Recovery is what Open found and did.
type Recovery struct {
	New bool // there was no store
	// Replayed are the records behind the position that the folds stood for.
	Replayed int
	// Rebuilt says that the folds were made anew from the whole journal.
	Rebuilt bool
	// SetAside says why folds were set aside; empty if none were.
	SetAside []string
	// Torn are the bytes cut off the journal's end: a write that a crash cut in half.
	Torn int64
	// Unread are journal records that were to be replayed and can't be read.
	Unread uint64
	// Lost are the revisions that are known to be among them, the first 256 spans.
	Lost []store.DamagedError
	// Renewed says why the incarnation was made anew; empty if it was not.
	Renewed []string
	// DroppedCheckpoints stood beyond the end of their streams.
	DroppedCheckpoints int
}

// Recovery says what Open found and did.
func (s *Store) Recovery() Recovery { return s.recovery }

// Restored reports whether the journal was found to be an older copy or to have
// lost records, so that the incarnation was made anew by this open.
func (s *Store) Restored() bool { return len(s.recovery.Renewed) > 0 }
