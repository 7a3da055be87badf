package main

import (
	"fmt"
	"io"

	pb "github.com/hourbell/hourbell/proto/hourbell/v1"
)

type customerCmd struct {
	Add  customerAddCmd  `cmd:"" help:"Add a customer. For who runs the service."`
	List customerListCmd `cmd:"" help:"Which customers are there? For the office."`
}

type customerAddCmd struct {
	ID   string `arg:"" help:"Its id: a-z, 0-9 and '-', beginning with a letter."`
	Name string `help:"What people call it; the id where left out." placeholder:"NAME"`
}

// Run adds the customer.
func (c *customerAddCmd) Run(s *session) error {
	a, err := call(s, pb.NewCustomerServiceClient, pb.CustomerServiceClient.CreateCustomer, &pb.CreateCustomerRequest{
		CustomerId: c.ID, Customer: &pb.Customer{DisplayName: or(c.Name, c.ID)}, RequestId: requestID(),
	})
	if err != nil {
		return err
	}
	return s.out.document(a, func(w io.Writer) {
		fmt.Fprintf(w, "%s added. Next: hourbell site add %s ID --zone ZONE\n", a.Customer.Name, c.ID)
	})
}

type customerListCmd struct{}

// Run lists the customers.
func (c *customerListCmd) Run(s *session) error {
	all := &pb.ListCustomersResponse{}
	err := pages(func(token string) (string, error) {
		a, err := call(s, pb.NewCustomerServiceClient, pb.CustomerServiceClient.ListCustomers, &pb.ListCustomersRequest{PageSize: pageSize, PageToken: token})
		all.Customers = append(all.Customers, a.GetCustomers()...)
		return a.GetNextPageToken(), err
	})
	if err != nil {
		return err
	}
	return s.out.document(all, func(w io.Writer) {
		t := newTable("CUSTOMER", "NAME")
		for _, one := range all.Customers {
			t.add(lastPart(one.Name), one.DisplayName)
		}
		t.print(w, "No customers. Add one with `hourbell customer add ID`.")
	})
}

type siteCmd struct {
	Add  siteAddCmd  `cmd:"" help:"Add a site of a customer. For who runs the service."`
	List siteListCmd `cmd:"" help:"Which sites are there, and when does their day turn? For the office."`
}

type siteAddCmd struct {
	Customer string `arg:"" help:"The customer's id."`
	ID       string `arg:"" help:"The site's id."`
	Zone     string `required:"" help:"Time zone, as the tz database names it." placeholder:"AREA/PLACE"`
	TurnsAt  string `help:"Clock time at which the work day turns." default:"04:00"`
	Name     string `help:"What people call it; the id where left out." placeholder:"NAME"`
}

// Run adds the site.
func (c *siteAddCmd) Run(s *session) error {
	var hour, minute int32
	if _, err := fmt.Sscanf(c.TurnsAt, "%d:%d", &hour, &minute); err != nil || hour < 0 || hour > 23 || minute < 0 || minute > 59 {
		return fmt.Errorf("--turns-at %q: want a clock time as 04:00", c.TurnsAt)
	}
	a, err := call(s, pb.NewCustomerServiceClient, pb.CustomerServiceClient.CreateSite, &pb.CreateSiteRequest{
		Parent: under("customers", c.Customer), SiteId: c.ID, RequestId: requestID(),
		Site: &pb.Site{DisplayName: or(c.Name, c.ID), TimeZone: c.Zone, TurnsAtMinutes: hour*60 + minute},
	})
	if err != nil {
		return err
	}
	return s.out.document(a, func(w io.Writer) {
		fmt.Fprintf(w, "%s added. Next: hourbell chart import FILE.points.yaml, then hourbell machine add ID --site %s --chart CHART\n", a.Site.Name, c.ID)
	})
}

type siteListCmd struct {
	Customer string `arg:"" optional:"" help:"Only this customer's."`
}

// Run lists the sites.
func (c *siteListCmd) Run(s *session) error {
	all, err := s.sites(or(c.Customer, "-"))
	if err != nil {
		return err
	}
	return s.out.document(all, func(w io.Writer) {
		t := newTable("SITE", "CUSTOMER", "NAME", "ZONE", "DAY TURNS AT")
		for _, one := range all.Sites {
			t.add(lastPart(one.Name), machineText(one.Name), one.DisplayName, one.TimeZone, fmt.Sprintf("%02d:%02d", one.TurnsAtMinutes/60, one.TurnsAtMinutes%60))
		}
		t.print(w, "No sites. Add one with `hourbell site add CUSTOMER ID --zone ZONE`.")
	})
}

func (s *session) sites(customer string) (*pb.ListSitesResponse, error) {
	all := &pb.ListSitesResponse{}
	err := pages(func(token string) (string, error) {
		a, err := call(s, pb.NewCustomerServiceClient, pb.CustomerServiceClient.ListSites, &pb.ListSitesRequest{Parent: under("customers", customer), PageSize: pageSize, PageToken: token})
		all.Sites = append(all.Sites, a.GetSites()...)
		return a.GetNextPageToken(), err
	})
	return all, err
}

func or(s, otherwise string) string {
	if s == "" {
		return otherwise
	}
	return s
}
