package spool

import (
	"errors"
	"fmt"
	"log/slog"
	"syscall"

	"github.com/hourbell/hourbell/internal/seglog"
)

// Stages of thinning, see the package's doc.
const (
	stageAcked = iota // the acknowledged head of a segment
	stageHalve        // every other reading, spacing kept
	stageLast         // readings but the last of each run
	stageKeeps        // keeps, and readings but the last of each key
	stageAll          // all but records
	stageEnd
)

const minGain = 32 // bytes; less isn't worth a rewrite

// progress is how far a segment is thinned.
type progress struct {
	stage  int    // the next to try
	passes int    // of halving
	head   uint64 // where the acknowledged head ended when it was dropped
}

// thin does one step of thinning on one segment.
func (s *Spool) thin() (bool, error) {
	for stage := stageAcked; stage < stageEnd; stage++ {
		for i := s.pick(stage); i >= 0; i = s.pick(stage) {
			ok, err := s.thinSegment(i, stage)
			if ok || err != nil {
				return ok, err
			}
		}
	}
	return false, nil
}

// pick is the oldest of the sealed, unacknowledged segments that were thinned least.
func (s *Spool) pick(stage int) int {
	best := -1
	for i := range len(s.v.segs) - 1 {
		p := s.progress[s.v.segs[i].first]
		switch {
		case s.v.segs[i+1].first <= s.v.acked.index:
			continue // trimmed whole
		case stage == stageAcked && (s.v.segs[i].first >= s.v.acked.index || p.head == s.v.acked.index):
			continue
		case stage != stageAcked && p.stage > stage:
			continue
		}
		if best < 0 || p.passes < s.progress[s.v.segs[best].first].passes {
			best = i
		}
	}
	return best
}

func (s *Spool) thinSegment(i, stage int) (bool, error) {
	g := s.v.segs[i]
	p := s.progress[g.first]
	pl, err := s.plan(i, s.v.segs[i+1].first, stage)
	if err != nil && !errors.Is(err, errSkip) {
		return false, fmt.Errorf("thin: %w", err)
	}
	ok := false
	if err == nil && pl.gain >= minGain {
		if err := s.apply(i, i+1, pl); err != nil {
			return false, err
		}
		ok = true
	}
	s.progress[g.first] = p.after(stage, ok, s.v.acked.index)
	if !ok {
		return false, nil
	}
	s.thinned.Readings += pl.dropped.Readings
	s.thinned.Keeps += pl.dropped.Keeps
	s.opts.Log.Info("spool thinned", slog.Int("stage", stage), slog.Uint64("readings", pl.dropped.Readings),
		slog.Uint64("keeps", pl.dropped.Keeps), slog.Int("bytes", pl.gain))
	if err := s.merge(i); err != nil && !errors.Is(err, syscall.ENOSPC) {
		return false, err
	}
	return true, nil
}

// after is the progress when a stage was tried.
func (p progress) after(stage int, done bool, acked uint64) progress {
	switch {
	case stage == stageAcked:
		p.head = acked
	case stage == stageHalve && done:
		p.passes++
	default:
		p.stage = stage + 1
	}
	return p
}

// apply rewrites segments [i, j) as planned. On a full disk the reserve makes room
// for the new form; where even that doesn't do the error is ENOSPC.
func (s *Spool) apply(i, j int, pl *plan) error {
	for {
		_, err := s.log.Rewrite(s.v.segs[i].first, s.v.segs[j].first, pl.edit)
		if err == nil {
			break
		}
		if !errors.Is(err, syscall.ENOSPC) || errors.Is(err, seglog.ErrBroken) {
			return fmt.Errorf("thin: %w", err)
		}
		if ok, rerr := s.files.dropReserve(); !ok || rerr != nil {
			return errors.Join(err, rerr)
		}
	}
	s.update(func(v *view) { v.segs = append(v.segs[:i+1:i+1], v.segs[j:]...) })
	return nil
}

// merge joins a segment that has become small with the one before it, so that
// their number stays bounded.
func (s *Spool) merge(i int) error {
	if i == 0 || s.v.segs[i].first <= s.v.acked.index || !s.v.segs[i-1].known {
		return nil
	}
	infos := s.log.Segments()
	if infos[i-1].Bytes+infos[i].Bytes > s.opts.segment()/2 {
		return nil
	}
	pl, err := s.plan(i-1, s.v.segs[i+1].first, stageAcked)
	if errors.Is(err, errSkip) {
		return nil
	}
	if err != nil {
		return fmt.Errorf("merge: %w", err)
	}
	a, b := s.v.segs[i-1].first, s.v.segs[i].first
	if err := s.apply(i-1, i+1, pl); err != nil {
		return err
	}
	s.progress[a] = progress{stage: min(s.progress[a].stage, s.progress[b].stage), passes: max(s.progress[a].passes, s.progress[b].passes)}
	delete(s.progress, b)
	return nil
}

// errSkip says that a segment is left alone.
var errSkip = errors.New("segment can't be thinned")

// mark is one record under a plan.
type mark struct {
	entry
	drop bool
}

// plan is what a rewrite does to each record.
type plan struct {
	edits   map[uint64][]byte // nil: dropped
	gain    int               // bytes
	dropped Gap               // counts of unacknowledged events dropped
}

func (p *plan) edit(index uint64, rec []byte) ([]byte, bool) {
	if out, ok := p.edits[index]; ok {
		return out, out != nil
	}
	return rec, true
}

// plan works out what a stage drops from segment i on, up to the log index end.
func (s *Spool) plan(i int, end uint64, stage int) (*plan, error) {
	if !s.v.segs[i].known {
		return nil, errSkip
	}
	marks, err := s.marks(i, end)
	if err != nil {
		return nil, err
	}
	for k := range marks {
		m := &marks[k]
		m.drop = m.rec.tag == tagEvent && m.index < s.v.acked.index
	}
	t := thinner{marks: marks, spacing: s.opts.MinSpacing.Milliseconds(), acked: s.v.acked.index}
	pl := t.choose(stage)
	return pl, nil
}

func (s *Spool) marks(i int, end uint64) (marks []mark, err error) {
	err = s.v.walk(point{s.v.segs[i].first, s.v.segs[i].base}, func(e entry) bool {
		if e.index >= end {
			return false
		}
		if e.lost && e.next > s.v.check {
			err = errSkip
			return false
		}
		e.rec.payload = nil // valid here only
		marks = append(marks, mark{entry: e})
		return true
	})
	return marks, err
}

// thinner chooses what to drop.
type thinner struct {
	marks   []mark
	spacing int64 // ms
	acked   uint64
}

func (t *thinner) choose(stage int) *plan {
	switch stage {
	case stageHalve:
		return t.halve()
	case stageLast:
		for _, run := range t.runs(false) {
			dropAll(run[:len(run)-1])
		}
	case stageKeeps:
		t.dropClass(Keep)
		for _, run := range t.runs(true) {
			dropAll(run[:len(run)-1])
		}
	case stageAll:
		t.dropClass(Keep)
		t.dropClass(Reading)
	}
	return t.build()
}

// halve drops every other reading, again until it gains a quarter or no more can go.
func (t *thinner) halve() *plan {
	size := 0
	for _, m := range t.marks {
		size += m.size
	}
	pl := t.build()
	for pl.gain < size/4 {
		changed := false
		for _, run := range t.runs(false) {
			changed = t.halveRun(run) || changed
		}
		if !changed {
			break
		}
		pl = t.build()
	}
	return pl
}

// halveRun drops every other one but the last, where the next one left is near enough.
func (t *thinner) halveRun(run []*mark) (changed bool) {
	for k := 1; k < len(run)-1; k += 2 {
		if run[k+1].rec.at-run[k-1].rec.at <= t.spacing {
			run[k].drop, changed = true, true
		}
	}
	return changed
}

// runs are the readings still there, by key, split where another class begins
// unless whole.
func (t *thinner) runs(whole bool) [][]*mark {
	open := map[uint16][]*mark{}
	var order []uint16
	var out [][]*mark
	end := func() {
		for _, k := range order {
			out = append(out, open[k])
			delete(open, k)
		}
		order = order[:0]
	}
	for i := range t.marks {
		m := &t.marks[i]
		switch {
		case m.rec.tag != tagEvent || m.drop:
		case m.rec.class != Reading:
			if !whole {
				end()
			}
		default:
			if open[m.rec.key] == nil {
				order = append(order, m.rec.key)
			}
			open[m.rec.key] = append(open[m.rec.key], m)
		}
	}
	end()
	return out
}

func dropAll(run []*mark) {
	for _, m := range run {
		m.drop = true
	}
}

func (t *thinner) dropClass(c Class) {
	for i := range t.marks {
		if m := &t.marks[i]; m.rec.tag == tagEvent && m.rec.class == c {
			m.drop = true
		}
	}
}

// build turns the choice into edits: each run of what goes becomes one gap, which
// takes the index of its last record.
func (t *thinner) build() *plan {
	b := builder{plan: plan{edits: map[uint64][]byte{}}}
	for i := range t.marks {
		m := &t.marks[i]
		if b.open && (m.before.ord != b.ord || m.lost) {
			b.end()
		}
		switch {
		case m.lost:
		case m.rec.tag == tagCheckpoint && i > 0, m.rec.tag == tagGap && m.rec.ordinal != m.before.ord:
			b.remove(m) // says nothing where it stands now
		case m.rec.tag == tagGap:
			b.add(m, m.rec.gap)
		case m.drop:
			b.add(m, gapOf(m))
			if m.index >= t.acked {
				b.count(m)
			}
		default:
			b.end()
		}
	}
	b.end()
	return &b.plan
}

func gapOf(m *mark) Gap {
	g := Gap{From: m.after.seq, To: m.after.seq + 1, Hash: m.after.hash}
	switch m.rec.class {
	case Reading:
		g.Readings = 1
	case Keep:
		g.Keeps = 1
	case Record:
		g.Records = 1
	}
	return g
}

// builder gathers runs.
type builder struct {
	plan
	open  bool
	ord   uint64
	gap   Gap
	last  uint64 // index of the last record in the run
	n     int    // records in it
	bytes int    // that they take
}

func (b *builder) remove(m *mark) {
	b.edits[m.index] = nil
	b.gain += m.size
}

func (b *builder) add(m *mark, g Gap) {
	if !b.open {
		b.open, b.ord, b.gap, b.n, b.bytes = true, m.before.ord, Gap{From: g.From}, 0, 0
	} else if b.n > 0 {
		b.edits[b.last] = nil
	}
	b.gap.To, b.gap.Hash = g.To, g.Hash
	b.gap.Readings += g.Readings
	b.gap.Keeps += g.Keeps
	b.gap.Records += g.Records
	b.last = m.index
	b.n++
	b.bytes += m.size
	if m.rec.tag == tagEvent {
		b.edits[m.index] = nil
	}
}

// end closes a run. A gap alone stays as it is.
func (b *builder) end() {
	if !b.open {
		return
	}
	b.open = false
	if _, touched := b.edits[b.last]; b.n == 1 && !touched {
		return
	}
	rec := appendGap(nil, b.ord, b.gap)
	b.edits[b.last] = rec
	skip := 0
	if b.n > 1 {
		skip = 21 // a skip frame before the gap
	}
	b.gain += b.bytes - seglog.FrameSize(len(rec)) - skip
}

func (b *builder) count(m *mark) {
	switch m.rec.class {
	case Reading:
		b.dropped.Readings++
	case Keep:
		b.dropped.Keeps++
	}
}
