package agents

import (
	"context"
	"encoding/hex"
	"fmt"

	pb "github.com/hourbell/hourbell/proto/hourbell/v1"
	"github.com/hourbell/hourbell/service/authority"
	"github.com/hourbell/hourbell/service/fault"
)

// Enrol exchanges a one-time token and a certificate request for a certificate.
func (s *Server) Enrol(ctx context.Context, r *pb.EnrolRequest) (*pb.EnrolResponse, error) {
	resp, err := s.enrol(ctx, r)
	return resp, s.status("Enrol", err)
}

func (s *Server) enrol(ctx context.Context, r *pb.EnrolRequest) (*pb.EnrolResponse, error) {
	if n := len(r.GetToken()); n == 0 || n > maxToken {
		return nil, fault.InvalidField("token", fmt.Sprintf("%d bytes", n), "give the token that the enrolment printed")
	}
	key, err := requestKey(r.GetCertificateRequest())
	if err != nil {
		return nil, err
	}
	got, err := s.o.Office.TakeEnrolment(ctx, r.GetToken(), key, func(agent, _ string) ([]byte, error) {
		issued, err := s.o.Authority.Issue(r.GetCertificateRequest(), agent)
		if err != nil {
			return nil, err
		}
		return issued.Chain[0], nil
	})
	if err != nil {
		return nil, err
	}
	s.o.Log.Info("a box was enrolled", "agent", got.Agent, "machine", got.Machine, "key", hex.EncodeToString(key[:]), "again", got.Again)
	return &pb.EnrolResponse{CertificateChain: [][]byte{got.Certificate, s.o.Authority.Certificate()}, Authorities: s.o.Authority.Authorities(),
		Machine: got.Machine, Agent: got.Agent, Address: s.o.Address, ServiceTimeMs: s.o.Now().UnixMilli()}, nil
}

// Renew gives the agent a certificate for a further key.
func (s *Server) Renew(ctx context.Context, r *pb.RenewRequest) (*pb.RenewResponse, error) {
	resp, err := s.renew(ctx, r)
	return resp, s.status("Renew", err)
}

func (s *Server) renew(ctx context.Context, r *pb.RenewRequest) (*pb.RenewResponse, error) {
	agent, _, err := s.who(ctx)
	if err != nil {
		return nil, err
	}
	key, err := requestKey(r.GetCertificateRequest())
	if err != nil {
		return nil, err
	}
	issued, err := s.o.Authority.Issue(r.GetCertificateRequest(), agent.ID)
	if err != nil {
		return nil, err
	}
	if err := s.o.Office.RenewAgent(ctx, agent.ID, key); err != nil {
		return nil, err
	}
	s.o.Log.Info("an agent renewed its certificate", "agent", agent.ID, "machine", agent.Machine, "until", issued.NotAfter)
	return &pb.RenewResponse{CertificateChain: issued.Chain, Authorities: s.o.Authority.Authorities(), ServiceTimeMs: s.o.Now().UnixMilli()}, nil
}

func requestKey(csr []byte) ([32]byte, error) {
	if len(csr) > maxRequest {
		return [32]byte{}, fault.InvalidField("certificate_request", fmt.Sprintf("%d bytes, at most %d are taken", len(csr), maxRequest), "")
	}
	key, err := authority.RequestKey(csr)
	if err != nil {
		return [32]byte{}, err
	}
	return authority.KeyHash(key)
}
