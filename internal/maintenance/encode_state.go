package maintenance

import (
	"crypto/sha256"
	"fmt"
)

// MaxStateBytes bounds what DecodeState reads: 64 MiB.
const MaxStateBytes = 64 << 20

// AppendState appends the state's fixed encoding. The chart stands in it by its
// hash only.
func AppendState(dst []byte, s *State) []byte {
	c := codec{out: dst}
	hash := s.chartHash()
	c.state(s, &hash)
	return c.out
}

// DecodeState reads what AppendState wrote. charts finds a chart by its hash
// and is asked at most once. Errors name the byte, or the chart that is missing.
func DecodeState(b []byte, charts func(hash [32]byte) (*Chart, error)) (*State, error) {
	if len(b) > MaxStateBytes {
		return nil, fmt.Errorf("decoding state: %w: %d bytes; at most %d", ErrEncoding, len(b), MaxStateBytes)
	}
	c := codec{in: b, reading: true}
	s, hash := new(State), [32]byte{}
	c.state(s, &hash)
	if err := c.finish("state"); err != nil {
		return nil, err
	}
	if hash != [32]byte{} {
		chart, err := charts(hash)
		if err != nil {
			return nil, fmt.Errorf("decoding state: chart %x: %w", hash[:8], err)
		}
		s.Chart, s.work.chart, s.work.hash = chart, chart, hash
	}
	if err := s.fits(); err != nil {
		return nil, fmt.Errorf("decoding state: %w", err)
	}
	s.shareHours()
	s.rebuild()
	return s, nil
}

// Hash is SHA-256 over the state's fixed encoding.
func (s *State) Hash() [32]byte { return sha256.Sum256(AppendState(nil, s)) }

// chartHash returns the hash of the chart in force, zeros where there is none.
func (s *State) chartHash() [32]byte {
	switch {
	case s.Chart == nil:
		return [32]byte{}
	case s.work.chart == s.Chart:
		return s.work.hash
	}
	return s.Chart.Hash()
}

// fits holds a decoded state to the order that the rules rely on.
func (s *State) fits() error {
	if s.Chart == nil {
		return nil
	}
	if len(s.Meters) < len(s.Chart.Meters) || len(s.Tasks) < len(s.Chart.Tasks) {
		return fmt.Errorf("%w: the chart has meters or tasks that the state lacks", ErrEncoding)
	}
	for i := range s.Chart.Meters {
		if s.Meters[i].ID != s.Chart.Meters[i].ID {
			return fmt.Errorf("%w: meter %q is not in the chart's order", ErrEncoding, s.Meters[i].ID)
		}
	}
	for i := range s.Chart.Tasks {
		if s.Tasks[i].ID != s.Chart.Tasks[i].ID {
			return fmt.Errorf("%w: task %q is not in the chart's order", ErrEncoding, s.Tasks[i].ID)
		}
	}
	return nil
}

// shareHours lets the tasks of one record share its hours, as Apply does.
func (s *State) shareHours() {
	seen := make(map[Key][]MeterShown)
	for i := range s.Tasks {
		for j := range s.Tasks[i].Records {
			r := &s.Tasks[i].Records[j]
			if h, ok := seen[r.Record]; ok && equalHours(h, r.Hours) {
				r.Hours = h
			} else {
				seen[r.Record] = r.Hours
			}
		}
	}
}

func equalHours(a, b []MeterShown) bool {
	if len(a) != len(b) {
		return false
	}
	for i := range a {
		if a[i] != b[i] {
			return false
		}
	}
	return true
}

func (c *codec) state(s *State, chart *[32]byte) {
	version := c.version(stateVersion)
	c.commissioned(&s.Machine)
	c.uint64(&s.Revision)
	c.fixed(s.Chain[:])
	unsigned(c, &s.Rules)
	c.fixed(chart[:])
	list(c, &s.Days, func(c *codec, d *Day) {
		signed(c, &d.Date)
		c.instant(&d.From)
		c.instant(&d.Until)
		signed(c, &d.Listened)
	})
	list(c, &s.Epochs, func(c *codec, e *Epoch) {
		c.fixed(e.ID[:])
		c.uint64(&e.Next)
		c.fixed(e.Hash[:])
	})
	list(c, &s.Acts, (*codec).key)
	list(c, &s.Meters, (*codec).meter)
	list(c, &s.Tasks, (*codec).task)
	list(c, &s.Notices, (*codec).notice)
	c.stateWarnings(s)
	list(c, &s.Doubts, (*codec).doubt)
	c.stateBus(s)
	list(c, &s.Editions, func(c *codec, e *EditionSeen) {
		c.string(&e.Chart)
		unsigned(c, &e.Edition)
		c.fixed(e.Hash[:])
	})
	c.more(version, 2, func() { c.stateMore(s) })
}

func (c *codec) stateWarnings(s *State) {
	list(c, &s.Warnings, func(c *codec, w *ActiveWarning) {
		c.code(&w.Code)
		c.span(&w.Started)
		c.instant(&w.Unknown)
		c.byte(&w.Lamps)
		c.byte(&w.Occurrences)
	})
	list(c, &s.Counts, func(c *codec, n *CodeCount) {
		c.code(&n.Code)
		c.uint64(&n.Starts)
		c.instant(&n.Last)
	})
	c.uint64(&s.WarningsOver)
	c.uint64(&s.CountsOver)
}

func (c *codec) stateBus(s *State) {
	c.names(&s.Names)
	c.span(&s.NamesAt)
	c.key(&s.Moved)
	c.names(&s.MovedNames)
	c.bool(&s.Engine.Running)
	c.span(&s.Engine.At)
	c.instant(&s.Heard.Until)
	signed(c, &s.Heard.Total)
	c.uint64(&s.Heard.Frames)
	c.uint64(&s.Heard.Lost)
	list(c, &s.Heard.Spans, func(c *codec, h *HeardSpan) {
		c.instant(&h.From)
		c.instant(&h.To)
	})
	list(c, &s.Latest, (*codec).busValue)
	c.instant(&s.LatestAt)
}

func (c *codec) meter(m *Meter) {
	c.string(&m.ID)
	c.bool(&m.Gone)
	unsigned(c, &m.Folded)
	list(c, &m.Lives, (*codec).life)
	signed(c, &m.Total)
	c.span(&m.TotalAt)
	c.key(&m.TotalBy)
	unsigned(c, &m.Origin)
	signed(c, &m.Step)
	c.key(&m.Renewed)
	list(c, &m.Held, func(c *codec, h *HeldReading) {
		c.key(&h.Key)
		c.span(&h.At)
		signed(c, &h.Shown)
		unsigned(c, &h.Origin)
		c.string(&h.Why)
		signed(c, &h.Step)
		unsigned(c, &h.Kind)
		c.bool(&h.Wrong)
	})
	c.uint64(&m.HeldN)
	list(c, &m.Trail, func(c *codec, t *TrailPoint) {
		c.span(&t.At)
		signed(c, &t.Total)
		unsigned(c, &t.Life)
	})
	list(c, &m.DayTops, func(c *codec, t *DayTop) {
		signed(c, &t.Date)
		signed(c, &t.Total)
		unsigned(c, &t.Life)
	})
}

func (c *codec) life(l *Life) {
	c.key(&l.Opened)
	signed(c, &l.First)
	signed(c, &l.Last)
	signed(c, &l.Offset)
	c.span(&l.From)
	c.string(&l.Why)
	c.span(&l.Until)
	c.instant(&l.Pace)
	c.fixed(l.Box[:])
	signed(c, &l.Sure)
	c.span(&l.SureAt)
	c.bool(&l.Same)
}

func (c *codec) task(t *Task) {
	c.string(&t.ID)
	c.bool(&t.Gone)
	c.key(&t.Cycle)
	unsigned(c, &t.State)
	c.span(&t.Since)
	c.key(&t.By)
	signed(c, &t.Limb)
	unsigned(c, &t.Rung)
	list(c, &t.Crossed, func(c *codec, x *Crossing) {
		c.string(&x.Meter)
		c.int64(&x.Mark)
		c.span(&x.Since)
		c.key(&x.By)
	})
	list(c, &t.Records, (*codec).taskRecord)
}

func (c *codec) taskRecord(r *TaskRecord) {
	c.key(&r.Record)
	c.span(&r.At)
	c.instant(&r.Known)
	signed(c, &r.Date)
	list(c, &r.Hours, (*codec).meterShown)
	c.key(&r.Void)
	c.uint64(&r.Looked)
	c.string(&r.Person)
}

func (c *codec) notice(n *Notice) {
	c.fixed(n.ID[:])
	c.string(&n.Task)
	c.key(&n.Doubt)
	c.key(&n.Cycle)
	unsigned(c, &n.Stage)
	c.span(&n.Raised)
	c.key(&n.By)
	c.uint64(&n.Revision)
	c.key(&n.Withdrawn)
	c.string(&n.How)
	unsigned(c, &n.Word)
	c.string(&n.Person)
	signed(c, &n.LaterAt)
	c.string(&n.LaterOn)
	c.bool(&n.Waiting)
	list(c, &n.Fates, func(c *codec, f *NoticeFateAt) {
		c.string(&f.Channel)
		unsigned(c, &f.Word)
		c.instant(&f.At)
	})
}

func (c *codec) doubt(d *Doubt) {
	c.key(&d.Key)
	unsigned(c, &d.Kind)
	c.string(&d.Meter)
	c.span(&d.At)
	c.string(&d.What)
	c.key(&d.Closed)
	c.string(&d.How)
}
