package storetest

import (
	"context"
	"fmt"
	"testing"

	"github.com/hourbell/hourbell/internal/store"
)

// Check returns an error unless an open store agrees with itself: names in
// order, each stream's revisions from 1 to its last without gaps, a read from
// the middle gives the same as one from the start, and no checkpoint stands
// beyond its stream's end.
func Check(ctx context.Context, s store.Store) error {
	heads, err := Heads(ctx, s)
	if err != nil {
		return err
	}
	for name, last := range heads {
		if err := checkStream(ctx, s, name, last); err != nil {
			return fmt.Errorf("stream %q: %w", name, err)
		}
	}
	return nil
}

// Close checks an open store, closes it and fails the test if it disagrees
// with itself. Tests close their stores with it.
func Close(t testing.TB, s store.Store) {
	t.Helper()
	if err := Check(context.Background(), s); err != nil {
		t.Errorf("the store does not agree with itself: %v", err)
	}
	if err := s.Close(); err != nil {
		t.Errorf("close: %v", err)
	}
}

func checkStream(ctx context.Context, s store.Store, name string, last uint64) error {
	all, err := ReadAll(ctx, s, name, 1)
	if err != nil {
		return err
	}
	if uint64(len(all)) != last {
		return fmt.Errorf("%d entries, but its last revision is %d", len(all), last)
	}
	for i := range all {
		if all[i].Revision != uint64(i)+1 {
			return fmt.Errorf("entry %d has revision %d", i+1, all[i].Revision)
		}
	}
	if err := checkFromMiddle(ctx, s, name, all); err != nil {
		return err
	}
	c, ok, err := s.Checkpoint(ctx, name)
	if err != nil {
		return err
	}
	if ok && (c.Revision > last || c.Stream != name) {
		return fmt.Errorf("its checkpoint is of %q at revision %d, the stream ends at %d", c.Stream, c.Revision, last)
	}
	return nil
}

func checkFromMiddle(ctx context.Context, s store.Store, name string, all []store.Entry) error {
	middle := len(all) / 2
	rest, err := ReadAll(ctx, s, name, uint64(middle)+1)
	if err != nil {
		return err
	}
	if len(rest) != len(all)-middle {
		return fmt.Errorf("read from revision %d gives %d entries of %d", middle+1, len(rest), len(all))
	}
	for i := range rest {
		if !Equal(rest[i], all[middle+i]) {
			return fmt.Errorf("revision %d reads differently from the middle", rest[i].Revision)
		}
	}
	return nil
}
