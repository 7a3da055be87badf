package ingest

import (
	"context"
	"errors"
	"fmt"
	"sync"

	"github.com/hourbell/hourbell/internal/maintenance"
	"github.com/hourbell/hourbell/internal/store"
	"github.com/hourbell/hourbell/internal/wire"
)

// chartShelf keeps one copy of each chart, however many machines have it.
type chartShelf struct {
	mu     sync.Mutex
	byHash map[[32]byte]*maintenance.Chart
}

// share puts the shelf's copy of a chart into an event that brings one.
func (c *chartShelf) share(body maintenance.Body) {
	if taken, is := body.(*maintenance.EditionTaken); is && taken.Chart != nil {
		taken.Chart = c.keep(taken.Chart)
	}
}

func (c *chartShelf) keep(chart *maintenance.Chart) *maintenance.Chart {
	hash := chart.Hash()
	c.mu.Lock()
	defer c.mu.Unlock()
	if have := c.byHash[hash]; have != nil {
		return have
	}
	if c.byHash == nil {
		c.byHash = make(map[[32]byte]*maintenance.Chart)
	}
	c.byHash[hash] = chart
	return chart
}

func (c *chartShelf) get(hash [32]byte) *maintenance.Chart {
	c.mu.Lock()
	defer c.mu.Unlock()
	return c.byHash[hash]
}

// chart finds a chart by its hash: on the shelf, in the office, or in the
// machine's own stream, which has every edition it ever took.
func (in *Ingest) chart(ctx context.Context, stream string, hash [32]byte) (*maintenance.Chart, error) {
	if chart := in.charts.get(hash); chart != nil {
		return chart, nil
	}
	if in.o.Charts != nil {
		if chart, err := in.o.Charts(ctx, hash); err == nil && chart.Hash() == hash {
			return in.charts.keep(chart), nil
		}
	}
	return in.chartInStream(ctx, stream, hash)
}

func (in *Ingest) chartInStream(ctx context.Context, stream string, hash [32]byte) (found *maintenance.Chart, err error) {
	var d wire.Decoder
	from := uint64(1)
	for {
		err := in.o.Store.Read(ctx, stream, from, func(e store.Entry) bool {
			from = e.Revision + 1
			if e.Writer != maintenance.WriterService {
				return true
			}
			_, body, err := d.Unmarshal(e.Received)
			if taken, is := body.(*maintenance.EditionTaken); err == nil && is && taken.Chart.Hash() == hash {
				found = in.charts.keep(taken.Chart)
			}
			return found == nil
		})
		var hole *store.DamagedError
		switch {
		case found != nil:
			return found, nil
		case errors.As(err, &hole) && hole.To > from:
			from = hole.To
		case err != nil:
			return nil, err
		default:
			return nil, fmt.Errorf("chart %x is neither in the office nor in %s", hash[:8], stream)
		}
	}
}
