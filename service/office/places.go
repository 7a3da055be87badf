package office

import (
	"bytes"
	"cmp"
	"context"
	"fmt"
	"maps"
	"regexp"
	"slices"
	"unicode/utf8"

	pb "github.com/hourbell/hourbell/proto/hourbell/v1"
	"github.com/hourbell/hourbell/service/ingest/workday"
)

var idForm = regexp.MustCompile(`^[a-z]([a-z0-9-]{0,61}[a-z0-9])?$`)

// CheckID says whether an id is in form: 1 to 63 of a-z, 0-9 and '-', beginning
// with a letter and not ending with '-'.
func CheckID(field, id string) error {
	if !idForm.MatchString(id) {
		return &Refused{Field: field, Why: fmt.Sprintf("%q can't be an id", id), Fix: "use 1 to 63 of a-z, 0-9 and '-', with a letter first and no '-' last"}
	}
	return nil
}

func checkDisplay(field, s string) error {
	if n := utf8.RuneCountInString(s); s == "" || n > 128 || !utf8.ValidString(s) {
		return &Refused{Field: field, Why: fmt.Sprintf("a name for people has 1 to 128 characters, this has %d", n), Fix: "give what people call it"}
	}
	return nil
}

// CreateCustomer adds a customer.
func (o *Office) CreateCustomer(ctx context.Context, c Customer) (Customer, error) {
	if err := cmp.Or(CheckID("customer_id", c.ID), checkDisplay("customer.display_name", c.Display)); err != nil {
		return Customer{}, err
	}
	o.write.Lock()
	defer o.write.Unlock()
	if have, there := o.f.customers[c.ID]; there {
		return have, same("customer", c.ID, have == c)
	}
	return c, o.append(ctx, &pb.OfficeEvent{Body: &pb.OfficeEvent_Customer{Customer: &pb.OfficeCustomer{Customer: c.ID, Display: c.Display}}})
}

// CreateSite adds a site of a customer.
func (o *Office) CreateSite(ctx context.Context, s Site) (Site, error) {
	if err := cmp.Or(CheckID("site_id", s.ID), checkDisplay("site.display_name", s.Display)); err != nil {
		return Site{}, err
	}
	if _, err := workday.New(s.Zone, 0); err != nil {
		return Site{}, &Refused{Field: "site.time_zone", Why: err.Error()}
	}
	if _, err := workday.New(s.Zone, s.TurnsAt); err != nil {
		return Site{}, &Refused{Field: "site.turns_at_minutes", Why: err.Error()}
	}
	o.write.Lock()
	defer o.write.Unlock()
	if _, there := o.f.customers[s.Customer]; !there {
		return Site{}, &NotFound{Kind: "customer", Name: s.Customer}
	}
	if have, there := o.f.sites[s.ID]; there {
		return have, same("site", s.ID, have == s)
	}
	return s, o.append(ctx, &pb.OfficeEvent{Body: &pb.OfficeEvent_Site{Site: &pb.OfficeSite{Site: s.ID, Customer: s.Customer, Display: s.Display,
		Zone: s.Zone, TurnsAtMinutes: uint32(s.TurnsAt)}}})
}

// RegisterMachine enters a machine in the registry. Its stream is opened by
// ingest's Commission.
func (o *Office) RegisterMachine(ctx context.Context, m Machine) (Machine, error) {
	if err := cmp.Or(CheckID("machine_id", m.ID), checkDisplay("machine.display_name", m.Display)); err != nil {
		return Machine{}, err
	}
	o.write.Lock()
	defer o.write.Unlock()
	if err := o.fits(m); err != nil {
		return Machine{}, err
	}
	if have, there := o.f.machines[m.ID]; there {
		return have, same("machine", m.ID, have == m)
	}
	return m, o.append(ctx, machineEvent(m))
}

// UpdateMachine changes a machine's entry in the registry.
func (o *Office) UpdateMachine(ctx context.Context, m Machine) (Machine, error) {
	if err := checkDisplay("machine.display_name", m.Display); err != nil {
		return Machine{}, err
	}
	o.write.Lock()
	defer o.write.Unlock()
	have, there := o.f.machines[m.ID]
	if !there {
		return Machine{}, &NotFound{Kind: "machine", Name: m.ID}
	}
	if err := o.fits(m); err != nil || have == m {
		return have, err
	}
	return m, o.append(ctx, machineEvent(m))
}

func machineEvent(m Machine) *pb.OfficeEvent {
	return &pb.OfficeEvent{Body: &pb.OfficeEvent_Machine{Machine: &pb.OfficeMachine{Machine: m.ID, Display: m.Display, Customer: m.Customer, Site: m.Site, Chart: m.Chart}}}
}

// fits holds a machine to what it names.
func (o *Office) fits(m Machine) error {
	site, there := o.f.sites[m.Site]
	if !there {
		return &NotFound{Kind: "site", Name: m.Site}
	}
	if site.Customer != m.Customer {
		return &Refused{Field: "machine.site", Why: fmt.Sprintf("site %s belongs to customer %s", m.Site, site.Customer), Fix: "name a site of customer " + m.Customer}
	}
	has := func(id editionID, _ Edition) bool { return id.chart == m.Chart }
	if m.Chart != "" && !anyOf(o.f.editions, has) {
		return &NotFound{Kind: "chart", Name: m.Chart}
	}
	return nil
}

func anyOf[K comparable, V any](m map[K]V, is func(K, V) bool) bool {
	for k, v := range m {
		if is(k, v) {
			return true
		}
	}
	return false
}

func same(kind, id string, is bool) error {
	if is {
		return nil
	}
	return &AlreadyExists{Kind: kind, Name: id}
}

// PutEdition keeps an edition of a chart.
func (o *Office) PutEdition(ctx context.Context, e Edition) (Edition, error) {
	if err := CheckID("chart", e.Chart); err != nil {
		return Edition{}, err
	}
	if len(e.Compiled) == 0 || e.Edition == 0 {
		return Edition{}, &Refused{Field: "edition", Why: "an edition has a number from 1 and a compiled chart"}
	}
	o.write.Lock()
	defer o.write.Unlock()
	if have, there := o.f.editions[editionID{e.Chart, e.Edition}]; there {
		return have, same("edition", fmt.Sprintf("%s/%d", e.Chart, e.Edition), bytes.Equal(have.Compiled, e.Compiled) && bytes.Equal(have.Source, e.Source))
	}
	err := o.append(ctx, &pb.OfficeEvent{Body: &pb.OfficeEvent_Edition{Edition: &pb.OfficeEdition{Chart: e.Chart, Edition: e.Edition,
		Compiled: e.Compiled, Source: e.Source, FileName: e.FileName}}})
	if err != nil {
		return Edition{}, err
	}
	return o.f.editions[editionID{e.Chart, e.Edition}], nil
}

// Customer gives one customer.
func (o *Office) Customer(id string) (Customer, error) {
	return get(o, "customer", id, id, func() map[string]Customer { return o.f.customers })
}

// Site gives one site.
func (o *Office) Site(id string) (Site, error) {
	return get(o, "site", id, id, func() map[string]Site { return o.f.sites })
}

// Machine gives one machine's entry.
func (o *Office) Machine(id string) (Machine, error) {
	return get(o, "machine", id, id, func() map[string]Machine { return o.f.machines })
}

// Edition gives one edition; edition 0 asks for the newest.
func (o *Office) Edition(chart string, edition uint32) (Edition, error) {
	if edition == 0 {
		all := o.ListEditions(chart)
		if len(all) == 0 {
			return Edition{}, &NotFound{Kind: "chart", Name: chart}
		}
		return all[0], nil
	}
	return get(o, "edition", fmt.Sprintf("%s/%d", chart, edition), editionID{chart, edition}, func() map[editionID]Edition { return o.f.editions })
}

// EditionByHash gives the edition whose compiled chart has this SHA-256.
func (o *Office) EditionByHash(sum [32]byte) (Edition, error) {
	o.mu.RLock()
	id, there := o.f.byHash[sum]
	e := o.f.editions[id]
	o.mu.RUnlock()
	if !there {
		return Edition{}, &NotFound{Kind: "edition with the hash", Name: fmt.Sprintf("%x", sum)}
	}
	return e, nil
}

// ListCustomers gives all customers in order of id.
func (o *Office) ListCustomers() []Customer {
	return list(o, func() map[string]Customer { return o.f.customers }, nil, func(a, b Customer) int { return cmp.Compare(a.ID, b.ID) })
}

// ListSites gives a customer's sites, or all with customer "", in order of id.
func (o *Office) ListSites(customer string) []Site {
	return list(o, func() map[string]Site { return o.f.sites },
		func(s Site) bool { return customer == "" || s.Customer == customer }, func(a, b Site) int { return cmp.Compare(a.ID, b.ID) })
}

// ListMachines gives a customer's machines, or all with customer "", in order of
// id.
func (o *Office) ListMachines(customer string) []Machine {
	return list(o, func() map[string]Machine { return o.f.machines },
		func(m Machine) bool { return customer == "" || m.Customer == customer }, func(a, b Machine) int { return cmp.Compare(a.ID, b.ID) })
}

// ListEditions gives a chart's editions, or all with chart "", by chart and the
// newest first.
func (o *Office) ListEditions(chart string) []Edition {
	return list(o, func() map[editionID]Edition { return o.f.editions },
		func(e Edition) bool { return chart == "" || e.Chart == chart },
		func(a, b Edition) int {
			return cmp.Or(cmp.Compare(a.Chart, b.Chart), cmp.Compare(b.Edition, a.Edition))
		})
}

func get[K comparable, V any](o *Office, kind, name string, key K, from func() map[K]V) (V, error) {
	o.mu.RLock()
	defer o.mu.RUnlock()
	v, there := from()[key]
	if !there {
		return v, &NotFound{Kind: kind, Name: name}
	}
	return v, nil
}

func list[K comparable, V any](o *Office, from func() map[K]V, which func(V) bool, order func(a, b V) int) []V {
	o.mu.RLock()
	out := slices.Collect(maps.Values(from()))
	o.mu.RUnlock()
	if which != nil {
		out = slices.DeleteFunc(out, func(v V) bool { return !which(v) })
	}
	slices.SortFunc(out, order)
	return out
}
