// Package agenttest is a service for the agent's tests: it takes events in,
// keeps them in memory and acknowledges them, and can send the cab its copy. It
// shares no code with the real service.
package agenttest

import (
	"crypto/sha256"
	"encoding/binary"
	"errors"
	"fmt"
	"slices"
	"sync"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"

	"github.com/hourbell/hourbell/internal/maintenance"
	"github.com/hourbell/hourbell/internal/maintenance/civil"
	"github.com/hourbell/hourbell/internal/maintenance/hours"
	"github.com/hourbell/hourbell/internal/maintenance/moment"
	"github.com/hourbell/hourbell/internal/wire"
	pb "github.com/hourbell/hourbell/proto/hourbell/v1"
)

// Event is one event as the service has it.
type Event struct {
	Seq   uint64
	Stamp wire.Stamp
	Body  maintenance.Body
}

// Service implements AgentService for one machine and one spool.
type Service struct {
	pb.UnimplementedAgentServiceServer
	// Machine is what it calls the machine.
	Machine string
	// Now is the service's time.
	Now func() time.Time
	// State, where there is one, is what the cab's copy is made of; events are not
	// folded into it.
	State *maintenance.State
	Days  []maintenance.DayTurned

	mu     sync.Mutex
	epoch  [16]byte
	hash   [32]byte
	events []Event
	came   chan struct{} // closed and made anew as events come
	errs   []error
}

// New makes a service that knows nothing.
func New(machine string, now func() time.Time) *Service {
	return &Service{Machine: machine, Now: now, came: make(chan struct{})}
}

// Chart gives the cab a machine with this chart, what people wrote down a day
// ago, and the work days from today on.
func (s *Service) Chart(chart *maintenance.Chart, events ...maintenance.Body) {
	st := maintenance.New()
	at := moment.At(moment.Instant(s.Now().UnixMilli()))
	apply := func(key maintenance.Key, writer maintenance.Writer, at moment.Span, body maintenance.Body) {
		maintenance.Apply(st, &maintenance.Event{Key: key, Writer: writer, At: at, Known: at.NotAfter, Body: body}, nil)
	}
	apply(maintenance.ServiceKey("commissioned"), maintenance.WriterService, at, &maintenance.Commissioned{Machine: s.Machine, Display: "Test machine",
		Customer: "test", Site: "test", Zone: "UTC"})
	apply(maintenance.ServiceKey("rules", "2"), maintenance.WriterService, at, &maintenance.RulesChanged{Version: maintenance.WorkRules})
	apply(maintenance.ServiceKey("edition"), maintenance.WriterService, at, &maintenance.EditionTaken{Chart: chart})
	for i := range 400 {
		from := s.Now().UTC().Truncate(24*time.Hour).AddDate(0, 0, i)
		date, _ := civil.Of(from.Year(), int(from.Month()), from.Day())
		day := maintenance.DayTurned{Date: date, From: moment.Instant(from.UnixMilli()), Until: moment.Instant(from.AddDate(0, 0, 1).UnixMilli())}
		if i == 0 {
			apply(maintenance.DayKey(date), maintenance.WriterService, moment.At(day.From), &day)
			continue
		}
		s.Days = append(s.Days, day)
	}
	ago := moment.At(moment.Instant(s.Now().Add(-24 * time.Hour).UnixMilli()))
	for i, body := range events {
		apply(maintenance.Key{Stream: [16]byte{0xAC, byte(i + 1)}}, maintenance.WriterPerson, ago, body)
	}
	s.State = st
}

// Events are those that were acknowledged.
func (s *Service) Events() []Event {
	s.mu.Lock()
	defer s.mu.Unlock()
	return slices.Clone(s.events)
}

// Came is closed when further events come.
func (s *Service) Came() <-chan struct{} {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.came
}

// Err is what was wrong with what the agent sent.
func (s *Service) Err() error {
	s.mu.Lock()
	defer s.mu.Unlock()
	return errors.Join(s.errs...)
}

// Register puts the service on a server.
func (s *Service) Register(g *grpc.Server) { pb.RegisterAgentServiceServer(g, s) }

// Connect implements AgentService.
func (s *Service) Connect(stream grpc.BidiStreamingServer[pb.ConnectRequest, pb.ConnectResponse]) error {
	first, err := stream.Recv()
	if err != nil {
		return err
	}
	if err := stream.Send(s.welcome(first.GetHello())); err != nil {
		return err
	}
	if c := s.copy(); c != nil {
		if err := stream.Send(&pb.ConnectResponse{Message: &pb.ConnectResponse_CabCopy{CabCopy: c}}); err != nil {
			return err
		}
	}
	for {
		m, err := stream.Recv()
		if err != nil {
			return nil
		}
		answer, err := s.answer(m)
		if err != nil {
			return s.fail(err)
		}
		if answer == nil {
			continue
		}
		if err := stream.Send(answer); err != nil {
			return err
		}
	}
}

func (s *Service) fail(err error) error {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.errs = append(s.errs, err)
	return status.Error(codes.InvalidArgument, err.Error())
}

func (s *Service) welcome(h *pb.AgentHello) *pb.ConnectResponse {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.epoch == ([16]byte{}) {
		copy(s.epoch[:], h.GetEpoch())
		s.hash = sha256.Sum256(append([]byte("hourbell spool epoch"), h.GetEpoch()...))
	}
	return &pb.ConnectResponse{Message: &pb.ConnectResponse_Welcome{Welcome: &pb.ServiceWelcome{Incarnation: make([]byte, 16),
		NextSequence: uint64(len(s.events)) + 1, Hash: append([]byte(nil), s.hash[:]...), ServiceTimeMs: s.Now().UnixMilli(), Machine: s.Machine, Window: 4,
		MonotonicMs: h.GetMonotonicMs()}}}
}

func (s *Service) copy() *pb.CabCopy {
	if s.State == nil {
		return nil
	}
	hash := s.State.Chart.Hash()
	c := &pb.CabCopy{Revision: s.State.Revision, Rules: s.State.Rules, State: maintenance.AppendState(nil, s.State),
		Chart: maintenance.AppendChart(nil, s.State.Chart), ChartHash: hash[:]}
	for i := range s.Days {
		c.Days = append(c.Days, wire.DayToProto(&s.Days[i]))
	}
	return c
}

func (s *Service) answer(m *pb.ConnectRequest) (*pb.ConnectResponse, error) {
	if p := m.GetTimeProbe(); p != nil {
		return &pb.ConnectResponse{Message: &pb.ConnectResponse_TimeAnswer{TimeAnswer: &pb.TimeAnswer{MonotonicMs: p.GetMonotonicMs(), ServiceTimeMs: s.Now().UnixMilli()}}}, nil
	}
	b := m.GetBatch()
	if b == nil {
		return nil, nil
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	if b.GetFirstSequence() != uint64(len(s.events))+1 || string(b.GetPreviousHash()) != string(s.hash[:]) {
		return nil, fmt.Errorf("a batch begins at %d after %d events, or with another hash", b.GetFirstSequence(), len(s.events))
	}
	for _, payload := range b.GetEvents() {
		if err := s.take(payload, b.GetBoots()); err != nil {
			return nil, err
		}
	}
	close(s.came)
	s.came = make(chan struct{})
	return &pb.ConnectResponse{Message: &pb.ConnectResponse_Ack{Ack: &pb.Ack{Sequence: uint64(len(s.events))}}}, nil
}

func (s *Service) take(payload []byte, boots []*pb.BootClock) error {
	seq := uint64(len(s.events)) + 1
	stamp, body, err := wire.Unmarshal(payload)
	if err != nil {
		return fmt.Errorf("event %d: %w", seq, err)
	}
	if !stamp.Synced() {
		i := slices.IndexFunc(boots, func(b *pb.BootClock) bool { return b.GetBoot() == stamp.Boot })
		if i < 0 {
			return fmt.Errorf("event %d: its boot %d is not placed", seq, stamp.Boot)
		}
		stamp.Time = moment.Instant(boots[i].GetOffsetLatestMs() + stamp.Mono)
	}
	s.hash = sha256.Sum256(append(binary.BigEndian.AppendUint64(append([]byte(nil), s.hash[:]...), seq), payload...))
	event := wire.Event(maintenance.Key{Stream: s.epoch, Seq: seq}, maintenance.WriterAgent, moment.At(stamp.Time), stamp.Time, s.hash, body)
	s.events = append(s.events, Event{seq, stamp, event.Body})
	return nil
}

// HoursOf is a chart with the engine's hours and one task every so many of them.
func HoursOf(every hours.Millis) *maintenance.Chart {
	return &maintenance.Chart{ID: "test", Edition: 1,
		Meters:   []maintenance.MeterDef{{ID: "engine", Kind: maintenance.MeterBroadcast, Group: 65253, Source: 0, SPN: 247, Resolution: 180 * hours.Second}},
		Rounds:   []maintenance.RoundDef{{ID: "short", Call: "short round", Minutes: 5}},
		Cautions: []maintenance.CautionDef{{ID: "still", Text: "Engine off, key out, wait until every part stands still"}},
		Points:   []maintenance.PointDef{{ID: "pivot", Station: 2, Side: "left"}},
		Tasks: []maintenance.TaskDef{{ID: "pivot/grease", Point: "pivot", Do: "grease", Call: "Grease the pivot", Round: "short", Who: "operator", Cautions: []string{"still"},
			Limbs: []maintenance.Limb{{Kind: maintenance.LimbHours, Meter: "engine", Every: every, Soon: every / 4, Late: every}}}}}
}
