package demo

import (
	"context"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"os"
	"path/filepath"
	"time"

	"golang.org/x/sync/errgroup"
	"google.golang.org/grpc"

	"github.com/hourbell/hourbell/internal/combinesim"
	"github.com/hourbell/hourbell/internal/store"
	"github.com/hourbell/hourbell/internal/store/local"
	"github.com/hourbell/hourbell/service"
)

// shift is one run of the demo.
type shift struct {
	o     Options
	dir   string
	log   *slog.Logger
	file  io.Closer // of the log
	pace  *pace
	crew  []*known
	links map[string]*link
	board *board

	app     *service.App
	people  Service
	conn    *grpc.ClientConn
	boxes   *errgroup.Group
	child   *child
	waiting []ready // for every box to be up
	acts    []act
	began   time.Time // by the computer's clock
	took    time.Duration
}

func newShift(o Options, dir string) (*shift, error) {
	file, err := os.OpenFile(filepath.Join(dir, "demo.log"), os.O_CREATE|os.O_WRONLY|os.O_APPEND, 0o600)
	if err != nil {
		return nil, fmt.Errorf("make the log: %w", err)
	}
	s := &shift{o: o, dir: dir, file: file, log: slog.New(slog.NewTextHandler(file, nil)), pace: newPace(o.Start, leadAt(o.Factor)), links: map[string]*link{}}
	for _, story := range combinesim.Crew(o.Start, o.Seed) {
		k, err := newKnown(story, o.Start)
		if err != nil {
			return nil, errors.Join(err, file.Close())
		}
		s.crew = append(s.crew, k)
		s.links[story.ID] = newLink()
	}
	s.board = newBoard(s)
	return s, nil
}

func leadAt(factor float64) time.Duration {
	if factor == 0 {
		return leadFast
	}
	return lead
}

// run plays the shift from the first door to the last.
func (s *shift) run(ctx context.Context) (err error) {
	defer func() { err = errors.Join(err, s.file.Close()) }()
	if err := s.open(ctx); err != nil {
		return err
	}
	serving, stopServing := context.WithCancel(context.WithoutCancel(ctx))
	ctx, fail := context.WithCancelCause(ctx)
	served := make(chan error, 1)
	go func() {
		err := s.app.Run(serving)
		fail(err) // before its time: nothing can go on
		served <- err
	}()
	defer func() {
		stopServing()
		err = errors.Join(err, <-served)
	}()
	if s.conn, err = s.o.Connect(s.people); err != nil {
		return err
	}
	defer func() { err = errors.Join(err, s.conn.Close()) }()
	return s.play(ctx)
}

// play is what happens while the service serves.
func (s *shift) play(ctx context.Context) error {
	if err := setUp(ctx, s.conn, s.crew); err != nil {
		return err
	}
	if err := s.board.begin(ctx, s.conn); err != nil {
		return err
	}
	err := s.drive(ctx)
	s.board.end()
	if err != nil {
		return err
	}
	if err := s.conclude(ctx); err != nil {
		return err
	}
	if !s.o.Stay {
		return nil
	}
	s.pace.runFree()
	if err := s.invite(); err != nil {
		return err
	}
	<-ctx.Done()
	return nil
}

// open starts the service on loopback.
func (s *shift) open(ctx context.Context) (err error) {
	data := filepath.Join(s.dir, "service")
	var opened *local.Store
	s.app, err = service.New(ctx, service.Options{
		Data: data, PeopleAddr: "127.0.0.1:0", AgentsAddr: "127.0.0.1:0", EnrolAddr: "127.0.0.1:0", MetricsAddr: "127.0.0.1:0",
		Version: s.o.Version, Log: s.log, Now: s.pace.Now,
		OpenStore: func(context.Context) (store.Store, error) {
			opened, err = local.Open(filepath.Join(data, "store"), local.Options{Logger: s.log.With("part", "store")})
			return opened, err
		},
		JournalBytes: func() int64 { return opened.Stats().JournalBytes },
	})
	if err != nil {
		return err
	}
	s.people = Service{Address: s.app.Addresses().People, Fingerprint: s.app.Fingerprint(), TokenFile: s.app.First().TokenFile}
	return nil
}

// drive starts the boxes, plays the shift and waits until all is acknowledged.
func (s *shift) drive(ctx context.Context) error {
	ctx, stop := context.WithCancelCause(ctx) // an agent that fails stops the shift
	s.boxes = &errgroup.Group{}
	defer s.stopBoxes(stop)
	for _, k := range s.crew {
		if k.story.HasBus() {
			if err := s.startBox(ctx, stop, k); err != nil {
				return err
			}
		}
	}
	if err := s.allUp(ctx); err != nil {
		return err
	}
	s.direct()
	s.began = time.Now()
	if err := s.walk(ctx); err != nil {
		return err
	}
	s.took = time.Since(s.began)
	return s.allIn(ctx)
}

// walk moves the clock through the shift, at the factor's speed or slower.
func (s *shift) walk(ctx context.Context) error {
	beat := newBeat(s.o.Factor)
	end := s.o.Start.Add(combinesim.ShiftLength)
	for now := s.o.Start; now.Before(end); {
		to := now.Add(tick)
		if len(s.acts) > 0 && s.acts[0].at.Before(to) {
			to = s.acts[0].at
		}
		to = earlier(to, end)
		if err := beat.wait(ctx, to.Sub(now)); err != nil {
			return err
		}
		if err := s.pace.advance(ctx, to); err != nil {
			return err
		}
		now = to
		if err := s.perform(ctx, now); err != nil {
			return err
		}
	}
	return s.pace.settle(ctx, end)
}
