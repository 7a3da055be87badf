package api

import (
	"context"
	"fmt"

	pb "github.com/hourbell/hourbell/proto/hourbell/v1"
	"github.com/hourbell/hourbell/service/access"
	"github.com/hourbell/hourbell/service/fault"
	"github.com/hourbell/hourbell/service/office"
)

type customers struct {
	pb.UnimplementedCustomerServiceServer
	*API
}

func customerOf(c office.Customer) *pb.Customer {
	return &pb.Customer{Name: customerName(c.ID), DisplayName: c.Display}
}

func siteOf(s office.Site) *pb.Site {
	return &pb.Site{Name: siteName(s.Customer, s.ID), DisplayName: s.Display, TimeZone: s.Zone, TurnsAtMinutes: int32(s.TurnsAt)}
}

// CreateCustomer adds a customer.
func (s *customers) CreateCustomer(ctx context.Context, q *pb.CreateCustomerRequest) (*pb.CreateCustomerResponse, error) {
	if err := s.o.Access.Check(ctx, access.Office, access.Resource{}); err != nil {
		return nil, err
	}
	if _, err := parseUUID("request_id", q.GetRequestId()); err != nil {
		return nil, err
	}
	c, err := s.o.Office.CreateCustomer(ctx, office.Customer{ID: q.GetCustomerId(), Display: q.GetCustomer().GetDisplayName()})
	if err != nil {
		return nil, err
	}
	return &pb.CreateCustomerResponse{Customer: customerOf(c)}, nil
}

// GetCustomer gives a customer.
func (s *customers) GetCustomer(ctx context.Context, q *pb.GetCustomerRequest) (*pb.GetCustomerResponse, error) {
	parts, err := parse("name", "customers/{customer}", q.GetName())
	if err != nil {
		return nil, err
	}
	c, err := s.o.Access.Customer(ctx, access.See, parts[0])
	if err != nil {
		return nil, err
	}
	return &pb.GetCustomerResponse{Customer: customerOf(c)}, nil
}

// ListCustomers lists those that the caller was granted.
func (s *customers) ListCustomers(ctx context.Context, q *pb.ListCustomersRequest) (*pb.ListCustomersResponse, error) {
	may, err := s.o.Access.Filter(ctx, access.See)
	if err != nil {
		return nil, err
	}
	p, err := newPager(q)
	if err != nil {
		return nil, err
	}
	var rows []office.Customer
	for _, c := range s.o.Office.ListCustomers() {
		if may(c.ID) {
			rows = append(rows, c)
		}
	}
	rows, next := slicePage(p, rows, func(c office.Customer) string { return c.ID })
	out := &pb.ListCustomersResponse{NextPageToken: next}
	for _, c := range rows {
		out.Customers = append(out.Customers, customerOf(c))
	}
	return out, nil
}

// CreateSite adds a site.
func (s *customers) CreateSite(ctx context.Context, q *pb.CreateSiteRequest) (*pb.CreateSiteResponse, error) {
	parts, err := parse("parent", "customers/{customer}", q.GetParent())
	if err != nil {
		return nil, err
	}
	if _, err := s.o.Access.Customer(ctx, access.Commission, parts[0]); err != nil {
		return nil, err
	}
	if _, err := parseUUID("request_id", q.GetRequestId()); err != nil {
		return nil, err
	}
	turns := q.GetSite().GetTurnsAtMinutes()
	if turns < 0 || turns > 1439 {
		return nil, fault.InvalidField("site.turns_at_minutes", fmt.Sprintf("%d is no minute of a day", turns), "give 0 to 1439, 240 for 04:00")
	}
	site, err := s.o.Office.CreateSite(ctx, office.Site{ID: q.GetSiteId(), Customer: parts[0], Display: q.GetSite().GetDisplayName(), Zone: q.GetSite().GetTimeZone(), TurnsAt: uint16(turns)})
	if err != nil {
		return nil, s.takenSite(ctx, q.GetSiteId(), err)
	}
	return &pb.CreateSiteResponse{Site: siteOf(site)}, nil
}

// GetSite gives a site.
func (s *customers) GetSite(ctx context.Context, q *pb.GetSiteRequest) (*pb.GetSiteResponse, error) {
	parts, err := parse("name", "customers/{customer}/sites/{site}", q.GetName())
	if err != nil {
		return nil, err
	}
	site, err := s.o.Access.Site(ctx, access.See, parts[0], parts[1])
	if err != nil {
		return nil, err
	}
	return &pb.GetSiteResponse{Site: siteOf(site)}, nil
}

// ListSites lists sites.
func (s *customers) ListSites(ctx context.Context, q *pb.ListSitesRequest) (*pb.ListSitesResponse, error) {
	parts, err := parse("parent", "customers/{customer}", q.GetParent())
	if err != nil {
		return nil, err
	}
	customer := parts[0]
	may, err := s.o.Access.Filter(ctx, access.See)
	if err != nil {
		return nil, err
	}
	if customer == all {
		customer = ""
	} else if _, err := s.o.Access.Customer(ctx, access.See, customer); err != nil {
		return nil, err
	}
	p, err := newPager(q)
	if err != nil {
		return nil, err
	}
	var rows []office.Site
	for _, site := range s.o.Office.ListSites(customer) {
		if may(site.Customer) {
			rows = append(rows, site)
		}
	}
	rows, next := slicePage(p, rows, func(site office.Site) string { return site.ID })
	out := &pb.ListSitesResponse{NextPageToken: next}
	for _, site := range rows {
		out.Sites = append(out.Sites, siteOf(site))
	}
	return out, nil
}

// takenSite keeps from the caller that a customer they don't know has a site of
// this id.
func (s *customers) takenSite(ctx context.Context, id string, err error) error {
	if fault.Of(err).Reason != fault.AlreadyExists {
		return err
	}
	if _, seen := s.o.Access.Site(ctx, access.See, "", id); seen != nil {
		return fault.InvalidField("site_id", fmt.Sprintf("%q can't be used", id), "choose another id")
	}
	return err
}
