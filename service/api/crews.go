package api

import (
	"context"
	"fmt"

	pb "github.com/hourbell/hourbell/proto/hourbell/v1"
	"github.com/hourbell/hourbell/service/access"
	"github.com/hourbell/hourbell/service/fault"
	"github.com/hourbell/hourbell/service/office"
)

type crews struct {
	pb.UnimplementedCrewServiceServer
	*API
}

const (
	crewPattern  = "customers/{customer}/crews/{crew}"
	shiftPattern = "customers/{customer}/shifts/{shift}"
)

// tradeParts are the wire's numbers of the parts in the trade.
func tradeParts() map[pb.TradePart]office.Part {
	return map[pb.TradePart]office.Part{pb.TradePart_TRADE_PART_UNSPECIFIED: "", pb.TradePart_TRADE_PART_OPERATOR: office.Operator,
		pb.TradePart_TRADE_PART_TECHNICIAN: office.Technician, pb.TradePart_TRADE_PART_DEALER: office.Dealer}
}

func (a *API) tradePart(person string) pb.TradePart {
	for number, part := range tradeParts() {
		if part == a.o.Office.Part(person) {
			return number
		}
	}
	return pb.TradePart_TRADE_PART_UNSPECIFIED
}

func (a *API) crewOf(c office.Crew) *pb.Crew {
	out := &pb.Crew{Name: customerName(c.Customer) + "/crews/" + c.ID, DisplayName: c.Display}
	for _, p := range c.Members {
		out.Members = append(out.Members, &pb.CrewMember{Person: "persons/" + p, Part: a.tradePart(p)})
	}
	return out
}

// CreateCrew adds a crew.
func (s *crews) CreateCrew(ctx context.Context, q *pb.CreateCrewRequest) (*pb.CreateCrewResponse, error) {
	customer, err := s.parent(ctx, access.Commission, q.GetParent(), q.GetRequestId())
	if err != nil {
		return nil, err
	}
	c, err := s.o.Office.CreateCrew(ctx, office.Crew{ID: q.GetCrewId(), Customer: customer, Display: q.GetCrew().GetDisplayName()})
	if err != nil {
		return nil, s.hidden(ctx, "crew_id", q.GetCrewId(), c.Customer, err)
	}
	return &pb.CreateCrewResponse{Crew: s.crewOf(c)}, nil
}

// parent asks access for a customer that a call names, and reads its request id.
func (a *API) parent(ctx context.Context, permission access.Permission, name, requestID string) (string, error) {
	parts, err := parse("parent", "customers/{customer}", name)
	if err != nil {
		return "", err
	}
	if _, err := a.o.Access.Customer(ctx, permission, parts[0]); err != nil {
		return "", err
	}
	_, err = parseUUID("request_id", requestID)
	return parts[0], err
}

// hidden keeps from the caller that a customer they don't know has something of
// this id.
func (a *API) hidden(ctx context.Context, field, id, holder string, err error) error {
	if fault.Of(err).Reason != fault.AlreadyExists {
		return err
	}
	if _, seen := a.o.Access.Customer(ctx, access.See, holder); seen != nil {
		return fault.InvalidField(field, fmt.Sprintf("%q can't be used", id), "choose another id")
	}
	return err
}

// listParent asks access for the customer that a list is of; "" for all that the
// caller was granted, which may tells.
func (a *API) listParent(ctx context.Context, name string) (customer string, may func(string) bool, err error) {
	parts, err := parse("parent", "customers/{customer}", name)
	if err != nil {
		return "", nil, err
	}
	if may, err = a.o.Access.Filter(ctx, access.See); err != nil {
		return "", nil, err
	}
	if parts[0] == all {
		return "", may, nil
	}
	_, err = a.o.Access.Customer(ctx, access.See, parts[0])
	return parts[0], may, err
}

// ListCrews lists crews.
func (s *crews) ListCrews(ctx context.Context, q *pb.ListCrewsRequest) (*pb.ListCrewsResponse, error) {
	customer, may, err := s.listParent(ctx, q.GetParent())
	if err != nil {
		return nil, err
	}
	p, err := newPager(q)
	if err != nil {
		return nil, err
	}
	var rows []office.Crew
	for _, c := range s.o.Office.ListCrews(customer) {
		if may(c.Customer) {
			rows = append(rows, c)
		}
	}
	rows, next := slicePage(p, rows, func(c office.Crew) string { return c.ID })
	out := &pb.ListCrewsResponse{NextPageToken: next}
	for _, c := range rows {
		out.Crews = append(out.Crews, s.crewOf(c))
	}
	return out, nil
}

// SetCrewMember says that a person is in a crew, or is no more.
func (s *crews) SetCrewMember(ctx context.Context, q *pb.SetCrewMemberRequest) (*pb.SetCrewMemberResponse, error) {
	parts, err := parse("name", crewPattern, q.GetName())
	if err != nil {
		return nil, err
	}
	crew, err := s.crew(ctx, access.Commission, parts[0], parts[1])
	if err != nil {
		return nil, err
	}
	person, err := parse("person", "persons/{person}", q.GetPerson())
	if err != nil {
		return nil, err
	}
	if _, err := parseUUID("request_id", q.GetRequestId()); err != nil {
		return nil, err
	}
	crew, err = s.o.Office.SetCrewMember(ctx, crew.ID, person[0], q.GetLeaves())
	if err != nil {
		return nil, err
	}
	return &pb.SetCrewMemberResponse{Crew: s.crewOf(crew)}, nil
}

// crew finds a crew of a customer.
func (a *API) crew(ctx context.Context, permission access.Permission, customer, id string) (office.Crew, error) {
	if _, err := a.o.Access.Customer(ctx, permission, customer); err != nil {
		return office.Crew{}, err
	}
	c, err := a.o.Office.Crew(id)
	if err != nil || c.Customer != customer {
		return office.Crew{}, fault.Missing("crew", cut(id))
	}
	return c, nil
}

// SetShift opens a shift, or changes it.
func (s *crews) SetShift(ctx context.Context, q *pb.SetShiftRequest) (*pb.SetShiftResponse, error) {
	shift, customer, err := s.shiftOwner(ctx, q.GetShift())
	if err != nil {
		return nil, err
	}
	if _, err := parseUUID("request_id", q.GetRequestId()); err != nil {
		return nil, err
	}
	shift.ID = q.GetShiftId()
	if err := readShift(&shift, q.GetShift()); err != nil {
		return nil, err
	}
	if shift, err = s.o.Office.SetShift(ctx, shift); err != nil {
		_, holder, _ := s.o.Office.Shift(q.GetShiftId())
		return nil, s.hidden(ctx, "shift_id", q.GetShiftId(), holder, err)
	}
	return &pb.SetShiftResponse{Shift: shiftOf(shift, customer)}, nil
}

// shiftOwner asks access for the crew or site of a shift.
func (s *crews) shiftOwner(ctx context.Context, q *pb.Shift) (shift office.Shift, customer string, err error) {
	if q.GetCrew() != "" && q.GetSite() != "" || q.GetCrew() == "" && q.GetSite() == "" {
		err = s.o.Access.Anywhere(ctx, access.Commission)
		if err == nil {
			err = fault.InvalidField("shift.crew", "a shift is of a crew or of a site", "name one of the two")
		}
		return shift, "", err
	}
	if q.GetCrew() != "" {
		parts, err := parse("shift.crew", crewPattern, q.GetCrew())
		if err != nil {
			return shift, "", err
		}
		c, err := s.crew(ctx, access.Commission, parts[0], parts[1])
		shift.Crew = c.ID
		return shift, c.Customer, err
	}
	parts, err := parse("shift.site", sitePattern, q.GetSite())
	if err != nil {
		return shift, "", err
	}
	site, err := s.o.Access.Site(ctx, access.Commission, parts[0], parts[1])
	shift.Site = site.ID
	return shift, site.Customer, err
}

func readShift(shift *office.Shift, q *pb.Shift) error {
	for _, one := range []struct {
		field string
		value int32
	}{{"shift.from_minutes", q.GetFromMinutes()}, {"shift.to_minutes", q.GetToMinutes()}} {
		if one.value < 0 || one.value > 1439 {
			return fault.InvalidField(one.field, fmt.Sprintf("%d is no minute of a day", one.value), "give 0 to 1439, 360 for 06:00")
		}
	}
	shift.From, shift.To, shift.Quiet = uint16(q.GetFromMinutes()), uint16(q.GetToMinutes()), q.GetQuiet()
	for i, d := range q.GetWeekDays() {
		if d < 1 || d > 7 {
			return fault.InvalidField(fmt.Sprintf("shift.week_days[%d]", i), fmt.Sprintf("%d is no day of the week", d), "give 1 Monday to 7 Sunday")
		}
		shift.Days |= 1 << (d - 1)
	}
	if shift.Days == 0 {
		shift.Days = office.EveryDay
	}
	return nil
}

func shiftOf(s office.Shift, customer string) *pb.Shift {
	out := &pb.Shift{Name: customerName(customer) + "/shifts/" + s.ID, FromMinutes: int32(s.From), ToMinutes: int32(s.To), Quiet: s.Quiet}
	if s.Crew != "" {
		out.Crew = customerName(customer) + "/crews/" + s.Crew
	} else {
		out.Site = siteName(customer, s.Site)
	}
	for d := range int32(7) {
		if s.Days&(1<<d) != 0 {
			out.WeekDays = append(out.WeekDays, d+1)
		}
	}
	return out
}

// EndShift ends a shift.
func (s *crews) EndShift(ctx context.Context, q *pb.EndShiftRequest) (*pb.EndShiftResponse, error) {
	parts, err := parse("name", shiftPattern, q.GetName())
	if err != nil {
		return nil, err
	}
	if _, err := s.o.Access.Customer(ctx, access.Commission, parts[0]); err != nil {
		return nil, err
	}
	if _, err := parseUUID("request_id", q.GetRequestId()); err != nil {
		return nil, err
	}
	shift, customer, err := s.o.Office.Shift(parts[1])
	if err != nil || customer != parts[0] {
		return nil, fault.Missing("shift", cut(parts[1]))
	}
	return &pb.EndShiftResponse{}, s.o.Office.EndShift(ctx, shift.ID)
}

// ListShifts lists shifts.
func (s *crews) ListShifts(ctx context.Context, q *pb.ListShiftsRequest) (*pb.ListShiftsResponse, error) {
	customer, may, err := s.listParent(ctx, q.GetParent())
	if err != nil {
		return nil, err
	}
	p, err := newPager(q)
	if err != nil {
		return nil, err
	}
	var rows []office.Shift
	for _, shift := range s.o.Office.ListShifts(customer) {
		if of, err := s.o.Office.ShiftCustomer(shift); err == nil && may(of) {
			rows = append(rows, shift)
		}
	}
	rows, next := slicePage(p, rows, func(s office.Shift) string { return s.ID })
	out := &pb.ListShiftsResponse{NextPageToken: next}
	for _, shift := range rows {
		of, _ := s.o.Office.ShiftCustomer(shift) // it was found above, and shifts keep their customer
		out.Shifts = append(out.Shifts, shiftOf(shift, of))
	}
	return out, nil
}

// SetPersonPart says what part a person has in the trade.
func (s *crews) SetPersonPart(ctx context.Context, q *pb.SetPersonPartRequest) (*pb.SetPersonPartResponse, error) {
	person, err := s.person(ctx, q.GetName(), q.GetRequestId())
	if err != nil {
		return nil, err
	}
	part, known := tradeParts()[q.GetPart()]
	if !known {
		return nil, fault.InvalidField("part", fmt.Sprintf("%d is no part in the trade", q.GetPart()), "give operator, technician or dealer")
	}
	if err := s.o.Office.SetPart(ctx, person, part); err != nil {
		return nil, err
	}
	return &pb.SetPersonPartResponse{Part: s.tradePart(person)}, nil
}

// GetPersonPart tells it.
func (s *crews) GetPersonPart(ctx context.Context, q *pb.GetPersonPartRequest) (*pb.GetPersonPartResponse, error) {
	person, err := s.person(ctx, q.GetName(), "")
	if err != nil {
		return nil, err
	}
	return &pb.GetPersonPartResponse{Part: s.tradePart(person)}, nil
}

// person asks access and reads a person's name.
func (s *crews) person(ctx context.Context, name, requestID string) (string, error) {
	if err := s.o.Access.Check(ctx, access.Office, access.Resource{}); err != nil {
		return "", err
	}
	parts, err := parse("name", "persons/{person}", name)
	if err != nil {
		return "", err
	}
	_, err = parseUUID("request_id", requestID)
	return parts[0], err
}
