package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"slices"
	"strings"
	"time"

	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"

	pb "github.com/hourbell/hourbell/proto/hourbell/v1"
)

func sortedKeys[V any](m map[string]V) []string {
	keys := make([]string, 0, len(m))
	for k := range m {
		keys = append(keys, k)
	}
	slices.Sort(keys)
	return keys
}

type warningsCmd struct {
	Machine string `arg:"" optional:"" help:"The machine's id; all machines where left out."`
	Counts  bool   `xor:"what" help:"How often each code started."`
	Changes bool   `xor:"what" help:"Starts, ends and losses from sight of one machine, newest first."`
	Last    int    `help:"With --changes: how many." default:"50"`
}

// Run lists the warnings.
func (c *warningsCmd) Run(s *session) error {
	switch {
	case c.Changes && c.Machine == "":
		return errors.New("--changes needs a machine: hourbell warnings MACHINE --changes")
	case c.Changes:
		return c.changes(s)
	case c.Counts:
		return c.counts(s)
	}
	return c.active(s)
}

func (c *warningsCmd) active(s *session) error {
	all := &pb.ListActiveWarningsResponse{}
	err := pages(func(token string) (string, error) {
		a, err := call(s, pb.NewWarningServiceClient, pb.WarningServiceClient.ListActiveWarnings, &pb.ListActiveWarningsRequest{Parent: under("machines", or(c.Machine, "-")), PageSize: pageSize, PageToken: token})
		all.Warnings = append(all.Warnings, a.GetWarnings()...)
		all.AnswerTime = a.GetAnswerTime()
		return a.GetNextPageToken(), err
	})
	if err != nil {
		return err
	}
	return s.out.document(all, func(w io.Writer) {
		now := all.AnswerTime.AsTime()
		t := newTable("MACHINE", "CODE", "SAYS", "STARTED", "IN SIGHT", "LAMPS")
		for _, one := range all.Warnings {
			sight := "yes"
			if one.UnknownSinceTime != nil {
				sight = "lost from sight " + ageText(now, one.UnknownSinceTime.AsTime())
			}
			t.add(lastPart(one.Machine), codeText(one.Code), orDash(one.Code.GetText()), momentAge(now, one.StartMoment, "-"), sight, lampsText(one.Lamps))
		}
		t.print(w, "No warnings are on.")
	})
}

func (c *warningsCmd) counts(s *session) error {
	all := &pb.ListWarningCountsResponse{}
	err := pages(func(token string) (string, error) {
		a, err := call(s, pb.NewWarningServiceClient, pb.WarningServiceClient.ListWarningCounts, &pb.ListWarningCountsRequest{Parent: under("machines", or(c.Machine, "-")), PageSize: pageSize, PageToken: token})
		all.Counts = append(all.Counts, a.GetCounts()...)
		return a.GetNextPageToken(), err
	})
	if err != nil {
		return err
	}
	return s.out.document(all, func(w io.Writer) {
		t := newTable("MACHINE", "CODE", "SAYS", "STARTS", "IN 100 H LISTENED", "LAST")
		for _, one := range all.Counts {
			rate := "too few hours yet"
			if one.PerListenedHourMicro != nil {
				rate = fmt.Sprintf("%d.%d", *one.PerListenedHourMicro/10_000, *one.PerListenedHourMicro/1_000%10)
			}
			t.add(lastPart(one.Machine), codeText(one.Code), orDash(one.Code.GetText()), fmt.Sprint(one.Starts), rate, stampText(one.LastStartTime, "-"))
		}
		t.print(w, "No warnings were heard.")
	})
}

func (c *warningsCmd) changes(s *session) error {
	all := &pb.ListWarningChangesResponse{}
	err := pages(func(token string) (string, error) {
		size := min(pageSize, c.Last-len(all.Changes))
		if size <= 0 {
			return "", nil
		}
		a, err := call(s, pb.NewWarningServiceClient, pb.WarningServiceClient.ListWarningChanges, &pb.ListWarningChangesRequest{Parent: under("machines", c.Machine), PageSize: int32(size), PageToken: token})
		all.Changes = append(all.Changes, a.GetChanges()...)
		return a.GetNextPageToken(), err
	})
	if err != nil {
		return err
	}
	return s.out.document(all, func(w io.Writer) {
		t := newTable("WHEN", "CODE", "SAYS", "WHAT", "LAMPS")
		for _, one := range all.Changes {
			t.add(momentText(one.Moment, "-"), codeText(one.Code), orDash(one.Code.GetText()), phaseText(one.Phase), lampsText(one.Lamps))
		}
		t.print(w, "No warnings were heard.")
	})
}

func phaseText(p pb.WarningPhase) string {
	if p == pb.WarningPhase_WARNING_PHASE_UNKNOWN {
		return "lost from sight"
	}
	return word(p, "WARNING_PHASE_")
}

func codeText(c *pb.NamedCode) string {
	switch {
	case c.GetAmbiguousHex() != "":
		return fmt.Sprintf("%s from %02X, ambiguous", c.AmbiguousHex, c.Source)
	case c.GetCode() != "":
		return fmt.Sprintf("%s (%d/%d from %02X)", c.Code, c.Spn, c.Fmi, c.Source)
	}
	return fmt.Sprintf("%d/%d from %02X", c.GetSpn(), c.GetFmi(), c.GetSource())
}

func lampsText(l *pb.Lamps) string {
	var on []string
	for _, one := range []struct {
		state pb.LampState
		name  string
	}{{l.GetRedStop(), "red stop"}, {l.GetAmber(), "amber"}, {l.GetMalfunction(), "malfunction"}, {l.GetProtect(), "protect"}} {
		if one.state == pb.LampState_LAMP_STATE_ON {
			on = append(on, one.name)
		}
	}
	return orDash(strings.Join(on, ", "))
}

type watchCmd struct {
	Machines []string      `arg:"" optional:"" name:"machine" help:"Machines' ids; all where left out."`
	For      time.Duration `help:"End after this long; until Ctrl-C where left out."`
	Once     bool          `help:"End once every machine has been told as it stands."`
}

// Run tells what changes. A broken watch is taken up where it was.
func (c *watchCmd) Run(s *session) error {
	ctx := s.ctx
	if c.For > 0 {
		var stop context.CancelFunc
		ctx, stop = context.WithTimeout(ctx, c.For)
		defer stop()
	}
	q := &pb.WatchRequest{}
	for _, m := range c.Machines {
		q.Machines = append(q.Machines, under("machines", m))
	}
	have := make(map[string]uint64)
	for pause := time.Second; ; pause = min(2*pause, 30*time.Second) {
		told, err := c.watch(ctx, s, q, have)
		switch {
		case ctx.Err() != nil || err == nil:
			return nil
		case status.Code(err) != codes.Unavailable || len(have) == 0:
			return err
		case told:
			pause = time.Second
		}
		fmt.Fprintf(s.out.err, "The watch broke (%s); it is taken up again.\n", plain(status.Convert(err).Message()))
		select {
		case <-ctx.Done():
			return nil
		case <-time.After(pause):
		}
	}
}

// watch follows one stream to its end and notes the revisions told.
func (c *watchCmd) watch(ctx context.Context, s *session, q *pb.WatchRequest, have map[string]uint64) (told bool, err error) {
	conn, err := s.client()
	if err != nil {
		return false, err
	}
	q.Have = nil
	for _, m := range sortedKeys(have) {
		q.Have = append(q.Have, &pb.MachineRevision{Machine: m, Revision: have[m]})
	}
	stream, err := pb.NewWatchServiceClient(conn).Watch(ctx, q)
	if err != nil {
		return false, err
	}
	for {
		a, err := stream.Recv()
		if errors.Is(err, io.EOF) {
			return told, nil
		}
		if err != nil {
			return told, err
		}
		told = true
		if m := cmpOr(a.GetMachine(), a.GetChange().GetMachine()); m != nil {
			have[m.Name] = m.Revision
		}
		if a.GetStillHere() != nil && c.Once {
			return told, nil
		}
		if err := s.tell(a); err != nil {
			return told, err
		}
	}
}

func cmpOr(a, b *pb.Machine) *pb.Machine {
	if a != nil {
		return a
	}
	return b
}

// tell prints one thing told by a watch.
func (s *session) tell(a *pb.WatchResponse) error {
	if s.out.json {
		return s.out.line(a)
	}
	at := a.AnswerTime.AsTime()
	stamp := at.Local().Format("15:04:05")
	switch what := a.What.(type) {
	case *pb.WatchResponse_Machine:
		fmt.Fprintf(s.out.w, "%s  %s  %s\n", stamp, lastPart(what.Machine.Name), plain(machineLine(what.Machine, at)))
	case *pb.WatchResponse_Change:
		m := what.Change.Machine
		fmt.Fprintf(s.out.w, "%s  %s  %s\n", stamp, lastPart(m.GetName()), plain(machineLine(m, at)))
		for _, e := range what.Change.Effects {
			if e.Word != pb.EffectWord_EFFECT_WORD_READING_TAKEN {
				fmt.Fprintf(s.out.w, "          %s  %s\n", lastPart(m.GetName()), plain(e.Text))
			}
		}
	case *pb.WatchResponse_Lost:
		fmt.Fprintf(s.out.w, "%s  %s\n", stamp, plain(what.Lost.Text))
	}
	return nil
}

// machineLine gives a machine's hours and how it stands on one line.
func machineLine(m *pb.Machine, now time.Time) string {
	var parts []string
	for _, meter := range currentMeters(m) {
		cells := meterCells(meter, now)
		parts = append(parts, strings.TrimSuffix(cells[0]+" "+cells[1]+" ("+cells[2]+")", " (-)"))
	}
	parts = append(parts, countsText(m.GetTasks()))
	return strings.Join(parts, "; ")
}

type verifyCmd struct {
	Machines []string `arg:"" optional:"" name:"machine" help:"Machines' ids; all where left out."`
}

// Run verifies and fails where a machine differs.
func (c *verifyCmd) Run(s *session) error {
	conn, err := s.client()
	if err != nil {
		return err
	}
	q := &pb.VerifyRequest{}
	for _, m := range c.Machines {
		q.Machines = append(q.Machines, under("machines", m))
	}
	stream, err := pb.NewVerifyServiceClient(conn).Verify(s.ctx, q)
	if err != nil {
		return err
	}
	var summary *pb.VerifySummary
	for {
		a, err := stream.Recv()
		if errors.Is(err, io.EOF) {
			break
		}
		if err != nil {
			return err
		}
		if a.GetSummary() != nil {
			summary = a.GetSummary()
		}
		if err := s.verified(a); err != nil {
			return err
		}
	}
	switch {
	case summary == nil:
		return errors.New("the service ended the check before it was done; run it again")
	case summary.Differ > 0:
		return fmt.Errorf("%d of %d machines differ from what the journal gives", summary.Differ, summary.Machines)
	}
	return nil
}

// verified prints one thing told by a verification: progress on standard error,
// results on standard output.
func (s *session) verified(a *pb.VerifyResponse) error {
	if s.out.json {
		return s.out.line(a)
	}
	switch what := a.What.(type) {
	case *pb.VerifyResponse_Progress:
		p := what.Progress
		fmt.Fprintf(s.out.err, "%s  event %d of %d\n", lastPart(p.Machine), p.Revision, p.OfRevision)
	case *pb.VerifyResponse_Result:
		r := what.Result
		word := "same"
		if !r.Same {
			word = "DIFFERS"
		}
		fmt.Fprintf(s.out.w, "%s  %s at revision %d%s\n", lastPart(r.Machine), word, r.Revision, plain(andText(r.What)))
	case *pb.VerifyResponse_Summary:
		v := what.Summary
		fmt.Fprintf(s.out.w, "%s rebuilt from %s: %d the same, %d not\n", counted(int(v.Machines), "machine"), counted(int(v.Events), "event"), v.Same, v.Differ)
	}
	return nil
}

func andText(s string) string {
	if s == "" {
		return ""
	}
	return ": " + s
}

type serverCmd struct{}

// Run tells about the service.
func (c *serverCmd) Run(s *session) error {
	a, err := call(s, pb.NewServerServiceClient, pb.ServerServiceClient.GetServerInfo, &pb.GetServerInfoRequest{})
	if err != nil {
		return err
	}
	return s.out.document(a, func(w io.Writer) {
		t := newTable("hourbell", a.Version)
		t.add("started", ageText(a.AnswerTime.AsTime(), a.StartTime.AsTime()))
		t.add("you are", a.Person)
		t.add("machines", fmt.Sprintf("%d, %s connected", a.Machines, counted(int(a.ConnectedAgents), "agent")))
		t.add("people", a.PeopleAddress)
		t.add("agents", orDash(a.AgentsAddress))
		t.add("enrolment", orDash(a.EnrolAddress))
		t.add("metrics", orDash(a.MetricsAddress))
		t.add("fingerprint", a.Fingerprint)
		t.add("rules", fmt.Sprint(a.Rules))
		t.add("incarnation", a.Incarnation)
		store := "works"
		if !a.StoreWorks {
			store = "FAILS: nothing is taken in; see the service's log"
		}
		t.add("journal", store)
		t.print(w, "")
	})
}
