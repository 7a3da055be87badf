package api

import (
	"context"
	"fmt"
	"runtime"
	"sync"
	"sync/atomic"

	"google.golang.org/grpc"

	pb "github.com/hourbell/hourbell/proto/hourbell/v1"
	"github.com/hourbell/hourbell/service/access"
	"github.com/hourbell/hourbell/service/fault"
	"github.com/hourbell/hourbell/service/ingest"
)

type verify struct {
	pb.UnimplementedVerifyServiceServer
	*API
	turn chan struct{} // one verification at a time: each reads whole streams
}

// Verify rebuilds machines from the journal and compares.
func (s *verify) Verify(q *pb.VerifyRequest, stream grpc.ServerStreamingServer[pb.VerifyResponse]) error {
	ctx := stream.Context()
	ids, err := s.which(ctx, q)
	if err != nil {
		return err
	}
	select {
	case s.turn <- struct{}{}:
		defer func() { <-s.turn }()
	default:
		return fault.New(fault.TooMany, "another verification is under way, and each reads whole streams: wait until it is done")
	}
	sum := &pb.VerifySummary{Machines: int32(len(ids))}
	run := s.begin(ctx, ids, stream)
	defer run.end()
	for i := range ids {
		r, err := run.result(i)
		if err != nil {
			return err
		}
		sum.Events += r.GetRevision()
		if r.GetSame() {
			sum.Same++
		} else {
			sum.Differ++
		}
	}
	return stream.Send(&pb.VerifyResponse{What: &pb.VerifyResponse_Summary{Summary: sum}})
}

func (s *verify) which(ctx context.Context, q *pb.VerifyRequest) ([]string, error) {
	if len(q.GetMachines()) == 0 {
		return s.granted(ctx, machineName(all))
	}
	var out []string
	for i, name := range q.GetMachines() {
		id, err := parseMachine(fmt.Sprintf("machines[%d]", i), name)
		if err != nil {
			return nil, err
		}
		if _, err := s.o.Access.Machine(ctx, access.See, id); err != nil {
			return nil, err
		}
		out = append(out, id)
	}
	return out, nil
}

// verifying is a verification under way. Machines are rebuilt side by side, as
// many as there are processors, and their results told in the order asked.
type verifying struct {
	*verify
	ctx     context.Context
	stop    context.CancelCauseFunc
	workers sync.WaitGroup
	results []chan *pb.VerifyResult // one each, by machine

	mu     sync.Mutex // of stream
	stream grpc.ServerStreamingServer[pb.VerifyResponse]
}

func (s *verify) begin(ctx context.Context, ids []string, stream grpc.ServerStreamingServer[pb.VerifyResponse]) *verifying {
	v := &verifying{verify: s, stream: stream, results: make([]chan *pb.VerifyResult, len(ids))}
	v.ctx, v.stop = context.WithCancelCause(ctx)
	for i := range v.results {
		v.results[i] = make(chan *pb.VerifyResult, 1)
	}
	var next atomic.Int64
	for range min(runtime.GOMAXPROCS(0), len(ids)) {
		v.workers.Go(func() {
			for i := int(next.Add(1)) - 1; i < len(ids) && v.ctx.Err() == nil; i = int(next.Add(1)) - 1 {
				v.results[i] <- v.one(ids[i])
			}
		})
	}
	return v
}

// end stops what is still under way: the stream is of no use after it.
func (v *verifying) end() {
	v.stop(nil)
	v.workers.Wait()
}

// result waits for a machine's result and tells it.
func (v *verifying) result(i int) (*pb.VerifyResult, error) {
	select {
	case r := <-v.results[i]:
		if v.ctx.Err() != nil {
			return nil, context.Cause(v.ctx)
		}
		return r, v.send(&pb.VerifyResponse{What: &pb.VerifyResponse_Result{Result: r}})
	case <-v.ctx.Done():
		return nil, context.Cause(v.ctx)
	}
}

func (v *verifying) send(r *pb.VerifyResponse) error {
	v.mu.Lock()
	defer v.mu.Unlock()
	return v.stream.Send(r)
}

// one verifies one machine. A machine that can't be rebuilt is told as one that
// differs; it holds up no other.
func (v *verifying) one(id string) *pb.VerifyResult {
	got, err := v.o.Ingest.Verify(v.ctx, id, func(done, of uint64) {
		p := &pb.VerifyProgress{Machine: machineName(id), Revision: done, OfRevision: of}
		if err := v.send(&pb.VerifyResponse{What: &pb.VerifyResponse_Progress{Progress: p}}); err != nil {
			v.stop(err)
		}
	})
	r := &pb.VerifyResult{Machine: machineName(id), Same: err == nil && got.Same(), Revision: got.Revision, Chain: fmt.Sprintf("%x", got.ReplayedChain), What: told(&got)}
	if err != nil && v.ctx.Err() == nil {
		r.What = "it can't be rebuilt; the service's log has the cause"
		v.o.Log.ErrorContext(v.ctx, "verify", "machine", id, "err", err)
	}
	return r
}

// told says what is to be said of a rebuilt machine, "" for nothing.
func told(r *ingest.VerifyResult) string {
	switch {
	case r.Damaged > 0:
		return fmt.Sprintf("%d events can't be read any more", r.Damaged)
	case r.Chain != r.ReplayedChain:
		return "the journal holds other events than the live state was made of"
	case r.StateHash != r.ReplayedHash:
		return "the same events give another state"
	case r.SetAside > 0 && r.Thinned > 0:
		return fmt.Sprintf("%d events stand as set aside, %d were thinned by the agent", r.SetAside, r.Thinned)
	case r.SetAside > 0:
		return fmt.Sprintf("%d events stand as set aside", r.SetAside)
	case r.Thinned > 0:
		return fmt.Sprintf("%d events were thinned by the agent", r.Thinned)
	}
	return ""
}
