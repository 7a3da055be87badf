package agents_test

import (
	"bytes"
	"context"
	"encoding/binary"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"google.golang.org/grpc"
	"google.golang.org/protobuf/proto"

	"github.com/hourbell/hourbell/internal/chart"
	"github.com/hourbell/hourbell/internal/maintenance"
	"github.com/hourbell/hourbell/internal/maintenance/hours"
	"github.com/hourbell/hourbell/internal/maintenance/moment"
	"github.com/hourbell/hourbell/internal/wire"
	pb "github.com/hourbell/hourbell/proto/hourbell/v1"
	"github.com/hourbell/hourbell/service/ingest/ingesttest"
	"github.com/hourbell/hourbell/service/office"
)

const streamsDir = "../../testdata/streams"

// Agents of all seasons whose streams were kept are still understood: each
// stream is sent as it was, and what is written down beside it comes of it.
func TestRecordedStreamsAreUnderstood(t *testing.T) {
	kept, err := filepath.Glob(filepath.Join(streamsDir, "*.stream"))
	require.NoError(t, err)
	require.NotEmpty(t, kept)
	for _, path := range kept {
		t.Run(strings.TrimSuffix(filepath.Base(path), ".stream"), func(t *testing.T) {
			f := readFacts(t, strings.TrimSuffix(path, ".stream")+".facts")
			s := readStream(t, path)
			r := newReplay(t, f)
			for _, session := range s.sessions {
				r.session(session)
			}
			got := r.facts(s)
			f.holdAgainst(t, got)

			// All of it once more, as after a lost acknowledgement, changes nothing.
			before := r.h.store.Last("machines/" + rook)
			r.session(again(t, s.sessions))
			require.Equal(t, before, r.h.store.Last("machines/"+rook))
			f.holdAgainst(t, r.facts(s))
		})
	}
}

// The comparison itself must see what is wrong.
func TestFactsThatDoNotHoldAreSeen(t *testing.T) {
	want := &facts{name: "made up", lines: []fact{{"events", "3"}, {"listened", "5000 within 100"}, {"engine started", "2031-07-02T06:00:00Z"}}}
	ok := []fact{{"events", "3"}, {"listened", "5090"}, {"engine started", "2031-07-02T06:00:01Z/2031-07-02T06:00:01Z"}}
	require.Empty(t, want.differences(ok))
	for i, bad := range []fact{{"events", "4"}, {"listened", "5101"}, {"engine started", "2031-07-02T06:00:09Z/2031-07-02T06:00:10Z"}} {
		got := slices.Clone(ok)
		got[i] = bad
		require.Len(t, want.differences(got), 1, "%v", bad)
		require.Len(t, want.differences(slices.Delete(slices.Clone(ok), i, i+1)), 1, "without %v", bad)
	}
	require.Len(t, want.differences(append(ok, fact{"code 178 1/2 starts", "1"})), 1, "what nobody wrote down")
}

const rook = "rook"

// fact is one line of a facts file: a key and its value.
type fact struct{ key, value string }

// facts are what is written down beside a stream: how the machine was set up,
// and what must come of the stream.
type facts struct {
	name  string
	now   time.Time
	chart string
	setup []fact
	lines []fact
}

func readFacts(t *testing.T, path string) *facts {
	b, err := os.ReadFile(path)
	require.NoError(t, err, "a stream has its facts beside it")
	f := &facts{name: filepath.Base(path)}
	for line := range strings.Lines(string(b)) {
		line = strings.TrimSpace(line)
		if line == "" || strings.HasPrefix(line, "#") {
			continue
		}
		key, value, is := strings.Cut(line, " = ")
		require.True(t, is, "%s: %q is no fact: want KEY = VALUE", path, line)
		switch word, _, _ := strings.Cut(key, " "); word {
		case "now":
			f.now, err = time.Parse(time.RFC3339Nano, value)
			require.NoError(t, err)
		case "chart":
			f.chart = value
		case "hand", "served":
			f.setup = append(f.setup, fact{key, value})
		default:
			f.lines = append(f.lines, fact{key, value})
		}
	}
	require.NotEmpty(t, f.lines)
	return f
}

func (f *facts) holdAgainst(t *testing.T, got []fact) {
	t.Helper()
	for _, d := range f.differences(got) {
		t.Errorf("%s: %s", f.name, d)
	}
}

// differences says where what came of a stream is not what is written down.
// Codes, doubts and kinds of event that nobody wrote down may not be there, nor
// notices, where the file speaks of any.
func (f *facts) differences(got []fact) (out []string) {
	left := slices.Clone(got)
	for _, want := range f.lines {
		i := slices.IndexFunc(left, func(g fact) bool { return g.key == want.key && fits(want.value, g.value) })
		if i < 0 {
			var has []string
			for _, g := range left {
				if g.key == want.key {
					has = append(has, g.value)
				}
			}
			out = append(out, fmt.Sprintf("%s is %s, not %s", want.key, strings.Join(has, " and "), want.value))
			left = slices.DeleteFunc(left, func(g fact) bool { return g.key == want.key && len(has) == 1 })
			continue
		}
		left = slices.Delete(left, i, i+1)
	}
	for _, g := range left {
		word, _, _ := strings.Cut(g.key, " ")
		if slices.Contains([]string{"code", "doubt", "events"}, word) || word == "notice" && f.speaks(word) {
			out = append(out, fmt.Sprintf("%s is %s, which is not written down", g.key, g.value))
		}
	}
	return out
}

func (f *facts) speaks(word string) bool {
	return slices.ContainsFunc(f.lines, func(l fact) bool { return strings.HasPrefix(l.key, word+" ") })
}

// startTolerance is how far a time that is told may lie from when it was so.
const startTolerance = 2 * time.Second

// fits reports whether a value is the one written down: the same text; a number
// to within what is said; a time in the span that was told.
func fits(want, got string) bool {
	if number, tolerance, is := strings.Cut(want, " within "); is {
		w, g := parse(number), parse(got)
		return g >= w-parse(tolerance) && g <= w+parse(tolerance)
	}
	if from, to, is := strings.Cut(got, "/"); is && !strings.Contains(want, "/") {
		at, err := time.Parse(time.RFC3339Nano, want)
		lo, err1 := time.Parse(time.RFC3339Nano, from)
		hi, err2 := time.Parse(time.RFC3339Nano, to)
		return err == nil && err1 == nil && err2 == nil && !at.Before(lo.Add(-startTolerance)) && !at.After(hi.Add(startTolerance))
	}
	return want == got
}

func parse(s string) int64 {
	n, err := strconv.ParseInt(s, 10, 64)
	if err != nil {
		return -1 << 62
	}
	return n
}

// recorded is one stream: its messages as they were serialised, by session.
type recorded struct {
	sessions [][][]byte
	ahead    int // messages that show what the meters show now
	epochs   map[string]bool
	timeless map[string]bool // events without a time of their own
}

func readStream(t *testing.T, path string) *recorded {
	rest, err := os.ReadFile(path)
	require.NoError(t, err)
	r := &recorded{epochs: map[string]bool{}, timeless: map[string]bool{}}
	epoch := ""
	for len(rest) > 0 {
		n, w := binary.Uvarint(rest)
		require.True(t, w > 0 && n <= uint64(len(rest)-w), "%s: a message is cut off", path)
		message := rest[w : w+int(n)]
		rest = rest[w+int(n):]
		m := understood(t, message)
		switch {
		case m.GetHello() != nil:
			r.sessions = append(r.sessions, nil)
			epoch = string(m.GetHello().GetEpoch())
			r.epochs[epoch] = true
		case m.GetLiveNow() != nil:
			r.ahead++
		}
		r.events(t, epoch, m.GetBatch())
		require.NotEmpty(t, r.sessions, "%s: it does not begin with a hello", path)
		r.sessions[len(r.sessions)-1] = append(r.sessions[len(r.sessions)-1], message)
	}
	require.NotEmpty(t, r.sessions)
	return r
}

// events looks at each event by itself.
func (r *recorded) events(t *testing.T, epoch string, b *pb.Batch) {
	seq, gaps := b.GetFirstSequence(), b.GetThinned()
	for _, e := range b.GetEvents() {
		if len(e) == 0 {
			seq, gaps = seq+gaps[0].GetCount(), gaps[1:]
			continue
		}
		stamp, _, err := wire.Unmarshal(e)
		require.NoError(t, err)
		if !stamp.Synced() {
			r.timeless[fmt.Sprintf("%x %d", epoch, seq)] = true
		}
		seq++
	}
}

func understood(t *testing.T, message []byte) *pb.ConnectRequest {
	m := &pb.ConnectRequest{}
	require.NoError(t, proto.Unmarshal(message, m))
	require.NotNil(t, m.GetMessage(), "a message of no kind that is known")
	return m
}

// again is a hello with the last session's epoch, of a spool that has more than
// was ever sent, and all that was sent of that epoch.
func again(t *testing.T, sessions [][][]byte) (out [][]byte) {
	last := understood(t, sessions[len(sessions)-1][0])
	epoch := last.GetHello().GetEpoch()
	last.GetHello().LastSequence = 1 << 40
	hello, err := proto.Marshal(last)
	require.NoError(t, err)
	out = append(out, hello)
	for _, s := range sessions {
		if bytes.Equal(understood(t, s[0]).GetHello().GetEpoch(), epoch) {
			out = append(out, s[1:]...)
		}
	}
	return out
}

// replay is a service with the machine as it was set up.
type replay struct {
	t *testing.T
	h *house
	b *box
}

func newReplay(t *testing.T, f *facts) *replay {
	h := openHouse(t, ingesttest.New(), t.TempDir())
	h.clock.Store(f.now.UnixMilli())
	ctx := t.Context()
	_, err := h.office.CreateCustomer(ctx, office.Customer{ID: "fern", Display: "Fern"})
	require.NoError(t, err)
	_, err = h.office.CreateSite(ctx, office.Site{ID: "yard", Customer: "fern", Display: "Yard", Zone: "Etc/UTC", TurnsAt: 240})
	require.NoError(t, err)
	_, err = h.office.RegisterMachine(ctx, office.Machine{ID: rook, Display: "Rook", Customer: "fern", Site: "yard"})
	require.NoError(t, err)
	require.NoError(t, h.ingest.Commission(ctx, maintenance.Commissioned{Machine: rook, Display: "Rook", Customer: "fern", Site: "yard", Zone: "Etc/UTC", TurnsAt: 240}))
	src, err := os.ReadFile(filepath.Join(streamsDir, f.chart))
	require.NoError(t, err)
	compiled, err := chart.Compile(f.chart, src)
	require.NoError(t, err)
	r := &replay{t: t, h: h}
	r.act(1, moment.Span{}, &maintenance.EditionTaken{Chart: compiled})
	for i, s := range f.setup {
		r.setUp(byte(2+i), s)
	}
	r.b = h.enrol(rook, 1)
	return r
}

// setUp writes down what was known of the machine before: "hand METER TIME = MS",
// "served ROUND TIME METER = MS".
func (r *replay) setUp(id byte, s fact) {
	words := strings.Fields(s.key)
	at, err := time.Parse(time.RFC3339, words[2])
	require.NoError(r.t, err)
	when := moment.At(moment.Instant(at.UnixMilli()))
	ms := hours.Millis(parse(s.value))
	switch words[0] {
	case "hand":
		r.act(id, when, &maintenance.HandReading{Person: "p1", Reading: maintenance.Reading{Meter: words[1], Shown: ms, Resolution: hours.Hour / 100, Origin: maintenance.OriginPerson}})
	case "served":
		r.act(id, when, &maintenance.ServiceDone{Round: words[1], Person: "p1", Shown: []maintenance.MeterShown{{Meter: words[3], Shown: ms}}})
	}
}

func (r *replay) act(id byte, at moment.Span, body maintenance.Body) {
	_, err := r.h.ingest.Act(r.t.Context(), rook, [16]byte{id}, at, body)
	require.NoError(r.t, err)
}

// session sends one session's bytes and waits until the last of its events is
// acknowledged.
func (r *replay) session(messages [][]byte) {
	t := r.t
	conn := r.h.dial(r.h.address, r.b.cert)
	defer conn.Close()
	stream, err := conn.NewStream(context.WithoutCancel(t.Context()), &grpc.StreamDesc{ClientStreams: true, ServerStreams: true},
		pb.AgentService_Connect_FullMethodName, grpc.ForceCodec(rawCodec{}))
	require.NoError(t, err)
	last := uint64(0)
	for _, m := range messages {
		require.NoError(t, stream.SendMsg(&m))
		last = max(last, lastOf(understood(t, m).GetBatch()))
	}
	for acked := uint64(0); acked < last; {
		var b []byte
		require.NoError(t, stream.RecvMsg(&b))
		m := &pb.ConnectResponse{}
		require.NoError(t, proto.Unmarshal(b, m))
		acked = max(acked, m.GetAck().GetSequence())
	}
	require.NoError(t, stream.CloseSend())
	for err == nil {
		var b []byte
		err = stream.RecvMsg(&b)
	}
	require.ErrorIs(t, err, io.EOF)
}

// lastOf is the sequence number of a batch's last event.
func lastOf(b *pb.Batch) uint64 {
	last, gaps := b.GetFirstSequence(), b.GetThinned()
	if last == 0 {
		return 0
	}
	for _, e := range b.GetEvents() {
		if len(e) == 0 {
			last, gaps = last+gaps[0].GetCount(), gaps[1:]
			continue
		}
		last++
	}
	return last - 1
}

// facts are what came of a stream.
func (r *replay) facts(s *recorded) (out []fact) {
	say := func(key string, value any) { out = append(out, fact{key, fmt.Sprint(value)}) }
	say("sessions", len(s.sessions))
	say("epochs", len(s.epochs))
	say("live now", s.ahead)
	say("events without a time", len(s.timeless))
	r.historyFacts(say)
	r.stateFacts(r.h.state(rook), say)
	return out
}

// historyFacts are of the events as they stand in the journal.
func (r *replay) historyFacts(say func(string, any)) {
	kinds, events, thinned := map[string]int{}, 0, uint64(0)
	var ratio, samples uint64
	err := r.h.ingest.History(r.t.Context(), rook, 1, func(e *maintenance.Event, _ uint64) bool {
		if e.Writer != maintenance.WriterAgent {
			return true
		}
		switch b := e.Body.(type) {
		case *maintenance.Thinned:
			thinned += b.Events
			return true
		case *maintenance.SetAside:
			kinds["set aside"]++
			return true
		case *maintenance.Engine:
			if b.Running {
				say("engine started", text(e.At.NotBefore)+"/"+text(e.At.NotAfter))
			}
		case *maintenance.DriveMinute:
			ratio += uint64(b.Loaded.Millionths) * uint64(b.Loaded.Samples)
			samples += uint64(b.Loaded.Samples)
		}
		events++
		kinds["events "+fmt.Sprintf("%T", e.Body)[len("*maintenance."):]]++
		return true
	})
	require.NoError(r.t, err)
	say("events", events)
	for kind, n := range kinds {
		say(kind, n)
	}
	if kinds["set aside"] == 0 {
		say("set aside", 0)
	}
	say("thinned", thinned)
	if samples > 0 {
		say("drive fan loaded ratio", ratio/samples)
	}
}

func text(t moment.Instant) string {
	return time.UnixMilli(int64(t)).UTC().Format(time.RFC3339Nano)
}

func (r *replay) stateFacts(s *maintenance.State, say func(string, any)) {
	for _, m := range s.Meters {
		say("meter "+m.ID+" total", int64(m.Total))
		say("meter "+m.ID+" shown", int64(m.Lives[len(m.Lives)-1].Last))
		say("meter "+m.ID+" lives", int(m.Folded)+len(m.Lives))
	}
	say("listened", int64(s.Heard.Total))
	say("vehicle", s.Names.Vehicle)
	for _, task := range s.Tasks {
		say("task "+task.ID, dueWords[task.State])
	}
	rang := map[string]int{}
	for _, n := range s.Notices {
		if n.Task != "" {
			rang["notice "+n.Task+" "+stageWords[n.Stage]]++
		}
	}
	for key, n := range rang {
		say(key, n)
	}
	say("doubts", len(s.Doubts))
	for _, d := range s.Doubts {
		say("doubt "+doubtWords[d.Kind], map[bool]string{true: "open", false: "closed"}[d.Closed.IsZero()])
	}
	codeFacts(s, say)
}

func codeFacts(s *maintenance.State, say func(string, any)) {
	for _, n := range s.Counts {
		key, on := fmt.Sprintf("code %d %d/%d", n.Code.Source, n.Code.SPN, n.Code.FMI), "no"
		for _, w := range s.Warnings {
			if w.Code == n.Code && w.Unknown != 0 {
				on = "out of sight"
			} else if w.Code == n.Code {
				on = "yes"
			}
		}
		say(key+" starts", n.Starts)
		say(key+" on", on)
	}
}

var (
	dueWords = map[maintenance.DueState]string{maintenance.DueUnknown: "unknown", maintenance.NotDue: "not due", maintenance.DueSoon: "soon",
		maintenance.Due: "due", maintenance.Overdue: "overdue"}
	stageWords = map[maintenance.Stage]string{maintenance.StageSoon: "soon", maintenance.StageDue: "due", maintenance.StageOverdue: "overdue"}
	doubtWords = map[maintenance.DoubtKind]string{maintenance.DoubtFell: "fell", maintenance.DoubtFast: "fast", maintenance.DoubtMoved: "moved",
		maintenance.DoubtOtherBox: "other box", maintenance.DoubtFork: "fork", maintenance.DoubtMisplaced: "misplaced"}
)
