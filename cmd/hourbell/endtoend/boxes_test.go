package endtoend_test

import (
	"encoding/json"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"syscall"
	"time"

	"github.com/stretchr/testify/require"

	"github.com/hourbell/hourbell/agent/local"
	"github.com/hourbell/hourbell/internal/combinesim"
	pb "github.com/hourbell/hourbell/proto/hourbell/v1"
)

const h = combinesim.Hour

// realBox is a box that runs the agent's program.
type realBox struct {
	w       *world
	machine string
	data    string
	n       int // recordings heard
}

// box enrols a box for a machine with the program's own commands.
func (w *world) box(machine string, how ...string) *realBox {
	w.t.Helper()
	b := &realBox{w: w, machine: machine, data: filepath.Join(w.t.TempDir(), "box")}
	address, fingerprint, token := w.token(machine, how...)
	_, err := b.try("enrol", "--address", address, "--fingerprint", fingerprint, "--token", token)
	require.NoError(w.t, err)
	return b
}

// try runs a command of the agent's program on the box's data folder.
func (b *realBox) try(command string, args ...string) (string, error) {
	cmd := exec.CommandContext(b.w.t.Context(), b.w.agent, append([]string{command, "--data", b.data}, args...)...)
	out, err := cmd.Output()
	if exit, ok := err.(*exec.ExitError); ok {
		err = fmt.Errorf("%w: %s", err, exit.Stderr)
	}
	return string(out), err
}

// hear lets the box hear frames as a recording, and bring all of it to the
// service. It returns what the agent said.
func (b *realBox) hear(frames []combinesim.Frame) string {
	b.w.t.Helper()
	require.NotEmpty(b.w.t, frames)
	b.n++
	path := filepath.Join(b.w.t.TempDir(), fmt.Sprintf("%s-%d.log", b.machine, b.n))
	var text []byte
	for _, f := range frames {
		text = f.AppendCandump(text, "can0")
	}
	require.NoError(b.w.t, os.WriteFile(path, text, 0o600))
	out, err := b.try("run", "--recording", path)
	require.NoError(b.w.t, err)
	return out
}

// greet lets the box hear its bus's first words, so that it has the service's copy
// of its machine when it goes on.
func (b *realBox) greet(frames []combinesim.Frame) {
	b.w.t.Helper()
	b.hear(frames)
	var d local.Due
	out, err := b.try("due", "--json")
	require.NoError(b.w.t, err)
	require.NoError(b.w.t, json.Unmarshal([]byte(out), &d))
	require.True(b.w.t, d.Known, "the service's copy has come")
}

// engineHours is the group that tells an engine's hours.
func engineHours(at time.Time, ms int64) combinesim.Frame {
	raw := ms / combinesim.MeterStep
	return combinesim.Frame{AtNS: at.UnixNano(), ID: 0x18FEE500, Len: 8, Data: [8]byte{byte(raw), byte(raw >> 8), byte(raw >> 16), byte(raw >> 24), 0xFF, 0xFF, 0xFF, 0xFF}}
}

// at is a reading in hundredths of an hour, as milliseconds.
func at(hundredths int64) int64 { return hundredths * h / 100 }

// engineSeries is what a meter shows every so often.
func engineSeries(from time.Time, every time.Duration, hundredths ...int64) (out []combinesim.Frame) {
	for i, v := range hundredths {
		out = append(out, engineHours(from.Add(time.Duration(i)*every), at(v)))
	}
	return out
}

// machine is a machine as it stands.
func (w *world) machine(id string) *pb.Machine {
	w.t.Helper()
	return ask[pb.GetMachineResponse](w, "machine", "show", id).GetMachine()
}

// meter is one of a machine's meters as it stands.
func (w *world) meter(id, meter string) *pb.MachineMeter {
	w.t.Helper()
	for _, m := range w.machine(id).Meters {
		if m.Meter == meter {
			return m
		}
	}
	require.Fail(w.t, "no such meter", "%s of %s", meter, id)
	return nil
}

// task is one of a machine's tasks as it stands.
func (w *world) task(id, task string) *pb.Task {
	w.t.Helper()
	for _, t := range ask[pb.ListTasksResponse](w, "due", id, "--all").Tasks {
		if t.Name == "machines/"+id+"/"+task {
			return t
		}
	}
	require.Fail(w.t, "no such task", "%s of %s", task, id)
	return nil
}

// openDoubts are the questions about a machine that nobody answered.
func (w *world) openDoubts(id string) []*pb.Doubt {
	w.t.Helper()
	return ask[pb.ListDoubtsResponse](w, "doubts", id).Doubts
}

// liveBox is a box whose bus the test writes as time passes: a recording that is
// still being made.
type liveBox struct {
	*realBox
	fifo *os.File
	run  *child
}

// listenLive starts the box's agent.
func (b *realBox) listenLive() *liveBox {
	t := b.w.t
	path := filepath.Join(t.TempDir(), "bus")
	require.NoError(t, syscall.Mkfifo(path, 0o600))
	l := &liveBox{realBox: b, run: startChild(t, exec.Command(b.w.agent, "run", "--data", b.data, "--recording", path))}
	var err error
	l.fifo, err = os.OpenFile(path, os.O_RDWR, 0)
	require.NoError(t, err)
	t.Cleanup(func() { _ = l.fifo.Close() })
	return l
}

// say puts frames on the bus, and enough others that the agent looks at them at
// once.
func (l *liveBox) say(frames ...combinesim.Frame) {
	var text []byte
	for _, f := range frames {
		text = f.AppendCandump(text, "can0")
	}
	other := combinesim.Frame{AtNS: frames[len(frames)-1].AtNS, ID: 0x18FFA0C3, Len: 8}
	for range 600 {
		text = other.AppendCandump(text, "can0")
	}
	_, err := l.fifo.Write(text)
	require.NoError(l.w.t, err)
}

// end ends the recording; the agent brings what it has.
func (l *liveBox) end() {
	require.NoError(l.w.t, l.fifo.Close())
	l.run.ended()
	require.True(l.w.t, l.run.cmd.ProcessState.Success())
}
