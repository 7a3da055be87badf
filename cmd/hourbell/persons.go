package main

import (
	"fmt"
	"io"
	"os"
	"strings"
	"time"

	pb "github.com/hourbell/hourbell/proto/hourbell/v1"
)

type personCmd struct {
	Token personTokenCmd `cmd:"" help:"Make a bearer token for a person. For who runs the service."`
	Grant personGrantCmd `cmd:"" help:"Say what a person may do, at one customer or at all. For who runs the service."`
	Part  personPartCmd  `cmd:"" help:"Say what part a person has in the trade, operator, technician or dealer. For who runs the service."`
	End   personEndCmd   `cmd:"" help:"End every token of a person. For who runs the service."`
	List  personListCmd  `cmd:"" help:"Who may do what? For who runs the service."`
}

type personTokenCmd struct {
	Person string        `arg:"" help:"The person's pseudonym."`
	Label  string        `help:"What it is for: a phone, a program." placeholder:"LABEL"`
	For    time.Duration `help:"How long it is good; until it is ended where left out."`
	Out    string        `help:"Write it to this file, which only you can read, instead of the screen." placeholder:"FILE"`
}

// Run makes the token.
func (c *personTokenCmd) Run(s *session) error {
	a, err := call(s, pb.NewPersonServiceClient, pb.PersonServiceClient.CreateToken, &pb.CreateTokenRequest{Parent: under("persons", c.Person), Label: c.Label, LifetimeSeconds: int64(c.For / time.Second)})
	if err != nil {
		return err
	}
	if c.Out != "" {
		if err := os.WriteFile(c.Out, []byte(a.Token+"\n"), 0o600); err != nil {
			return fmt.Errorf("write the token: %w", err)
		}
		a.Token = ""
	}
	return s.out.document(a, func(w io.Writer) {
		if c.Out == "" {
			fmt.Fprintf(w, "%s\n\nIt is not kept here and can't be shown again.\n", a.Token)
		} else {
			fmt.Fprintf(w, "Written to %s.\n", c.Out)
		}
		if len(a.Person.Grants) == 0 {
			fmt.Fprintf(w, "%s may do nothing yet. Next: hourbell person grant %s see record --customer CUSTOMER\n", c.Person, c.Person)
		}
	})
}

type personGrantCmd struct {
	Person      string   `arg:"" help:"The person's pseudonym."`
	Permissions []string `arg:"" enum:"see,record,commission,office,nothing" help:"see, record, commission, office; or nothing."`
	Customer    string   `help:"Only at this customer; at all where left out." placeholder:"CUSTOMER"`
}

// Run sets the grant.
func (c *personGrantCmd) Run(s *session) error {
	grant := &pb.Grant{}
	if c.Customer != "" {
		grant.Customer = under("customers", c.Customer)
	}
	for _, p := range c.Permissions {
		if p != "nothing" {
			grant.Permissions = append(grant.Permissions, pb.Permission(pb.Permission_value["PERMISSION_"+strings.ToUpper(p)]))
		} else if len(c.Permissions) > 1 {
			return fmt.Errorf("nothing stands alone: it ends the grant")
		}
	}
	a, err := call(s, pb.NewPersonServiceClient, pb.PersonServiceClient.SetGrant, &pb.SetGrantRequest{Parent: under("persons", c.Person), Grant: grant, RequestId: requestID()})
	if err != nil {
		return err
	}
	return s.out.document(a, func(w io.Writer) { printPersons(w, []*pb.Person{a.Person}) })
}

type personEndCmd struct {
	Person string `arg:"" help:"The person's pseudonym."`
}

// Run ends the tokens.
func (c *personEndCmd) Run(s *session) error {
	a, err := call(s, pb.NewPersonServiceClient, pb.PersonServiceClient.EndTokens, &pb.EndTokensRequest{Parent: under("persons", c.Person), RequestId: requestID()})
	if err != nil {
		return err
	}
	return s.out.document(a, func(w io.Writer) { fmt.Fprintf(w, "%s has no token any more.\n", c.Person) })
}

type personListCmd struct{}

// Run lists the persons.
func (c *personListCmd) Run(s *session) error {
	all := &pb.ListPersonsResponse{}
	err := pages(func(token string) (string, error) {
		a, err := call(s, pb.NewPersonServiceClient, pb.PersonServiceClient.ListPersons, &pb.ListPersonsRequest{PageSize: pageSize, PageToken: token})
		all.Persons = append(all.Persons, a.GetPersons()...)
		return a.GetNextPageToken(), err
	})
	if err != nil {
		return err
	}
	return s.out.document(all, func(w io.Writer) { printPersons(w, all.Persons) })
}

func printPersons(w io.Writer, persons []*pb.Person) {
	t := newTable("PERSON", "AT", "MAY", "TOKENS")
	for _, p := range persons {
		id, tokens := lastPart(p.Name), fmt.Sprint(len(p.Tokens))
		if len(p.Grants) == 0 {
			t.add(id, "-", "nothing", tokens)
		}
		for _, g := range p.Grants {
			may := make([]string, 0, len(g.Permissions))
			for _, one := range g.Permissions {
				may = append(may, word(one, "PERMISSION_"))
			}
			t.add(id, or(lastPart(g.Customer), "all customers"), strings.Join(may, ", "), tokens)
			id, tokens = "", ""
		}
	}
	t.print(w, "Nobody.")
}
