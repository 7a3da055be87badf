package spool

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"log/slog"
)

// SaveState keeps a small piece of the agent's state under a name of 1 to 48 of
// a-z, 0-9, - and _, durably and whole. It stands beside the events: what must
// agree with an event carries that event's sequence number.
func (s *Spool) SaveState(ctx context.Context, name string, b []byte) error {
	s.wmu.Lock()
	defer s.wmu.Unlock()
	if err := s.usable(ctx); err != nil {
		return fmt.Errorf("save state %q: %w", name, err)
	}
	if !validName(name) {
		return fmt.Errorf("save state %q: the name must be 1 to %d of a-z, 0-9, - and _", name, maxStateName)
	}
	if len(b) > s.opts.MaxState() {
		return fmt.Errorf("save state %q: %w: %d bytes, at most %d in a spool of %d", name, ErrTooLarge, len(b), s.opts.MaxState(), s.opts.MaxBytes)
	}
	grow := int64(fileHead+len(b)) - s.files.sizes[name+stateSuffix]
	for grow > 0 && !s.fits(grow) {
		ok, err := s.free()
		if err != nil {
			return s.failed("save state: make room", err)
		}
		if !ok {
			return fmt.Errorf("save state %q: %w", name, s.full(false))
		}
	}
	err := s.withRoom(func() error { return s.files.put(name+stateSuffix, b) })
	if err != nil {
		return s.failed("save state", err)
	}
	return nil
}

// LoadState reads a state back. One never saved is fs.ErrNotExist. A damaged one is
// set aside and said as *StateError; after that it counts as never saved.
func (s *Spool) LoadState(name string) ([]byte, error) {
	s.wmu.Lock()
	defer s.wmu.Unlock()
	if s.closed {
		return nil, fmt.Errorf("load state %q: %w", name, ErrClosed)
	}
	if !validName(name) {
		return nil, fmt.Errorf("load state %q: %w", name, fs.ErrNotExist)
	}
	b, err := s.files.get(name + stateSuffix)
	var bad *StateError
	if errors.As(err, &bad) {
		s.recovery.SetAside = append(s.recovery.SetAside, bad.Kept)
		s.opts.Log.Warn("state damaged and set aside", slog.String("state", name), slog.String("kept", bad.Kept))
		return nil, bad
	}
	if err != nil {
		return nil, fmt.Errorf("load state %q: %w", name, err)
	}
	return b, nil
}
