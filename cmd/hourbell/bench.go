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
	Scale       float64 `help:"How much of each load; 1 takes some twenty seconds on two cores." default:"1"`
	Connections int     `help:"How many idle machines are connected for the memory figure." default:"500"`
	Data        string  `help:"Work in this folder, to measure its disk; a temporary one where left out." placeholder:"DIR"`
}

// Run measures.
func (c *benchCmd) Run(s *session) error {
	if c.Scale <= 0 || c.Connections < 0 {
		return fmt.Errorf("bench: --scale has to be above 0 and --connections at least 0")
	}
	return bench.Run(s.ctx, bench.Options{Scale: c.Scale, Connections: c.Connections, Child: benchChild, Connect: benchConnect,
		Dir: c.Data, JSON: s.out.json, Out: s.out.w, Progress: s.out.err})
}

// benchServiceCmd is the measured service in a process of its own.
type benchServiceCmd struct{}

// Run runs it as the bench says on standard input.
func (*benchServiceCmd) Run(s *session) error { return bench.RunService(s.ctx, os.Stdin, s.out.w) }

const benchService = "bench-service"

func benchChild(context.Context) (*exec.Cmd, error) {
	self, err := os.Executable()
	if err != nil {
		return nil, fmt.Errorf("find this program: %w", err)
	}
	return exec.Command(self, benchService), nil
}

func benchConnect(at bench.Service) (*grpc.ClientConn, error) {
	return where{Server: at.People, Fingerprint: at.Fingerprint, TokenFile: at.TokenFile}.dial()
}
