package main

import (
	"bytes"
	"context"
	"encoding/json"
	"io"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/rogpeppe/go-internal/testscript"
	"github.com/stretchr/testify/require"

	"github.com/hourbell/hourbell/agent/agenttest"
	"github.com/hourbell/hourbell/agent/link"
	"github.com/hourbell/hourbell/agent/local"
	"github.com/hourbell/hourbell/internal/combinesim"
	"github.com/hourbell/hourbell/internal/maintenance"
	"github.com/hourbell/hourbell/internal/maintenance/hours"
)

func TestMain(m *testing.M) {
	testscript.Main(m, map[string]func(){"hourbell-agent": main})
}

func TestScripts(t *testing.T) {
	testscript.Run(t, testscript.Params{Dir: "testdata", Cmds: map[string]func(*testscript.TestScript, bool, []string){"shift": shift, "chartfile": chartFile},
		Setup: func(e *testscript.Env) error { e.Setenv("HOURBELL_AGENT_DATA", e.WorkDir+"/data"); return nil }})
}

var shiftStart = time.Date(2031, 8, 1, 4, 0, 0, 0, time.UTC)

func shiftConfig() combinesim.Config {
	return combinesim.Config{Name: "test", Seed: 5, Start: shiftStart, Identity: combinesim.NewIdentity(41), Rates: combinesim.ThinBus(),
		Meters:  combinesim.Meters{Engine: 2000 * combinesim.Hour, Vehicle: 2300 * combinesim.Hour, PTO: -1},
		Program: combinesim.Program{{Do: combinesim.Idle, For: 30 * time.Minute}, {Do: combinesim.Off, For: time.Minute}},
		Faults: combinesim.Faults{Warnings: []combinesim.Warning{{Code: combinesim.Codes()[0], From: 10 * time.Minute, To: 20 * time.Minute,
			While: combinesim.WhileRunning}}}}
}

func writeShift(w io.Writer) (*combinesim.Machine, error) {
	m, err := combinesim.New(shiftConfig())
	if err != nil {
		return nil, err
	}
	_, err = m.WriteCandump(w, "can0")
	return m, err
}

// shift writes half an hour of a machine's bus: shift FILE.
func shift(ts *testscript.TestScript, _ bool, args []string) {
	var b bytes.Buffer
	_, err := writeShift(&b)
	ts.Check(err)
	ts.Check(os.WriteFile(ts.MkAbs(args[0]), b.Bytes(), 0o644))
}

// chartFile writes a compiled chart: chartfile FILE.
func chartFile(ts *testscript.TestScript, _ bool, args []string) {
	c := agenttest.HoursOf(10 * hours.Hour)
	for _, l := range combinesim.Layouts() {
		if l.Name == "rotor_speed" {
			c.Signals = []maintenance.SignalDef{{ID: l.Name, Group: l.Group, Source: int16(l.Source), Byte: uint16(l.Byte), Bit: uint8(l.Bit), Bits: uint8(l.Bits),
				Unit: l.Unit, ScaleNum: 1, ScaleDen: 4, OffsetDen: 1}}
		}
	}
	ts.Check(os.WriteFile(ts.MkAbs(args[0]), maintenance.AppendChart(nil, c), 0o644))
}

// output is what a command printed.
type output struct {
	mu  sync.Mutex
	out bytes.Buffer
}

func (o *output) Write(b []byte) (int, error) {
	o.mu.Lock()
	defer o.mu.Unlock()
	return o.out.Write(b)
}

func (o *output) String() string {
	o.mu.Lock()
	defer o.mu.Unlock()
	return o.out.String()
}

func hourbellAgent(t *testing.T, ctx context.Context, args ...string) (code int, out, errs string) {
	ctx, cancel := context.WithTimeout(ctx, time.Minute)
	defer cancel()
	var o, e output
	code = (&program{out: &o, err: &e}).main(ctx, args)
	return code, o.String(), e.String()
}

// A box is enrolled, hears a recording, brings all of it to the service, learns
// from it what is due, and rings once.
func TestFromABusToABell(t *testing.T) {
	var recorded bytes.Buffer
	m, err := writeShift(&recorded)
	require.NoError(t, err)
	truth := m.Truth()
	dir := t.TempDir()
	log := filepath.Join(dir, "shift.log")
	require.NoError(t, os.WriteFile(log, recorded.Bytes(), 0o644))
	data := filepath.Join(dir, "data")

	s := agenttest.New("lark", func() time.Time { return shiftStart })
	// Greased at 1990.3 h, every 10 h: due at 2000.3 h, 18 minutes into the recording.
	s.Chart(agenttest.HoursOf(10*hours.Hour), &maintenance.ServiceDone{Tasks: []string{"pivot/grease"}, Shown: []maintenance.MeterShown{{Meter: "engine", Shown: 1990*hours.Hour + 18*hours.Minute}}})
	o := agenttest.Serve(t, s, link.ServerName)
	code, out, errs := hourbellAgent(t, t.Context(), "enrol", "--data", data, "--address", o.EnrolAddress, "--fingerprint", o.Fingerprint(), "--token", o.Token)
	require.Zero(t, code, errs)
	require.Contains(t, out, "This box is machine lark's now")
	require.Contains(t, out, "hourbell-agent run --data "+data)

	// First only what is needed for the copy to come: a recording with nothing due in it.
	early := filepath.Join(dir, "early.log")
	require.NoError(t, os.WriteFile(early, []byte("(1943323200.000000) can0 18FEE500#409C0000FFFFFFFF\n(1943323202.000000) can0 18FEE500#409C0000FFFFFFFF\n"), 0o644))
	code, _, errs = hourbellAgent(t, t.Context(), "run", "--data", data, "--recording", early)
	require.Zero(t, code, errs)
	before := len(s.Events())
	require.NotZero(t, before)

	code, out, errs = hourbellAgent(t, t.Context(), "run", "--data", data, "--recording", log)
	require.Zero(t, code, errs)
	require.NoError(t, s.Err())
	require.Equal(t, 1, strings.Count(out, "BELL  Grease the pivot (pivot/grease): due"), "%s\n%s", out, errs)
	got := s.Events()[before:]
	var last *maintenance.Reading
	var warned []maintenance.WarningPhase
	listened := hours.Millis(0)
	for _, e := range got {
		switch b := e.Body.(type) {
		case *maintenance.Reading:
			last = b
		case *maintenance.Warning:
			warned = append(warned, b.Phase)
		case *maintenance.Listened:
			listened += b.To.Elapsed(b.From)
		}
	}
	require.Equal(t, int64(truth.EngineRaw)*combinesim.MeterStep, int64(last.Shown))
	require.Equal(t, []maintenance.WarningPhase{maintenance.WarningStarted, maintenance.WarningEnded}, warned)
	require.InDelta(t, truth.BusAlive[0].MS(), int64(listened), 1100)

	// With no agent running the command opens the folder itself, and rings no more.
	code, out, errs = hourbellAgent(t, t.Context(), "due", "--data", data)
	require.Zero(t, code, errs)
	require.NotContains(t, out, "BELL")
	require.Contains(t, out, "due    pivot/grease")
	require.Contains(t, out, "[1] Engine off, key out, wait until every part stands still")
	code, out, errs = hourbellAgent(t, t.Context(), "due", "--data", data, "--json")
	require.Zero(t, code, errs)
	var d local.Due
	require.NoError(t, json.Unmarshal([]byte(out), &d))
	require.Equal(t, "due", d.Tasks[0].State)
	require.Zero(t, d.Office.BehindEvents)
	require.Equal(t, uint64(before+len(got)), d.Office.HasEvents)
	require.Greater(t, d.Office.HasUpToMs, shiftStart.UnixMilli())
}

// With no enrolment the agent listens and keeps, and can be asked while it runs.
func TestARunningAgentIsAsked(t *testing.T) {
	var recorded bytes.Buffer
	_, err := writeShift(&recorded)
	require.NoError(t, err)
	dir := t.TempDir()
	log, data := filepath.Join(dir, "shift.log"), filepath.Join(dir, "data")
	require.NoError(t, os.WriteFile(log, recorded.Bytes(), 0o644))
	ctx, cancel := context.WithCancel(t.Context())
	var o, e output
	done := make(chan int, 1)
	go func() {
		done <- (&program{out: &o, err: &e}).main(ctx, []string{"run", "--data", data, "--recording", log, "--speed", "1"})
	}()
	var s local.Status
	require.Eventually(t, func() bool {
		s, err = local.NewClient(data).Status(t.Context())
		return err == nil && s.Frames > 0
	}, 20*time.Second, 5*time.Millisecond)
	require.Equal(t, "shift.log", s.ListensTo)
	require.False(t, s.Enrolled)
	code, out, errs := hourbellAgent(t, t.Context(), "status", "--data", data)
	require.Zero(t, code, errs)
	require.Contains(t, out, "none: this box is not enrolled")
	code, out, errs = hourbellAgent(t, t.Context(), "due", "--data", data)
	require.Zero(t, code, errs)
	require.Contains(t, out, "has not sent this machine's copy yet")
	code, _, errs = hourbellAgent(t, t.Context(), "run", "--data", data, "--recording", log)
	require.Equal(t, exitFailed, code, "one agent at a time")
	require.Contains(t, errs, "spool")
	code, _, errs = hourbellAgent(t, t.Context(), "fresh", "--data", data, "--yes")
	require.Equal(t, exitFailed, code, errs)
	cancel()
	require.Zero(t, <-done, e.String())
	require.Contains(t, e.String(), "hourbell-agent enrol")
	require.NoFileExists(t, filepath.Join(data, local.SocketName))
}

func TestBuild(t *testing.T) {
	name, at := build()
	require.NotEmpty(t, name)
	require.False(t, at.Before(earliest))
	require.False(t, bestTime().Before(at))
	require.Zero(t, jitter(0))
	require.Less(t, jitter(time.Second), time.Second)
}
