package main

import (
	"context"
	"fmt"
	"os"
	"os/exec"
	"strings"

	"golang.org/x/term"
	"google.golang.org/grpc"

	"github.com/hourbell/hourbell/cmd/hourbell/demo"
)

type demoCmd struct {
	Seed   uint64  `help:"Where the simulated world's randomness comes from." default:"1"`
	Factor float64 `help:"How many times as fast as life; 0 as fast as this computer can." default:"2160"`
	Once   bool    `help:"End after the summary, also where someone looks on."`
	Data   string  `help:"Keep everything in this new folder; a temporary one where left out." placeholder:"DIR"`
}

// Run plays the demo.
func (c *demoCmd) Run(s *session) error {
	o := demo.Options{
		Seed: c.Seed, Factor: c.Factor, Data: c.Data, Stay: !c.Once && !s.out.json && isTerminal(os.Stdin), JSON: s.out.json,
		Out: s.out.w, Version: version(), Program: calledAs(), Child: demoChild, Connect: demoConnect, WriteClient: demoWriteClient,
	}
	if out, is := s.out.w.(*os.File); is && isTerminal(out) {
		o.Terminal, o.Width = true, func() int { return columns(out) }
	}
	return demo.Run(s.ctx, o)
}

// demoAgentCmd is the demo's agent in a process of its own.
type demoAgentCmd struct{}

// Run runs it as the demo says on standard input.
func (*demoAgentCmd) Run(s *session) error {
	return demo.RunChild(s.ctx, os.Stdin, s.out.w, s.out.err)
}

const demoAgent = "demo-agent"

func demoChild(context.Context) (*exec.Cmd, error) {
	self, err := os.Executable()
	if err != nil {
		return nil, fmt.Errorf("find this program: %w", err)
	}
	return exec.Command(self, demoAgent), nil
}

func demoConnect(at demo.Service) (*grpc.ClientConn, error) {
	return where{Server: at.Address, Fingerprint: at.Fingerprint, TokenFile: at.TokenFile}.dial()
}

func demoWriteClient(path string, at demo.Service) error {
	return writeClientFile(path, clientFile{Address: at.Address, Fingerprint: at.Fingerprint, TokenFile: at.TokenFile})
}

// calledAs is what to type to call this program again.
func calledAs() string {
	if strings.Contains(os.Args[0], "go-build") {
		return "go run ./cmd/hourbell"
	}
	return os.Args[0]
}

func isTerminal(f *os.File) bool { return term.IsTerminal(int(f.Fd())) }

// columns is the width of a terminal.
func columns(f *os.File) int {
	if width, _, err := term.GetSize(int(f.Fd())); err == nil && width > 0 {
		return width
	}
	return 80
}
