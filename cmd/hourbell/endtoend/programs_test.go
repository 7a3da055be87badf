package endtoend_test

import (
	"bytes"
	"encoding/json"
	"errors"
	"io"
	"os/exec"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	pb "github.com/hourbell/hourbell/proto/hourbell/v1"
)

// used is one command as programs use it: with arguments that it answers, and
// with some that it must refuse.
type used struct {
	name    string
	ok, bad []string
	says    string // the refusal's one error must match it
}

// alone reports whether the command needs no service.
func (u used) alone() bool {
	return u.name == "chart check" || u.name == "chart compile" || len(u.ok) > 0 && strings.HasSuffix(u.ok[0], ".dbc")
}

// aside are the commands that run a service of their own, with tests of their own.
var aside = []string{"bench", "demo", "serve"}

// programsCommands is every other command, in an order in which each finds what it needs. {id} is
// looked up in what find gives.
func programsCommands(compiledFile string) []used {
	const uuid = "7d9f6a0e-3a51-4a8e-8a5b-5f0c7c1d2e3f"
	chartFile := filepath.Join(streamsDir, streamChart)
	return []used{
		{"customer add", []string{"alder"}, []string{"Not An Id"}, `customer_id: "Not An Id"`},
		{"customer list", nil, []string{"more"}, `unexpected argument more`},
		{"site add", []string{"alder", "ford", "--zone", "Etc/UTC"}, []string{"alder", "mill", "--zone", "Nowhere/None"}, `Nowhere/None`},
		{"site list", nil, []string{"beech"}, `beech`},
		{"chart check", []string{chartFile}, []string{"none.points.yaml"}, `none.points.yaml`},
		{"chart compile", []string{chartFile, "--out", compiledFile}, []string{"none.points.yaml"}, `none.points.yaml`},
		{"chart import", []string{"../../../internal/chart/testdata/invented.dbc"}, []string{chartFile + "x"}, `rook-8`},
		{"chart import", []string{chartFile}, []string{"none.points.yaml"}, `none.points.yaml`},
		{"chart print", []string{"rook-8"}, []string{"jay-1"}, `jay-1`},
		{"chart list", nil, []string{"jay-1"}, `jay-1`},
		{"machine add", []string{"crake", "--site", "ford", "--chart", "rook-8"}, []string{"crane", "--site", "nowhere"}, `nowhere`},
		{"machine list", nil, []string{"--customer", "beech"}, `beech`},
		{"machine show", []string{"crake"}, []string{"nothing"}, `no machine nothing`},
		{"machine take-chart", []string{"crake", "rook-8/1"}, []string{"crake", "jay-1"}, `jay-1`},
		{"enrol", []string{"crake"}, []string{"nothing"}, `no machine nothing`},
		{"agents list", nil, []string{"--machine", "nothing"}, `no machine nothing`},
		{"agents suspend", []string{"crake", "{agent}"}, []string{"crake", "ffffffff"}, `no agent`},
		{"agents resume", []string{"crake", "{agent}"}, []string{"crake", "ffffffff"}, `no agent`},
		{"agents revoke", []string{"crake", "{agent}"}, []string{"crake", "ffffffff"}, `no agent`},
		{"hours", []string{"crake", "engine", "1200"}, []string{"crake", "engine", "much"}, `"much": want digits`},
		{"readings", []string{"crake"}, []string{"nothing"}, `no machine nothing`},
		{"days", []string{"crake"}, []string{"nothing"}, `no machine nothing`},
		{"done", []string{"crake", "--round", "grease-10", "--hours", "engine=1189.5", "--id", uuid}, []string{"crake", "--round", "grease-99"}, `grease-99`},
		{"log", []string{"crake"}, []string{"nothing"}, `no machine nothing`},
		{"due", []string{"crake"}, []string{"nothing"}, `no machine nothing`},
		{"explain", []string{"crake", "knife-drive/grease"}, []string{"crake", "knife-drive/polish"}, `no task knife-drive/polish`},
		{"notices", []string{"crake"}, []string{"nothing"}, `no machine nothing`},
		{"notice later", []string{"crake", "{notice}", "--in", "1"}, []string{"crake", "ffffffff"}, `no notice`},
		{"notice mine", []string{"crake", "{notice}"}, []string{"crake", "ffffffff"}, `no notice`},
		{"void", []string{"crake", "7d9f6a0e", "--why", "another machine"}, []string{"crake", "ffffffff", "--why", "x"}, `no record`},
		{"hours", []string{"crake", "engine", "1290"}, []string{"crake", "wheel", "5"}, `wheel`},
		{"doubts", []string{"crake"}, []string{"nothing"}, `no machine nothing`},
		{"doubt answer", []string{"crake", "{doubt}", "wrong"}, []string{"crake", "ffffffff", "wrong"}, `no doubt`},
		{"warnings", []string{"crake"}, []string{"--changes"}, `--changes needs a machine`},
		{"watch", []string{"crake", "--once"}, []string{"nothing"}, `no machine nothing`},
		{"verify", []string{"crake"}, []string{"nothing"}, `no machine nothing`},
		{"person token", []string{"robin"}, []string{"Not A Name"}, `Not A Name`},
		{"person grant", []string{"robin", "see", "--customer", "alder"}, []string{"robin", "everything"}, `must be one of`},
		{"person list", nil, []string{"more"}, `unexpected argument more`},
		{"person end", []string{"robin"}, []string{"robyn"}, `robyn`},
		{"server", nil, []string{"more"}, `unexpected argument more`},
	}
}

// Every command with --json parses, and returns non-zero on failure with one
// clear error.
func TestProgramsUseEveryCommand(t *testing.T) {
	w := found(t)
	all := programsCommands(filepath.Join(t.TempDir(), "rook-8.hbchart"))
	t.Run("none is left out", func(t *testing.T) {
		listed := listedCommands(w.in(t))
		require.Greater(t, len(listed), 30)
		for _, name := range listed {
			require.True(t, slices.Contains(aside, name) || slices.ContainsFunc(all, func(u used) bool { return u.name == name }), "%s has no row in this test", name)
		}
	})
	for _, u := range all {
		t.Run(u.name, func(t *testing.T) {
			w := w.in(t)
			if strings.HasPrefix(u.name, "agents ") && u.name != "agents list" && len(w.agentsOf("crake")) == 0 {
				w.box("crake")
			}
			out, said, err := w.program(w.filled(u.ok), u.name, "--json")
			require.NoError(t, err, "%s", said)
			require.Empty(t, said)
			parses(t, out, u.name == "watch" || u.name == "verify")
			w.refuses(u.bad, u.name, u.says)
			if !u.alone() {
				w.refuses(u.ok, u.name, `127.0.0.1:1 can't be reached.*hourbell serve`, "--server", "127.0.0.1:1")
			}
		})
	}
	w.refuses([]string{"--people-addr", "nonsense", "--client-config", "none", "--data", filepath.Join(t.TempDir(), "x")}, "serve", `people's address "nonsense"`)
	w.refuses([]string{"--factor", "-1"}, "demo", `factor`)
	w.refuses(nil, "frobnicate", `frobnicate`)
}

// listedCommands is what `hourbell --help` lists.
func listedCommands(w *world) (names []string) {
	_, commands, is := strings.Cut(w.run("--help"), "\nCommands:\n")
	require.True(w.t, is)
	for line := range strings.Lines(commands) {
		if name := regexp.MustCompile(`^  (\w\S*(?: \S+)*)(?:  |$)`).FindStringSubmatch(strings.TrimRight(line, "\n")); name != nil {
			names = append(names, name[1])
		}
	}
	return names
}

func (w *world) agentsOf(machine string) []*pb.Agent {
	return ask[pb.ListAgentsResponse](w, "agents", "list", "--machine", machine).Agents
}

// filled puts ids in place of what stands for them.
func (w *world) filled(args []string) []string {
	out := slices.Clone(args)
	for i, a := range out {
		var names []string
		switch a {
		case "{agent}":
			for _, one := range w.agentsOf("crake") {
				names = append(names, one.Name)
			}
		case "{notice}":
			for _, one := range ask[pb.ListNoticesResponse](w, "notices", "crake").Notices {
				names = append(names, one.Name)
			}
		case "{doubt}":
			for _, one := range w.openDoubts("crake") {
				names = append(names, one.Name)
			}
		default:
			continue
		}
		require.NotEmpty(w.t, names, "%s", a)
		out[i] = lastPart(names[0])
	}
	return out
}

// program runs a command with arguments before or behind its own.
func (w *world) program(args []string, name string, more ...string) (out, said string, err error) {
	cmd := w.command(append(append(strings.Fields(name), args...), more...)...)
	var o, e bytes.Buffer
	cmd.Stdout, cmd.Stderr = &o, &e
	err = cmd.Run()
	return o.String(), e.String(), err
}

// refuses holds a command to fail with one error that says so, and nothing that
// a program could take for an answer.
func (w *world) refuses(args []string, name, says string, more ...string) {
	w.t.Helper()
	out, said, err := w.program(args, name, append(more, "--json")...)
	exit, is := errors.AsType[*exec.ExitError](err)
	require.True(w.t, is, "%s %v was taken: %s", name, args, out)
	require.Equal(w.t, 1, exit.ExitCode())
	require.Empty(w.t, out, "%s %v", name, args)
	require.Equal(w.t, 1, strings.Count(said, "\n"), "one error: %s", said)
	require.Regexp(w.t, "^hourbell: .*(?:"+says+")", said)
}

// parses holds an answer to be one JSON object, or one a line.
func parses(t *testing.T, out string, lines bool) {
	t.Helper()
	d, n := json.NewDecoder(strings.NewReader(out)), 0
	for {
		var v map[string]any
		err := d.Decode(&v)
		if errors.Is(err, io.EOF) {
			break
		}
		require.NoError(t, err, "%s", out)
		n++
	}
	require.Positive(t, n)
	if lines {
		require.Equal(t, n, strings.Count(out, "\n"), "one a line: %s", out)
		return
	}
	require.Equal(t, 1, n, "%s", out)
}

// The agent's commands for programs as well.
func TestProgramsUseTheAgent(t *testing.T) {
	w := foundFleet(t, "crake")
	b := w.box("crake")
	live := b.listenLive()
	live.say(engineHours(time.Now().Add(-10*time.Minute), at(120_000)))
	require.Eventually(t, func() bool {
		out, err := b.try("status", "--json")
		var s struct {
			Machine, Chart string
			Connected      bool
			Frames         uint64
		}
		return err == nil && json.Unmarshal([]byte(out), &s) == nil && s.Machine == "crake" && s.Chart == "rook-8" && s.Connected && s.Frames > 0
	}, 20*time.Second, 20*time.Millisecond)
	out, err := b.try("due", "--json")
	require.NoError(t, err)
	parses(t, out, false)
	live.end()
	out, err = b.try("due", "--json")
	require.NoError(t, err)
	parses(t, out, false)
	_, err = b.try("status", "--json")
	require.ErrorContains(t, err, "no agent is running on this data folder")
}
