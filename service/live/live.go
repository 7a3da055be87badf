// Package live hands the service's changes to whoever watches, after they are on
// disk.
//
// A Hub never waits for a reader. Each subscription has a bounded queue; a
// reader that falls behind loses changes, is told how many, and reads the
// machine's state again. Nothing that must not be lost may hang on it: the
// outbox follows the journal.
package live

import (
	"slices"
	"sync"
	"sync/atomic"

	"github.com/hourbell/hourbell/internal/maintenance"
	"github.com/hourbell/hourbell/internal/maintenance/hours"
	"github.com/hourbell/hourbell/internal/maintenance/moment"
)

// DefaultBuffer is how many changes a subscription holds for its reader where
// the filter names no other number.
const DefaultBuffer = 256

// Change is what one batch of events changed about one machine.
type Change struct {
	Machine string
	// Revision is the machine's after the batch.
	Revision uint64
	Known    moment.Instant
	// Others says that someone other than the machine's agent wrote in the batch.
	Others bool
	// Effects in the order they followed. Their Index holds only against the
	// state right after their event; Summary names things by their id.
	Effects []maintenance.Effect
	Summary Summary
	// Lost is how many changes this subscription lost right before this one.
	Lost uint64
}

// Summary names what changed, as it stands after the batch.
type Summary struct {
	Heard    moment.Instant // how far the machine has been heard
	Engine   maintenance.EngineState
	Meters   []MeterNow
	Tasks    []TaskNow
	Notices  []maintenance.Notice
	Doubts   []maintenance.Doubt
	Warnings []maintenance.ActiveWarning
	Chart    bool // another edition came in force
}

// MeterNow is a meter that moved.
type MeterNow struct {
	ID    string
	Total hours.Millis
	At    moment.Span
}

// TaskNow is a task whose due state changed: Was before the batch, Now after.
type TaskNow struct {
	ID       string
	Was, Now maintenance.DueState
}

// Filter says what a subscription is to hear.
type Filter struct {
	// Machines by id; nil for every machine.
	Machines []string
	// Match is asked for each change, so that grants hold as they change; nil
	// lets all pass. It must be quick and may be called from any goroutine.
	Match func(machine string) bool
	// Others leaves out what the machine's own agent wrote.
	Others bool
	// Watching says that a person looks on: the agents of these machines push
	// sooner while the subscription is open.
	Watching bool
	// Buffer is how many changes are held for the reader, 0 for DefaultBuffer.
	Buffer int
}

// Hub spreads changes. The zero value is not usable; see NewHub.
type Hub struct {
	all atomic.Int64 // subscriptions to every machine

	mu     sync.RWMutex
	topics map[string]*Topic
	every  []*Subscription // those with no machines named
	open   map[*Subscription]struct{}
	paced  map[*pacer]struct{}
	closed bool
}

// Topic is one machine's place in the hub.
type Topic struct {
	hub     *Hub
	machine string
	full    atomic.Int64 // subscriptions to everything
	others  atomic.Int64 // subscriptions to what others write
	subs    []*Subscription
}

// Subscription is one reader.
type Subscription struct {
	// C gives the changes, in order of the commits. It is closed by Close and
	// when the hub closes.
	C <-chan Change

	hub    *Hub
	filter Filter
	c      chan Change
	lost   atomic.Uint64
	// missed counts since the last change that was handed over.
	missed uint64
	sendMu sync.Mutex
	done   bool
}

// pacer is a party that wants to know whether a machine is watched.
type pacer struct {
	machine string
	tell    func(watched bool)
	mu      sync.Mutex
	last    bool
}

// NewHub returns a hub with no subscriptions.
func NewHub() *Hub {
	return &Hub{topics: make(map[string]*Topic), open: make(map[*Subscription]struct{}), paced: make(map[*pacer]struct{})}
}

// Topic returns the machine's topic, which is made where there is none.
func (h *Hub) Topic(machine string) *Topic {
	h.mu.Lock()
	defer h.mu.Unlock()
	return h.topic(machine)
}

// Wanted reports whether anyone would hear a change of this machine, so that
// one need not be put together for nobody.
func (t *Topic) Wanted(others bool) bool {
	return t.full.Load() > 0 || t.hub.all.Load() > 0 || others && t.others.Load() > 0
}

// Publish hands a change to every subscription that its filter lets through. It
// never waits for a reader. The readers share the change's slices.
func (t *Topic) Publish(c Change) {
	t.hub.mu.RLock()
	defer t.hub.mu.RUnlock()
	for _, s := range t.subs {
		s.offer(c)
	}
	for _, s := range t.hub.every {
		s.offer(c)
	}
}

// Subscribe opens a subscription. Subscribe first, then read the state: what
// happens between the two is heard twice, never missed.
func (h *Hub) Subscribe(f Filter) *Subscription {
	if f.Buffer <= 0 {
		f.Buffer = DefaultBuffer
	}
	f.Machines = slices.Clone(f.Machines)
	c := make(chan Change, f.Buffer)
	s := &Subscription{C: c, c: c, hub: h, filter: f}
	h.mu.Lock()
	if h.closed {
		s.end()
	} else {
		h.add(s)
	}
	h.mu.Unlock()
	h.pace(f)
	return s
}

// Lost is how many changes this subscription has lost so far. A reader that
// finds it risen once its queue is empty reads the state again.
func (s *Subscription) Lost() uint64 { return s.lost.Load() }

// Close ends the subscription and closes C. It may be called again.
func (s *Subscription) Close() {
	s.hub.mu.Lock()
	s.hub.remove(s)
	s.hub.mu.Unlock()
	s.end()
	s.hub.pace(s.filter)
}

// Watched reports whether a person looks on at this machine.
func (h *Hub) Watched(machine string) bool {
	h.mu.RLock()
	defer h.mu.RUnlock()
	return h.watched(machine)
}

// OnWatched calls tell with whether the machine is watched, at once and whenever
// it changes, until stop is called. Calls for one machine don't overlap; tell
// must be quick and must not call the hub.
func (h *Hub) OnWatched(machine string, tell func(watched bool)) (stop func()) {
	p := &pacer{machine: machine, tell: tell}
	h.mu.Lock()
	h.paced[p] = struct{}{}
	p.last = h.watched(machine)
	h.mu.Unlock()
	p.mu.Lock()
	tell(p.last)
	p.mu.Unlock()
	h.repace(p)
	return func() {
		h.mu.Lock()
		delete(h.paced, p)
		h.mu.Unlock()
	}
}

// Close ends every subscription, and those still to come.
func (h *Hub) Close() {
	h.mu.Lock()
	defer h.mu.Unlock()
	h.closed = true
	for s := range h.open {
		s.end()
	}
}

// Subscriptions is how many are open.
func (h *Hub) Subscriptions() int {
	h.mu.RLock()
	defer h.mu.RUnlock()
	return len(h.open)
}

func (h *Hub) topic(machine string) *Topic {
	t := h.topics[machine]
	if t == nil {
		t = &Topic{hub: h, machine: machine}
		h.topics[machine] = t
	}
	return t
}

func (h *Hub) add(s *Subscription) {
	h.open[s] = struct{}{}
	if s.filter.Machines == nil {
		h.every = append(h.every, s)
		h.all.Add(1)
		return
	}
	for _, machine := range s.filter.Machines {
		t := h.topic(machine)
		if !slices.Contains(t.subs, s) {
			t.subs = append(t.subs, s)
			t.count(s).Add(1)
		}
	}
}

func (h *Hub) remove(s *Subscription) {
	if _, there := h.open[s]; !there {
		return
	}
	delete(h.open, s)
	if i := slices.Index(h.every, s); i >= 0 {
		h.every = slices.Delete(h.every, i, i+1)
		h.all.Add(-1)
	}
	for _, machine := range s.filter.Machines {
		t := h.topics[machine]
		if i := slices.Index(t.subs, s); i >= 0 {
			t.subs = slices.Delete(t.subs, i, i+1)
			t.count(s).Add(-1)
		}
	}
}

func (t *Topic) count(s *Subscription) *atomic.Int64 {
	if s.filter.Others {
		return &t.others
	}
	return &t.full
}

func (h *Hub) watched(machine string) bool {
	watches := func(s *Subscription) bool {
		return s.filter.Watching && (s.filter.Match == nil || s.filter.Match(machine))
	}
	if t := h.topics[machine]; t != nil && slices.ContainsFunc(t.subs, watches) {
		return true
	}
	return slices.ContainsFunc(h.every, watches)
}

// pace tells those who asked, after a watching subscription opened or closed.
func (h *Hub) pace(f Filter) {
	if !f.Watching {
		return
	}
	h.mu.RLock()
	var told []*pacer
	for p := range h.paced {
		if f.Machines == nil || slices.Contains(f.Machines, p.machine) {
			told = append(told, p)
		}
	}
	h.mu.RUnlock()
	for _, p := range told {
		h.repace(p)
	}
}

// repace asks again under the pacer's own lock, so that the last word it is
// told is the last that was true.
func (h *Hub) repace(p *pacer) {
	p.mu.Lock()
	defer p.mu.Unlock()
	h.mu.RLock()
	_, there := h.paced[p]
	now := h.watched(p.machine)
	h.mu.RUnlock()
	if there && now != p.last {
		p.last = now
		p.tell(now)
	}
}

func (s *Subscription) offer(c Change) {
	if s.filter.Others && !c.Others || s.filter.Match != nil && !s.filter.Match(c.Machine) {
		return
	}
	s.sendMu.Lock()
	defer s.sendMu.Unlock()
	if s.done {
		return
	}
	c.Lost = s.missed
	select {
	case s.c <- c:
		s.missed = 0
	default:
		s.missed++
		s.lost.Add(1)
	}
}

func (s *Subscription) end() {
	s.sendMu.Lock()
	defer s.sendMu.Unlock()
	if !s.done {
		s.done = true
		close(s.c)
	}
}
