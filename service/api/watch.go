package api

import (
	"context"
	"fmt"
	"slices"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/protobuf/types/known/timestamppb"

	"github.com/hourbell/hourbell/internal/maintenance"
	pb "github.com/hourbell/hourbell/proto/hourbell/v1"
	"github.com/hourbell/hourbell/service/access"
	"github.com/hourbell/hourbell/service/fault"
	"github.com/hourbell/hourbell/service/live"
	"github.com/hourbell/hourbell/service/notify"
)

// maxWatched is how many machines may be named in one watch, and maxHave how
// many revisions a reader may say it has.
const (
	maxWatched = 1000
	maxHave    = 100_000
)

type watch struct {
	pb.UnimplementedWatchServiceServer
	*API
}

// Watch tells what changes, as it changes.
func (s *watch) Watch(q *pb.WatchRequest, stream grpc.ServerStreamingServer[pb.WatchResponse]) error {
	ctx := stream.Context()
	w := &watcher{API: s.API, ctx: ctx, send: stream.Send, told: make(map[string]uint64)}
	if err := w.begin(q); err != nil {
		return err
	}
	sub := s.o.Ingest.Changes().Subscribe(live.Filter{Machines: w.machines, Match: w.granted, Watching: true})
	defer sub.Close()
	if err := w.snapshot(); err != nil {
		return err
	}
	if err := w.stillHere(); err != nil { // says that all has been told
		return err
	}
	return w.follow(sub)
}

// snapshotEvery keeps a reader that goes on losing changes from having all
// machines told again and again without a pause.
const snapshotEvery = time.Second

// watcher is one open watch.
type watcher struct {
	*API

	lastSnapshot time.Time

	ctx      context.Context
	send     func(*pb.WatchResponse) error
	machines []string // nil: all
	may      func(customer string) bool
	told     map[string]uint64 // revisions that the reader has
}

// begin asks access and reads the request.
func (w *watcher) begin(q *pb.WatchRequest) error {
	var err error
	if w.may, err = w.o.Access.Filter(w.ctx, access.See); err != nil {
		return err
	}
	if len(q.GetMachines()) > maxWatched || len(q.GetHave()) > maxHave {
		return fault.New(fault.TooLarge, fmt.Sprintf("a watch names at most %d machines, and at most %d revisions it has: name none to watch all", maxWatched, maxHave))
	}
	for i, name := range q.GetMachines() {
		id, err := parseMachine(fmt.Sprintf("machines[%d]", i), name)
		if err != nil {
			return err
		}
		if _, err := w.o.Access.Machine(w.ctx, access.See, id); err != nil {
			return err
		}
		w.machines = append(w.machines, id)
	}
	for i, h := range q.GetHave() {
		id, err := parseMachine(fmt.Sprintf("have[%d].machine", i), h.GetMachine())
		if err != nil {
			return err
		}
		w.told[id] = h.GetRevision()
	}
	return nil
}

// granted is asked at each change, so that a grant taken back ends the watch of
// its machines.
func (w *watcher) granted(machine string) bool {
	m, err := w.o.Office.Machine(machine)
	return err == nil && w.may(m.Customer)
}

// snapshot tells every machine that the reader does not have as it stands. A
// revision ahead of ours is one of before a restore: told as well.
func (w *watcher) snapshot() error {
	w.lastSnapshot = time.Now()
	ids := w.machines
	if ids == nil {
		w.o.Ingest.Machines(func(id string) bool { ids = append(ids, id); return true })
	}
	for _, id := range ids {
		if !w.granted(id) {
			continue
		}
		var m *pb.Machine
		err := w.view(w.ctx, id, func(st *maintenance.State) {
			if have, told := w.told[id]; !told || have != st.Revision {
				m = w.machineOf(st)
			}
		})
		if isUnknown(err) || err == nil && m == nil {
			continue
		}
		if err != nil {
			return err
		}
		w.told[id] = m.Revision
		if err := w.say(&pb.WatchResponse{What: &pb.WatchResponse_Machine{Machine: m}}); err != nil {
			return err
		}
	}
	return nil
}

// follow tells changes until the reader goes.
func (w *watcher) follow(sub *live.Subscription) error {
	tick := time.NewTicker(w.o.StillHere)
	defer tick.Stop()
	var lost uint64
	for {
		var err error
		select {
		case <-w.ctx.Done():
			return context.Cause(w.ctx)
		case c, open := <-sub.C:
			if !open {
				return fault.New(fault.Stopping, "the service is ending: take the watch up again in a moment, with what you have")
			}
			if now := sub.Lost(); now != lost {
				err = w.lost(now - lost)
				lost = now
			} else {
				err = w.change(&c)
			}
			tick.Reset(w.o.StillHere)
		case <-tick.C:
			err = w.stillHere()
		}
		if err != nil {
			return err
		}
	}
}

// lost says that changes were lost and tells the machines as they stand.
func (w *watcher) lost(n uint64) error {
	text := fmt.Sprintf("you lost %d changes, since you read too slowly: each machine is told as it stands; read lists again", n)
	if err := w.say(&pb.WatchResponse{What: &pb.WatchResponse_Lost{Lost: &pb.ChangesLost{Changes: n, Text: text}}}); err != nil {
		return err
	}
	if wait := snapshotEvery - time.Since(w.lastSnapshot); wait > 0 {
		select {
		case <-time.After(wait):
		case <-w.ctx.Done():
			return context.Cause(w.ctx)
		}
	}
	return w.snapshot()
}

func (w *watcher) change(c *live.Change) error {
	if c.Revision <= w.told[c.Machine] {
		return nil // told by a snapshot
	}
	out := &pb.MachineChange{}
	err := w.view(w.ctx, c.Machine, func(st *maintenance.State) {
		out.Machine, out.Effects = w.machineOf(st), effectsOf(st, c)
	})
	if err != nil {
		return err
	}
	w.told[c.Machine] = c.Revision
	return w.say(&pb.WatchResponse{What: &pb.WatchResponse_Change{Change: out}})
}

func (w *watcher) stillHere() error {
	return w.say(&pb.WatchResponse{What: &pb.WatchResponse_StillHere{StillHere: &pb.StillHere{}}})
}

func (w *watcher) say(r *pb.WatchResponse) error {
	r.AnswerTime = timestamppb.New(w.o.Now())
	return w.send(r)
}

// effectsOf puts a change into words.
func effectsOf(st *maintenance.State, c *live.Change) []*pb.ChangeEffect {
	machine := st.Machine.Machine
	var out []*pb.ChangeEffect
	add := func(word pb.EffectWord, about, text string) *pb.ChangeEffect {
		e := &pb.ChangeEffect{Word: word, About: about, Text: text}
		out = append(out, e)
		return e
	}
	for _, m := range c.Summary.Meters {
		add(pb.EffectWord_EFFECT_WORD_READING_TAKEN, m.ID, fmt.Sprintf("%s at %s h", m.ID, m.Total))
	}
	for _, t := range c.Summary.Tasks {
		e := add(pb.EffectWord_EFFECT_WORD_DUE_CHANGED, taskName(machine, t.ID), fmt.Sprintf("%s: %s, was %s", notify.TaskText(st.Chart, t.ID), t.Now, t.Was))
		e.Was, e.Now = dueOf(t.Was), dueOf(t.Now)
	}
	for i := range c.Summary.Notices {
		n := &c.Summary.Notices[i]
		word, text := noticeEffect(n)
		add(word, noticeName(machine, n.ID), text+notify.Text(st, n))
	}
	for _, d := range c.Summary.Doubts {
		if d.Closed.IsZero() {
			add(pb.EffectWord_EFFECT_WORD_DOUBT_OPENED, doubtName(machine, d.Key), "doubt: "+d.What)
		} else {
			add(pb.EffectWord_EFFECT_WORD_DOUBT_CLOSED, doubtName(machine, d.Key), "doubt closed: "+d.How)
		}
	}
	return append(out, otherEffects(st, c)...)
}

func noticeEffect(n *maintenance.Notice) (pb.EffectWord, string) {
	switch {
	case !n.Withdrawn.IsZero():
		return pb.EffectWord_EFFECT_WORD_NOTICE_WITHDRAWN, "notice closed (" + n.How + "): "
	case n.Word != 0:
		return pb.EffectWord_EFFECT_WORD_NOTICE_ANSWERED, "notice answered: "
	}
	return pb.EffectWord_EFFECT_WORD_NOTICE_RAISED, "notice: "
}

// otherEffects gives those that the summary has no names for.
func otherEffects(st *maintenance.State, c *live.Change) []*pb.ChangeEffect {
	var out []*pb.ChangeEffect
	for _, fx := range c.Effects {
		switch fx.Kind {
		case maintenance.EffectReadingHeld:
			out = append(out, &pb.ChangeEffect{Word: pb.EffectWord_EFFECT_WORD_READING_HELD, Text: "held: " + fx.Why})
		case maintenance.EffectLifeOpened:
			out = append(out, &pb.ChangeEffect{Word: pb.EffectWord_EFFECT_WORD_LIFE_OPENED, Text: "a new meter life: " + fx.Why})
		case maintenance.EffectEngine:
			out = append(out, &pb.ChangeEffect{Word: pb.EffectWord_EFFECT_WORD_ENGINE, Text: engineText(c.Summary.Engine)})
		case maintenance.EffectRecord:
			out = append(out, &pb.ChangeEffect{Word: pb.EffectWord_EFFECT_WORD_RECORD, Text: "service record: " + fx.Why})
		}
	}
	for _, warning := range c.Summary.Warnings {
		out = append(out, &pb.ChangeEffect{Word: pb.EffectWord_EFFECT_WORD_WARNING, Text: "warning " + codeText(st.Chart, warning.Code)})
	}
	if c.Summary.Chart && st.Chart != nil {
		out = append(out, &pb.ChangeEffect{Word: pb.EffectWord_EFFECT_WORD_CHART, About: editionName(st.Chart.ID, st.Chart.Edition), Text: fmt.Sprintf("chart %s, edition %d", st.Chart.ID, st.Chart.Edition)})
	}
	return slices.CompactFunc(out, func(a, b *pb.ChangeEffect) bool { return a.Word == b.Word && a.Text == b.Text })
}

func engineText(e maintenance.EngineState) string {
	if e.Running {
		return "engine runs"
	}
	return "engine stands"
}

// codeText names a code in one line.
func codeText(c *maintenance.Chart, code maintenance.Code) string {
	switch def := CodeDef(c, code); {
	case code.Ambiguous:
		return fmt.Sprintf("%x from %02X, ambiguous", code.Raw, code.Source)
	case def != nil && def.Text != "":
		return def.ID + ": " + def.Text
	case def != nil:
		return def.ID
	}
	return fmt.Sprintf("%d/%d from %02X", code.SPN, code.FMI, code.Source)
}
