package ingest

import (
	"bytes"
	"context"
	"fmt"

	"github.com/hourbell/hourbell/internal/maintenance"
)

// VerifyResult is what replaying a machine's stream gave.
type VerifyResult struct {
	Machine  string
	Revision uint64 // up to which it was replayed
	Events   uint64 // read
	Damaged  uint64 // could not be read
	Bytes    int    // of the state's encoding
	// StateHash and Chain are those of the state that is live; ReplayedHash and
	// ReplayedChain what the stream gives.
	StateHash, ReplayedHash [32]byte
	Chain, ReplayedChain    [32]byte
	// Thinned is how many events the agent itself dropped before it sent the rest.
	Thinned uint64
	// SetAside is how many events stand in the stream as set aside.
	SetAside uint64
}

// Same reports whether the rebuilt state is the live one, byte for byte, and
// every event could be read.
func (r *VerifyResult) Same() bool {
	return r.StateHash == r.ReplayedHash && r.Chain == r.ReplayedChain && r.Damaged == 0
}

// Verify rebuilds a machine's state from its first event and compares it with
// the live one, byte for byte. progress is told now and then how far it is; nil
// for nobody.
func (in *Ingest) Verify(ctx context.Context, machine string, progress func(done, of uint64)) (VerifyResult, error) {
	r := VerifyResult{Machine: machine}
	var live []byte
	err := in.View(ctx, machine, func(s *maintenance.State) {
		live, r.Revision, r.Chain, r.StateHash = maintenance.AppendState(nil, s), s.Revision, s.Chain, s.Hash()
	})
	if err != nil {
		return r, fmt.Errorf("verify machine %s: %w", machine, err)
	}
	s := &maintenance.State{}
	if err := in.rebuild(ctx, s, &r, progress); err != nil {
		return r, fmt.Errorf("verify machine %s: %w", machine, err)
	}
	replayed := maintenance.AppendState(nil, s)
	r.Bytes, r.ReplayedChain, r.ReplayedHash = len(replayed), s.Chain, s.Hash()
	if bytes.Equal(replayed, live) != (r.ReplayedHash == r.StateHash) {
		return r, fmt.Errorf("verify machine %s: the states' hashes and bytes disagree", machine)
	}
	return r, nil
}

const progressEvery = 10_000

func (in *Ingest) rebuild(ctx context.Context, s *maintenance.State, r *VerifyResult, progress func(done, of uint64)) error {
	if progress == nil {
		progress = func(uint64, uint64) {}
	}
	stream := streamPrefix + r.Machine
	damaged, err := in.fold(ctx, stream, s, r.Revision, func(revision uint64, body maintenance.Body) {
		r.gone(body)
		if revision%progressEvery == 0 {
			progress(revision, r.Revision)
		}
	})
	r.Damaged, r.Events = damaged, r.Revision-damaged
	if err == nil {
		progress(r.Revision, r.Revision)
	}
	return err
}

// gone counts what the stream itself says is not in it.
func (r *VerifyResult) gone(body maintenance.Body) {
	switch b := body.(type) {
	case *maintenance.Thinned:
		r.Thinned += b.Events
	case *maintenance.SetAside:
		r.SetAside++
	}
}
