package main

import (
	"cmp"
	"errors"
	"flag"
	"fmt"
	"io/fs"
	"math/rand/v2"
	"os"
	"path/filepath"
	"runtime/debug"
	"time"
)

// folder is the agent's data folder:
//
//	spool/      events and the agent's memory
//	identity/   who this box is
//	agent.sock  where the running agent is asked
type folder string

// defaultFolder is where the agent of a machine keeps its data.
const defaultFolder = "/var/lib/hourbell-agent"

func folderFlag(fs *flag.FlagSet) *string {
	return fs.String("data", cmp.Or(os.Getenv("HOURBELL_AGENT_DATA"), defaultFolder), "the agent's data `folder` (or HOURBELL_AGENT_DATA)")
}

func (f folder) spool() string    { return filepath.Join(string(f), "spool") }
func (f folder) identity() string { return filepath.Join(string(f), "identity") }

func (f folder) make() error {
	if err := os.MkdirAll(string(f), 0o700); err != nil {
		return fmt.Errorf("make the data folder: %w: name one that you may write with --data", err)
	}
	return nil
}

// there fails where no agent has ever run.
func (f folder) there() error {
	_, err := os.Stat(f.spool())
	if errors.Is(err, fs.ErrNotExist) {
		return fmt.Errorf("no agent has run in %s yet: name its folder with --data", f)
	}
	return err
}

// version and built are set when the program is built for release
// (-ldflags "-X main.version=1.2 -X main.built=2026-11-25T09:00:00Z").
var version, built string

// earliest is before any build; no time before the build's is believed.
var earliest = time.Date(2026, 1, 1, 0, 0, 0, 0, time.UTC)

// build tells what this program was built from, and when.
func build() (name string, at time.Time) {
	name, at = cmp.Or(version, "unreleased"), earliest
	stamp := built
	if info, ok := debug.ReadBuildInfo(); ok {
		for _, s := range info.Settings {
			switch {
			case s.Key == "vcs.revision" && version == "":
				name += " " + s.Value[:min(12, len(s.Value))]
			case s.Key == "vcs.time":
				stamp = cmp.Or(stamp, s.Value)
			}
		}
	}
	if t, err := time.Parse(time.RFC3339, stamp); err == nil && t.After(earliest) {
		at = t
	}
	return name, at
}

// jitter draws from [0, n).
func jitter(n time.Duration) time.Duration {
	if n <= 0 {
		return 0
	}
	return rand.N(n)
}
