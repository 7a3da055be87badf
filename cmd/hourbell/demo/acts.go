package demo

import (
	"context"
	"slices"
	"time"

	"github.com/hourbell/hourbell/internal/combinesim"
)

// deadFor is how long the killed agent is not there, by the machine's clock.
const deadFor = time.Minute

// act is a stage direction.
type act struct {
	at time.Time
	// sudden acts don't wait for the machines to come to the time.
	sudden bool
	do     func(context.Context) error
}

// perform does the acts whose time has come.
func (s *shift) perform(ctx context.Context, now time.Time) error {
	for len(s.acts) > 0 && !s.acts[0].at.After(now) {
		a := s.acts[0]
		s.acts = s.acts[1:]
		if !a.sudden {
			if err := s.pace.settle(ctx, now); err != nil {
				return err
			}
		}
		if err := a.do(ctx); err != nil {
			return err
		}
	}
	return nil
}

// direct writes the stage directions.
func (s *shift) direct() {
	for _, k := range s.crew {
		st := &k.story
		if st.NoSignalTo > 0 {
			s.add(st.NoSignalFrom, false, func(context.Context) error { return s.signal(k, false) })
			s.add(st.NoSignalTo, false, func(context.Context) error { return s.signal(k, true) })
		}
		for _, at := range st.KillAgentAt {
			s.add(at, true, func(context.Context) error { return s.kill(k) })
			s.add(at+deadFor, false, func(ctx context.Context) error { return s.revive(ctx, k) })
		}
		for _, w := range st.Written {
			s.add(w.At, false, func(ctx context.Context) error { return writeHours(ctx, s.conn, st.ID, w.Meter, w.MS) })
		}
	}
	slices.SortStableFunc(s.acts, func(a, b act) int { return a.at.Compare(b.at) })
}

func (s *shift) add(after time.Duration, sudden bool, do func(context.Context) error) {
	s.acts = append(s.acts, act{s.o.Start.Add(after), sudden, do})
}

// signal takes a machine's signal away or gives it back.
func (s *shift) signal(k *known, works bool) error {
	if l := s.links[k.story.ID]; works {
		l.lighten()
	} else {
		l.darken()
	}
	s.board.signal(k, works)
	return nil
}

// kill kills the child in the middle of its work.
func (s *shift) kill(k *known) error {
	from := s.child.walker.last()
	if err := s.child.kill(); err != nil {
		return err
	}
	k.dead = append(k.dead, combinesim.Span{FromNS: from.UnixNano()})
	s.board.killed(k)
	return nil
}

// revive starts the killed agent again in the same folder.
func (s *shift) revive(ctx context.Context, k *known) error {
	if err := s.startChild(ctx, s.spec(k)); err != nil {
		return err
	}
	if err := s.allUp(ctx); err != nil {
		return err
	}
	k.dead[len(k.dead)-1].ToNS = s.pace.Now().UnixNano()
	s.board.revived(k)
	return nil
}
