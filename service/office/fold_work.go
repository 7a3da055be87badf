package office

import (
	"fmt"
	"slices"

	"github.com/hourbell/hourbell/internal/maintenance/civil"
	"github.com/hourbell/hourbell/internal/maintenance/moment"
	pb "github.com/hourbell/hourbell/proto/hourbell/v1"
)

// workFold is what crews, seasons, attachments and hand-overs make of the fold.
type workFold struct {
	parts       map[string]Part
	crews       map[string]Crew
	shifts      map[string]Shift
	seasons     map[seasonID]Season
	seasonWords map[string][]SeasonWord // by site, as they were said
	told        map[SeasonWord]map[string]bool
	saidBy      map[SeasonWord]string // pseudonym
	attachments map[string]Attachment
	movings     map[string]Moving
	carried     map[string][]byte // by attachment: what it brings to its next machine
	handings    map[string]HandingOver
	rows        map[[32]byte]bool
}

func newWorkFold() workFold {
	return workFold{
		parts: map[string]Part{}, crews: map[string]Crew{}, shifts: map[string]Shift{},
		seasons: map[seasonID]Season{}, seasonWords: map[string][]SeasonWord{}, told: map[SeasonWord]map[string]bool{}, saidBy: map[SeasonWord]string{},
		attachments: map[string]Attachment{}, movings: map[string]Moving{}, carried: map[string][]byte{}, handings: map[string]HandingOver{}, rows: map[[32]byte]bool{},
	}
}

func (f *fold) applyWork(m *pb.OfficeEvent, at moment.Instant) error {
	switch b := m.GetBody().(type) {
	case *pb.OfficeEvent_Part:
		f.part(b.Part)
	case *pb.OfficeEvent_Crew:
		c := b.Crew
		f.crews[c.GetCrew()] = Crew{ID: c.GetCrew(), Customer: c.GetCustomer(), Display: c.GetDisplay(), Members: f.crews[c.GetCrew()].Members}
	case *pb.OfficeEvent_CrewMember:
		f.member(b.CrewMember)
	case *pb.OfficeEvent_Shift:
		s := b.Shift
		f.shifts[s.GetShift()] = Shift{ID: s.GetShift(), Crew: s.GetCrew(), Site: s.GetSite(), From: uint16(s.GetFromMinutes()), To: uint16(s.GetToMinutes()),
			Days: uint8(s.GetDays()), Quiet: s.GetQuiet()}
	case *pb.OfficeEvent_ShiftEnded:
		delete(f.shifts, b.ShiftEnded.GetShift())
	case *pb.OfficeEvent_Season:
		f.season(seasonWord(b.Season), m.GetPerson())
	case *pb.OfficeEvent_SeasonTold:
		f.seasonTold(b.SeasonTold)
	default:
		return f.applyMoves(m, at)
	}
	return nil
}

func (f *fold) applyMoves(m *pb.OfficeEvent, at moment.Instant) error {
	switch b := m.GetBody().(type) {
	case *pb.OfficeEvent_Attachment:
		a := b.Attachment
		f.attachments[a.GetAttachment()] = Attachment{ID: a.GetAttachment(), Customer: a.GetCustomer(), Display: a.GetDisplay(), Kind: a.GetKind(),
			Machine: f.attachments[a.GetAttachment()].Machine}
	case *pb.OfficeEvent_AttachmentMoving:
		f.moving(b.AttachmentMoving, m.GetPerson())
	case *pb.OfficeEvent_AttachmentMoved:
		delete(f.movings, b.AttachmentMoved.GetAttachment())
	case *pb.OfficeEvent_HandingOver:
		f.handing(b.HandingOver, at, m.GetPerson())
	case *pb.OfficeEvent_HandedOver:
		delete(f.handings, b.HandedOver.GetMachine())
	case *pb.OfficeEvent_FleetTaken:
		for _, row := range b.FleetTaken.GetRows() {
			f.rows[hash(row)] = true
		}
	default:
		return fmt.Errorf("it is of a kind (%T) that this version doesn't know: run the version that wrote it, or a newer one", b)
	}
	return nil
}

func (f *fold) part(m *pb.OfficePart) {
	if m.GetPart() == "" {
		delete(f.parts, m.GetPerson())
		return
	}
	f.parts[m.GetPerson()] = Part(m.GetPart())
}

// member makes a new list, since readers hold the old one.
func (f *fold) member(m *pb.OfficeCrewMember) {
	c := f.crews[m.GetCrew()]
	members := slices.DeleteFunc(slices.Clone(c.Members), func(p string) bool { return p == m.GetPerson() })
	if !m.GetGone() {
		members = append(members, m.GetPerson())
		slices.Sort(members)
	}
	c.Members = members
	f.crews[m.GetCrew()] = c
}

func (f *fold) season(w SeasonWord, person string) {
	f.saidBy[w] = person
	s, there := f.seasons[w.id()]
	if !there {
		s = Season{Site: w.Site, Season: w.Season, Crop: w.Crop, Opens: civil.None, Closes: civil.None}
	}
	if w.Open {
		s.Opens = w.Date
	} else {
		s.Closes = w.Date
	}
	f.seasons[w.id()] = s
	f.seasonWords[w.Site] = append(f.seasonWords[w.Site], w)
}

func (f *fold) seasonTold(m *pb.OfficeSeasonTold) {
	w := seasonWord(m.GetSeason())
	if f.told[w] == nil {
		f.told[w] = map[string]bool{}
	}
	for _, machine := range m.GetMachines() {
		f.told[w][machine] = true
	}
}

func (f *fold) moving(m *pb.OfficeAttachmentMoving, person string) {
	f.movings[m.GetAttachment()] = Moving{Attachment: m.GetAttachment(), From: m.GetFrom(), To: m.GetTo(), Key: id16(m.GetKey()), Off: m.GetOff(), On: m.GetOn(), Carries: m.GetCarries(),
		At: moment.Span{NotBefore: moment.Instant(m.GetNotBeforeMs()), NotAfter: moment.Instant(m.GetNotAfterMs())}, Person: person}
	f.carried[m.GetAttachment()] = m.GetCarries()
	a := f.attachments[m.GetAttachment()]
	a.Machine = m.GetTo()
	f.attachments[m.GetAttachment()] = a
}

func (f *fold) handing(m *pb.OfficeHandingOver, at moment.Instant, person string) {
	f.handings[m.GetMachine()] = HandingOver{Machine: m.GetMachine(), Customer: m.GetCustomer(), Site: m.GetSite(), Key: id16(m.GetKey()), At: at,
		Attachments: m.GetAttachments(), Person: person}
	machine := f.machines[m.GetMachine()]
	machine.Customer, machine.Site = m.GetCustomer(), m.GetSite()
	f.machines[m.GetMachine()] = machine
	for _, id := range m.GetAttachments() {
		a := f.attachments[id]
		a.Customer = m.GetCustomer()
		f.attachments[id] = a
	}
}

// id16 reads a key that this package wrote.
func id16(b []byte) (out [16]byte) {
	copy(out[:], b)
	return out
}
