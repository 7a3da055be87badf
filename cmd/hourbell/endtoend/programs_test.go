package endtoend_test

import (
	"bytes"
	"encoding/json"
	"errors"
	"image"
	"image/png"
	"io"
	"os"
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

// alone reports whether the command needs no service.
func (u used) alone() bool {
	return u.name == "chart check" || u.name == "chart compile" || u.name == "chart schema" || len(u.ok) > 0 && strings.HasSuffix(u.ok[0], ".dbc")
}

// aside are the commands that run a service of their own, with tests of their own.
var aside = []string{"bench", "demo", "serve"}

// richChart has something for every command.
const richChart = "testdata/teal-4.points.yaml"

func nextEdition(dir string) string { return filepath.Join(dir, "teal-4.points.yaml") }

// wagtailToken is a second person's, whom a record to confirm and a signature need
// beside the keeper.
func wagtailToken(dir string) string { return filepath.Join(dir, "wagtail.token") }

// programsFiles writes what the commands read that is not in testdata.
func programsFiles(t *testing.T) (dir string) {
	dir = t.TempDir()
	first, err := os.ReadFile(richChart)
	require.NoError(t, err)
	next := strings.NewReplacer("edition: 1", "edition: 2", "{hours: 26,", "{hours: 21,").Replace(string(first))
	require.NoError(t, os.WriteFile(nextEdition(dir), []byte(next), 0o600))
	var b bytes.Buffer
	require.NoError(t, png.Encode(&b, image.NewGray(image.Rect(0, 0, 40, 30))))
	require.NoError(t, os.WriteFile(filepath.Join(dir, "lip.png"), b.Bytes(), 0o600))
	return dir
}

// Every command with --json parses, and returns non-zero on failure with one
// clear error.
func TestProgramsUseEveryCommand(t *testing.T) {
	w := found(t)
	all := programsCommands(programsFiles(t))
	t.Run("none is left out", func(t *testing.T) {
		listed := listedCommands(w.in(t))
		require.Greater(t, len(listed), 90)
		for _, name := range listed {
			require.True(t, slices.Contains(aside, name) || slices.ContainsFunc(all, func(u used) bool { return u.name == name }), "%s has no row in this test", name)
		}
	})
	missed := map[string]bool{} // one command of a family shows that it misses the service
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
			w.refuses(w.filled(u.bad), u.name, u.says)
			if family, _, _ := strings.Cut(u.name, " "); !u.alone() && !missed[family] {
				missed[family] = true
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

// filled puts ids in place of what stands for them: the first in its list.
func (w *world) filled(args []string) []string {
	out := slices.Clone(args)
	for i, a := range out {
		if strings.HasPrefix(a, "{") {
			names := w.namesOf(a)
			require.NotEmpty(w.t, names, "%s", a)
			out[i] = lastPart(names[0])
		}
	}
	return out
}

func (w *world) namesOf(what string) []string {
	switch what {
	case "{agent}":
		return namesIn(w.agentsOf("crake"))
	case "{notice}":
		return namesIn(ask[pb.ListNoticesResponse](w, "notices", "crake").Notices)
	case "{doubt}":
		return namesIn(w.openDoubts("crake"))
	case "{record}":
		return namesIn(ask[pb.ListServiceRecordsResponse](w, "log", "dunlin").Records)
	case "{remark}":
		return namesIn(ask[pb.ListRemarksResponse](w, "remarks", "dunlin", "--closed").Remarks)
	case "{walk}":
		return namesIn(ask[pb.ListWalksResponse](w, "walk", "list", "dunlin").Walks)
	}
	return nil
}

func namesIn[M interface{ GetName() string }](list []M) (names []string) {
	for _, one := range list {
		names = append(names, one.GetName())
	}
	return names
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

// A file's mistakes come all at once, each on a line of its own with its place, so
// that a program can go to them.
func TestProgramsGetEveryMistakeOfAFile(t *testing.T) {
	w := found(t)
	w.run("chart", "import", richChart)
	for name, file := range map[string]string{"chart check": "testdata/torn.points.yaml", "chart import": "testdata/torn.points.yaml", "fleet check": "testdata/torn-twice.csv", "fleet take": "testdata/torn-twice.csv"} {
		out, said, err := w.program([]string{file}, name, "--json")
		require.Error(t, err, name)
		require.Empty(t, out, name)
		mistakes := strings.Split(strings.TrimSuffix(strings.TrimPrefix(said, "hourbell: "), "\n"), "\n")
		require.Len(t, mistakes, 2, "%s", said)
		for i, line := range []string{"3", "6"} {
			require.Regexp(t, regexp.QuoteMeta(filepath.Base(file))+":"+line+`:\d+: \S`, mistakes[i], name)
		}
	}
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
