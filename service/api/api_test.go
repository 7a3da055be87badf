package api

import (
	"context"
	"encoding/base64"
	"errors"
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"google.golang.org/grpc"
	"google.golang.org/protobuf/types/known/timestamppb"
	"pgregory.net/rapid"

	"github.com/hourbell/hourbell/internal/maintenance"
	"github.com/hourbell/hourbell/internal/maintenance/civil"
	"github.com/hourbell/hourbell/internal/maintenance/hours"
	"github.com/hourbell/hourbell/internal/maintenance/moment"
	pb "github.com/hourbell/hourbell/proto/hourbell/v1"
	"github.com/hourbell/hourbell/service/access"
	"github.com/hourbell/hourbell/service/api/counter"
	"github.com/hourbell/hourbell/service/fault"
	"github.com/hourbell/hourbell/service/ingest"
	"github.com/hourbell/hourbell/service/ingest/ingesttest"
	"github.com/hourbell/hourbell/service/office"
)

// rig is an API over a store in memory, and a keeper's context.
func rig(t *testing.T) (*API, context.Context) {
	t.Helper()
	mem := ingesttest.New()
	of, err := office.Open(t.Context(), office.Options{Store: mem})
	require.NoError(t, err)
	in, err := ingest.New(t.Context(), ingest.Options{Store: mem})
	require.NoError(t, err)
	ctx, cancel := context.WithCancel(context.Background())
	done := make(chan error, 1)
	go func() { done <- in.Run(ctx) }()
	t.Cleanup(func() { cancel(); require.NoError(t, <-done) })
	require.NoError(t, of.Grant(t.Context(), "keeper", "", access.All()...))
	a, err := New(Options{Ingest: in, Office: of, Access: access.New(of)})
	require.NoError(t, err)
	return a, access.SignedIn(t.Context(), office.Person{ID: "keeper"})
}

func TestNewWantsItsParts(t *testing.T) {
	_, err := New(Options{})
	require.ErrorContains(t, err, "needed")
}

func TestParseNames(t *testing.T) {
	parts, err := parse("name", "machines/{machine}/points/{point}/tasks/{task}", "machines/ossa-1/points/pivot/tasks/grease")
	require.NoError(t, err)
	assert.Equal(t, []string{"ossa-1", "pivot", "grease"}, parts)
	for _, bad := range []string{"", "/", "machines", "machines/", "machines//points/p/tasks/t", "machine/a/points/p/tasks/t", "machines/a/points/p/tasks/t/", "machines/a/points/p/tasks/" + strings.Repeat("t", 129)} {
		_, err := parse("name", "machines/{machine}/points/{point}/tasks/{task}", bad)
		assert.Equal(t, fault.FieldInvalid, fault.Of(err).Reason, bad)
	}
	for _, bad := range []string{"charts/a/editions/0", "charts/a/editions/-1", "charts/a/editions/x", "charts/a/editions/4294967296"} {
		_, _, err := parseEdition("edition", bad)
		assert.Error(t, err, bad)
	}
	_, number, err := parseEdition("edition", "charts/a/editions/-")
	require.NoError(t, err)
	assert.Zero(t, number)
	for _, bad := range []string{"machines/a/notices/12", "machines/a/notices/" + strings.Repeat("g", 32), "machines/a/notices/" + strings.Repeat("0", 34)} {
		_, _, err := parseNotice("name", bad)
		assert.Error(t, err, bad)
	}
}

// TestKeysComeBack: what a key is written as in a name reads back as the key.
func TestKeysComeBack(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		k := maintenance.Key{Stream: [16]byte(rapid.SliceOfN(rapid.Byte(), 16, 16).Draw(t, "stream")), Seq: rapid.Uint64().Draw(t, "sequence")}
		got, err := parseKey("name", keyID(k))
		require.NoError(t, err)
		require.Equal(t, k, got)
	})
	for _, bad := range []string{"", "-", "00", strings.Repeat("0", 32) + "-", strings.Repeat("0", 32) + "-0", strings.Repeat("0", 32) + "-x", strings.Repeat("0", 31) + "g"} {
		_, err := parseKey("name", bad)
		assert.Error(t, err, bad)
	}
}

func TestRequestIDs(t *testing.T) {
	id, err := parseUUID("request_id", "01234567-89ab-4cde-8f01-23456789abcd")
	require.NoError(t, err)
	assert.Equal(t, byte(0x01), id[0])
	assert.Equal(t, byte(0xcd), id[15])
	upper, err := parseUUID("request_id", "01234567-89AB-4CDE-8F01-23456789ABCD")
	require.NoError(t, err)
	assert.Equal(t, id, upper)
	for _, bad := range []string{"1", "0123456789ab4cde8f0123456789abcd", "01234567-89ab-4cde-8f01-23456789abc", "00000000-0000-0000-0000-000000000000", "01234567-89ab-4cde-8f01-23456789abcg"} {
		_, err := parseUUID("request_id", bad)
		assert.ErrorContains(t, err, "no UUID", bad)
	}
	none, err := parseUUID("request_id", "")
	require.NoError(t, err)
	assert.Zero(t, none)
}

// TestPagesGiveEachRowOnce whatever the sizes, against all rows at once.
func TestPagesGiveEachRowOnce(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		rows := rapid.SliceOfDistinct(rapid.StringN(1, 6, 12), rapid.ID[string]).Draw(t, "rows")
		slices.Sort(rows)
		q := &pb.ListTasksRequest{Parent: rapid.String().Draw(t, "parent")}
		var got []string
		for range len(rows) + 1 {
			q.PageSize = int32(rapid.IntRange(1, 5).Draw(t, "size"))
			p, err := newPager(q)
			require.NoError(t, err)
			part, next := slicePage(p, rows, func(s string) string { return s })
			require.LessOrEqual(t, len(part), int(q.PageSize))
			got = append(got, part...)
			if q.PageToken = next; next == "" {
				break
			}
			require.Regexp(t, `^[A-Za-z0-9_-]+$`, next, "tokens stand in URLs")
		}
		require.Equal(t, append([]string{}, rows...), append([]string{}, got...))
	})
}

func TestPageSizes(t *testing.T) {
	for size, want := range map[int32]int{0: 50, 1: 1, 50: 50, 1000: 1000, 1001: 1000, 1 << 30: 1000} {
		p, err := newPager(&pb.ListTasksRequest{PageSize: size})
		require.NoError(t, err)
		assert.Equal(t, want, p.size, "size %d", size)
	}
	_, err := newPager(&pb.ListTasksRequest{PageSize: -1})
	assert.Equal(t, fault.FieldInvalid, fault.Of(err).Reason)
}

// FuzzPageToken: whatever is sent as a token is refused or gives a cursor.
func FuzzPageToken(f *testing.F) {
	p, err := newPager(&pb.ListTasksRequest{Parent: "machines/-"})
	require.NoError(f, err)
	good := p.token("3/8000000000000000/ossa-1/pivot/grease")
	f.Add(good)
	f.Add("")
	f.Add("AQ")
	f.Add(base64.RawURLEncoding.EncodeToString(append([]byte{2}, make([]byte, 40)...)))
	f.Fuzz(func(t *testing.T, token string) {
		p, err := newPager(&pb.ListTasksRequest{Parent: "machines/-", PageToken: token})
		if err == nil && p.begun && p.token(p.cursor) != token {
			t.Errorf("token %q reads as cursor %q, which has another token", token, p.cursor)
		}
		if err != nil && fault.Of(err).Reason != fault.FieldInvalid {
			t.Errorf("token %q: %v", token, err)
		}
	})
}

func TestTimesThatPeopleGive(t *testing.T) {
	now := time.Date(2031, 7, 14, 21, 0, 0, 0, time.UTC)
	ts := func(d time.Duration) *timestamppb.Timestamp { return timestamppb.New(now.Add(d)) }
	at, err := parseMoment("m", nil, now)
	require.NoError(t, err)
	assert.Equal(t, moment.At(moment.Instant(now.UnixMilli())), at, "none is now")
	at, err = parseMoment("m", &pb.Moment{NotAfterTime: ts(-time.Hour)}, now)
	require.NoError(t, err)
	assert.True(t, at.Certain())
	at, err = parseMoment("m", &pb.Moment{NotBeforeTime: ts(-2 * time.Hour), NotAfterTime: ts(-time.Hour)}, now)
	require.NoError(t, err)
	assert.Equal(t, hours.Hour, at.NotAfter.Elapsed(at.NotBefore))
	at, err = parseMoment("m", &pb.Moment{NotAfterTime: ts(30 * time.Second)}, now)
	require.NoError(t, err, "a clock that is a little fast")
	assert.EqualValues(t, now.UnixMilli(), at.NotAfter)
	for name, m := range map[string]*pb.Moment{
		"to come": {NotAfterTime: ts(time.Hour)}, "before machines": {NotAfterTime: &timestamppb.Timestamp{}}, "backwards": {NotBeforeTime: ts(-time.Hour), NotAfterTime: ts(-2 * time.Hour)}, "no time": {NotAfterTime: &timestamppb.Timestamp{Nanos: -1}},
	} {
		_, err := parseMoment("m", m, now)
		assert.Equal(t, fault.FieldInvalid, fault.Of(err).Reason, name)
	}
	_, err = parseDate("d", &pb.CivilDate{Year: 2031, Month: 2, Day: 29})
	assert.Error(t, err)
	leap, err := parseDate("d", &pb.CivilDate{Year: 2032, Month: 2, Day: 29})
	require.NoError(t, err)
	assert.Equal(t, &pb.CivilDate{Year: 2032, Month: 2, Day: 29}, dateOf(leap))
	assert.Nil(t, dateOf(civil.None))
	assert.Nil(t, momentOf(moment.Span{}))
	assert.Nil(t, momentOf(moment.Span{NotAfter: 5}).NotBeforeTime)
}

// TestAnswersAreThoseThatTheDomainTakes asks the domain about each kind of doubt
// and each word.
func TestAnswersAreThoseThatTheDomainTakes(t *testing.T) {
	for kind := maintenance.DoubtFell; kind <= maintenance.DoubtMisplaced; kind++ {
		for word := maintenance.DoubtNewMeter; word <= maintenance.DoubtSameMachine; word++ {
			s := maintenance.New()
			s.Doubts = []maintenance.Doubt{{Key: maintenance.Key{Stream: [16]byte{1}}, Kind: kind}}
			v := maintenance.Admit(s, &maintenance.Event{Key: maintenance.Key{Stream: [16]byte{2}}, Writer: maintenance.WriterPerson, At: moment.At(1_900_000_000_000), Known: 1_900_000_000_000,
				Body: &maintenance.DoubtAnswer{Doubt: maintenance.Key{Stream: [16]byte{1}}, Word: word, Person: "fern"}})
			assert.Equal(t, v.Word == maintenance.VerdictTake, slices.Contains(answers(kind), word), "kind %d, word %d: %s", kind, word, v.Why)
		}
	}
}

// TestEnumsRunInStep: the wire's numbers are the domain's, or one more.
func TestEnumsRunInStep(t *testing.T) {
	assert.Equal(t, pb.DueState_DUE_STATE_UNKNOWN, dueOf(maintenance.DueUnknown))
	assert.Equal(t, pb.DueState_DUE_STATE_OVERDUE, dueOf(maintenance.Overdue))
	assert.EqualValues(t, pb.Stage_STAGE_SOON, maintenance.StageSoon)
	assert.EqualValues(t, pb.Stage_STAGE_OVERDUE, maintenance.StageOverdue)
	assert.EqualValues(t, pb.Origin_ORIGIN_FEED, maintenance.OriginFeed)
	assert.EqualValues(t, pb.NoticeWord_NOTICE_WORD_LATER, maintenance.NoticeLater)
	assert.EqualValues(t, pb.NoticeFateWord_NOTICE_FATE_WORD_GIVEN_UP, maintenance.NoticeGivenUp)
	assert.EqualValues(t, pb.DoubtWord_DOUBT_WORD_SAME_MACHINE, maintenance.DoubtSameMachine)
	assert.EqualValues(t, pb.DoubtKind_DOUBT_KIND_MISPLACED, maintenance.DoubtMisplaced)
	assert.EqualValues(t, pb.WarningPhase_WARNING_PHASE_UNKNOWN, maintenance.WarningUnknown)
	assert.EqualValues(t, pb.AgentState_AGENT_STATE_REVOKED, office.AgentRevoked)
}

// TestLamps takes the byte apart by hand: 0b11_10_01_00 is protect off, amber on,
// red stop in error, malfunction not available.
func TestLamps(t *testing.T) {
	assert.Equal(t, &pb.Lamps{Protect: pb.LampState_LAMP_STATE_OFF, Amber: pb.LampState_LAMP_STATE_ON, RedStop: pb.LampState_LAMP_STATE_ERROR, Malfunction: pb.LampState_LAMP_STATE_NOT_AVAILABLE}, lampsOf(0b11_10_01_00))
}

func TestStartsPerListenedHour(t *testing.T) {
	rate, known := perHour(3, 120*hours.Hour)
	assert.True(t, known)
	assert.EqualValues(t, 25_000, rate, "3 in 120 h are 0.025 an hour")
	_, known = perHour(3, hours.Hour-1)
	assert.False(t, known)
	rate, known = perHour(1<<63, hours.Hour)
	assert.True(t, known)
	assert.EqualValues(t, int64(1<<63-1), rate, "held at the top")
}

// TestOrderIsThatInWhichTasksComeDue: states first, then what is left, also
// below 0.
func TestOrderIsThatInWhichTasksComeDue(t *testing.T) {
	want := []string{
		orderKey(maintenance.Overdue, -9*hours.Hour, "b", "x"), orderKey(maintenance.Overdue, -6*hours.Hour, "a", "x"), orderKey(maintenance.Due, -hours.Hour, "a", "x"), orderKey(maintenance.Due, 0, "a", "x"),
		orderKey(maintenance.DueSoon, 2*hours.Hour, "a", "x"), orderKey(maintenance.NotDue, 9*hours.Hour, "a", "x"), orderKey(maintenance.NotDue, 10*hours.Hour, "a", "x"), orderKey(maintenance.DueUnknown, hours.Most, "a", "a"), orderKey(maintenance.DueUnknown, hours.Most, "a", "b"),
	}
	assert.True(t, slices.IsSorted(want))
}

// TestFirstIsWhatComesFirst sets hours beside days.
func TestFirstIsWhatComesFirst(t *testing.T) {
	limb := func(kind maintenance.LimbKind, state maintenance.DueState, left hours.Millis, days int) maintenance.LimbCount {
		return maintenance.LimbCount{Kind: kind, State: state, Known: true, Left: left, DaysLeft: days,
			InHours: kind == maintenance.LimbHours, InDays: kind == maintenance.LimbMonths}
	}
	for name, c := range map[string]struct {
		limbs []maintenance.LimbCount
		want  int
	}{
		"none":            {nil, -1},
		"none known":      {[]maintenance.LimbCount{{Kind: maintenance.LimbHours}}, -1},
		"one known":       {[]maintenance.LimbCount{{Kind: maintenance.LimbHours}, limb(maintenance.LimbMonths, maintenance.NotDue, 0, 300)}, 1},
		"hours first":     {[]maintenance.LimbCount{limb(maintenance.LimbHours, maintenance.NotDue, 90*hours.Hour, 0), limb(maintenance.LimbMonths, maintenance.NotDue, 0, 30)}, 0},
		"days first":      {[]maintenance.LimbCount{limb(maintenance.LimbHours, maintenance.NotDue, 900*hours.Hour, 0), limb(maintenance.LimbMonths, maintenance.NotDue, 0, 30)}, 1},
		"state over left": {[]maintenance.LimbCount{limb(maintenance.LimbHours, maintenance.NotDue, hours.Hour, 0), limb(maintenance.LimbMonths, maintenance.DueSoon, 0, 30)}, 1},
	} {
		assert.Equal(t, c.want, counter.First(&maintenance.Count{Limbs: c.limbs}), name)
	}
}

// sink takes a stream's answers.
type sink[T any] struct {
	grpc.ServerStream
	ctx context.Context
	got []*T
}

func (s *sink[T]) Context() context.Context { return s.ctx }
func (s *sink[T]) Send(a *T) error          { s.got = append(s.got, a); return nil }

func TestAVerificationUnderWayRefusesAnother(t *testing.T) {
	a, ctx := rig(t)
	v := &verify{API: a, turn: make(chan struct{}, 1)}
	v.turn <- struct{}{}
	err := v.Verify(&pb.VerifyRequest{}, &sink[pb.VerifyResponse]{ctx: ctx})
	assert.Equal(t, fault.TooMany, fault.Of(err).Reason)
	<-v.turn
	s := &sink[pb.VerifyResponse]{ctx: ctx}
	require.NoError(t, v.Verify(&pb.VerifyRequest{}, s))
	require.Len(t, s.got, 1)
	assert.Zero(t, s.got[0].GetSummary().Machines)
	assert.Empty(t, v.turn, "the turn is given back")
}

// Machines are rebuilt side by side; their results come in the order asked, and
// a stream that broke ends it all.
func TestAVerificationTellsMachinesInTheOrderAsked(t *testing.T) {
	a, ctx := rig(t)
	v := &verify{API: a, turn: make(chan struct{}, 1)}
	q := &pb.VerifyRequest{}
	_, err := a.o.Office.CreateCustomer(t.Context(), office.Customer{ID: "fern", Display: "Fern"})
	require.NoError(t, err)
	_, err = a.o.Office.CreateSite(t.Context(), office.Site{ID: "yard", Customer: "fern", Display: "Yard", Zone: "Etc/UTC", TurnsAt: 240})
	require.NoError(t, err)
	for i := range 24 {
		id := fmt.Sprintf("ossa-%d", i)
		_, err := a.o.Office.RegisterMachine(t.Context(), office.Machine{ID: id, Display: "Ossa", Customer: "fern", Site: "yard"})
		require.NoError(t, err)
		require.NoError(t, a.o.Ingest.Commission(t.Context(), maintenance.Commissioned{Machine: id, Site: "yard", Zone: "Etc/UTC"}))
		q.Machines = append(q.Machines, machineName(id))
	}
	s := &sink[pb.VerifyResponse]{ctx: ctx}
	require.NoError(t, v.Verify(q, s))
	var told []string
	for _, r := range s.got {
		if r.GetResult() != nil {
			assert.True(t, r.GetResult().Same)
			told = append(told, r.GetResult().Machine)
		}
	}
	assert.Equal(t, q.Machines, told)
	assert.EqualValues(t, 24, s.got[len(s.got)-1].GetSummary().Same)
	require.ErrorIs(t, v.Verify(q, broken{s}), errBroken)
	assert.Empty(t, v.turn, "the turn is given back")
}

var errBroken = errors.New("broken")

// broken is a stream on which nothing can be sent.
type broken struct{ *sink[pb.VerifyResponse] }

func (broken) Send(*pb.VerifyResponse) error { return errBroken }

// TestAVerificationSaysWhatIsWrong in words.
func TestAVerificationSaysWhatIsWrong(t *testing.T) {
	for want, r := range map[string]ingest.VerifyResult{
		"": {}, "3 events can't be read any more": {Damaged: 3}, "the journal holds other events than the live state was made of": {Chain: [32]byte{1}}, "the same events give another state": {StateHash: [32]byte{1}},
		"2 events stand as set aside": {SetAside: 2}, "5 events were thinned by the agent": {Thinned: 5}, "2 events stand as set aside, 5 were thinned by the agent": {SetAside: 2, Thinned: 5},
	} {
		assert.Equal(t, want, told(&r))
	}
}

func TestBoundsOfAWatch(t *testing.T) {
	a, ctx := rig(t)
	w := &watch{API: a}
	for name, q := range map[string]*pb.WatchRequest{"machines": {Machines: make([]string, maxWatched+1)}, "have": {Have: make([]*pb.MachineRevision, maxHave+1)}} {
		err := w.Watch(q, &sink[pb.WatchResponse]{ctx: ctx})
		assert.Equal(t, fault.TooLarge, fault.Of(err).Reason, name)
	}
	err := w.Watch(&pb.WatchRequest{Have: []*pb.MachineRevision{{Machine: "x"}}}, &sink[pb.WatchResponse]{ctx: ctx})
	assert.Equal(t, fault.FieldInvalid, fault.Of(err).Reason)
	err = w.Watch(&pb.WatchRequest{}, &sink[pb.WatchResponse]{ctx: t.Context()})
	assert.Equal(t, fault.NotSignedIn, fault.Of(err).Reason, "nobody is signed in")
}

// TestAChartIsRefusedWhole: nothing is kept of one with a mistake, or of one that
// is only to be checked.
func TestAChartIsRefusedWhole(t *testing.T) {
	a, ctx := rig(t)
	c := &charts{API: a}
	_, err := c.ImportEdition(ctx, &pb.ImportEditionRequest{Yaml: "chart: a\nedition: 0\n"})
	assert.Equal(t, fault.FieldInvalid, fault.Of(err).Reason)
	_, err = c.ImportEdition(ctx, &pb.ImportEditionRequest{Yaml: "chart: a\nedition: 1\nmeters:\n  engine: {group: 65253}\n", ValidateOnly: true})
	require.NoError(t, err)
	list, err := c.ListEditions(ctx, &pb.ListEditionsRequest{Parent: "charts/-"})
	require.NoError(t, err)
	assert.Empty(t, list.Editions)
	for i := range 12 {
		_, err := c.ImportEdition(ctx, &pb.ImportEditionRequest{Yaml: fmt.Sprintf("chart: a\nedition: %d\nmeters:\n  engine: {group: 65253}\n", i+1)})
		require.NoError(t, err)
	}
	list, err = c.ListEditions(ctx, &pb.ListEditionsRequest{Parent: "charts/a", PageSize: 5})
	require.NoError(t, err)
	assert.Equal(t, "charts/a/editions/12", list.Editions[0].Name, "the newest first, by number")
	list, err = c.ListEditions(ctx, &pb.ListEditionsRequest{Parent: "charts/a", PageSize: 50, PageToken: list.NextPageToken})
	require.NoError(t, err)
	require.Len(t, list.Editions, 7)
	assert.Equal(t, "charts/a/editions/7", list.Editions[0].Name)
	assert.Equal(t, "charts/a/editions/1", list.Editions[6].Name)
}

// A soft task rings nobody; it is offered while the engine stands.
func TestASoftTaskIsOfferedWhileTheEngineStands(t *testing.T) {
	st := &maintenance.State{
		Chart: &maintenance.Chart{ID: "hob", Edition: 1, Tasks: []maintenance.TaskDef{{ID: "roof/sweep", Do: "clean", Soft: true}, {ID: "roof/look", Do: "check"}}},
		Tasks: []maintenance.Task{{ID: "roof/sweep", State: maintenance.Due, Limb: -1}, {ID: "roof/look", State: maintenance.Due, Limb: -1}},
	}
	offered := func(i int) bool { return taskOf(st, &st.Tasks[i], &st.Chart.Tasks[i]).Offered }
	assert.True(t, offered(0))
	assert.False(t, offered(1), "it rings instead")
	st.Engine.Running = true
	assert.False(t, offered(0), "it runs")
	st.Engine.Running, st.Tasks[0].State = false, maintenance.NotDue
	assert.False(t, offered(0), "there is time")
}
