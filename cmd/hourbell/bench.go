package main

import (
	"context"
	"fmt"
	"os"
	"os/exec"

	"google.golang.org/grpc"

	"github.com/hourbell/hourbell/cmd/hourbell/bench"
)

type benchCmd struct {
	Seconds  float64 `help:"How long the measuring takes; setting up comes on top." default:"10"`
	Machines int     `help:"Machines of the service, all of which are connected for the figure of memory." default:"1000"`
	Most     int     `help:"At most so many events of each load in a round; 0 for what fits the time." default:"0"`
	Data     string  `help:"Work in this new folder, on the disk to be measured; a temporary one where left out. It is removed." placeholder:"DIR"`
	Profile  string  `help:"Write the service's processor and allocation profiles under each load to this folder." placeholder:"DIR"`
}

// Run measures.
func (c *benchCmd) Run(s *session) error {
	if c.Seconds <= 0 || c.Machines <= 0 {
		return fmt.Errorf("--seconds %v, --machines %d: want both above 0", c.Seconds, c.Machines)
	}
	return bench.Run(s.ctx, bench.Options{
		Seconds: c.Seconds, Machines: c.Machines, Most: c.Most, Data: c.Data, Profile: c.Profile, JSON: s.out.json, Out: s.out.w, Progress: s.out.err,
		Version: version(), Child: benchChild, Connect: benchConnect,
	})
}

// benchServiceCmd is the measured service in a process of its own.
type benchServiceCmd struct{}

// Run runs it as the bench says on standard input.
func (*benchServiceCmd) Run(s *session) error {
	return bench.RunService(s.ctx, os.Stdin, s.out.w, s.out.err)
}

const benchService = "bench-service"

func benchChild(context.Context) (*exec.Cmd, error) {
	self, err := os.Executable()
	if err != nil {
		return nil, fmt.Errorf("find this program: %w", err)
	}
	return exec.Command(self, benchService), nil
}

func benchConnect(at bench.Service) (*grpc.ClientConn, error) {
	return where{Server: at.Address, Fingerprint: at.Fingerprint, TokenFile: at.TokenFile}.dial()
}
