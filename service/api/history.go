package api

import (
	"context"
	"errors"
	"slices"
	"strconv"

	"github.com/hourbell/hourbell/internal/maintenance"
	"github.com/hourbell/hourbell/internal/store"
)

// A page of history reads the stream backwards in windows, and at most maxScan
// events; where those hold too few rows the page is short and its token goes on.
const (
	firstWindow = 512
	lastWindow  = 16_384
	maxScan     = 65_536
)

// past is one event of a machine's stream.
type past struct {
	event    *maintenance.Event
	revision uint64
}

// historyPage gives events that keep lets through, the newest first, and the
// token of the next page.
func (a *API) historyPage(ctx context.Context, p pager, machine string, keep func(*maintenance.Event) bool) ([]past, string, error) {
	below, err := a.historyFrom(ctx, p, machine)
	if err != nil {
		return nil, "", err
	}
	var rows []past
	for scanned, window := uint64(0), uint64(firstWindow); below > 1 && len(rows) < p.size && scanned < maxScan; window = min(2*window, lastWindow) {
		from := max(below-min(window, below-1), 1)
		part, err := a.window(ctx, machine, from, below, keep)
		if err != nil {
			return nil, "", err
		}
		slices.Reverse(part)
		rows = append(rows, part...)
		scanned += below - from
		below = from
	}
	if len(rows) > p.size {
		rows = rows[:p.size]
		below = rows[p.size-1].revision
	}
	if below <= 1 {
		return rows, "", nil
	}
	return rows, p.token(strconv.FormatUint(below, 10)), nil
}

// historyFrom gives the revision below which a page begins.
func (a *API) historyFrom(ctx context.Context, p pager, machine string) (uint64, error) {
	if p.begun {
		below, err := strconv.ParseUint(p.cursor, 10, 64)
		if err != nil {
			return 0, badCursor()
		}
		return below, nil
	}
	var last uint64
	err := a.view(ctx, machine, func(st *maintenance.State) { last = st.Revision })
	return last + 1, err
}

// window gives the events of the revisions from..below-1 that keep lets through.
// What can't be read any more is passed over: `verify` tells of it.
func (a *API) window(ctx context.Context, machine string, from, below uint64, keep func(*maintenance.Event) bool) ([]past, error) {
	var out []past
	err := a.o.Ingest.History(ctx, machine, from, func(e *maintenance.Event, revision uint64) bool {
		if revision >= below || ctx.Err() != nil {
			return false
		}
		if keep(e) {
			out = append(out, past{e, revision})
		}
		return true
	})
	var damaged *store.DamagedError
	if errors.As(err, &damaged) {
		err = nil
	}
	return out, errors.Join(err, context.Cause(ctx))
}
