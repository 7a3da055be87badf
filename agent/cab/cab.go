// Package cab knows what is due with no signal: it holds the copy of the
// machine's state that the service sent last, goes on from it with the site's
// coming work days and the agent's own events, and rings once for each notice
// that comes up, as the service would.
package cab

import (
	"encoding/binary"
	"errors"
	"fmt"
	"log/slog"
	"slices"
	"sync"

	"google.golang.org/protobuf/proto"

	"github.com/hourbell/hourbell/internal/maintenance"
	"github.com/hourbell/hourbell/internal/maintenance/moment"
	"github.com/hourbell/hourbell/internal/wire"
	pb "github.com/hourbell/hourbell/proto/hourbell/v1"
)

// maxRung bounds the notices remembered as rung. A machine has no more open.
const maxRung = 512

// Keeper keeps the cab's memory over a restart.
type Keeper interface {
	SaveState(name string, b []byte) error
	LoadState(name string) ([]byte, error)
}

// The names under which the cab's memory is kept.
const (
	copyName = "cab-copy"
	rungName = "cab-rung"
)

// Own is one event of this agent's own spool.
type Own struct {
	Seq     uint64
	Hash    [32]byte // the spool's rolling hash after it
	At      moment.Span
	Known   moment.Instant
	Body    maintenance.Body
	Payload []byte // used where Body is nil
}

// Spool is read where a new copy does not hold all that was written here.
type Spool interface {
	Epoch() [16]byte
	// Own gives the events from a sequence number on to fn, until it fails.
	Own(from uint64, fn func(Own) error) error
}

// Bell is a notice that sounds.
type Bell struct {
	Notice maintenance.Notice
	Task   *maintenance.TaskDef // nil where the notice is of a doubt
	Doubt  string               // what is doubted
}

// Options says what a cab stands on.
type Options struct {
	Keeper Keeper
	Spool  Spool
	// Ring is called once for each notice, without locks held.
	Ring func(Bell)
	Log  *slog.Logger
}

// Cab is safe for concurrent use.
type Cab struct {
	opts Options

	mu       sync.Mutex
	copy     *pb.CabCopy
	state    *maintenance.State // nil before the first copy
	days     []maintenance.DayTurned
	rung     []maintenance.NoticeID
	own      uint64 // sequence number applied last
	now      moment.Instant
	readings map[string]maintenance.Reading
	order    []string
	changed  bool
	fx       []maintenance.Effect
	readAt   moment.Instant
}

// Open takes up what was kept.
func Open(opts Options) (*Cab, error) {
	if opts.Log == nil {
		opts.Log = slog.New(slog.DiscardHandler)
	}
	if opts.Ring == nil {
		opts.Ring = func(Bell) {}
	}
	c := &Cab{opts: opts, readings: map[string]maintenance.Reading{}}
	if err := c.loadRung(); err != nil {
		return nil, err
	}
	b, err := opts.Keeper.LoadState(copyName)
	if err != nil {
		return nil, fmt.Errorf("read the cab's copy: %w", err)
	}
	if len(b) == 0 {
		return c, nil
	}
	kept := &pb.CabCopy{}
	err = proto.Unmarshal(b, kept)
	if err == nil {
		err = c.adopt(kept)
	}
	if err != nil {
		// A copy that this build can't read is fetched anew at the next connection.
		opts.Log.Error("the cab's copy can't be used; waiting for a new one", "why", err)
		c.copy, c.state = nil, nil
	}
	return c, nil
}

func (c *Cab) loadRung() error {
	b, err := c.opts.Keeper.LoadState(rungName)
	if err != nil {
		return fmt.Errorf("read which notices were rung: %w", err)
	}
	for id := range slices.Chunk(b, 16) {
		if len(id) == 16 {
			c.rung = append(c.rung, maintenance.NoticeID(id))
		}
	}
	return nil
}

// Copy is the revision of the copy and the hash of its chart, zeros for none.
func (c *Cab) Copy() (revision uint64, chart [32]byte) {
	c.mu.Lock()
	defer c.mu.Unlock()
	if c.copy == nil {
		return 0, chart
	}
	copy(chart[:], c.copy.GetChartHash())
	return c.copy.GetRevision(), chart
}

// ErrRules says that the copy was made by rules that this build doesn't have.
var ErrRules = errors.New("the copy was made by newer rules than this agent's: update the agent; what is due is shown as it was last")

// Take replaces the copy by a newer one, keeps it, and goes on from it.
func (c *Cab) Take(m *pb.CabCopy) error {
	err := c.take(m)
	if err != nil {
		return fmt.Errorf("take the service's copy at revision %d: %w", m.GetRevision(), err)
	}
	c.ringOpen()
	return nil
}

func (c *Cab) take(m *pb.CabCopy) error {
	if m.GetRules() > maintenance.RulesVersion {
		return ErrRules
	}
	c.mu.Lock()
	defer c.mu.Unlock()
	if c.copy != nil && len(m.GetChart()) == 0 && len(m.GetChartHash()) != 0 {
		if string(m.GetChartHash()) != string(c.copy.GetChartHash()) {
			return errors.New("it names a chart that it doesn't bring and that isn't here")
		}
		m.Chart = c.copy.GetChart()
	}
	before, own, days := c.state, c.own, c.days
	old := c.copy
	if err := c.adopt(m); err != nil {
		c.copy, c.state, c.own, c.days = old, before, own, days
		return err
	}
	b, err := proto.Marshal(m)
	if err == nil {
		err = c.opts.Keeper.SaveState(copyName, b)
	}
	if err != nil {
		// It serves until this agent ends; the next one has to fetch it again.
		c.opts.Log.Error("the service's copy is used but can't be kept over a restart: give the spool more room", "bytes", len(b), "why", err)
	}
	return nil
}

// adopt makes the state of a copy and applies what this spool has beyond it.
func (c *Cab) adopt(m *pb.CabCopy) error {
	state, err := maintenance.DecodeState(m.GetState(), func(hash [32]byte) (*maintenance.Chart, error) {
		chart, err := maintenance.DecodeChart(m.GetChart())
		if err != nil {
			return nil, err
		}
		if chart.Hash() != hash {
			return nil, errors.New("its chart is not the one that its state names")
		}
		return chart, nil
	})
	if err != nil {
		return err
	}
	var days []maintenance.DayTurned
	for _, d := range m.GetDays() {
		day, err := wire.DayFromProto(d)
		if err != nil {
			return err
		}
		days = append(days, day)
	}
	c.copy, c.state, c.days = m, state, days
	c.own = 0
	epoch := c.opts.Spool.Epoch()
	for _, e := range state.Epochs {
		if e.ID == epoch {
			c.own = e.Next - 1
		}
	}
	err = c.opts.Spool.Own(c.own+1, func(o Own) error { return c.apply(o) })
	if err != nil {
		return fmt.Errorf("go on with this agent's own events: %w", err)
	}
	c.turn(c.now)
	return nil
}

// Applied takes events that were just written to the spool. It reports whether
// a due state or a notice changed, which people should hear of soon.
func (c *Cab) Applied(own []Own) (changed bool, err error) {
	c.mu.Lock()
	for _, o := range own {
		if r, ok := o.Body.(*maintenance.Reading); ok {
			if _, seen := c.readings[r.Meter]; !seen {
				c.order = append(c.order, r.Meter)
			}
			c.readings[r.Meter] = *r
			c.readAt = o.At.NotAfter
		}
		if err := c.apply(o); err != nil {
			c.mu.Unlock()
			return false, fmt.Errorf("apply event %d in the cab: %w", o.Seq, err)
		}
	}
	changed, c.changed = c.changed, false
	c.mu.Unlock()
	c.ringOpen()
	return changed, nil
}

// apply folds one own event into the state; one that is there already is
// passed over.
func (c *Cab) apply(o Own) error {
	if c.state == nil || o.Seq <= c.own {
		return nil
	}
	body := o.Body
	if body == nil {
		var err error
		if _, body, err = wire.Unmarshal(o.Payload); err != nil {
			return err
		}
	}
	// By what is certain: a box whose clock is years ahead must not turn the year.
	c.turn(o.At.NotBefore)
	key := maintenance.Key{Stream: c.opts.Spool.Epoch(), Seq: o.Seq}
	fx := maintenance.Apply(c.state, wire.Event(key, maintenance.WriterAgent, o.At, o.Known, o.Hash, body), c.fx[:0])
	c.fx = fx
	c.changed = c.changed || slices.ContainsFunc(fx, func(f maintenance.Effect) bool {
		return f.Kind == maintenance.EffectDueChanged || f.Kind == maintenance.EffectNoticeRaised || f.Kind == maintenance.EffectDoubtOpened
	})
	c.own = o.Seq
	return nil
}

// Pass lets time go on: the site's work days turn in the cab too.
func (c *Cab) Pass(now moment.Instant) {
	c.mu.Lock()
	c.turn(now)
	c.mu.Unlock()
	c.ringOpen()
}

func (c *Cab) turn(now moment.Instant) {
	c.now = max(c.now, now)
	for c.state != nil && len(c.days) > 0 && c.days[0].From <= c.now {
		day := c.days[0]
		c.days = c.days[1:]
		if n := len(c.state.Days); n > 0 && c.state.Days[n-1].Date >= day.Date {
			continue
		}
		maintenance.Apply(c.state, &maintenance.Event{Key: maintenance.DayKey(day.Date), Writer: maintenance.WriterService,
			At: moment.At(day.From), Known: c.now, Body: &day}, nil)
	}
}

// ringOpen rings each open notice that people should hear, once.
func (c *Cab) ringOpen() {
	c.mu.Lock()
	var bells []Bell
	if c.state != nil {
		for i := range c.state.Notices {
			if b, ok := c.bell(&c.state.Notices[i]); ok {
				bells = append(bells, b)
			}
		}
	}
	var err error
	if len(bells) > 0 {
		// Remembered before it sounds: a bell that rings twice is worse than one cut off.
		err = c.saveRung()
	}
	c.mu.Unlock()
	if err != nil {
		c.opts.Log.Error("which notices were rung can't be kept", "why", err)
	}
	for _, b := range bells {
		c.opts.Ring(b)
	}
}

// bell reports whether a notice has to sound now. Soon is shown, not rung.
func (c *Cab) bell(n *maintenance.Notice) (Bell, bool) {
	if n.Withdrawn != (maintenance.Key{}) || n.Stage == maintenance.StageSoon || n.Word == maintenance.NoticeMine {
		return Bell{}, false
	}
	if n.Word == maintenance.NoticeLater && n.Waiting {
		return Bell{}, false
	}
	id := ringOf(n)
	if slices.Contains(c.rung, id) {
		return Bell{}, false
	}
	c.rung = append(c.rung, id)
	if over := len(c.rung) - maxRung; over > 0 {
		c.rung = slices.Delete(c.rung, 0, over)
	}
	b := Bell{Notice: *n}
	if c.state.Chart != nil && n.Task != "" {
		for i := range c.state.Chart.Tasks {
			if c.state.Chart.Tasks[i].ID == n.Task {
				b.Task = &c.state.Chart.Tasks[i]
			}
		}
	}
	for _, d := range c.state.Doubts {
		if d.Key == n.Doubt && n.Task == "" {
			b.Doubt = d.What
		}
	}
	return b, true
}

// ringOf tells a notice's first ring from the one after a *later* is over.
func ringOf(n *maintenance.Notice) maintenance.NoticeID {
	id := n.ID
	if n.Word == maintenance.NoticeLater {
		var later [8]byte
		binary.BigEndian.PutUint64(later[:], uint64(n.LaterAt)+1)
		for i, b := range later {
			id[len(id)-len(later)+i] ^= b
		}
	}
	return id
}

func (c *Cab) saveRung() error {
	var b []byte
	for _, id := range c.rung {
		b = append(b, id[:]...)
	}
	return c.opts.Keeper.SaveState(rungName, b)
}

// Reach is the time that the cab has come to, and until when it knows the site's
// work days. Zeros where neither is known.
func (c *Cab) Reach() (now, until moment.Instant) {
	c.mu.Lock()
	defer c.mu.Unlock()
	if days := c.copy.GetDays(); len(days) > 0 {
		until = moment.Instant(days[len(days)-1].GetUntilMs())
	}
	return c.now, until
}

// View shows the state to fn, nil before the first copy. fn must not keep it.
func (c *Cab) View(fn func(*maintenance.State)) {
	c.mu.Lock()
	defer c.mu.Unlock()
	fn(c.state)
}

// Readings is what the meters showed last, and when.
func (c *Cab) Readings() (moment.Instant, []maintenance.Reading) {
	c.mu.Lock()
	defer c.mu.Unlock()
	var out []maintenance.Reading
	for _, id := range c.order {
		out = append(out, c.readings[id])
	}
	return c.readAt, out
}

// Chart is the chart of the copy, nil for none.
func (c *Cab) Chart() *maintenance.Chart {
	c.mu.Lock()
	defer c.mu.Unlock()
	if c.state == nil {
		return nil
	}
	return c.state.Chart
}

// Meter is what the copy and this agent's own events say of a meter.
func (c *Cab) Meter(id string) (maintenance.Meter, bool) {
	c.mu.Lock()
	defer c.mu.Unlock()
	if c.state == nil {
		return maintenance.Meter{}, false
	}
	for _, m := range c.state.Meters {
		if m.ID == id {
			m.Lives, m.Held, m.Trail, m.DayTops = slices.Clone(m.Lives), nil, nil, nil
			return m, true
		}
	}
	return maintenance.Meter{}, false
}
