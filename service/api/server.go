package api

import (
	"context"
	"fmt"

	"google.golang.org/protobuf/types/known/timestamppb"

	"github.com/hourbell/hourbell/internal/maintenance"
	pb "github.com/hourbell/hourbell/proto/hourbell/v1"
	"github.com/hourbell/hourbell/service/access"
)

type server struct {
	pb.UnimplementedServerServiceServer
	*API
}

// GetServerInfo tells about the running service. Where agents and metrics listen
// is told to those who may commission, or look after the office.
func (s *server) GetServerInfo(ctx context.Context, _ *pb.GetServerInfoRequest) (*pb.GetServerInfoResponse, error) {
	ids, err := s.granted(ctx, machineName(all))
	if err != nil {
		return nil, err
	}
	info := s.o.Info()
	out := &pb.GetServerInfoResponse{
		Version: info.Version, StartTime: timestamppb.New(info.Started), AnswerTime: timestamppb.New(s.o.Now()), Rules: maintenance.RulesVersion,
		PeopleAddress: info.People, Fingerprint: info.Fingerprint, Incarnation: fmt.Sprintf("%x", info.Incarnation), StoreWorks: s.o.StoreWorks(),
		Machines: int32(len(ids)), Person: access.Person(ctx),
	}
	if s.o.Access.Anywhere(ctx, access.Commission) == nil {
		out.AgentsAddress, out.EnrolAddress, out.MetricsAddress = info.Agents, info.EnrolPublic, info.Metrics
	}
	if s.o.Access.Check(ctx, access.Office, access.Resource{}) == nil {
		out.ConnectedAgents = int32(s.o.Agents.Connected())
	}
	return out, nil
}
