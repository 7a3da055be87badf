package main

import (
	"fmt"
	"io"
	"time"

	pb "github.com/hourbell/hourbell/proto/hourbell/v1"
)

type enrolCmd struct {
	Machine string        `arg:"" help:"The machine's id."`
	For     time.Duration `help:"How long the token is good." default:"72h"`
	Replace bool          `help:"The new agent takes the place of the machine's present one."`
}

// Run makes the token and prints the line for the agent.
func (c *enrolCmd) Run(s *session) error {
	a, err := call(s, pb.NewFleetServiceClient, pb.FleetServiceClient.CreateEnrolment, &pb.CreateEnrolmentRequest{Parent: under("machines", c.Machine), LifetimeSeconds: int64(c.For / time.Second), Replace: c.Replace})
	if err != nil {
		return err
	}
	return s.out.document(a, func(w io.Writer) {
		fmt.Fprintf(w, "On the machine's box, once, until %s:\n\n  hourbell-agent enrol --address %s --fingerprint %s --token %s\n\nThe token is not kept here and can't be shown again.\n",
			stampText(a.ExpireTime, "-"), a.Address, a.Fingerprint, a.Token)
	})
}

type agentsCmd struct {
	List    agentsListCmd   `cmd:"" default:"withargs" help:"Which agents are there, and when was each heard? For who runs the service."`
	Suspend agentSuspendCmd `cmd:"" help:"Keep an agent from speaking until it is resumed. For who runs the service."`
	Resume  agentResumeCmd  `cmd:"" help:"Let a suspended agent speak again. For who runs the service."`
	Revoke  agentRevokeCmd  `cmd:"" help:"End an agent's right to speak for good. For who runs the service."`
}

type agentsListCmd struct {
	Machine string `help:"Only this machine's." placeholder:"MACHINE"`
}

// Run lists the agents.
func (c *agentsListCmd) Run(s *session) error {
	all, err := s.agents(or(c.Machine, "-"))
	if err != nil {
		return err
	}
	return s.out.document(all, func(w io.Writer) {
		t := newTable("AGENT", "MACHINE", "STATE", "CONNECTED", "SPOKE", "VERSION", "ENROLLED")
		for _, one := range all.Agents {
			spoke := "not since the service started"
			if one.SeenTime != nil {
				spoke = ageText(all.AnswerTime.AsTime(), one.SeenTime.AsTime())
			}
			t.add(short(one.Name), machineText(one.Name), word(one.State, "AGENT_STATE_"), yesNo(one.Connected), spoke, orDash(one.Version), stampText(one.CreateTime, "-"))
		}
		t.print(w, "No agents. Enrol one with `hourbell enrol MACHINE`.")
	})
}

func yesNo(b bool) string {
	if b {
		return "yes"
	}
	return "no"
}

func (s *session) agents(machine string) (*pb.ListAgentsResponse, error) {
	all := &pb.ListAgentsResponse{}
	err := pages(func(token string) (string, error) {
		a, err := call(s, pb.NewFleetServiceClient, pb.FleetServiceClient.ListAgents, &pb.ListAgentsRequest{Parent: under("machines", machine), PageSize: pageSize, PageToken: token})
		all.Agents = append(all.Agents, a.GetAgents()...)
		all.AnswerTime = a.GetAnswerTime()
		return a.GetNextPageToken(), err
	})
	return all, err
}

func (s *session) agentName(machine, typed string) (string, error) {
	all, err := s.agents(machine)
	if err != nil {
		return "", err
	}
	names := make([]string, 0, len(all.Agents))
	for _, one := range all.Agents {
		names = append(names, one.Name)
	}
	return pick("agent", typed, names)
}

type agentArgs struct {
	Machine string `arg:"" help:"The machine's id."`
	Agent   string `arg:"" help:"The agent's id, or its first characters."`
}

type agentSuspendCmd struct{ agentArgs }

// Run suspends the agent.
func (c *agentSuspendCmd) Run(s *session) error {
	name, err := s.agentName(c.Machine, c.Agent)
	if err != nil {
		return err
	}
	a, err := call(s, pb.NewFleetServiceClient, pb.FleetServiceClient.SuspendAgent, &pb.SuspendAgentRequest{Name: name, RequestId: requestID()})
	if err != nil {
		return err
	}
	return s.out.document(a, func(w io.Writer) { fmt.Fprintf(w, "%s may not speak until it is resumed.\n", name) })
}

type agentResumeCmd struct{ agentArgs }

// Run resumes the agent.
func (c *agentResumeCmd) Run(s *session) error {
	name, err := s.agentName(c.Machine, c.Agent)
	if err != nil {
		return err
	}
	a, err := call(s, pb.NewFleetServiceClient, pb.FleetServiceClient.ResumeAgent, &pb.ResumeAgentRequest{Name: name, RequestId: requestID()})
	if err != nil {
		return err
	}
	return s.out.document(a, func(w io.Writer) { fmt.Fprintf(w, "%s may speak again.\n", name) })
}

type agentRevokeCmd struct{ agentArgs }

// Run revokes the agent.
func (c *agentRevokeCmd) Run(s *session) error {
	name, err := s.agentName(c.Machine, c.Agent)
	if err != nil {
		return err
	}
	a, err := call(s, pb.NewFleetServiceClient, pb.FleetServiceClient.RevokeAgent, &pb.RevokeAgentRequest{Name: name, RequestId: requestID()})
	if err != nil {
		return err
	}
	return s.out.document(a, func(w io.Writer) {
		fmt.Fprintf(w, "%s may not speak any more. A new agent: hourbell enrol %s\n", name, c.Machine)
	})
}
