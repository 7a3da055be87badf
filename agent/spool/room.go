package spool

import (
	"errors"
	"fmt"
	"log/slog"
	"syscall"

	"github.com/hourbell/hourbell/internal/seglog"
)

// reserveEvery is after how many appends a missing reserve is tried again.
const reserveEvery = 32

// total is the bytes of all files.
func (s *Spool) total() int64 { return s.log.Size() + s.files.used() + smallRoom }

// fits reports whether extra bytes for good, and then the new form of anything
// beside its old one, stay within MaxBytes.
func (s *Spool) fits(extra int64) bool {
	return s.total()+extra+s.opts.slack()+metaRoom <= s.opts.MaxBytes
}

// makeRoom makes room for one more segment, or in the active one for need bytes.
// Records may take the reserve's.
func (s *Spool) makeRoom(events []Event, need int64) error {
	for !s.fits(s.opts.segment()) && need > s.log.Room() {
		ok, err := s.freeMore()
		if err == nil && !ok && onlyRecords(events) {
			ok, err = s.takeReserve()
		}
		if err != nil {
			return err
		}
		if !ok {
			return s.full(false)
		}
	}
	return s.untighten(events)
}

// freeDisk makes room on a full disk. What comes free makes good the reserve first.
func (s *Spool) freeDisk(events []Event) error {
	ok, err := s.freeMore()
	for ok && err == nil && !s.restoreReserve() {
		ok, err = s.freeMore()
	}
	if err == nil && !ok && onlyRecords(events) {
		ok, err = s.takeReserve()
	}
	switch {
	case err != nil:
		return s.failed("make room on a full disk", err)
	case !ok && onlyRecords(events) && s.sealed:
		s.sealed = false // the active segment has room now
	case !ok && len(events) > 0:
		return s.full(true)
	}
	return nil
}

// freeMore is free and, when that is at its end, sealing the active segment so that
// it can be thinned as well.
func (s *Spool) freeMore() (bool, error) {
	if ok, err := s.free(); ok || err != nil {
		return ok, err
	}
	return s.sealActive()
}

// sealActive seals the active segment if enough of it can go. The new one takes the
// reserve's place until room is found for both.
func (s *Spool) sealActive() (bool, error) {
	last := len(s.v.segs) - 1
	pl, err := s.plan(last, s.log.Next(), stageAll)
	if errors.Is(err, errSkip) || err == nil && int64(pl.gain) < s.opts.segment()/16 {
		return false, nil
	}
	if err != nil {
		return false, fmt.Errorf("look for what can go: %w", err)
	}
	if ok, err := s.takeReserve(); !ok || err != nil {
		return false, err
	}
	if err := s.rotate(); err != nil {
		if errors.Is(err, syscall.ENOSPC) {
			err = s.reopen()
		}
		return false, err
	}
	s.sealed = true
	return true, nil
}

func (s *Spool) full(disk bool) error {
	return &FullError{Dir: s.dir, Used: s.total(), Max: s.opts.MaxBytes, Unacked: s.v.tail.seq - s.v.acked.st.seq, Disk: disk}
}

func onlyRecords(events []Event) bool {
	for _, e := range events {
		if e.Class != Record {
			return false
		}
	}
	return true
}

// free does the next thing that gives room, in the order of the package's doc;
// false when there is none left.
func (s *Spool) free() (bool, error) {
	for _, way := range []func() (bool, error){s.trimAcked, s.thin, s.dropSetAside} {
		ok, err := way()
		if errors.Is(err, syscall.ENOSPC) && !errors.Is(err, seglog.ErrBroken) {
			continue // not even room to make the new form
		}
		if ok || err != nil {
			s.freed = s.freed || ok
			return ok, err
		}
	}
	return false, nil
}

// trimAcked drops the oldest segment if all of it is acknowledged.
func (s *Spool) trimAcked() (bool, error) {
	if len(s.v.segs) < 2 || s.v.segs[1].first > s.v.acked.index {
		return false, nil
	}
	n, err := s.log.TrimBefore(s.v.segs[1].first)
	if err != nil {
		return false, fmt.Errorf("trim: %w", err)
	}
	if n > 0 {
		delete(s.progress, s.v.segs[0].first)
		s.update(func(v *view) { v.segs = v.segs[n:] })
	}
	return n > 0, nil
}

func (s *Spool) dropSetAside() (bool, error) {
	n, err := s.log.DropSetAside()
	return n > 0, err
}

// takeReserve gives the reserve's room to records.
func (s *Spool) takeReserve() (bool, error) {
	ok, err := s.files.dropReserve()
	if ok {
		s.tight = true
		s.opts.Log.Warn("spool gives its reserve to records", slog.String("dir", s.dir))
	}
	return ok, err
}

// untighten refuses all but records while the reserve is out.
func (s *Spool) untighten(events []Event) error {
	if !s.tight || onlyRecords(events) {
		return nil
	}
	for !s.restoreReserve() {
		ok, err := s.freeMore()
		if err != nil {
			return s.failed("append: make room", err)
		}
		if !ok {
			return s.full(s.fits(s.opts.reserve()))
		}
	}
	return nil
}

// restoreReserve makes the reserve again if there is room.
func (s *Spool) restoreReserve() bool {
	if _, ok := s.files.sizes[reserveFile]; ok {
		return true
	}
	s.appends, s.freed = 0, false
	s.tight = true
	if !s.fits(s.opts.reserve()) {
		return false
	}
	if err := s.files.makeReserve(s.opts.reserve()); err != nil {
		s.opts.Log.Warn("spool has no reserve", slog.Any("err", err))
		return false
	}
	s.tight = false
	return true
}

// restoreReserveNow is restoreReserve now and then.
func (s *Spool) restoreReserveNow() {
	if s.broken != nil {
		return
	}
	if s.appends++; s.freed || s.appends >= reserveEvery {
		tight := s.tight
		if !s.restoreReserve() {
			s.tight = tight
		}
		s.appends, s.freed = 0, false
	}
}

// withRoom does something that needs a little room, and makes some if the disk is
// full. The reserve may be used up by it.
func (s *Spool) withRoom(do func() error) error {
	for {
		err := do()
		if !errors.Is(err, syscall.ENOSPC) || errors.Is(err, ErrFull) {
			return err
		}
		ok, ferr := s.free()
		if ferr == nil && !ok {
			ok, ferr = s.files.dropReserve()
		}
		if ferr != nil {
			return ferr
		}
		if !ok {
			return s.full(true)
		}
	}
}
