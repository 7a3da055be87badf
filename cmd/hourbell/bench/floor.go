package bench

import (
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"time"

	"golang.org/x/sync/errgroup"

	"github.com/hourbell/hourbell/internal/seglog"
)

// mostFloor bounds the file: behind it, writing goes on at its beginning.
const mostFloor = 256 << 20

// measureFloor group-commits the messages' events into a plain file: as many
// senders as there were streams, as many batches of each in flight, one who
// gathers what is there, writes it in one go and syncs. No network, no checks, no
// state. It gives events a second.
func measureFloor(ctx context.Context, dir string, made [][]message, batch, window int, within time.Duration) (float64, error) {
	path := filepath.Join(dir, "floor")
	f, err := seglog.OS{}.Create(path)
	if err != nil {
		return 0, fmt.Errorf("make a plain file: %w", err)
	}
	defer os.Remove(path)
	g, ctx := errgroup.WithContext(ctx)
	in := make(chan offered, len(made)*window)
	begun := time.Now()
	deadline := begun.Add(within)
	done := make(chan struct{})
	senders, sending := errgroup.WithContext(ctx)
	for _, own := range made {
		senders.Go(func() error { return sendFloor(sending, in, own, window, deadline) })
	}
	g.Go(func() error {
		defer close(done)
		return senders.Wait()
	})
	messages := 0
	g.Go(func() (err error) {
		messages, err = commitFloor(ctx, f, in, done)
		return err
	})
	err = g.Wait()
	took := time.Since(begun)
	if err := errors.Join(err, f.Close()); err != nil {
		return 0, fmt.Errorf("write a plain file: %w", err)
	}
	return float64(messages*batch) / took.Seconds(), nil
}

// offered is one message on its way into the file, and its sender's room.
type offered struct {
	payload []byte
	room    chan struct{}
}

// sendFloor sends messages, again and again, until the deadline, and waits until
// all are on disk.
func sendFloor(ctx context.Context, in chan<- offered, own []message, window int, deadline time.Time) error {
	room := make(chan struct{}, window)
	take := func() error {
		select {
		case room <- struct{}{}:
			return nil
		case <-ctx.Done():
			return context.Cause(ctx)
		}
	}
	for i := 0; ; i = (i + 1) % len(own) {
		if err := take(); err != nil {
			return err
		}
		if time.Now().After(deadline) {
			<-room
			break
		}
		in <- offered{own[i].payload, room} // there is room for all in flight
	}
	for range window {
		if err := take(); err != nil {
			return err
		}
	}
	return nil
}

// commitFloor writes and syncs what has gathered, until all is done.
func commitFloor(ctx context.Context, f seglog.File, in <-chan offered, done <-chan struct{}) (messages int, err error) {
	var bytes []byte
	var rooms []chan struct{}
	size := int64(0)
	for {
		bytes, rooms = bytes[:0], rooms[:0]
		select {
		case x := <-in:
			bytes, rooms = append(bytes, x.payload...), append(rooms, x.room)
		case <-done:
			return messages, nil
		case <-ctx.Done():
			return messages, context.Cause(ctx)
		}
		for more := true; more; {
			select {
			case x := <-in:
				bytes, rooms = append(bytes, x.payload...), append(rooms, x.room)
			default:
				more = false
			}
		}
		if _, err := f.WriteAt(bytes, size); err != nil {
			return messages, err
		}
		if err := f.Sync(); err != nil {
			return messages, err
		}
		if size > mostFloor {
			size = 0
		}
		messages, size = messages+len(rooms), size+int64(len(bytes))
		for _, room := range rooms {
			<-room
		}
	}
}
