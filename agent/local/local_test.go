package local_test

import (
	"context"
	"net"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"github.com/hourbell/hourbell/agent/agenttest"
	"github.com/hourbell/hourbell/agent/cab"
	"github.com/hourbell/hourbell/agent/local"
	"github.com/hourbell/hourbell/internal/maintenance"
	"github.com/hourbell/hourbell/internal/maintenance/hours"
	"github.com/hourbell/hourbell/internal/maintenance/moment"
	"github.com/hourbell/hourbell/internal/wire"
	pb "github.com/hourbell/hourbell/proto/hourbell/v1"
)

type fixed struct {
	status local.Status
	due    local.Due
}

func (f fixed) Status() local.Status { return f.status }
func (f fixed) Due() local.Due       { return f.due }

func serve(t *testing.T, dir string, a local.Agent) (stop func() error) {
	ctx, cancel := context.WithCancel(t.Context())
	done := make(chan error, 1)
	go func() { done <- local.Serve(ctx, dir, a) }()
	c := local.NewClient(dir)
	require.Eventually(t, func() bool { _, err := c.Status(t.Context()); return err == nil }, 10*time.Second, time.Millisecond)
	return func() error { cancel(); return <-done }
}

func TestAnAgentAnswersOnItsSocket(t *testing.T) {
	dir := t.TempDir()
	want := fixed{local.Status{Version: "1", ListensTo: "can0", Frames: 5}, local.Due{Known: true, Machine: "lark", Tasks: []local.Task{{Task: "pivot/grease"}}}}
	stop := serve(t, dir, want)
	info, err := os.Stat(filepath.Join(dir, local.SocketName))
	require.NoError(t, err)
	require.Equal(t, os.FileMode(0o600), info.Mode().Perm())
	c := local.NewClient(dir)
	s, err := c.Status(t.Context())
	require.NoError(t, err)
	require.Equal(t, want.status, s)
	d, err := c.Due(t.Context())
	require.NoError(t, err)
	require.Equal(t, want.due, d)
	require.NoError(t, stop())
	left, err := os.ReadDir(dir)
	require.NoError(t, err)
	require.Empty(t, left)
	_, err = c.Due(t.Context())
	require.ErrorIs(t, err, local.ErrNotRunning)
}

func TestASocketLeftBehindIsReplaced(t *testing.T) {
	dir := t.TempDir()
	l, err := net.ListenUnix("unix", &net.UnixAddr{Name: filepath.Join(dir, local.SocketName), Net: "unix"})
	require.NoError(t, err)
	l.SetUnlinkOnClose(false)
	require.NoError(t, l.Close())
	_, err = local.NewClient(dir).Status(t.Context())
	require.ErrorIs(t, err, local.ErrNotRunning)
	require.NoError(t, serve(t, dir, fixed{})())
}

func TestAPathTooLongIsSaid(t *testing.T) {
	dir := filepath.Join(t.TempDir(), strings.Repeat("long", 30))
	require.NoError(t, os.Mkdir(dir, 0o700))
	require.ErrorContains(t, local.Serve(t.Context(), dir, fixed{}), "shorter data folder")
}

// memory keeps a cab's state, and is a spool with nothing in it.
type memory map[string][]byte

func (m memory) SaveState(name string, b []byte) error         { m[name] = b; return nil }
func (m memory) LoadState(name string) ([]byte, error)         { return m[name], nil }
func (m memory) Epoch() [16]byte                               { return [16]byte{7} }
func (m memory) Own(from uint64, fn func(cab.Own) error) error { return nil }

func openCab(t *testing.T, m memory, ring func(cab.Bell)) *cab.Cab {
	c, err := cab.Open(cab.Options{Keeper: m, Spool: m, Ring: ring})
	require.NoError(t, err)
	return c
}

var noon = time.Date(2031, 7, 2, 12, 0, 0, 0, time.UTC)

// known is a machine last greased at 2100.0 h, every 10 h.
func known(t *testing.T) *pb.CabCopy {
	s := agenttest.New("lark", func() time.Time { return noon })
	s.Chart(agenttest.HoursOf(10*hours.Hour), &maintenance.ServiceDone{Tasks: []string{"pivot/grease"}, Shown: []maintenance.MeterShown{{Meter: "engine", Shown: 2100 * hours.Hour}}})
	hash := s.State.Chart.Hash()
	c := &pb.CabCopy{Revision: s.State.Revision, Rules: 1, State: maintenance.AppendState(nil, s.State), Chart: maintenance.AppendChart(nil, s.State.Chart), ChartHash: hash[:]}
	for i := range s.Days {
		c.Days = append(c.Days, wire.DayToProto(&s.Days[i]))
	}
	return c
}

func TestWhatIsDueComesFromTheCab(t *testing.T) {
	var rung []string
	m := memory{}
	c := openCab(t, m, func(b cab.Bell) { rung = append(rung, local.Says(b)) })
	d := local.DueOf(c, local.Office{})
	require.False(t, d.Known)
	require.NotNil(t, d.Tasks, "programs get an empty list, never null")
	require.NoError(t, c.Take(known(t)))
	read := func(seq uint64, minutes int, shown hours.Millis) {
		at := moment.At(moment.Instant(noon.Add(time.Duration(minutes) * time.Minute).UnixMilli()))
		_, err := c.Applied([]cab.Own{{Seq: seq, At: at, Known: at.NotAfter, Body: &maintenance.Reading{Meter: "engine", Shown: shown, Resolution: 180 * hours.Second, Origin: maintenance.OriginBus}}})
		require.NoError(t, err)
	}
	read(1, 1, 2106*hours.Hour)
	d = local.DueOf(c, local.Office{HasEvents: 3, BehindEvents: 1})
	require.True(t, d.Known)
	require.Equal(t, "lark", d.Machine)
	require.Equal(t, "2031-07-02", d.Day)
	require.Equal(t, uint64(3), d.Office.HasEvents)
	require.Equal(t, noon.Truncate(24*time.Hour).AddDate(0, 0, 400).UnixMilli(), d.GoodUntilMs)
	require.Len(t, d.Tasks, 1)
	task := d.Tasks[0]
	require.Equal(t, "not due", task.State)
	require.Equal(t, int64(6*hours.Hour), *task.Limbs[0].SinceMs)
	require.Equal(t, int64(4*hours.Hour), *task.Limbs[0].LeftMs)
	require.Equal(t, "4.00 h left: 6.00 h run on engine, every 10.00 h", task.Reason)
	require.Equal(t, []string{"Engine off, key out, wait until every part stands still"}, task.Cautions)
	require.Equal(t, [2]string{"short round", "left"}, [2]string{task.RoundCall, task.Side})
	require.Equal(t, []local.Meter{{Meter: "engine", TotalMs: int64(2106 * hours.Hour), ShownMs: int64(2106 * hours.Hour), StepMs: 180_000, Origin: "bus",
		AtMs: noon.Add(time.Minute).UnixMilli()}}, d.Meters)
	require.Empty(t, rung)

	read(2, 300, 2110*hours.Hour+180*hours.Second)
	d = local.DueOf(c, local.Office{})
	require.Equal(t, "due", d.Tasks[0].State)
	require.Equal(t, "0.05 h over: 10.05 h run on engine, every 10.00 h", d.Tasks[0].Reason)
	require.Equal(t, []string{"Grease the pivot (pivot/grease): due"}, rung)
	due := d.Notices[len(d.Notices)-1]
	require.Equal(t, "due", due.Stage)
	require.Equal(t, rung[0], due.Says)
	require.Equal(t, noon.Add(300*time.Minute).UnixMilli(), due.RaisedMs, "at the time of the reading that crossed")

	// Another process over the same memory rings it no more.
	again := openCab(t, m, func(b cab.Bell) { t.Error("rung twice: ", local.Says(b)) })
	read2 := moment.At(moment.Instant(noon.Add(301 * time.Minute).UnixMilli()))
	_, err := again.Applied([]cab.Own{{Seq: 2, At: read2, Known: read2.NotAfter, Body: &maintenance.Reading{Meter: "engine", Shown: 2110*hours.Hour + 180*hours.Second,
		Resolution: 180 * hours.Second, Origin: maintenance.OriginBus}}})
	require.NoError(t, err)
	require.Equal(t, "due", local.DueOf(again, local.Office{}).Tasks[0].State)
}

func TestATaskNeverServicedSaysSo(t *testing.T) {
	s := agenttest.New("lark", func() time.Time { return noon })
	s.Chart(agenttest.HoursOf(10 * hours.Hour))
	hash := s.State.Chart.Hash()
	c := openCab(t, memory{}, nil)
	require.NoError(t, c.Take(&pb.CabCopy{Revision: 1, Rules: 1, State: maintenance.AppendState(nil, s.State), Chart: maintenance.AppendChart(nil, s.State.Chart), ChartHash: hash[:]}))
	task := local.DueOf(c, local.Office{}).Tasks[0]
	require.Equal(t, "unknown", task.State)
	require.Equal(t, "no service on record", task.Reason)
	require.Nil(t, task.Limbs[0].LeftMs)
	require.False(t, task.Limbs[0].Known)
}

func TestTheClientSaysWhatIsWrong(t *testing.T) {
	_, err := local.NewClient(filepath.Join(t.TempDir(), "nowhere")).Due(t.Context())
	require.ErrorIs(t, err, local.ErrNotRunning)
	require.ErrorContains(t, err, "nowhere")
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	dir := t.TempDir()
	stop := serve(t, dir, fixed{})
	_, err = local.NewClient(dir).Due(ctx)
	require.Error(t, err)
	require.NoError(t, stop())
}
