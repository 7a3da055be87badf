package agent

import (
	"context"
	"errors"
	"fmt"

	"github.com/hourbell/hourbell/agent/spool"
	"github.com/hourbell/hourbell/internal/maintenance"
	"github.com/hourbell/hourbell/internal/maintenance/moment"
)

// Look opens a data folder in which no agent runs, to see what is due. It
// listens to nothing, sends nothing and begins no boot; Source, Dial, Jitter and
// Observe are not used. Close it.
func Look(opts Options) (*Agent, error) {
	opts.Source, opts.Dial, opts.Jitter = nil, nil, nil
	if opts.Now == nil || opts.Mono == nil || opts.Rand == nil {
		return nil, errors.New("agent: Now, Mono and Rand are needed")
	}
	opts.defaults()
	a, err := openSpool(opts)
	if err != nil {
		return nil, err
	}
	if err := a.openCab(forgetful{a.keeper()}); err != nil {
		return nil, errors.Join(err, a.spool.Close())
	}
	// The box's own clock may be years ahead: only what is certain passes.
	a.pass(a.opts.Mono().Nanoseconds())
	return a, nil
}

// forgetful lets a part read its memory and keep nothing new.
type forgetful struct{ keeper }

func (forgetful) SaveState(string, []byte) error { return nil }

// Office is how much of this box's events the service has on its disk: how many
// of the spool's epoch, when the last of them happened, and how many it lacks.
func (a *Agent) Office() (has uint64, upTo moment.Span, behind uint64) {
	has = (queue{a}).Acked()
	last, _ := a.spool.Last()
	behind = last - min(last, has)
	if has == 0 {
		return has, upTo, behind
	}
	batch, err := a.spool.ReadFrom(context.Background(), has, 1, 1)
	if err != nil || len(batch.Items) == 0 || batch.Items[0].Gap != nil {
		return has, upTo, behind // it is not kept here any more
	}
	upTo, _ = a.placed(batch.Items[0].Payload)
	return has, upTo, behind
}

// Spool is how the spool stands.
func (a *Agent) Spool() spool.Stats { return a.spool.Stats() }

// NewEpoch lets the spool of a data folder in which no agent runs go on in a new
// epoch: after the service refused it as a copy, or set back. Nothing that it has
// not acknowledged is lost.
func NewEpoch(ctx context.Context, opts Options, reason string) (spool.EpochInfo, error) {
	if opts.Now == nil || opts.Rand == nil {
		return spool.EpochInfo{}, errors.New("agent: Now and Rand are needed")
	}
	opts.defaults()
	a, err := openSpool(opts)
	if err != nil {
		return spool.EpochInfo{}, err
	}
	info, err := a.spool.NewEpoch(ctx, reason, 0)
	if err != nil {
		err = fmt.Errorf("begin a new epoch of the spool: %w", err)
	}
	return info, errors.Join(err, a.spool.Close())
}

// Chart is the chart by which the agent listens, nil for none.
func (a *Agent) Chart() *maintenance.Chart { return a.cab.Chart() }
