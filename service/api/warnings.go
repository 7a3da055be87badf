package api

import (
	"context"
	"fmt"
	"math/bits"
	"slices"
	"strings"

	"google.golang.org/protobuf/types/known/timestamppb"

	"github.com/hourbell/hourbell/internal/maintenance"
	"github.com/hourbell/hourbell/internal/maintenance/hours"
	pb "github.com/hourbell/hourbell/proto/hourbell/v1"
	"github.com/hourbell/hourbell/service/access"
)

type warnings struct {
	pb.UnimplementedWarningServiceServer
	*API
}

// ListActiveWarnings lists the codes that are on.
func (s *warnings) ListActiveWarnings(ctx context.Context, q *pb.ListActiveWarningsRequest) (*pb.ListActiveWarningsResponse, error) {
	ids, err := s.granted(ctx, q.GetParent())
	if err != nil {
		return nil, err
	}
	p, err := newPager(q)
	if err != nil {
		return nil, err
	}
	rows, next, err := codeRows(ctx, s.API, p, ids, func(st *maintenance.State, add func(maintenance.Code, *pb.ActiveWarning)) {
		for i := range st.Warnings {
			w := &st.Warnings[i]
			add(w.Code, &pb.ActiveWarning{
				Machine: machineName(st.Machine.Machine), Code: codeOf(st.Chart, w.Code), StartMoment: momentOf(w.Started), UnknownSinceTime: stampOf(w.Unknown),
				Lamps: lampsOf(w.Lamps), Occurrences: uint32(w.Occurrences),
			})
		}
	})
	return &pb.ListActiveWarningsResponse{Warnings: rows, NextPageToken: next, AnswerTime: timestamppb.New(s.o.Now())}, err
}

// ListWarningCounts lists how often each code started.
func (s *warnings) ListWarningCounts(ctx context.Context, q *pb.ListWarningCountsRequest) (*pb.ListWarningCountsResponse, error) {
	ids, err := s.granted(ctx, q.GetParent())
	if err != nil {
		return nil, err
	}
	p, err := newPager(q)
	if err != nil {
		return nil, err
	}
	rows, next, err := codeRows(ctx, s.API, p, ids, func(st *maintenance.State, add func(maintenance.Code, *pb.WarningCount)) {
		for i := range st.Counts {
			c := &st.Counts[i]
			one := &pb.WarningCount{Machine: machineName(st.Machine.Machine), Code: codeOf(st.Chart, c.Code), Starts: c.Starts, LastStartTime: stampOf(c.Last), ListenedMs: int64(st.Heard.Total)}
			if rate, known := perHour(c.Starts, st.Heard.Total); known {
				one.PerListenedHourMicro = new(rate)
			}
			add(c.Code, one)
		}
	})
	return &pb.ListWarningCountsResponse{Counts: rows, NextPageToken: next}, err
}

// perHour gives starts per listened hour in millionths, cut; false under an hour.
func perHour(starts uint64, listened hours.Millis) (int64, bool) {
	if listened < hours.Hour {
		return 0, false
	}
	hi, lo := bits.Mul64(starts, uint64(hours.Hour)*1_000_000)
	if hi >= uint64(listened) {
		return 1<<63 - 1, true
	}
	rate, _ := bits.Div64(hi, lo, uint64(listened))
	return int64(min(rate, 1<<63-1)), true
}

// codeRow is a row about one code of one machine.
type codeRow[T any] struct {
	row T
	key string
}

// codeRows gives a page of rows about codes, by machine and then by code.
func codeRows[T any](ctx context.Context, a *API, p pager, machines []string, read func(*maintenance.State, func(maintenance.Code, T))) ([]T, string, error) {
	var rows []codeRow[T]
	for _, id := range machines {
		if p.begun && p.cursor > id+"/~" { // behind every key of this machine
			continue
		}
		var part []codeRow[T]
		err := a.view(ctx, id, func(st *maintenance.State) {
			read(st, func(c maintenance.Code, row T) { part = append(part, codeRow[T]{row, id + "/" + codeKey(c)}) })
		})
		if err != nil && !isUnknown(err) {
			return nil, "", err
		}
		rows = append(rows, part...)
		if len(rows) > p.size+maintenance.CountsKept {
			break
		}
	}
	slices.SortFunc(rows, func(a, b codeRow[T]) int { return strings.Compare(a.key, b.key) })
	rows, next := slicePage(p, rows, func(r codeRow[T]) string { return r.key })
	out := make([]T, len(rows))
	for i := range rows {
		out[i] = rows[i].row
	}
	return out, next, nil
}

// codeKey orders codes by source, then by number.
func codeKey(c maintenance.Code) string {
	return fmt.Sprintf("%02x%016x%06x%02x%x", c.Source, c.Name, c.SPN, c.FMI, c.Raw)
}

// ListWarningChanges lists starts, ends and losses from sight, newest first.
func (s *warnings) ListWarningChanges(ctx context.Context, q *pb.ListWarningChangesRequest) (*pb.ListWarningChangesResponse, error) {
	id, err := parseMachine("parent", q.GetParent())
	if err != nil {
		return nil, err
	}
	if _, err := s.o.Access.Machine(ctx, access.See, id); err != nil {
		return nil, err
	}
	p, err := newPager(q)
	if err != nil {
		return nil, err
	}
	rows, next, err := s.historyPage(ctx, p, id, func(e *maintenance.Event) bool { return e.Kind() == maintenance.KindWarning })
	if err != nil {
		return nil, err
	}
	out := &pb.ListWarningChangesResponse{NextPageToken: next}
	var chart *maintenance.Chart
	if err := s.view(ctx, id, func(st *maintenance.State) { chart = st.Chart }); err != nil {
		return nil, err
	}
	for _, row := range rows {
		w, _ := row.event.Body.(*maintenance.Warning)
		out.Changes = append(out.Changes, &pb.WarningChange{
			Code: codeOf(chart, w.Code), Phase: pb.WarningPhase(w.Phase), Moment: momentOf(row.event.At), KnownTime: stampOf(row.event.Known),
			Occurrences: uint32(w.Occurrences), Lamps: lampsOf(w.Lamps), Revision: row.revision,
		})
	}
	return out, nil
}

// codeOf gives a code with the chart's words for it.
func codeOf(c *maintenance.Chart, code maintenance.Code) *pb.NamedCode {
	out := &pb.NamedCode{Source: uint32(code.Source), Spn: code.SPN, Fmi: uint32(code.FMI)}
	if code.Name != 0 {
		out.BusName = fmt.Sprintf("%016x", code.Name)
	}
	if code.Ambiguous {
		out.AmbiguousHex = fmt.Sprintf("%x", code.Raw)
		return out
	}
	if def := CodeDef(c, code); def != nil {
		out.Code, out.Text = def.ID, def.Text
	}
	return out
}

// CodeDef finds what the chart says of a code; nil where it says nothing.
func CodeDef(c *maintenance.Chart, code maintenance.Code) *maintenance.CodeDef {
	if c == nil {
		return nil
	}
	for i := range c.Codes {
		if d := &c.Codes[i]; d.Is(&code) {
			return d
		}
	}
	return nil
}

// lampsOf splits the lamps' byte: two bits each, from bit 0 protect, amber, red
// stop, malfunction; 0 off, 1 on, 2 error, 3 not available (SAE J1939-73).
func lampsOf(b uint8) *pb.Lamps {
	lamp := func(shift uint) pb.LampState { return pb.LampState(b>>shift&3) + 1 }
	return &pb.Lamps{Protect: lamp(0), Amber: lamp(2), RedStop: lamp(4), Malfunction: lamp(6)}
}
