package spool

import (
	"errors"
	"fmt"
	"io"
	"log/slog"
	"time"

	"github.com/hourbell/hourbell/internal/seglog"
)

// Limits and defaults.
const (
	DefaultMaxBytes   = 12 << 20
	MinMaxBytes       = 256 << 10
	DefaultMinSpacing = 10 * time.Minute

	minSegment = 8 << 10
	maxSegment = 1 << 20
	metaRoom   = 16 << 10 // for the meta files, and for a new form of one of them
	smallRoom  = 1 << 10  // lock file and the like
	maxEpochs  = 8
	maxReason  = 100 // bytes
)

// Options of a spool.
type Options struct {
	FS         seglog.FS        // default: the operating system's
	MaxBytes   int64            // of all files together, at every moment; default 12 MiB, at least 256 KiB
	MinSpacing time.Duration    // readings this far apart survive the first thinning; default 10 minutes
	Now        func() time.Time // required
	Rand       io.Reader        // for epoch ids; required
	Log        *slog.Logger     // required
}

func (o Options) withDefaults() Options {
	if o.FS == nil {
		o.FS = seglog.OS{}
	}
	if o.MaxBytes == 0 {
		o.MaxBytes = DefaultMaxBytes
	}
	if o.MinSpacing == 0 {
		o.MinSpacing = DefaultMinSpacing
	}
	return o
}

func (o Options) validate() error {
	switch {
	case o.MaxBytes < MinMaxBytes:
		return fmt.Errorf("largest size %d bytes: at least %d", o.MaxBytes, int64(MinMaxBytes))
	case o.MinSpacing < 0:
		return fmt.Errorf("least spacing %v is negative", o.MinSpacing)
	case o.Now == nil || o.Rand == nil || o.Log == nil:
		return errors.New("the options Now, Rand and Log must be given")
	}
	return nil
}

// segment is the size of a segment: small beside the whole, so that trimming and
// thinning work in small steps and their spare room is small.
func (o Options) segment() int64 { return min(max(o.MaxBytes/32, minSegment), maxSegment) }

// slack is the room kept free for the new form of whatever is being rewritten.
func (o Options) slack() int64 { return o.segment() + metaRoom }

// reserve is the size of the reserve file: what mending the log and beginning a new
// epoch need, or one more segment of records.
func (o Options) reserve() int64 { return o.slack() }

// MaxEvent is the largest payload in bytes.
func (o Options) MaxEvent() int { return int(o.withDefaults().segment() / 4) }

// MaxState is the largest state in bytes: its new form fits in the slack while the
// old one is still there.
func (o Options) MaxState() int { return int(o.withDefaults().segment()) - fileHead }
