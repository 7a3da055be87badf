package bench

import (
	"context"
	"errors"
	"fmt"
	"sync"
	"time"
)

// copyWithin is how long the service may take to send a cab's copy.
const copyWithin = 30 * time.Second

// idle connects a box of every machine, waits until each has all that the service
// sends at the start, and looks at the service's memory.
func (f *fleet) idle(ctx context.Context, o *Options) (Idle, error) {
	o.say("connecting %d idle machines", len(f.boxes))
	r := Idle{Machines: len(f.boxes), Known: f.known}
	before, err := f.s.usage(askTrim)
	if err != nil {
		return r, err
	}
	var mu sync.Mutex
	var lanes []*lane
	defer func() {
		for _, ln := range lanes {
			ln.close()
		}
	}()
	err = each(ctx, len(f.boxes), func(ctx context.Context, i int) error {
		// The stream is to outlive this call.
		ln, err := f.open(context.WithoutCancel(ctx), f.boxes[i], &load{batch: 1})
		if err != nil {
			return err
		}
		mu.Lock()
		lanes = append(lanes, ln)
		mu.Unlock()
		return ln.awaitCopy(ctx)
	})
	if err != nil {
		return r, err
	}
	connected, err := f.s.usage(askUsage)
	if err != nil {
		return r, err
	}
	after, err := f.s.usage(askTrim)
	if err == nil && o.Profile != "" { // what is in use then is in the profile of allocations
		_, err = f.s.usage(askProfile + "idle")
		if err == nil {
			_, err = f.s.usage(askStop)
		}
	}
	n := float64(len(f.boxes))
	r.Connected, r.ConnectedLive = float64(after.Resident-before.Resident)/n, float64(after.Live-before.Live)/n
	r.Handshake = (connected.CPU - before.CPU).Seconds() * 1e3 / n
	return r, err
}

func (ln *lane) awaitCopy(ctx context.Context) error {
	ctx, cancel := context.WithTimeoutCause(ctx, copyWithin, errors.New("no copy for the cab came"))
	defer cancel()
	select {
	case <-ln.copied:
		return nil
	case <-ln.gone:
		return ln.err
	case <-ctx.Done():
		return fmt.Errorf("the box of %s: %w", ln.b.machine, context.Cause(ctx))
	}
}

// disk folds and compresses, and tells what an event takes on the disk.
func (f *fleet) disk(r *Result) (Disk, error) {
	d := Disk{}
	bytes := 0.0
	for _, p := range r.Paths {
		d.Events += p.Events
		bytes += p.Journal * float64(p.Events)
	}
	d.Journal = bytes / float64(d.Events)
	u, err := f.s.usage(askFold)
	if err != nil {
		return d, err
	}
	d.Folds = float64(u.Folds) / float64(d.Events)
	var p packed
	if err := f.s.ask(askPack, &p); err != nil {
		return d, err
	}
	if p.Before > 0 {
		packed := d.Journal * float64(p.After) / float64(p.Before)
		d.Packed = &packed
	}
	return d, nil
}
