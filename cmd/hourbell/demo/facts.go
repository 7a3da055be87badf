package demo

import (
	"context"
	"errors"
	"fmt"
	"io"
	"slices"
	"time"

	"google.golang.org/grpc"

	pb "github.com/hourbell/hourbell/proto/hourbell/v1"
)

// facts is what the service says of one machine, all of it read back through the
// API.
type facts struct {
	machine  *pb.Machine
	readings []*pb.MeterReading  // as they were taken in
	changes  []*pb.WarningChange // as they were taken in
	counts   []*pb.WarningCount
	notices  []*pb.Notice // closed ones too
	tasks    []*pb.Task
	rebuilt  *pb.VerifyResult
}

// readFacts reads one machine's facts.
func readFacts(ctx context.Context, conn grpc.ClientConnInterface, id string) (*facts, error) {
	f := &facts{}
	name := "machines/" + id
	for _, read := range []func(context.Context, grpc.ClientConnInterface, string) error{
		f.readMachine, f.readReadings, f.readWarnings, f.readNotices, f.readTasks, f.readVerify,
	} {
		if err := read(ctx, conn, name); err != nil {
			return nil, fmt.Errorf("read %s back: %w", name, err)
		}
	}
	return f, nil
}

func (f *facts) readMachine(ctx context.Context, conn grpc.ClientConnInterface, name string) error {
	a, err := pb.NewMachineServiceClient(conn).GetMachine(ctx, &pb.GetMachineRequest{Name: name})
	f.machine = a.GetMachine()
	return err
}

func (f *facts) readReadings(ctx context.Context, conn grpc.ClientConnInterface, name string) (err error) {
	f.readings, err = pages(func(token string) ([]*pb.MeterReading, string, error) {
		a, err := pb.NewReadingServiceClient(conn).ListReadings(ctx, &pb.ListReadingsRequest{Parent: name, PageSize: pageSize, PageToken: token})
		return a.GetReadings(), a.GetNextPageToken(), err
	})
	slices.Reverse(f.readings)
	return err
}

func (f *facts) readWarnings(ctx context.Context, conn grpc.ClientConnInterface, name string) (err error) {
	client := pb.NewWarningServiceClient(conn)
	f.changes, err = pages(func(token string) ([]*pb.WarningChange, string, error) {
		a, err := client.ListWarningChanges(ctx, &pb.ListWarningChangesRequest{Parent: name, PageSize: pageSize, PageToken: token})
		return a.GetChanges(), a.GetNextPageToken(), err
	})
	if err != nil {
		return err
	}
	slices.Reverse(f.changes)
	f.counts, err = pages(func(token string) ([]*pb.WarningCount, string, error) {
		a, err := client.ListWarningCounts(ctx, &pb.ListWarningCountsRequest{Parent: name, PageSize: pageSize, PageToken: token})
		return a.GetCounts(), a.GetNextPageToken(), err
	})
	return err
}

func (f *facts) readNotices(ctx context.Context, conn grpc.ClientConnInterface, name string) (err error) {
	f.notices, err = pages(func(token string) ([]*pb.Notice, string, error) {
		a, err := pb.NewNoticeServiceClient(conn).ListNotices(ctx, &pb.ListNoticesRequest{Parent: name, IncludeClosed: true, PageSize: pageSize, PageToken: token})
		return a.GetNotices(), a.GetNextPageToken(), err
	})
	slices.SortStableFunc(f.notices, func(a, b *pb.Notice) int { return latest(a.RaisedMoment).Compare(latest(b.RaisedMoment)) })
	return err
}

func (f *facts) readTasks(ctx context.Context, conn grpc.ClientConnInterface, name string) (err error) {
	f.tasks, err = listTasks(ctx, conn, name)
	return err
}

func listTasks(ctx context.Context, conn grpc.ClientConnInterface, name string) ([]*pb.Task, error) {
	return pages(func(token string) ([]*pb.Task, string, error) {
		a, err := pb.NewTaskServiceClient(conn).ListTasks(ctx, &pb.ListTasksRequest{Parent: name, PageSize: pageSize, PageToken: token})
		return a.GetTasks(), a.GetNextPageToken(), err
	})
}

func (f *facts) readVerify(ctx context.Context, conn grpc.ClientConnInterface, name string) error {
	stream, err := pb.NewVerifyServiceClient(conn).Verify(ctx, &pb.VerifyRequest{Machines: []string{name}})
	if err != nil {
		return err
	}
	for {
		a, err := stream.Recv()
		if errors.Is(err, io.EOF) {
			return nil
		}
		if err != nil {
			return err
		}
		if r := a.GetResult(); r != nil {
			f.rebuilt = r
		}
	}
}

// meter is one of the machine's meters, nil where it has none of that name.
func (f *facts) meter(name string) *pb.MachineMeter {
	for _, m := range f.machine.GetMeters() {
		if m.Meter == name {
			return m
		}
	}
	return nil
}

// roundOf is the round that a task belongs to, "" for none.
func (f *facts) roundOf(task string) string {
	for _, t := range f.tasks {
		if t.Name == task {
			return t.Round
		}
	}
	return ""
}

// pageSize is how many rows are asked for at once.
const pageSize = 1000

// pages reads page after page until the last.
func pages[T any](fetch func(token string) (rows []T, next string, err error)) (all []T, err error) {
	for token := ""; ; {
		rows, next, err := fetch(token)
		all = append(all, rows...)
		if err != nil || next == "" {
			return all, err
		}
		token = next
	}
}

// latest is the last instant that a moment may be.
func latest(m *pb.Moment) time.Time { return m.GetNotAfterTime().AsTime() }

// certain tells whether a moment is one instant.
func certain(m *pb.Moment) bool {
	return m.GetNotBeforeTime().AsTime().Equal(m.GetNotAfterTime().AsTime())
}
