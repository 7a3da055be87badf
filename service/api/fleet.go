package api

import (
	"context"
	"fmt"
	"time"

	"google.golang.org/protobuf/types/known/timestamppb"

	pb "github.com/hourbell/hourbell/proto/hourbell/v1"
	"github.com/hourbell/hourbell/service/access"
	"github.com/hourbell/hourbell/service/fault"
	"github.com/hourbell/hourbell/service/office"
)

type fleet struct {
	pb.UnimplementedFleetServiceServer
	*API
}

// CreateEnrolment makes a one-time token.
func (s *fleet) CreateEnrolment(ctx context.Context, q *pb.CreateEnrolmentRequest) (*pb.CreateEnrolmentResponse, error) {
	id, err := parseMachine("parent", q.GetParent())
	if err != nil {
		return nil, err
	}
	if _, err := s.o.Access.Machine(ctx, access.Commission, id); err != nil {
		return nil, err
	}
	life := q.GetLifetimeSeconds()
	if life < 0 || life > int64(office.MaxEnrolmentLife/time.Second) {
		return nil, fault.InvalidField("lifetime_seconds", fmt.Sprintf("it is %d", life), "leave it out for three days, or give up to 30 days")
	}
	info := s.o.Info()
	if info.EnrolPublic == "" {
		return nil, fault.New(fault.Refused, "this service has no enrolment listener: start it with one, for new agents to come in")
	}
	token, expires, err := s.o.Office.CreateEnrolment(ctx, id, office.Enrolling{Life: time.Duration(life) * time.Second, Replace: q.GetReplace()})
	if err != nil {
		return nil, err
	}
	return &pb.CreateEnrolmentResponse{Token: token, ExpireTime: stampOf(expires), Address: info.EnrolPublic, Fingerprint: info.Fingerprint, Machine: machineName(id)}, nil
}

// GetAgent gives an agent.
func (s *fleet) GetAgent(ctx context.Context, q *pb.GetAgentRequest) (*pb.GetAgentResponse, error) {
	a, err := s.find(ctx, access.See, q.GetName())
	if err != nil {
		return nil, err
	}
	return &pb.GetAgentResponse{Agent: s.agentOf(a)}, nil
}

// find finds an agent by its name, under the machine that it names.
func (s *fleet) find(ctx context.Context, permission access.Permission, name string) (office.Agent, error) {
	parts, err := parse("name", "machines/{machine}/agents/{agent}", name)
	if err != nil {
		return office.Agent{}, err
	}
	if _, err := s.o.Access.Machine(ctx, permission, parts[0]); err != nil {
		return office.Agent{}, err
	}
	a, err := s.o.Office.Agent(parts[1])
	if err != nil || a.Machine != parts[0] {
		return office.Agent{}, fault.Missing("agent", cut(parts[1]))
	}
	return a, nil
}

// ListAgents lists agents, by machine and in order of enrolment.
func (s *fleet) ListAgents(ctx context.Context, q *pb.ListAgentsRequest) (*pb.ListAgentsResponse, error) {
	ids, err := s.granted(ctx, q.GetParent())
	if err != nil {
		return nil, err
	}
	p, err := newPager(q)
	if err != nil {
		return nil, err
	}
	byMachine := make(map[string][]office.Agent)
	for _, a := range s.o.Office.ListAgents("") {
		byMachine[a.Machine] = append(byMachine[a.Machine], a)
	}
	var rows []office.Agent
	for _, id := range ids {
		rows = append(rows, byMachine[id]...)
	}
	rows, next := slicePage(p, rows, func(a office.Agent) string {
		return fmt.Sprintf("%s/%016x/%s", a.Machine, uint64(a.Enrolled), a.ID)
	})
	out := &pb.ListAgentsResponse{NextPageToken: next, AnswerTime: timestamppb.New(s.o.Now())}
	for _, a := range rows {
		out.Agents = append(out.Agents, s.agentOf(a))
	}
	return out, nil
}

// SuspendAgent keeps an agent from speaking.
func (s *fleet) SuspendAgent(ctx context.Context, q *pb.SuspendAgentRequest) (*pb.SuspendAgentResponse, error) {
	a, err := s.set(ctx, q.GetName(), q.GetRequestId(), office.AgentSuspended)
	return &pb.SuspendAgentResponse{Agent: a}, err
}

// ResumeAgent lets an agent speak again.
func (s *fleet) ResumeAgent(ctx context.Context, q *pb.ResumeAgentRequest) (*pb.ResumeAgentResponse, error) {
	a, err := s.set(ctx, q.GetName(), q.GetRequestId(), office.AgentActive)
	return &pb.ResumeAgentResponse{Agent: a}, err
}

// RevokeAgent ends an agent's right to speak.
func (s *fleet) RevokeAgent(ctx context.Context, q *pb.RevokeAgentRequest) (*pb.RevokeAgentResponse, error) {
	a, err := s.set(ctx, q.GetName(), q.GetRequestId(), office.AgentRevoked)
	return &pb.RevokeAgentResponse{Agent: a}, err
}

func (s *fleet) set(ctx context.Context, name, requestID string, state office.AgentState) (*pb.Agent, error) {
	a, err := s.find(ctx, access.Commission, name)
	if err != nil {
		return nil, err
	}
	if _, err := parseUUID("request_id", requestID); err != nil {
		return nil, err
	}
	a, err = s.o.Office.SetAgentState(ctx, a.ID, state, "by "+access.Person(ctx))
	if err != nil {
		return nil, err
	}
	return s.agentOf(a), nil
}

func (s *fleet) agentOf(a office.Agent) *pb.Agent {
	now, _ := s.o.Agents.Presence(a.ID)
	out := &pb.Agent{
		Name: agentName(a.Machine, a.ID), State: pb.AgentState(a.State), KeyFingerprint: fmt.Sprintf("%x", a.Key), CreateTime: stampOf(a.Enrolled),
		Connected: now.Connected, Version: now.Version,
	}
	if !now.Seen.IsZero() {
		out.SeenTime = timestamppb.New(now.Seen)
	}
	return out
}
