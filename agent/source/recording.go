package source

import (
	"context"
	"errors"
	"fmt"
	"io"
	"time"

	"github.com/hourbell/hourbell/internal/canlog"
)

// Recording reads a candump recording, in the log form or the screen form.
type Recording struct {
	name   string
	file   io.Closer
	reader *canlog.Reader
	opts   RecordingOptions

	frame   canlog.Frame
	begun   bool
	lost    uint64
	ended   error
	started time.Time
	first   int64
	pending bool
	trouble error
}

// RecordingOptions says how a recording is read.
type RecordingOptions struct {
	// Start is when it began. It is needed where the recording's own times don't
	// tell, and refused where they do.
	Start time.Time
	// Interface takes one interface's frames only, "" every one's.
	Interface string
	// Speed paces it: 1 as it was recorded, 60 a minute in a second, 0 as fast
	// as it is read.
	Speed float64
}

// NewRecording reads from src, which it closes. name is for errors.
func NewRecording(name string, src io.ReadCloser, opts RecordingOptions) *Recording {
	read := canlog.Options{Absolute: true}
	if !opts.Start.IsZero() {
		read.Start = opts.Start.UnixNano()
	}
	return &Recording{name: name, file: src, reader: canlog.NewReader(src, read), opts: opts}
}

// Read implements Source.
func (r *Recording) Read(ctx context.Context, dst []Frame) (n int, lost uint64, err error) {
	for n < len(dst) {
		if err := r.fill(); err != nil {
			if n > 0 {
				r.ended = err
				break
			}
			return 0, r.takeLost(), err
		}
		at := r.frame.At
		wait := r.wait(at)
		if wait > 0 && n > 0 {
			break
		}
		if wait > 0 {
			return r.pause(ctx, min(max(wait, gather), time.Second))
		}
		r.pending = false
		dst[n] = Frame{At: at, ID: r.frame.ID, Len: uint8(len(r.frame.Payload()))}
		copy(dst[n].Data[:], r.frame.Payload())
		n++
	}
	return n, r.takeLost(), ctx.Err()
}

// fill has the next J1939 frame in r.frame.
func (r *Recording) fill() error {
	for !r.pending {
		if r.ended != nil {
			return r.ended
		}
		err := r.reader.Read(&r.frame)
		if errors.Is(err, io.EOF) {
			return ErrEnd
		}
		if _, ok := errors.AsType[*canlog.LineError](err); ok {
			// One torn line is no reason to lose the rest; it is counted and said.
			if r.trouble == nil {
				r.trouble = fmt.Errorf("the recording %s: %w", r.name, err)
			}
			continue
		}
		if errors.Is(err, canlog.ErrNoStart) {
			return fmt.Errorf("read the recording %s: %w, as in --start 2031-07-02T13:40:00Z", r.name, err)
		}
		if err != nil {
			return fmt.Errorf("read the recording %s: %w", r.name, err)
		}
		if err := r.begin(); err != nil {
			return err
		}
		f := &r.frame
		if !f.Extended || f.Remote || f.Error || f.FD {
			continue
		}
		if r.opts.Interface != "" && f.Iface.String() != r.opts.Interface {
			continue
		}
		r.pending = true
	}
	return nil
}

// begin judges the recording's times by its first frame.
func (r *Recording) begin() error {
	if r.begun {
		return nil
	}
	r.begun = true
	if r.reader.Stamps() == canlog.StampsAbsolute && !r.opts.Start.IsZero() {
		return fmt.Errorf("read the recording %s: its times are its own (it begins %s), so no start can be given", r.name, time.Unix(0, r.frame.At).UTC().Format(time.RFC3339))
	}
	r.first = r.frame.At
	r.started = time.Now()
	return nil
}

func (r *Recording) wait(at int64) time.Duration {
	if r.opts.Speed <= 0 {
		return 0
	}
	due := r.started.Add(time.Duration(float64(at-r.first) / r.opts.Speed))
	return time.Until(due)
}

func (r *Recording) pause(ctx context.Context, d time.Duration) (int, uint64, error) {
	select {
	case <-ctx.Done():
		return 0, 0, ctx.Err()
	case <-time.After(d):
		return 0, r.takeLost(), nil
	}
}

func (r *Recording) takeLost() uint64 {
	all := r.reader.Counts().Lost
	n := all - r.lost
	r.lost = all
	return n
}

// Counts is what was read of the recording so far.
func (r *Recording) Counts() canlog.Counts { return r.reader.Counts() }

// Trouble is the first line that could not be read, nil where all could.
func (r *Recording) Trouble() error { return r.trouble }

// Close closes the file.
func (r *Recording) Close() error { return r.file.Close() }
