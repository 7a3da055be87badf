// Package api answers people's calls: the services of hourbell.v1 but the
// agents'.
//
// Every method asks access first, then reads what ingest and office hold or
// brings a person's act to them. What is answered is on disk. An act carries the
// id that was made where it was written (request_id), so that the same call
// again has no second effect. Errors carry their reason and the fields at fault
// (service/fault).
package api

import (
	"context"
	"crypto/rand"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"sync"
	"time"

	"google.golang.org/grpc"

	"github.com/hourbell/hourbell/internal/maintenance"
	"github.com/hourbell/hourbell/internal/maintenance/moment"
	pb "github.com/hourbell/hourbell/proto/hourbell/v1"
	"github.com/hourbell/hourbell/service/access"
	"github.com/hourbell/hourbell/service/agents"
	"github.com/hourbell/hourbell/service/fault"
	"github.com/hourbell/hourbell/service/ingest"
	"github.com/hourbell/hourbell/service/office"
	"github.com/hourbell/hourbell/service/pictures"
)

// Agents tells about the agents' connections.
type Agents interface {
	Presence(agent string) (agents.Presence, bool)
	Connected() int
	Ahead(machine string) (agents.Ahead, bool)
}

// Info is what a server tells about itself.
type Info struct {
	Version                        string
	Started                        time.Time
	Incarnation                    [16]byte
	People, Agents, Enrol, Metrics string // addresses, "" for none
	// EnrolPublic is the enrolment listener's address as agents reach it.
	EnrolPublic string
	Fingerprint string
}

// Options say what the API stands on.
type Options struct {
	Ingest *ingest.Ingest
	Office *office.Office
	Access *access.Access
	Agents Agents
	// Info is asked at each call, since listeners get their addresses late.
	Info func() Info
	// StoreWorks tells whether the last probe of the store went well.
	StoreWorks func() bool
	Log        *slog.Logger
	Now        func() time.Time
	// Pictures is where pictures are kept; nil where none are.
	Pictures *pictures.Store
	// Rand draws the ids of acts that come without one.
	Rand io.Reader
	// StillHere is how often a quiet watch says that it lives, 30 s where 0.
	StillHere time.Duration
}

// API is the implementation of the people's services.
type API struct {
	o       Options
	shelves shelves
	// settling is held while streams are brought what the office has begun.
	settling sync.Mutex
}

// New returns the API. Ingest, Office and Access must be there.
func New(o Options) (*API, error) {
	if o.Ingest == nil || o.Office == nil || o.Access == nil {
		return nil, errors.New("api: Ingest, Office and Access are needed")
	}
	if o.Log == nil {
		o.Log = slog.New(slog.DiscardHandler)
	}
	if o.Now == nil {
		o.Now = time.Now
	}
	if o.Rand == nil {
		o.Rand = rand.Reader
	}
	if o.Info == nil {
		o.Info = func() Info { return Info{} }
	}
	if o.StoreWorks == nil {
		o.StoreWorks = func() bool { return true }
	}
	if o.Agents == nil {
		o.Agents = nobody{}
	}
	if o.StillHere == 0 {
		o.StillHere = 30 * time.Second
	}
	return &API{o: o}, nil
}

// nobody stands in where no agents' listener runs.
type nobody struct{}

func (nobody) Presence(string) (p agents.Presence, has bool) { return p, false }
func (nobody) Connected() int                                { return 0 }
func (nobody) Ahead(string) (a agents.Ahead, has bool)       { return a, false }

// Register puts every people's service on a server.
func (a *API) Register(s grpc.ServiceRegistrar) {
	pb.RegisterCustomerServiceServer(s, &customers{API: a})
	pb.RegisterMachineServiceServer(s, &machines{API: a})
	pb.RegisterChartServiceServer(s, &charts{API: a})
	pb.RegisterFleetServiceServer(s, &fleet{API: a})
	pb.RegisterReadingServiceServer(s, &readings{API: a})
	pb.RegisterTaskServiceServer(s, &tasks{API: a})
	pb.RegisterNoticeServiceServer(s, &notices{API: a})
	pb.RegisterServiceRecordServiceServer(s, &records{API: a})
	pb.RegisterRemarkServiceServer(s, &remarks{API: a})
	pb.RegisterPictureServiceServer(s, &photos{API: a})
	pb.RegisterWalkServiceServer(s, &walks{API: a})
	pb.RegisterFieldServiceServer(s, &field{API: a})
	pb.RegisterBuildServiceServer(s, &build{API: a})
	pb.RegisterSettingServiceServer(s, &settings{API: a})
	pb.RegisterLeadServiceServer(s, &leads{API: a})
	pb.RegisterPartServiceServer(s, &parts{API: a})
	pb.RegisterMeasureServiceServer(s, &measures{API: a})
	pb.RegisterDoubtServiceServer(s, &doubts{API: a})
	pb.RegisterWarningServiceServer(s, &warnings{API: a})
	pb.RegisterWatchServiceServer(s, &watch{API: a})
	pb.RegisterVerifyServiceServer(s, &verify{API: a, turn: make(chan struct{}, 1)})
	pb.RegisterPersonServiceServer(s, &persons{API: a})
	pb.RegisterServerServiceServer(s, &server{API: a})
	pb.RegisterCrewServiceServer(s, &crews{API: a})
	pb.RegisterSeasonServiceServer(s, &seasons{API: a})
	pb.RegisterAttachmentServiceServer(s, &attachments{API: a})
	pb.RegisterFleetFileServiceServer(s, &fleetFiles{API: a})
}

// Errors turns the typed errors of a unary call into statuses, and logs those
// that are ours.
func (a *API) Errors(ctx context.Context, req any, info *grpc.UnaryServerInfo, handler grpc.UnaryHandler) (any, error) {
	answer, err := handler(ctx, req)
	return answer, a.status(ctx, info.FullMethod, err)
}

// StreamErrors does as Errors for a stream.
func (a *API) StreamErrors(srv any, ss grpc.ServerStream, info *grpc.StreamServerInfo, handler grpc.StreamHandler) error {
	return a.status(ss.Context(), info.FullMethod, handler(srv, ss))
}

func (a *API) status(ctx context.Context, method string, err error) error {
	if err == nil {
		return nil
	}
	status := fault.Status(err)
	if fault.ReasonOf(status) == fault.Internal {
		a.o.Log.ErrorContext(ctx, "call failed", "method", method, "person", access.Person(ctx), "err", err)
	}
	return status
}

func (a *API) now() moment.Instant { return moment.Instant(a.o.Now().UnixMilli()) }

// act brings a person's act to a machine. id is the request's id, empty for one
// made here.
func (a *API) act(ctx context.Context, machine, requestID string, at moment.Span, body maintenance.Body) (maintenance.Key, ingest.Receipt, error) {
	id, err := a.actID(requestID)
	if err != nil {
		return maintenance.Key{}, ingest.Receipt{}, err
	}
	receipt, err := a.o.Ingest.Act(ctx, machine, id, at, body)
	return maintenance.Key{Stream: id}, receipt, err
}

func (a *API) actID(requestID string) (id [16]byte, err error) {
	if id, err = parseUUID("request_id", requestID); err != nil || id != [16]byte{} {
		return id, err
	}
	if _, err := io.ReadFull(a.o.Rand, id[:]); err != nil {
		return id, fmt.Errorf("make an id: %w", err)
	}
	id[6], id[8] = id[6]&0x0f|0x40, id[8]&0x3f|0x80
	return id, nil
}

// view shows a machine's state, as it is on disk.
func (a *API) view(ctx context.Context, machine string, show func(*maintenance.State)) error {
	return a.o.Ingest.View(ctx, machine, show)
}

// granted gives the machines of a parent, "machines/{machine}" or "machines/-",
// that the caller may see, in order of id.
func (a *API) granted(ctx context.Context, parent string) ([]string, error) {
	id, err := parseMachine("parent", parent)
	if err != nil {
		return nil, err
	}
	if id != all {
		if _, err := a.o.Access.Machine(ctx, access.See, id); err != nil {
			return nil, err
		}
		return []string{id}, nil
	}
	may, err := a.o.Access.Filter(ctx, access.See)
	if err != nil {
		return nil, err
	}
	var out []string
	for _, m := range a.o.Office.ListMachines("") {
		if may(m.Customer) {
			out = append(out, m.ID)
		}
	}
	return out, nil
}

// isUnknown reports whether a machine stands in the registry and has no stream
// yet: it is just being commissioned.
func isUnknown(err error) bool {
	var unknown *ingest.UnknownMachine
	return errors.As(err, &unknown)
}
