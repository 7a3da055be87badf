package office

import (
	"cmp"
	"context"
	"fmt"
	"slices"

	pb "github.com/hourbell/hourbell/proto/hourbell/v1"
)

// maxMembers bounds a crew.
const maxMembers = 500

// CreateCrew adds a crew, without members.
func (o *Office) CreateCrew(ctx context.Context, c Crew) (Crew, error) {
	if err := cmp.Or(CheckID("crew_id", c.ID), checkDisplay("crew.display_name", c.Display)); err != nil {
		return Crew{}, err
	}
	o.write.Lock()
	defer o.write.Unlock()
	if _, there := o.f.customers[c.Customer]; !there {
		return Crew{}, &NotFound{Kind: "customer", Name: c.Customer}
	}
	if have, there := o.f.crews[c.ID]; there {
		return have, same("crew", c.ID, have.Customer == c.Customer && have.Display == c.Display)
	}
	err := o.append(ctx, &pb.OfficeEvent{Body: &pb.OfficeEvent_Crew{Crew: &pb.OfficeCrew{Crew: c.ID, Customer: c.Customer, Display: c.Display}}})
	return o.f.crews[c.ID], err
}

// SetCrewMember says that a person is in a crew, or with gone is no more.
func (o *Office) SetCrewMember(ctx context.Context, crew, person string, gone bool) (Crew, error) {
	if err := checkPseudonym(person); err != nil {
		return Crew{}, err
	}
	o.write.Lock()
	defer o.write.Unlock()
	c, there := o.f.crews[crew]
	switch {
	case !there:
		return Crew{}, &NotFound{Kind: "crew", Name: crew}
	case slices.Contains(c.Members, person) != gone:
		return c, nil
	case !gone && len(c.Members) >= maxMembers:
		return Crew{}, &Refused{Field: "person", Why: fmt.Sprintf("crew %s has %d members already", crew, maxMembers), Fix: "make another crew"}
	}
	err := o.append(ctx, &pb.OfficeEvent{Body: &pb.OfficeEvent_CrewMember{CrewMember: &pb.OfficeCrewMember{Crew: crew, Person: person, Gone: gone}}})
	return o.f.crews[crew], err
}

// SetShift opens a shift, or changes it.
func (o *Office) SetShift(ctx context.Context, s Shift) (Shift, error) {
	if err := cmp.Or(CheckID("shift_id", s.ID), checkShift(&s)); err != nil {
		return Shift{}, err
	}
	o.write.Lock()
	defer o.write.Unlock()
	customer, err := o.f.shiftCustomer(s)
	if err != nil {
		return Shift{}, err
	}
	have, there := o.f.shifts[s.ID]
	if there {
		if before, err := o.f.shiftCustomer(have); err != nil || before != customer {
			return Shift{}, &AlreadyExists{Kind: "shift", Name: s.ID}
		}
		if have == s {
			return have, nil
		}
	}
	return s, o.append(ctx, &pb.OfficeEvent{Body: &pb.OfficeEvent_Shift{Shift: &pb.OfficeShift{Shift: s.ID, Crew: s.Crew, Site: s.Site,
		FromMinutes: uint32(s.From), ToMinutes: uint32(s.To), Days: uint32(s.Days), Quiet: s.Quiet}}})
}

func checkShift(s *Shift) error {
	switch {
	case (s.Crew == "") == (s.Site == ""):
		return &Refused{Field: "shift.crew", Why: "a shift is of a crew or of a site", Fix: "name one of the two"}
	case s.From > 1439:
		return &Refused{Field: "shift.from_minutes", Why: fmt.Sprintf("%d is no minute of a day", s.From), Fix: "give 0 to 1439, 360 for 06:00"}
	case s.To > 1439:
		return &Refused{Field: "shift.to_minutes", Why: fmt.Sprintf("%d is no minute of a day", s.To), Fix: "give 0 to 1439, 1320 for 22:00"}
	case s.From == s.To:
		return &Refused{Field: "shift.to_minutes", Why: "the shift ends when it begins", Fix: "give an end that differs from its beginning"}
	case s.Days == 0 || s.Days > EveryDay:
		return &Refused{Field: "shift.week_days", Why: "the shift begins on no day of the week", Fix: "name 1 Monday to 7 Sunday, or leave them out for every day"}
	}
	return nil
}

// EndShift ends a shift.
func (o *Office) EndShift(ctx context.Context, id string) error {
	o.write.Lock()
	defer o.write.Unlock()
	if _, there := o.f.shifts[id]; !there {
		return &NotFound{Kind: "shift", Name: id}
	}
	return o.append(ctx, &pb.OfficeEvent{Body: &pb.OfficeEvent_ShiftEnded{ShiftEnded: &pb.OfficeShiftEnded{Shift: id}}})
}

// SetPart says what part a person has in the trade; "" takes it back.
func (o *Office) SetPart(ctx context.Context, person string, part Part) error {
	if err := checkPseudonym(person); err != nil {
		return err
	}
	if !slices.Contains([]Part{"", Operator, Technician, Dealer}, part) {
		return &Refused{Field: "part", Why: fmt.Sprintf("%q is no part in the trade", part), Fix: "say operator, technician or dealer"}
	}
	o.write.Lock()
	defer o.write.Unlock()
	if o.f.parts[person] == part {
		return nil
	}
	return o.append(ctx, &pb.OfficeEvent{Body: &pb.OfficeEvent_Part{Part: &pb.OfficePart{Person: person, Part: string(part)}}})
}

// Part gives a person's part in the trade, "" where none was said.
func (o *Office) Part(person string) Part {
	o.mu.RLock()
	defer o.mu.RUnlock()
	return o.f.parts[person]
}

// Crew gives one crew.
func (o *Office) Crew(id string) (Crew, error) {
	return get(o, "crew", id, id, func() map[string]Crew { return o.f.crews })
}

// Shift gives one shift and whose it is.
func (o *Office) Shift(id string) (s Shift, customer string, err error) {
	if s, err = get(o, "shift", id, id, func() map[string]Shift { return o.f.shifts }); err != nil {
		return s, "", err
	}
	customer, err = o.ShiftCustomer(s)
	return s, customer, err
}

// ShiftCustomer gives the customer of a shift's crew or site.
func (o *Office) ShiftCustomer(s Shift) (string, error) {
	o.mu.RLock()
	defer o.mu.RUnlock()
	return o.f.shiftCustomer(s)
}

// ListCrews gives a customer's crews, or all with customer "", in order of id.
func (o *Office) ListCrews(customer string) []Crew {
	return list(o, func() map[string]Crew { return o.f.crews },
		func(c Crew) bool { return customer == "" || c.Customer == customer }, func(a, b Crew) int { return cmp.Compare(a.ID, b.ID) })
}

// ListShifts gives a customer's shifts, or all with customer "", in order of id.
func (o *Office) ListShifts(customer string) []Shift {
	out := list(o, func() map[string]Shift { return o.f.shifts }, nil, func(a, b Shift) int { return cmp.Compare(a.ID, b.ID) })
	return slices.DeleteFunc(out, func(s Shift) bool {
		of, err := o.ShiftCustomer(s)
		return customer != "" && (err != nil || of != customer)
	})
}

func (f *fold) shiftCustomer(s Shift) (string, error) {
	if s.Crew != "" {
		c, there := f.crews[s.Crew]
		if !there {
			return "", &NotFound{Kind: "crew", Name: s.Crew}
		}
		return c.Customer, nil
	}
	site, there := f.sites[s.Site]
	if !there {
		return "", &NotFound{Kind: "site", Name: s.Site}
	}
	return site.Customer, nil
}

func checkPseudonym(person string) error {
	if !pseudonymForm.MatchString(person) {
		return &Refused{Field: "person", Why: fmt.Sprintf("%q is no pseudonym", person), Fix: "use 1 to 63 of a-z, 0-9, '.', '_' and '-'"}
	}
	return nil
}
