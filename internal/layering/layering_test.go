package layering_test

import (
	"encoding/json"
	"errors"
	"io"
	"os/exec"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
)

const module = "github.com/hourbell/hourbell/"

// rule says what one folder, with all below it, may import of ours, and why no
// more. Test files are free.
type rule struct {
	folder string
	may    []string
	why    string
	std    bool // standard library only besides
}

// rules go from the most particular folder to the most general; the first that
// fits a package holds it.
var rules = []rule{
	{"proto", nil, "the contract must be usable by a program that has nothing else of ours", false},
	{"internal/maintenance", []string{"internal/maintenance"}, "the domain runs alike in agent and service only while it depends on nothing that differs between them", true},
	{"internal/wire", []string{"proto", "internal/maintenance", "internal/j1939"}, "one mapping between domain and wire, used by both sides", false},
	{"internal/chart", []string{"internal/maintenance", "internal/j1939", "internal/canlog"}, "a chart is compiled without a service", false},
	{"internal/trend", []string{"internal/maintenance"}, "a trend is reckoned from the state when somebody asks, and the state never depends on it", true},
	{"internal/fleet", []string{"internal/maintenance"}, "a table of machines is read without a service", true},
	{"internal/j1939", nil, "frames to values is a matter of the bus alone", true},
	{"internal/canlog", nil, "log lines to frames is a matter of the text alone", true},
	{"internal/spoolhash", nil, "both sides of the wire compute it", true},
	{"internal/seglog", []string{"internal/seglog"}, "the log knows bytes, not what they mean", false},
	{"internal/store", []string{"internal/store", "internal/maintenance", "internal/seglog", "internal/wire"}, "a store keeps streams; what they mean is the service's", false},
	{"internal/combinesim", nil, "an independent witness must not share code with what it checks", true},
	{"internal/tools", nil, "tools stand outside the product", false},
	{"internal/layering", nil, "a test only", true},
	{"agent", []string{"agent", "proto", "internal/wire", "internal/maintenance", "internal/j1939", "internal/canlog", "internal/seglog", "internal/spoolhash"}, "the agent is small: no store, no service, no YAML", false},
	{"service", []string{"service", "proto", "internal/wire", "internal/maintenance", "internal/chart", "internal/fleet", "internal/j1939", "internal/canlog", "internal/store", "internal/spoolhash", "internal/trend"}, "the service sees the store's interface; the command chooses its driver", false},
	{"cmd/hourbell-agent", []string{"agent", "internal/maintenance", "cmd/hourbell-agent"}, "the agent's command is the agent and its flags", false},
	{"cmd/hourbell", []string{""}, "the command puts everything together", false},
}

// bans hold a folder off something that a rule above it would allow.
var bans = []rule{
	{"service", []string{"internal/store/local", "internal/store/postgres"}, "a driver is chosen by the command, so that a replica may choose another", false},
	{"internal/maintenance/", []string{"internal/maintenance$"}, "the rules' subpackages never import the domain that uses them", false},
}

type pkg struct {
	ImportPath string
	Imports    []string
	Standard   bool
}

func TestImportsRunDownwards(t *testing.T) {
	pkgs := list(t)
	require.Greater(t, len(pkgs), 10, "go list found the module's packages")
	for _, p := range pkgs {
		path := strings.TrimPrefix(p.ImportPath, module)
		r, ok := find(rules, path)
		if !ok {
			t.Errorf("%s: no rule says what it may import; give its folder one in this test", path)
			continue
		}
		for _, imp := range p.Imports {
			check(t, r, path, imp)
		}
	}
}

func check(t *testing.T, r rule, path, imp string) {
	ours, isOurs := strings.CutPrefix(imp, module)
	if !isOurs {
		if r.std && strings.Contains(strings.Split(imp, "/")[0], ".") {
			t.Errorf("%s imports %s: only the standard library is allowed there: %s", path, imp, r.why)
		}
		return
	}
	if !within(r.may, ours) {
		t.Errorf("%s imports %s: not allowed: %s", path, ours, r.why)
	}
	for _, b := range bans {
		if strings.HasPrefix(path, b.folder) && within(b.may, ours) {
			t.Errorf("%s imports %s: banned: %s", path, ours, b.why)
		}
	}
}

func find(rules []rule, path string) (rule, bool) {
	for _, r := range rules {
		if path == r.folder || strings.HasPrefix(path, r.folder+"/") {
			return r, true
		}
	}
	return rule{}, false
}

func within(folders []string, path string) bool {
	for _, f := range folders {
		if exact, ok := strings.CutSuffix(f, "$"); ok {
			if path == exact {
				return true
			}
			continue
		}
		if f == "" || path == f || strings.HasPrefix(path, f+"/") {
			return true
		}
	}
	return false
}

func list(t *testing.T) []pkg {
	t.Helper()
	cmd := exec.CommandContext(t.Context(), "go", "list", "-json=ImportPath,Imports,Standard", "./...")
	cmd.Dir = "../.."
	out, err := cmd.Output()
	require.NoError(t, err, "list the module's packages")
	dec := json.NewDecoder(strings.NewReader(string(out)))
	var pkgs []pkg
	for {
		var p pkg
		if err := dec.Decode(&p); errors.Is(err, io.EOF) {
			return pkgs
		} else {
			require.NoError(t, err)
		}
		pkgs = append(pkgs, p)
	}
}
