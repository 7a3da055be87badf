package endtoend_test

import (
	"context"
	"crypto/rand"
	"crypto/tls"
	"encoding/json"
	"errors"
	"net"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"google.golang.org/grpc"

	"github.com/hourbell/hourbell/agent"
	"github.com/hourbell/hourbell/agent/link"
	"github.com/hourbell/hourbell/agent/local"
	"github.com/hourbell/hourbell/agent/source"
	"github.com/hourbell/hourbell/internal/combinesim"
	pb "github.com/hourbell/hourbell/proto/hourbell/v1"
)

// Two boxes claim one machine: the second is let in only where a person says so,
// and then the first is out. Nothing of the one that is out counts.
func TestTwoBoxesThatClaimOneMachine(t *testing.T) {
	w := foundFleet(t, "lark")
	address, fingerprint, token := w.token("lark")
	first := &realBox{w: w, machine: "lark", data: filepath.Join(t.TempDir(), "first")}
	enrol := []string{"--address", address, "--fingerprint", fingerprint, "--token", token}
	_, err := first.try("enrol", enrol...)
	require.NoError(t, err)
	begun := time.Now().Add(-time.Hour)
	first.hear(engineSeries(begun, 3*time.Minute, 20_000, 20_005))

	second := &realBox{w: w, machine: "lark", data: filepath.Join(t.TempDir(), "second")}
	_, err = second.try("enrol", enrol...)
	require.ErrorContains(t, err, "was used")
	_, err = w.try("enrol", "lark")
	require.ErrorContains(t, err, "has the agent")
	require.ErrorContains(t, err, "replace")
	require.Len(t, w.agentsOf("lark"), 1)

	next := w.box("lark", "--replace")
	next.hear(engineSeries(begun.Add(10*time.Minute), 3*time.Minute, 20_010, 20_015))
	out := first.listenLive()
	out.say(engineSeries(begun.Add(20*time.Minute), 3*time.Minute, 20_025, 20_030)...)
	require.Eventually(t, func() bool {
		said, err := first.try("status", "--json")
		var s local.Status
		return err == nil && json.Unmarshal([]byte(said), &s) == nil && s.Refused && strings.Contains(s.Trouble, "revoked") && s.Office.BehindEvents > 0
	}, 20*time.Second, 20*time.Millisecond)
	require.NoError(t, out.fifo.Close())
	out.run.ended()
	require.False(t, out.run.cmd.ProcessState.Success(), "the recording was not taken")
	require.Equal(t, at(20_015), w.meter("lark", "engine").GetTotalMs())
	states := map[pb.AgentState]int{}
	for _, a := range w.agentsOf("lark") {
		states[a.State]++
	}
	require.Equal(t, map[pb.AgentState]int{pb.AgentState_AGENT_STATE_ACTIVE: 1, pb.AgentState_AGENT_STATE_REVOKED: 1}, states)
	require.Contains(t, w.run("verify", "lark"), "same")
}

// busOf is a machine of an identity and its frames of a while at idle.
func busOf(t *testing.T, serial uint32, begun time.Time, engineMS int64, minutes int) (*combinesim.Machine, []combinesim.Frame) {
	cfg := rookConfig(uint64(serial), combinesim.Program{step(combinesim.KeyOn, 1), step(combinesim.Idle, minutes), step(combinesim.Off, 1)})
	cfg.Start, cfg.Identity = begun, combinesim.NewIdentity(serial)
	cfg.Meters.Engine = engineMS
	cfg.Faults.Warnings = []combinesim.Warning{{Code: combinesim.Codes()[3], From: 5 * time.Minute, To: 6 * time.Minute, While: combinesim.WhileRunning}}
	m, err := combinesim.New(cfg)
	require.NoError(t, err)
	return m, m.Append(nil, m.End())
}

// A box moved to another machine, whose meter could be the first one's: nothing
// is counted, and it is said. Back in its machine it goes on by itself.
func TestABoxMovedToAnotherMachine(t *testing.T) {
	w := foundFleet(t, "martin")
	begun := time.Now().Add(-8 * time.Hour).Truncate(time.Second)
	w.run("done", "martin", "--round", "grease-10", "--hours", "engine=1500", "--at", stamp(greased()))
	box := w.box("martin")
	mine, frames := busOf(t, 60871, begun, 1504*h, 30)
	box.greet(frames[:200])
	box.hear(frames)
	total := int64(mine.Truth().EngineRaw) * combinesim.MeterStep
	require.Equal(t, total, w.meter("martin", "engine").GetTotalMs())
	before := w.task("martin", "points/knife-drive/tasks/grease").Counters[0].GetSinceMs()

	// Two hours later, in a machine that has an hour more.
	_, frames = busOf(t, 60999, begun.Add(2*time.Hour), total+h, 30)
	box.hear(frames)
	require.Equal(t, total, w.meter("martin", "engine").GetTotalMs(), "another machine's hours are not counted")
	require.Equal(t, before, w.task("martin", "points/knife-drive/tasks/grease").Counters[0].GetSinceMs())
	doubts := w.openDoubts("martin")
	require.Len(t, doubts, 1)
	require.Equal(t, pb.DoubtKind_DOUBT_KIND_MOVED, doubts[0].Kind)
	require.Contains(t, doubts[0].What, combinesim.NewIdentity(60999).VIN)
	require.Equal(t, []pb.DoubtWord{pb.DoubtWord_DOUBT_WORD_SAME_MACHINE}, doubts[0].Answers)
	require.Contains(t, w.run("notices", "martin"), "nothing is counted until a person says")

	mine, frames = busOf(t, 60871, begun.Add(4*time.Hour), total, 30)
	box.hear(frames)
	require.Equal(t, int64(mine.Truth().EngineRaw)*combinesim.MeterStep, w.meter("martin", "engine").GetTotalMs())
	require.Empty(t, w.openDoubts("martin"))
	require.EqualValues(t, 1, w.meter("martin", "engine").Lives)
	require.Contains(t, w.run("verify", "martin"), "same")
}

// The controllers were exchanged and the machine is the same: a person says so,
// and what was held counts.
func TestTheSameMachineWithOtherNames(t *testing.T) {
	w := foundFleet(t, "swift")
	begun := time.Now().Add(-8 * time.Hour).Truncate(time.Second)
	box := w.box("swift")
	mine, frames := busOf(t, 60871, begun, 1504*h, 30)
	box.hear(frames)
	total := int64(mine.Truth().EngineRaw) * combinesim.MeterStep
	mine, frames = busOf(t, 60998, begun.Add(2*time.Hour), total, 30)
	box.hear(frames)
	require.Equal(t, total, w.meter("swift", "engine").GetTotalMs())
	doubts := w.openDoubts("swift")
	require.Len(t, doubts, 1)
	w.run("doubt", "answer", "swift", lastPart(doubts[0].Name), "same-machine", "--why", "the thresher's controller was exchanged")
	require.Equal(t, int64(mine.Truth().EngineRaw)*combinesim.MeterStep, w.meter("swift", "engine").GetTotalMs())
	require.Empty(t, w.openDoubts("swift"))
	require.Equal(t, combinesim.NewIdentity(60998).VIN, w.machine("swift").Bus.GetVehicle())
}

// oddClock is a box in this process whose own clock shows what it likes; its
// monotonic clock is the test's.
type oddClock struct {
	t    *testing.T
	wall time.Time // at its start
	mono atomic.Int64
	dark atomic.Bool
	bus  chan []source.Frame
}

func (o *oddClock) now() time.Time { return o.wall.Add(o.since()) }

func (o *oddClock) since() time.Duration { return time.Duration(o.mono.Load()) }

// Read implements source.Source.
func (o *oddClock) Read(ctx context.Context, dst []source.Frame) (int, uint64, error) {
	select {
	case <-ctx.Done():
		return 0, 0, ctx.Err()
	case frames, open := <-o.bus:
		if !open {
			return 0, 0, source.ErrEnd
		}
		return copy(dst, frames), 0, nil
	case <-time.After(10 * time.Millisecond):
		return 0, 0, nil
	}
}

// Close implements source.Source.
func (o *oddClock) Close() error { return nil }

// reads lets the box hear a meter at a monotonic time.
func (o *oddClock) reads(mono time.Duration, ms int64) {
	f := engineHours(time.Unix(0, int64(mono)), ms)
	o.mono.Store(int64(mono))
	o.bus <- []source.Frame{{At: int64(mono), ID: f.ID, Len: f.Len, Data: f.Data}}
}

// A clock in 1970, or in 2040, on the agent: it gets through over mutual TLS, and
// what it heard before it knew the time is placed where it was, not where its
// clock says.
func TestClocksOfAgents(t *testing.T) {
	w := foundFleet(t, "dunlin", "godwit")
	for machine, wall := range map[string]time.Time{"dunlin": time.Unix(60, 0), "godwit": time.Date(2040, 2, 29, 12, 0, 0, 0, time.UTC)} {
		t.Run(wall.Format("2006"), func(t *testing.T) {
			w := w.in(t)
			w.run("done", machine, "--round", "grease-10", "--hours", "engine=2990.05", "--at", stamp(greased()))
			b := w.box(machine)
			o := &oddClock{t: t, wall: wall, bus: make(chan []source.Frame)}
			o.dark.Store(true)
			l, err := link.Open(link.Options{Dir: filepath.Join(b.data, "identity"), Rand: rand.Reader, Jitter: none})
			require.NoError(t, err)
			a, err := agent.New(agent.Options{Dir: filepath.Join(b.data, "spool"), Source: o, Now: o.now, Mono: o.since, Built: time.Now().AddDate(0, -1, 0),
				Version: "endtoend", Rand: rand.Reader, Jitter: none, Gather: 50 * time.Millisecond,
				Dial: func(ctx context.Context, judge func() time.Time) (*grpc.ClientConn, error) {
					if o.dark.Load() {
						return nil, errors.New("no signal")
					}
					return l.Dial(ctx, judge)
				}})
			require.NoError(t, err)
			ctx, stop := context.WithCancel(context.WithoutCancel(t.Context()))
			var wg sync.WaitGroup
			wg.Go(func() { _ = a.Run(ctx) })
			defer wg.Wait()
			defer stop()
			for i := range int64(4) {
				o.reads(time.Duration(3*i)*time.Minute, at(300_000+5*i))
			}
			o.mono.Store(int64(20 * time.Minute))
			before := time.Now()
			o.dark.Store(false)
			for m := w.meter(machine, "engine"); m.GetTotalMs() != at(300_015); m = w.meter(machine, "engine") {
				require.Less(t, time.Since(before), 20*time.Second, "it gets through: %v", a.Status().Uplink.Trouble)
				time.Sleep(20 * time.Millisecond)
			}
			after := time.Now()

			for i, r := range ask[pb.ListReadingsResponse](w, "readings", machine, "--meter", "engine").Readings {
				heard := time.Duration(3*(3-i)) * time.Minute
				require.Equal(t, at(300_015-5*int64(i)), r.ShownMs)
				require.Equal(t, r.ReadMoment.NotBeforeTime.AsTime(), r.ReadMoment.NotAfterTime.AsTime())
				read := r.ReadMoment.NotBeforeTime.AsTime()
				require.False(t, read.Before(before.Add(heard-20*time.Minute-time.Second)), "read at %v", read)
				require.False(t, read.After(after.Add(heard-20*time.Minute+time.Second)), "read at %v", read)
			}
			require.Regexp(t, machine+` +`+machine+` +engine +3000\.15 +1[01] minutes ago`, w.run("machine", "list"))
			task := w.task(machine, "points/knife-drive/tasks/grease")
			require.Equal(t, pb.DueState_DUE_STATE_DUE, task.DueState)
			require.WithinDuration(t, before.Add(-20*time.Minute+3*time.Minute), task.SinceMoment.NotAfterTime.AsTime(), 10*time.Second+after.Sub(before))
		})
	}
}

func none(time.Duration) time.Duration { return 0 }

// What speaks no language of ours, or far too much of it, on any of the service's
// doors: refused, and nobody else notices.
func TestForeignAndOversizedMessages(t *testing.T) {
	w := foundFleet(t, "lark")
	box := w.box("lark")
	for _, door := range []string{w.people, w.agents, w.enrol} {
		for _, b := range [][]byte{[]byte("GET / HTTP/1.1\r\nHost: x\r\n\r\n"), []byte("PRI * HTTP/2.0\r\n\r\nSM\r\n\r\n"), make([]byte, 1<<20), {0x16, 0x03, 0x01, 0xFF, 0xFF}} {
			conn, err := net.Dial("tcp", door)
			require.NoError(t, err)
			_, _ = conn.Write(b) // it may hang up in the middle
			require.NoError(t, conn.Close())
		}
		conn, err := tls.Dial("tcp", door, &tls.Config{InsecureSkipVerify: true, NextProtos: []string{"h2"}})
		if err == nil { // the agents' door wants a certificate, and says so later
			_, _ = conn.Write(make([]byte, 1<<20))
			_ = conn.Close()
		}
	}
	// A recording of which nothing can be read, and one that is torn.
	path := filepath.Join(t.TempDir(), "torn.log")
	good := engineHours(time.Now().Add(-10*time.Minute), at(20_000)).AppendCandump(nil, "can0")
	torn := []byte("(1943323200.000000) can0 18FEE5\n")
	require.NoError(t, os.WriteFile(path, torn, 0o600))
	_, err := box.try("run", "--recording", path)
	require.ErrorContains(t, err, "torn.log")
	require.NoError(t, os.WriteFile(path, append(append(torn, good...), good[:30]...), 0o600))
	_, err = box.try("run", "--recording", path)
	require.NoError(t, err)
	require.Equal(t, at(20_000), w.meter("lark", "engine").GetTotalMs())
	_, err = w.try("hours", "lark", "engine", "201", "--id", strings.Repeat("x", 1<<16))
	require.ErrorContains(t, err, "request id")
	require.True(t, ask[pb.GetServerInfoResponse](w, "server").StoreWorks)
}
