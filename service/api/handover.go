package api

import (
	"context"

	"github.com/hourbell/hourbell/internal/maintenance"
	"github.com/hourbell/hourbell/internal/maintenance/moment"
	pb "github.com/hourbell/hourbell/proto/hourbell/v1"
	"github.com/hourbell/hourbell/service/access"
)

// HandOverMachine gives a machine to a site. Who does it may commission on both
// sides. The registry, and so who sees the machine, changes first and at once.
func (s *fleetFiles) HandOverMachine(ctx context.Context, q *pb.HandOverMachineRequest) (*pb.HandOverMachineResponse, error) {
	id, err := parseMachine("name", q.GetName())
	if err != nil {
		return nil, err
	}
	before, err := s.o.Access.Machine(ctx, access.Commission, id)
	if err != nil {
		return nil, err
	}
	parts, err := parse("site", sitePattern, q.GetSite())
	if err != nil {
		return nil, err
	}
	site, err := s.o.Access.Site(ctx, access.Commission, parts[0], parts[1])
	if err != nil {
		return nil, err
	}
	key, err := s.actID(q.GetRequestId())
	if err != nil {
		return nil, err
	}
	if err := s.finishHandingOver(ctx, id); err != nil {
		return nil, err
	}
	out := &pb.HandOverMachineResponse{Machine: machineName(id), Site: siteName(site.Customer, site.ID)}
	if before.Site == site.ID {
		return out, nil
	}
	if err := s.wouldTake(ctx, id, key, maintenance.WriterPerson, moment.At(s.now()), handedOver(site, access.Person(ctx))); err != nil {
		return nil, err
	}
	if _, err := s.o.Office.HandOver(ctx, id, site.ID, key, q.GetWithAttachments()); err != nil {
		return nil, err
	}
	if err := s.finishHandingOver(ctx, id); err != nil {
		return nil, err
	}
	out.CustomerBefore = customerName(before.Customer)
	_, err = s.tellSeasons(ctx, id)
	return out, err
}
