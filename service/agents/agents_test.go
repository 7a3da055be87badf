package agents_test

import (
	"crypto/tls"
	"io"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"

	"github.com/hourbell/hourbell/internal/maintenance"
	"github.com/hourbell/hourbell/internal/maintenance/hours"
	"github.com/hourbell/hourbell/internal/maintenance/moment"
	"github.com/hourbell/hourbell/internal/wire"
	pb "github.com/hourbell/hourbell/proto/hourbell/v1"
	"github.com/hourbell/hourbell/service/agents"
	"github.com/hourbell/hourbell/service/fault"
	"github.com/hourbell/hourbell/service/ingest/ingesttest"
	"github.com/hourbell/hourbell/service/live"
	"github.com/hourbell/hourbell/service/office"
)

func (h *house) state(machine string) (out *maintenance.State) {
	h.t.Helper()
	require.NoError(h.t, h.ingest.View(h.t.Context(), machine, func(s *maintenance.State) { out = s.Clone() }))
	return out
}

func TestEventsAreAcknowledgedAndCount(t *testing.T) {
	h := newHouse(t)
	b := h.enrol(heron, 1)
	b.readings(200)
	l := b.connect()
	assert.EqualValues(t, 1, l.welcome.GetNextSequence())
	assert.Equal(t, b.Hashes[0][:], l.welcome.GetHash())
	assert.Equal(t, heron, l.welcome.GetMachine())
	assert.Equal(t, h.clock.Load(), l.welcome.GetServiceTimeMs())
	for first := uint64(1); first < 200; first += 50 {
		l.batch(b, first, first+49)
	}
	assert.EqualValues(t, 200, l.ack(200).GetSequence())
	assert.Equal(t, 1000*hours.Hour, h.state(heron).Meters[0].Total)
	p, has := h.server.Presence(b.id)
	require.True(t, has)
	assert.True(t, p.Connected)
	assert.EqualValues(t, 200, p.Acked)
	assert.Equal(t, "test", p.Version)

	require.NoError(t, l.CloseSend())
	assert.ErrorIs(t, l.failure(), io.EOF)
	b.readings(1)
	again := b.connect()
	assert.EqualValues(t, 201, again.welcome.GetNextSequence())
	assert.Equal(t, b.Hashes[200][:], again.welcome.GetHash())
	assert.Empty(t, h.state(stork).Epochs, "the machine comes from the table only")
}

func TestAnAckWaitsForTheDiskAndGathers(t *testing.T) {
	h := newHouse(t)
	b := h.enrol(heron, 1)
	b.readings(100)
	l := b.connect()
	l.copy() // which shows what is on disk, so waits for it too
	arrived, release := h.store.Hold()
	for first := uint64(1); first < 100; first += 10 {
		l.batch(b, first, first+9)
	}
	<-arrived
	probe := &pb.ConnectRequest{Message: &pb.ConnectRequest_TimeProbe{TimeProbe: &pb.TimeProbe{MonotonicMs: 7}}}
	require.NoError(t, l.Send(probe))
	answer := await(l, (*pb.ConnectResponse).GetTimeAnswer, func(a *pb.TimeAnswer) bool { return a != nil })
	assert.EqualValues(t, 7, answer.GetMonotonicMs())
	for _, m := range l.others {
		assert.Nil(t, m.GetAck(), "nothing is on disk")
	}
	release()
	l.ack(100)
}

func TestRefusedHellos(t *testing.T) {
	h := newHouse(t)
	b := h.enrol(heron, 1)
	hello := func(change func(*pb.AgentHello)) *pb.ConnectRequest {
		m := b.hello()
		change(m)
		return &pb.ConnectRequest{Message: &pb.ConnectRequest_Hello{Hello: m}}
	}
	b.readings(1)
	cases := map[string]struct {
		first  *pb.ConnectRequest
		reason fault.Reason
	}{
		"revision":    {hello(func(m *pb.AgentHello) { m.Revision = 2 }), fault.FieldInvalid},
		"epoch":       {hello(func(m *pb.AgentHello) { m.Epoch = nil }), fault.FieldInvalid},
		"last_hash":   {hello(func(m *pb.AgentHello) { m.LastHash = []byte{1} }), fault.FieldInvalid},
		"not a hello": {&pb.ConnectRequest{Message: &pb.ConnectRequest_Batch{Batch: b.message(1, 1)}}, fault.StreamOrder},
		"of no kind":  {&pb.ConnectRequest{}, fault.StreamOrder},
	}
	for name, c := range cases {
		err := b.refused(c.first)
		assert.Equal(t, c.reason, fault.ReasonOf(err), "%s: %v", name, err)
		assert.Equal(t, codes.InvalidArgument, status.Code(err), name)
	}
	l := b.connect()
	require.NoError(t, l.Send(hello(func(*pb.AgentHello) {})))
	assert.Equal(t, fault.StreamOrder, fault.ReasonOf(l.failure()))
}

func TestASilentStreamEnds(t *testing.T) {
	h := newHouse(t, func(o *agents.Options) { o.HelloWithin = time.Millisecond })
	err := h.enrol(heron, 1).refused(nil)
	assert.Equal(t, fault.StreamOrder, fault.ReasonOf(err))
	assert.ErrorContains(t, err, "hello")
}

func TestRefusedBatches(t *testing.T) {
	h := newHouse(t)
	b := h.enrol(heron, 1)
	b.readings(20)
	other := ingesttest.NewSpool(9)
	other.Raw([]byte("x"))
	cases := map[string]struct {
		batch  *pb.Batch
		reason fault.Reason
		code   codes.Code
	}{
		"gap":           {b.message(5, 10), fault.SpoolGap, codes.Aborted},
		"foreign spool": {&pb.Batch{FirstSequence: 1, PreviousHash: other.Hashes[0][:], Events: other.Events}, fault.FieldInvalid, codes.InvalidArgument},
		"no hash":       {&pb.Batch{FirstSequence: 1, Events: b.Events[:1]}, fault.FieldInvalid, codes.InvalidArgument},
		"from 0":        {&pb.Batch{PreviousHash: b.Hashes[0][:], Events: b.Events[:1]}, fault.FieldInvalid, codes.InvalidArgument},
		"short run": {&pb.Batch{FirstSequence: 1, PreviousHash: b.Hashes[0][:], Events: [][]byte{nil}, Thinned: []*pb.ThinnedRun{{Count: 1, HashAfter: []byte{1}}}},
			fault.FieldInvalid, codes.InvalidArgument},
		"too many": {&pb.Batch{FirstSequence: 1, PreviousHash: b.Hashes[0][:], Events: make([][]byte, 5000)}, fault.FieldInvalid, codes.InvalidArgument},
		"too large": {&pb.Batch{FirstSequence: 1, PreviousHash: b.Hashes[0][:], Events: [][]byte{make([]byte, agents.MaxMessage+1)}},
			"", codes.ResourceExhausted},
	}
	for name, c := range cases {
		l := b.connect()
		require.NoError(t, l.Send(&pb.ConnectRequest{Message: &pb.ConnectRequest_Batch{Batch: c.batch}}))
		err := l.failure()
		assert.Equal(t, c.reason, fault.ReasonOf(err), "%s: %v", name, err)
		assert.Equal(t, c.code, status.Code(err), name)
	}
	assert.Empty(t, h.state(heron).Epochs, "nothing was taken")
	l := b.connect()
	l.batch(b, 1, 20)
	l.ack(20)
}

func TestABadEventIsSetAsideAndTold(t *testing.T) {
	h := newHouse(t)
	b := h.enrol(heron, 1)
	b.readings(1)
	bad := b.Raw([]byte("nonsense"))
	b.readings(1)
	l := b.connect()
	l.batch(b, 1, 3)
	ack := l.ack(3)
	require.Len(t, ack.GetSetAside(), 1)
	assert.Equal(t, bad, ack.GetSetAside()[0].GetSequence())
	assert.Contains(t, ack.GetSetAside()[0].GetReason(), "hourbell.v1.Event")
}

func TestRevokedInMidStream(t *testing.T) {
	for _, state := range []office.AgentState{office.AgentRevoked, office.AgentSuspended} {
		t.Run(state.String(), func(t *testing.T) {
			h := newHouse(t)
			b, neighbour := h.enrol(heron, 1), h.enrol(stork, 2)
			b.readings(20)
			neighbour.readings(20)
			l, n := b.connect(), neighbour.connect()
			l.batch(b, 1, 10)
			l.ack(10)
			_, err := h.office.SetAgentState(t.Context(), b.id, state, "lost at the ford")
			require.NoError(t, err)
			err = l.failure() // although it sends nothing
			assert.Equal(t, codes.PermissionDenied, status.Code(err))
			assert.Equal(t, map[office.AgentState]fault.Reason{office.AgentRevoked: fault.AgentRevoked, office.AgentSuspended: fault.AgentSuspended}[state], fault.ReasonOf(err))
			err = b.refused(&pb.ConnectRequest{Message: &pb.ConnectRequest_Hello{Hello: b.hello()}})
			assert.Equal(t, codes.PermissionDenied, status.Code(err))
			n.batch(neighbour, 1, 20)
			n.ack(20)
			assert.EqualValues(t, 11, h.state(heron).Epochs[0].Next)
			if state == office.AgentSuspended {
				_, err := h.office.SetAgentState(t.Context(), b.id, office.AgentActive, "")
				require.NoError(t, err)
				l = b.connect()
				l.batch(b, 11, 20)
				l.ack(20)
			}
		})
	}
}

func TestWithoutACertificateOfTheOffice(t *testing.T) {
	h := newHouse(t)
	b := h.enrol(heron, 1)
	stranger := *b
	stranger.cert = tls.Certificate{}
	assert.Equal(t, codes.Unavailable, status.Code(stranger.refused(nil)), "the handshake fails")

	issued, err := h.auth.Issue(csr(t, b.key), "somebody")
	require.NoError(t, err)
	stranger.cert = tls.Certificate{Certificate: issued.Chain, PrivateKey: b.key}
	err = stranger.refused(nil)
	assert.Equal(t, fault.AgentUnknown, fault.ReasonOf(err), "signed by us, unknown to the office")

	key := newKey(t)
	issued, err = h.auth.Issue(csr(t, key), b.id)
	require.NoError(t, err)
	stranger.cert = tls.Certificate{Certificate: issued.Chain, PrivateKey: key}
	err = stranger.refused(nil)
	assert.Equal(t, fault.AgentUnknown, fault.ReasonOf(err), "the agent's name over another key")
}

func TestTwoBoxesOneMachine(t *testing.T) {
	h := newHouse(t)
	old := h.enrol(heron, 1)
	old.readings(10)
	l := old.connect()
	l.batch(old, 1, 10)
	l.ack(10)
	_, _, err := h.office.CreateEnrolment(t.Context(), heron, office.Enrolling{})
	require.Error(t, err, "a second box only where it is said")
	next := h.enrol(heron, 2, office.Enrolling{Replace: true})
	err = l.failure()
	assert.Equal(t, fault.AgentRevoked, fault.ReasonOf(err), "the first one ends when the second comes")
	next.readings(5)
	n := next.connect()
	n.batch(next, 1, 5)
	n.ack(5)
	err = old.refused(&pb.ConnectRequest{Message: &pb.ConnectRequest_Hello{Hello: old.hello()}})
	assert.Equal(t, fault.AgentRevoked, fault.ReasonOf(err))
	assert.Len(t, h.state(heron).Epochs, 2)
}

func TestANewerConnectionEndsTheOlder(t *testing.T) {
	h := newHouse(t)
	b := h.enrol(heron, 1)
	b.readings(20)
	first := b.connect()
	first.batch(b, 1, 10)
	first.ack(10)
	second := b.connect()
	err := first.failure()
	assert.Equal(t, fault.AgentReplaced, fault.ReasonOf(err))
	assert.Equal(t, codes.Aborted, status.Code(err))
	second.batch(b, 11, 20)
	second.ack(20)
	assert.Equal(t, 1, h.server.Connected())
	p, _ := h.server.Presence(b.id)
	assert.True(t, p.Connected, "the older one's end says nothing of the newer")
}

func TestACopiedSpoolIsRefused(t *testing.T) {
	h := newHouse(t)
	b := h.enrol(heron, 1)
	b.readings(20)
	copied := *b
	copied.Spool = b.Copy()
	b.readings(10)
	copied.readings(3)
	l := b.connect()
	l.batch(b, 1, 30)
	l.ack(30)
	require.NoError(t, l.CloseSend())
	hello := func(b *box) *pb.ConnectRequest {
		return &pb.ConnectRequest{Message: &pb.ConnectRequest_Hello{Hello: b.hello()}}
	}
	err := copied.refused(hello(&copied))
	assert.Equal(t, fault.SpoolForked, fault.ReasonOf(err), "it is shorter than what is on record: %v", err)
	copied.Raw(b.Events[0])
	for copied.Last() < 30 {
		copied.readings(1)
	}
	err = copied.refused(hello(&copied))
	assert.Equal(t, fault.SpoolForked, fault.ReasonOf(err), "it ends where the record ends, in another way")
	copied.readings(5)
	l = copied.connect()
	l.batch(&copied, 31, 35)
	assert.Equal(t, fault.SpoolForked, fault.ReasonOf(l.failure()), "it goes on behind")
	b.readings(1)
	l = b.connect()
	l.batch(b, 31, 31)
	l.ack(31)
	var said []string
	require.NoError(t, h.ingest.History(t.Context(), heron, 1, func(e *maintenance.Event, _ uint64) bool {
		if f, is := e.Body.(*maintenance.Finding); is {
			said = append(said, f.Finding)
		}
		return true
	}))
	assert.Equal(t, []string{"spool-forked", "spool-forked"}, said, "once for each place")
}

func TestARestoredServiceGetsItAgain(t *testing.T) {
	h := newHouse(t)
	b := h.enrol(heron, 1)
	b.readings(100)
	l := b.connect()
	l.batch(b, 1, 100)
	l.ack(100)
	before := l.welcome.GetIncarnation()
	h.close()
	older := openHouse(t, h.store.Restored("machines/"+heron, h.store.Last("machines/"+heron)-60), h.dir)
	b.h = older
	l = b.connect()
	assert.NotEqual(t, before, l.welcome.GetIncarnation())
	assert.EqualValues(t, 41, l.welcome.GetNextSequence(), "less than was acknowledged")
	m := b.message(71, 100)
	m.FirstSequence, m.PreviousHash = 41, b.Hashes[40][:]
	m.Events = append([][]byte{nil}, m.Events...)
	m.Thinned = []*pb.ThinnedRun{{Count: 30, HashAfter: b.Hashes[70][:]}}
	require.NoError(t, l.Send(&pb.ConnectRequest{Message: &pb.ConnectRequest_Batch{Batch: m}}))
	l.ack(100)
}

func TestUnsyncedEventsArePlaced(t *testing.T) {
	h := newHouse(t)
	b := h.enrol(heron, 1)
	reading := &maintenance.Reading{Meter: "engine", Shown: 1000 * hours.Hour, Resolution: hours.Hour / 20, Origin: maintenance.OriginBus}
	b.Put(wire.Stamp{Boot: 3, Mono: 60_000}, reading)
	b.Put(wire.Stamp{Time: h.instant() + 9*365*86_400_000}, reading) // a clock in 2040
	b.Put(wire.Stamp{Time: 86_400_000}, reading)                     // a clock in 1970 that thinks it was set
	l := b.connect()
	m := b.message(1, 3)
	boot := h.instant() - 3_600_000
	m.Boots = []*pb.BootClock{{Boot: 3, OffsetEarliestMs: int64(boot - 1000), OffsetLatestMs: int64(boot + 1000)}}
	require.NoError(t, l.Send(&pb.ConnectRequest{Message: &pb.ConnectRequest_Batch{Batch: m}}))
	l.ack(3)
	var got []moment.Span
	require.NoError(t, h.ingest.History(t.Context(), heron, 1, func(e *maintenance.Event, _ uint64) bool {
		if _, is := e.Body.(*maintenance.Reading); is {
			got = append(got, e.At)
		}
		return true
	}))
	first := moment.Span{NotBefore: boot + 59_000, NotAfter: boot + 61_000}
	after := moment.Span{NotBefore: first.NotBefore, NotAfter: h.instant()}
	assert.Equal(t, []moment.Span{first, after, after}, got)
	assert.EqualValues(t, 2, h.ingest.Stats().Misplaced)
}

func TestCabCopies(t *testing.T) {
	h := newHouse(t)
	b := h.enrol(heron, 1)
	b.readings(10)
	l := b.connect()
	c := l.copy()
	chart, err := maintenance.DecodeChart(c.GetChart())
	require.NoError(t, err)
	hash := chart.Hash()
	assert.Equal(t, hash[:], c.GetChartHash())
	state, err := maintenance.DecodeState(c.GetState(), func([32]byte) (*maintenance.Chart, error) { return chart, nil })
	require.NoError(t, err)
	assert.Equal(t, c.GetRevision(), state.Revision)
	require.Len(t, c.GetDays(), 400)
	assert.LessOrEqual(t, c.GetDays()[0].GetFromMs(), h.clock.Load(), "the first is the present one")
	assert.Greater(t, c.GetDays()[0].GetUntilMs(), h.clock.Load())

	l.batch(b, 1, 10)
	l.ack(10)
	_, err = h.ingest.Act(t.Context(), heron, [16]byte{1}, moment.Span{}, &maintenance.ServiceDone{Round: "fifty", Person: "p1"})
	require.NoError(t, err)
	next := l.copy()
	assert.Greater(t, next.GetRevision(), c.GetRevision())
	assert.Empty(t, next.GetChart(), "the cab has it")
	assert.Equal(t, hash[:], next.GetChartHash())

	t.Run("a cab that has all gets none", func(t *testing.T) {
		hello := b.hello()
		hello.CopyRevision, hello.ChartHash = next.GetRevision(), hash[:]
		l := b.open(&pb.ConnectRequest{Message: &pb.ConnectRequest_Hello{Hello: hello}})
		b.readings(1)
		l.batch(b, 11, 11)
		l.ack(11)
		for _, m := range l.others {
			assert.Nil(t, m.GetCabCopy())
		}
	})
}

func TestPaceFollowsTheWatchers(t *testing.T) {
	h := newHouse(t)
	l := h.enrol(heron, 1).connect()
	pace := func(watched bool) {
		got := await(l, (*pb.ConnectResponse).GetPace, func(p *pb.Pace) bool { return p != nil && p.GetWatched() == watched })
		assert.EqualValues(t, 600_000, got.GetGatherMs())
	}
	pace(false)
	quiet := h.ingest.Changes().Subscribe(live.Filter{Machines: []string{heron}})
	defer quiet.Close()
	page := h.ingest.Changes().Subscribe(live.Filter{Machines: []string{heron}, Watching: true})
	pace(true)
	page.Close()
	pace(false)
}

func TestMetersAheadOfABacklog(t *testing.T) {
	h := newHouse(t)
	b := h.enrol(heron, 1)
	b.readings(5)
	l := b.connect()
	now := &pb.LiveNow{TimeMs: h.clock.Load(), Behind: 5, Readings: []*pb.Reading{{Meter: "engine", ShownMs: 5}}}
	require.NoError(t, l.Send(&pb.ConnectRequest{Message: &pb.ConnectRequest_LiveNow{LiveNow: now}}))
	l.batch(b, 1, 4)
	l.ack(4)
	got, has := h.server.Ahead(heron)
	require.True(t, has)
	assert.EqualValues(t, 5, got.Now.GetReadings()[0].GetShownMs())
	assert.Equal(t, 1000*hours.Hour, h.state(heron).Meters[0].Total, "it counts nowhere")
	l.batch(b, 5, 5)
	l.ack(5)
	_, has = h.server.Ahead(heron)
	assert.False(t, has, "the backlog is in")
}

func TestMovedBoxIsDoubted(t *testing.T) {
	h := newHouse(t)
	b := h.enrol(heron, 1)
	names := func(v string) { b.Put(wire.Stamp{Time: h.instant()}, &maintenance.BusNames{Vehicle: v, Confidence: 2}) }
	names("MARSH0001")
	b.readings(1)
	names("MARSH0002")
	b.Reading(h.instant(), 1200*hours.Hour)
	l := b.connect()
	l.batch(b, 1, 4)
	l.ack(4)
	s := h.state(heron)
	require.Len(t, s.Doubts, 1)
	assert.Equal(t, maintenance.DoubtMoved, s.Doubts[0].Kind)
	assert.Equal(t, 1000*hours.Hour, s.Meters[0].Total, "nothing is counted")
}

func TestGracefulStopAcknowledgesWhatIsOnItsWay(t *testing.T) {
	h := newHouse(t)
	b := h.enrol(heron, 1)
	b.readings(50)
	l := b.connect()
	l.copy()
	arrived, release := h.store.Hold()
	l.batch(b, 1, 50)
	<-arrived
	stopped := make(chan struct{})
	go func() { h.close(); close(stopped) }()
	time.AfterFunc(10*time.Millisecond, release)
	l.ack(50)
	err := l.failure()
	assert.Equal(t, fault.Stopping, fault.ReasonOf(err))
	assert.Equal(t, codes.Unavailable, status.Code(err))
	<-stopped
}

func TestAJournalThatFailsEndsStreamsUnacknowledged(t *testing.T) {
	h := newHouse(t)
	b := h.enrol(heron, 1)
	b.readings(20)
	l := b.connect()
	l.batch(b, 1, 10)
	l.ack(10)
	h.store.DieAt(1, true)
	l.batch(b, 11, 20)
	err := l.failure()
	assert.Equal(t, fault.JournalStopped, fault.ReasonOf(err))
	for _, m := range l.others {
		assert.LessOrEqual(t, m.GetAck().GetSequence(), uint64(10))
	}
	h.close()
	next := openHouse(t, h.store.Reopen(), h.dir)
	b.h = next
	l = b.connect()
	assert.EqualValues(t, 21, l.welcome.GetNextSequence(), "it had come to disk, and that is said after the start")
}
