package demo

import (
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"time"

	"github.com/hourbell/hourbell/agent/cab"
	"github.com/hourbell/hourbell/internal/combinesim"
	pb "github.com/hourbell/hourbell/proto/hourbell/v1"
)

// ready is a box on its way to its first connection.
type ready struct {
	name     string
	up, gone <-chan struct{}
}

// startBox puts a box into a machine, with a token got for it.
func (s *shift) startBox(ctx context.Context, stop context.CancelCauseFunc, k *known) error {
	a, err := pb.NewFleetServiceClient(s.conn).CreateEnrolment(ctx, &pb.CreateEnrolmentRequest{Parent: "machines/" + k.story.ID})
	if err != nil {
		return fmt.Errorf("get a token for %s: %w", k.story.Name, err)
	}
	spec := s.spec(k)
	spec.Token, spec.Address, spec.Fingerprint = a.Token, a.Address, a.Fingerprint
	if k.story.Part == combinesim.AgentKilled {
		return s.startChild(ctx, spec)
	}
	w := s.pace.join(k.story.Name)
	b, err := newBox(spec, w, s.links[k.story.ID], s.log)
	if err != nil {
		return err
	}
	if s.o.mute != nil {
		b.ear.deaf = func(at time.Time) bool { return s.o.mute(k.story.ID, at) }
	}
	b.rang = func(bell cab.Bell) { s.board.cabRang(k, bell) }
	gone := make(chan struct{})
	s.waiting = append(s.waiting, ready{k.story.Name, b.up, gone})
	s.boxes.Go(func() error {
		defer close(gone)
		defer w.leave()
		err := b.run(ctx)
		if err != nil {
			stop(err)
		}
		return err
	})
	return nil
}

func (s *shift) spec(k *known) boxSpec {
	return boxSpec{Machine: k.story.ID, Seed: s.o.Seed, Start: s.o.Start, From: s.pace.Now(), Dir: filepath.Join(s.dir, "agents", k.story.ID)}
}

func (s *shift) startChild(ctx context.Context, spec boxSpec) error {
	cmd, err := s.o.Child(ctx)
	if err != nil {
		return fmt.Errorf("start the agent of %s: %w", spec.Machine, err)
	}
	log, err := os.OpenFile(filepath.Join(s.dir, spec.Machine+".log"), os.O_CREATE|os.O_WRONLY|os.O_APPEND, 0o600)
	if err != nil {
		return fmt.Errorf("make the log of %s: %w", spec.Machine, err)
	}
	cmd.Stderr = log
	s.child, err = startChild(ctx, cmd, spec, s.pace)
	if err = errors.Join(err, log.Close()); err != nil {
		return err
	}
	s.waiting = append(s.waiting, ready{spec.Machine, s.child.up, s.child.gone})
	return nil
}

// allUp waits until every box started is connected and knows its machine. The
// shift's clock stands meanwhile.
func (s *shift) allUp(ctx context.Context) error {
	for _, r := range s.waiting {
		select {
		case <-r.up:
		case <-r.gone:
			return fmt.Errorf("the agent of %s ended before it was connected", r.name)
		case <-ctx.Done():
			return context.Cause(ctx)
		case <-time.After(patience):
			return fmt.Errorf("the agent of %s is not connected after %v", r.name, patience)
		}
	}
	s.waiting = nil
	return nil
}

// allIn waits until every agent has had all of its shift acknowledged.
func (s *shift) allIn(ctx context.Context) error {
	done := make(chan error, 1)
	go func() {
		err := s.boxes.Wait()
		<-s.child.gone
		done <- errors.Join(err, s.child.err)
	}()
	select {
	case err := <-done:
		return err
	case <-ctx.Done():
		return context.Cause(ctx)
	case <-time.After(patience):
		return fmt.Errorf("not all of the shift was acknowledged %v after its end", patience)
	}
}

// stopBoxes ends what still runs. Whoever stopped the shift has said why.
func (s *shift) stopBoxes(stop context.CancelCauseFunc) {
	stop(nil)
	if s.child != nil {
		_ = s.child.end()
	}
	_ = s.boxes.Wait()
}
