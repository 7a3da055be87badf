package demo

import (
	"context"
	"fmt"
	"io"
	"slices"
	"strings"
	"sync"
	"time"

	"google.golang.org/grpc"

	"github.com/hourbell/hourbell/agent/cab"
	"github.com/hourbell/hourbell/internal/combinesim"
	pb "github.com/hourbell/hourbell/proto/hourbell/v1"
)

// redraw is how often the table is drawn.
const redraw = 100 * time.Millisecond

// board knows what the screen shows. All of it comes from the service's watch
// stream and lists, but for the stage directions and a cab without a signal.
type board struct {
	*screen
	shift *shift
	conn  grpc.ClientConnInterface
	stop  func()
	tasks sync.WaitGroup

	mu       sync.Mutex
	machines map[string]*pb.Machine
	due      map[string][]*pb.Task // by machine, as they were at the start
	told     map[string]bool       // what was said already
	state    map[string]string     // stage directions by machine
	cautions []string              // in the order in which they were printed
	hour     time.Time             // of the last plain line
}

func newBoard(s *shift) *board {
	out := s.o.Out
	if s.o.JSON {
		out = io.Discard
	}
	return &board{screen: &screen{out: out, terminal: s.o.Terminal, width: s.o.Width}, shift: s, stop: func() {},
		machines: map[string]*pb.Machine{}, due: map[string][]*pb.Task{}, told: map[string]bool{}, state: map[string]string{}, hour: s.o.Start}
}

// begin starts to watch and to draw.
func (b *board) begin(ctx context.Context, conn grpc.ClientConnInterface) error {
	b.conn = conn
	for _, k := range b.shift.crew {
		tasks, err := listTasks(ctx, conn, "machines/"+k.story.ID)
		if err != nil {
			return fmt.Errorf("read what is due: %w", err)
		}
		b.due["machines/"+k.story.ID] = tasks
	}
	b.say(b.title()...)
	ctx, b.stop = context.WithCancel(ctx)
	stream, err := pb.NewWatchServiceClient(conn).Watch(ctx, &pb.WatchRequest{})
	if err != nil {
		return fmt.Errorf("watch: %w", err)
	}
	b.tasks.Go(func() {
		for {
			a, err := stream.Recv()
			if err != nil {
				return // the end of the shift, or the demo's reads fail too and say why
			}
			b.hear(ctx, a)
		}
	})
	b.tasks.Go(func() { b.keepDrawing(ctx) })
	return nil
}

// end takes the table away and stops.
func (b *board) end() {
	b.stop()
	b.tasks.Wait()
	b.draw(nil)
}

func (b *board) keepDrawing(ctx context.Context) {
	beat := time.NewTicker(redraw)
	defer beat.Stop()
	for {
		b.draw(b.rows())
		b.plainHour()
		select {
		case <-ctx.Done():
			return
		case <-beat.C:
		}
	}
}

// title says what is about to be seen.
func (b *board) title() []string {
	o := b.shift.o
	speed := "as fast as this computer can"
	if o.Factor > 0 {
		length := time.Duration(float64(combinesim.ShiftLength) / o.Factor).Round(time.Second)
		speed = fmt.Sprintf("%g times as fast as life: twelve hours in about %v", o.Factor, length)
	}
	text := fmt.Sprintf("A shift of the %s, %s. Place, crew and machines are invented; the agents, the bus frames, the connections and the service are real.", combinesim.CrewName, combinesim.Place)
	lines := append(hang("", text, b.columns()), "The shift goes "+speed+".", "")
	for _, k := range b.shift.crew {
		lines = append(lines, hang(fmt.Sprintf("%-11s  ", k.story.Name), k.story.Happens, b.columns())...)
	}
	return append(lines, "")
}

// hear takes one thing that the watch tells.
func (b *board) hear(ctx context.Context, a *pb.WatchResponse) {
	switch what := a.What.(type) {
	case *pb.WatchResponse_Machine:
		b.put(what.Machine)
		b.ring(ctx, what.Machine.Name)
	case *pb.WatchResponse_Change:
		b.put(what.Change.Machine)
		for _, e := range what.Change.Effects {
			b.effect(ctx, what.Change.Machine, e)
		}
	}
}

func (b *board) put(m *pb.Machine) {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.machines[m.Name] = m
}

// first reports whether something is said for the first time.
func (b *board) first(what string) bool {
	b.mu.Lock()
	defer b.mu.Unlock()
	was := b.told[what]
	b.told[what] = true
	return !was
}

// effect says what followed from an event, where it is worth a line.
func (b *board) effect(ctx context.Context, m *pb.Machine, e *pb.ChangeEffect) {
	switch e.Word {
	case pb.EffectWord_EFFECT_WORD_NOTICE_RAISED:
		b.ring(ctx, m.Name)
	case pb.EffectWord_EFFECT_WORD_WARNING:
		if b.first(m.Name + e.Text) {
			b.tell(m.DisplayName, e.Text)
		}
	case pb.EffectWord_EFFECT_WORD_READING_HELD:
		if b.first(m.Name + "held") {
			b.tell(m.DisplayName, e.Text)
		}
	case pb.EffectWord_EFFECT_WORD_LIFE_OPENED:
		if !strings.HasSuffix(e.Text, "first reading") {
			b.tell(m.DisplayName, e.Text)
		}
	}
}

// tell prints one line of what happens now.
func (b *board) tell(name, text string) {
	b.say(hang(b.now(name), text, b.columns())...)
}

// now is the head of a line about a machine.
func (b *board) now(name string) string {
	return fmt.Sprintf("%s  %-11s  ", hourAndMinute(b.shift.pace.Now()), name)
}

// ring says which rounds have come up on a machine since it was last asked.
func (b *board) ring(ctx context.Context, machine string) {
	a, err := pb.NewNoticeServiceClient(b.conn).ListNotices(ctx, &pb.ListNoticesRequest{Parent: machine, IncludeClosed: true, PageSize: pageSize})
	if err != nil {
		if ctx.Err() == nil {
			b.shift.log.Error("the board can't read the notices", "machine", machine, "why", err)
		}
		return
	}
	for _, n := range slices.Backward(a.Notices) {
		if n.Task == "" {
			continue // of a doubt: told when the reading was held
		}
		task := b.task(machine, n.Task)
		if b.first(fmt.Sprint(machine, task.GetRound(), n.Stage, n.RaisedMoment)) {
			b.rang(machine, task, n)
		}
	}
}

func (b *board) task(machine, name string) *pb.Task {
	for _, t := range b.due[machine] {
		if t.Name == name {
			return t
		}
	}
	return nil
}

// rang prints the ring of a round with its cautions.
func (b *board) rang(machine string, t *pb.Task, n *pb.Notice) {
	b.mu.Lock()
	name := b.machines[machine].GetDisplayName()
	b.mu.Unlock()
	what, at := roundCall(t), latest(n.RaisedMoment)
	text := fmt.Sprintf("%s is %s", what, stageWord(int(n.Stage)))
	if b.shift.pace.Now().Sub(at) > 10*time.Minute {
		text = fmt.Sprintf("%s was %s at %s; the office hears of it now", what, stageWord(int(n.Stage)), hourAndMinute(at))
	}
	b.sayRing(name, text, machine, t.GetRound(), n.Stage > pb.Stage_STAGE_SOON)
}

// sayRing prints a round that came up with its cautions; those that were not
// printed yet in words.
func (b *board) sayRing(name, text, machine, round string, sounds bool) {
	marks, fresh := b.mark(machine, round)
	lines := hang(b.now(name), text+" "+marks, b.columns())
	if sounds {
		b.bold(lines)
		b.bell()
	}
	for _, c := range fresh {
		mark, words, _ := strings.Cut(c, " ")
		lines = append(lines, hang(strings.Repeat(" ", 20)+mark+" ", words, b.columns())...)
	}
	b.say(lines...)
}

// roundCall is what people call a task's round.
func roundCall(t *pb.Task) string {
	if t.GetRoundCall() != "" {
		return t.RoundCall
	}
	return t.GetCall()
}

// mark numbers the cautions of a round's tasks; fresh are those not printed yet.
func (b *board) mark(machine, round string) (marks string, fresh []string) {
	b.mu.Lock()
	defer b.mu.Unlock()
	seen := map[int]bool{}
	for _, t := range b.due[machine] {
		for _, c := range t.Cautions {
			if t.Round != round {
				continue
			}
			i := slices.Index(b.cautions, c.Text)
			if i < 0 {
				i = len(b.cautions)
				b.cautions = append(b.cautions, c.Text)
				fresh = append(fresh, fmt.Sprintf("[%d] %s", i+1, c.Text))
			}
			seen[i] = true
		}
	}
	for i := range b.cautions {
		if seen[i] {
			marks += fmt.Sprintf("[%d]", i+1)
		}
	}
	return marks, fresh
}

// cabRang says that a cab rings that nobody can hear of.
func (b *board) cabRang(k *known, bell cab.Bell) {
	if bell.Task == nil || !b.shift.links[k.story.ID].isDark() || !b.first(fmt.Sprint("cab", k.story.ID, bell.Task.Round, bell.Notice.Stage)) {
		return
	}
	machine := "machines/" + k.story.ID
	task := b.task(machine, fmt.Sprintf("%s/points/%s/tasks/%s", machine, bell.Task.Point, lastPart(bell.Task.ID)))
	text := fmt.Sprintf("the cab rings by itself, there is no signal: %s is %s", roundCall(task), bell.Notice.Stage)
	b.sayRing(k.story.Name, text, machine, bell.Task.Round, true)
}

func lastPart(id string) string { return id[strings.LastIndexByte(id, '/')+1:] }

// The stage directions.
func (b *board) signal(k *known, works bool) {
	if works {
		b.set(k, "")
		b.tell(k.story.Name, "has a signal again")
		return
	}
	b.set(k, "no signal")
	b.tell(k.story.Name, "drives into the hollow: no signal")
}

func (b *board) killed(k *known) {
	b.set(k, "killed")
	b.tell(k.story.Name, "its agent is killed (SIGKILL, in the middle of its work)")
}

func (b *board) revived(k *known) {
	b.set(k, "")
	b.tell(k.story.Name, "its agent is started again, in the same folder")
}

func (b *board) set(k *known, state string) {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.state["machines/"+k.story.ID] = state
}
