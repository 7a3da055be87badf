package local

import (
	"fmt"
	"io"
	"log/slog"
	"time"

	"github.com/hourbell/hourbell/internal/seglog"
)

// Defaults of Options.
const (
	DefaultFoldBytes     = 16 << 20
	DefaultFoldAge       = 10 * time.Minute
	DefaultTailBytes     = 128 << 20
	DefaultMaxFoldsBytes = 64 << 30
)

// Options of a store. The zero value is usable.
type Options struct {
	// FS holds the journal and the small files beside it; default the operating
	// system's. The folds and what is set aside are always the operating system's.
	FS seglog.FS
	// SegmentBytes is the size at which a segment of the journal is sealed; default seglog's.
	SegmentBytes int64
	// FoldBytes of journal are folded in one commit, as soon as they are there; default 16 MiB.
	FoldBytes int64
	// FoldAge is how often what is there is folded, however little; default 10 minutes.
	FoldAge time.Duration
	// TailBytes is how much may wait to be folded, in memory, before Append waits;
	// default 128 MiB, at least twice FoldBytes.
	TailBytes int64
	// MaxFoldsBytes is the most that folds.bolt may grow to; default 64 GiB.
	MaxFoldsBytes int64
	// Logger is told what was set aside, rebuilt, found damaged; default none.
	Logger *slog.Logger
	// Now measures durations for Hooks; default time.Now.
	Now func() time.Time
	// Random makes incarnations; default crypto/rand.
	Random io.Reader
	// Hooks are called with what was measured.
	Hooks Hooks

	// unsynced spares tests the syncs of folds, which have no part in what they test.
	unsynced bool
}

// Hooks are called on the way of each operation, from several goroutines; they
// must be quick and may not call the store. Any may be nil.
type Hooks struct {
	// Appended: one call of Append, waiting for the sync included. Bytes are the records'.
	Appended func(d time.Duration, entries, bytes int)
	// Synced: one sync of the journal.
	Synced func(d time.Duration)
	// Folded: one commit of folds, of so many records and bytes of journal.
	Folded func(d time.Duration, records int, bytes int64)
}

func (o Options) withDefaults() (Options, error) {
	o.FoldBytes = orDefault(o.FoldBytes, DefaultFoldBytes)
	o.FoldAge = orDefault(o.FoldAge, DefaultFoldAge)
	o.TailBytes = orDefault(o.TailBytes, max(DefaultTailBytes, 2*o.FoldBytes))
	o.MaxFoldsBytes = orDefault(o.MaxFoldsBytes, DefaultMaxFoldsBytes)
	if o.FS == nil {
		o.FS = seglog.OS{}
	}
	if o.Logger == nil {
		o.Logger = slog.New(slog.DiscardHandler)
	}
	if o.Random == nil {
		o.Random = defaultRandom
	}
	if o.Now == nil {
		o.Now = time.Now
	}
	if o.FoldBytes < 0 || o.FoldAge < 0 || o.MaxFoldsBytes < 1<<20 || o.TailBytes < 2*o.FoldBytes {
		return o, fmt.Errorf("options: FoldBytes %d and FoldAge %v must be above 0, TailBytes %d at least twice FoldBytes, MaxFoldsBytes %d at least 1 MiB",
			o.FoldBytes, o.FoldAge, o.TailBytes, o.MaxFoldsBytes)
	}
	return o, nil
}

func orDefault[T comparable](v, def T) T {
	var zero T
	if v == zero {
		return def
	}
	return v
}
