package maintenance

// stateMore codes what version 2 added to a state. Entries of lists that were
// there before are gone through in their order.
func (c *codec) stateMore(s *State) {
	list(c, &s.Happened, (*codec).happening)
	list(c, &s.Traits, (*codec).traitKnown)
	list(c, &s.Conditions, (*codec).traitKnown)
	list(c, &s.Seasons, func(c *codec, n *SeasonSeen) {
		c.string(&n.Season)
		c.string(&n.Crop)
		signed(c, &n.Opened)
		signed(c, &n.Closed)
		c.optionalKey(&n.OpenedBy)
		c.optionalKey(&n.ClosedBy)
		c.instant(&n.OpenedKnown)
		c.instant(&n.ClosedKnown)
	})
	list(c, &s.Parts, func(c *codec, p *Part) {
		c.string(&p.ID)
		list(c, &p.Pieces, (*codec).piece)
	})
	list(c, &s.Measures, func(c *codec, m *MeasureSeen) {
		c.string(&m.Task)
		c.string(&m.Spot)
		list(c, &m.Values, (*codec).measuredAt)
	})
	list(c, &s.Remarks, (*codec).remarkSeen)
	list(c, &s.Walks, (*codec).walkSeen)
	list(c, &s.Settings, func(c *codec, n *SettingSeen) {
		c.settingLeft(&n.SettingLeft)
		c.span(&n.At)
		c.key(&n.By)
		list(c, &n.Facts, (*codec).fact)
		c.string(&n.Person)
	})
	c.stateOther(s)
	for i := range s.Tasks {
		c.taskStateMore(&s.Tasks[i])
	}
	for i := range s.Doubts {
		list(c, &s.Doubts[i].Records, (*codec).key)
	}
}

func (c *codec) stateOther(s *State) {
	list(c, &s.Guns, func(c *codec, g *GunSeen) {
		c.string(&g.Gun)
		c.int64(&g.Micro)
		c.span(&g.At)
		c.key(&g.By)
	})
	list(c, &s.Attachments, func(c *codec, a *AttachmentSeen) {
		c.string(&a.Attachment)
		c.string(&a.Piece)
		c.bool(&a.On)
		c.span(&a.At)
		c.key(&a.By)
	})
	list(c, &s.Causes, func(c *codec, n *CauseSeen) {
		c.causeFound(&n.CauseFound)
		c.key(&n.Key)
		c.span(&n.At)
	})
	list(c, &s.Used, func(c *codec, u *MaterialUsedAt) {
		c.key(&u.Record)
		c.string(&u.Task)
		c.string(&u.Material)
		c.int64(&u.Milli)
		c.string(&u.Unit)
		c.span(&u.At)
		signed(c, &u.Date)
		c.optionalKey(&u.Void)
	})
	list(c, &s.FoundAt, func(c *codec, f *FoundAt) {
		c.key(&f.Record)
		c.string(&f.Task)
		unsigned(c, &f.Word)
		c.span(&f.At)
		c.optionalKey(&f.Void)
	})
	list(c, &s.Owners, func(c *codec, o *OwnerSeen) {
		c.string(&o.Customer)
		c.string(&o.Site)
		c.span(&o.Until)
		c.key(&o.By)
	})
}

func (c *codec) taskStateMore(t *Task) {
	unsigned(c, &t.Build)
	list(c, &t.Postponed, func(c *codec, p *Postponement) {
		c.key(&p.By)
		c.string(&p.Why)
		c.string(&p.Person)
		c.string(&p.Meter)
		signed(c, &p.At)
		signed(c, &p.Until)
		c.span(&p.On)
	})
	for i := range t.Records {
		r := &t.Records[i]
		c.string(&r.As)
		c.bool(&r.About)
		c.bool(&r.Waiting)
		unsigned(c, &r.Said)
		c.bool(&r.Carried)
		c.optionalKey(&r.Confirm)
	}
}

func (c *codec) happening(h *Happening) {
	c.key(&h.Key)
	unsigned(c, &h.Kind)
	c.string(&h.Name)
	c.span(&h.At)
	signed(c, &h.Date)
	unsigned(c, &h.Minutes)
	c.int64(&h.Milli)
	list(c, &h.Facts, (*codec).fact)
	list(c, &h.Hours, (*codec).meterShown)
	c.string(&h.Person)
}

func (c *codec) traitKnown(k *TraitKnown) {
	c.string(&k.Name)
	c.string(&k.Value)
	c.span(&k.At)
	c.key(&k.By)
	c.string(&k.Person)
}

func (c *codec) piece(p *Piece) {
	c.key(&p.Record)
	c.span(&p.At)
	signed(c, &p.Date)
	list(c, &p.Hours, (*codec).meterShown)
	c.uint64(&p.Looked)
	c.string(&p.Variant)
	c.string(&p.Number)
	c.bool(&p.Off)
	unsigned(c, &p.Why)
	c.string(&p.Note)
	c.bool(&p.Spare)
	c.optionalKey(&p.Void)
}

func (c *codec) measuredAt(m *MeasuredAt) {
	c.key(&m.Record)
	c.span(&m.At)
	signed(c, &m.Date)
	signed(c, &m.Hours)
	c.bool(&m.Left)
	c.int64(&m.Micro)
	c.string(&m.State)
	c.optionalKey(&m.Void)
	c.bool(&m.Looked)
}

func (c *codec) remarkSeen(r *RemarkSeen) {
	c.remark(&r.Remark)
	c.key(&r.Key)
	c.span(&r.At)
	c.bool(&r.Carried)
	c.optionalKey(&r.Closed)
	c.optionalKey(&r.Record)
	c.string(&r.How)
	c.span(&r.Told)
	c.span(&r.Changed)
}

func (c *codec) walkSeen(w *WalkSeen) {
	c.key(&w.Key)
	c.string(&w.Occasion)
	c.string(&w.Chart)
	unsigned(c, &w.Edition)
	c.span(&w.At)
	signed(c, &w.Date)
	c.string(&w.Person)
	list(c, &w.Looked, func(c *codec, l *LookedAt) {
		c.string(&l.Task)
		unsigned(c, &l.Word)
		c.span(&l.At)
		c.key(&l.By)
		c.string(&l.Person)
		c.string(&l.Text)
	})
	c.optionalKey(&w.Signed)
	c.string(&w.SignedBy)
	c.string(&w.SignedAs)
	c.optionalKey(&w.Left)
	c.string(&w.Why)
	c.span(&w.Ended)
}
