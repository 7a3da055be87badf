package api

import (
	"context"
	"fmt"

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
	for _, id := range ids {
		r, err := s.one(id, stream)
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

// one verifies one machine. A machine that can't be rebuilt is told as one that
// differs; it holds up no other.
func (s *verify) one(id string, stream grpc.ServerStreamingServer[pb.VerifyResponse]) (*pb.VerifyResult, error) {
	ctx := stream.Context()
	var sendErr error
	got, err := s.o.Ingest.Verify(ctx, id, func(done, of uint64) {
		p := &pb.VerifyProgress{Machine: machineName(id), Revision: done, OfRevision: of}
		if err := stream.Send(&pb.VerifyResponse{What: &pb.VerifyResponse_Progress{Progress: p}}); err != nil {
			sendErr = err
		}
	})
	if err := context.Cause(ctx); err != nil {
		return nil, err
	}
	if sendErr != nil {
		return nil, sendErr
	}
	r := &pb.VerifyResult{Machine: machineName(id), Same: err == nil && got.Same(), Revision: got.Revision, Chain: fmt.Sprintf("%x", got.ReplayedChain), What: told(&got)}
	if err != nil {
		r.What = "it can't be rebuilt; the service's log has the cause"
		s.o.Log.ErrorContext(ctx, "verify", "machine", id, "err", err)
	}
	return r, stream.Send(&pb.VerifyResponse{What: &pb.VerifyResponse_Result{Result: r}})
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
