package maintenance

// chartMore codes what version 2 added to a chart. Entries of lists that were
// there before are gone through in their order.
func (c *codec) chartMore(h *Chart) {
	list(c, &h.Basis, func(c *codec, b *BasisDef) {
		unsigned(c, &b.Kind)
		c.string(&b.Text)
		c.string(&b.Who)
		signed(c, &b.Agreed)
	})
	c.string(&h.Exception)
	list(c, &h.Traits, (*codec).traitDef)
	list(c, &h.Conditions, (*codec).traitDef)
	list(c, &h.Events, func(c *codec, d *EventDef) {
		c.string(&d.ID)
		c.string(&d.Call)
	})
	list(c, &h.Counts, func(c *codec, d *CountDef) {
		c.string(&d.ID)
		c.string(&d.Call)
		c.string(&d.Unit)
	})
	list(c, &h.Attachments, func(c *codec, d *AttachmentDef) {
		c.string(&d.ID)
		c.string(&d.Call)
	})
	list(c, &h.Materials, (*codec).materialDef)
	list(c, &h.Parts, (*codec).partDef)
	list(c, &h.Walks, func(c *codec, d *WalkDef) {
		c.string(&d.ID)
		c.string(&d.Call)
		unsigned(c, &d.Sign)
		texts(c, &d.After)
	})
	list(c, &h.Leads, (*codec).leadDef)
	list(c, &h.Settings, (*codec).settingDef)
	for i := range h.Meters {
		c.string(&h.Meters[i].Of)
	}
	for i := range h.Points {
		c.pointMore(&h.Points[i])
	}
	for i := range h.Tasks {
		c.taskMore(&h.Tasks[i])
	}
}

func (c *codec) pointMore(d *PointDef) {
	c.string(&d.Call)
	c.string(&d.Attachment)
	c.string(&d.Access)
	unsigned(c, &d.Shields)
	unsigned(c, &d.Fittings)
	c.byte(&d.Clock)
	c.string(&d.SeenFrom)
	c.string(&d.Picture)
	list(c, &d.FittedIf, (*codec).cond)
	c.bool(&d.OnDecal)
	c.string(&d.NotHere)
}

func (c *codec) taskMore(d *TaskDef) {
	for i := range d.Limbs {
		c.limbMore(&d.Limbs[i])
	}
	c.string(&d.Set)
	c.string(&d.Item)
	list(c, &d.FittedIf, (*codec).cond)
	c.bool(&d.Soft)
	list(c, &d.Triggers, (*codec).triggerDef)
	list(c, &d.RunIns, (*codec).runInDef)
	signed(c, &d.TooSoon.Hours)
	c.string(&d.TooSoon.Meter)
	unsigned(c, &d.TooSoon.Days)
	texts(c, &d.TooSoon.Unless)
	list(c, &d.Instead, (*codec).insteadDef)
	texts(c, &d.Covers)
	texts(c, &d.Walks)
	c.bool(&d.SignOff)
	unsigned(c, &d.Basis)
	c.string(&d.Why)
	c.taskWords(d)
}

func (c *codec) taskWords(d *TaskDef) {
	c.string(&d.DoneWhen)
	c.string(&d.Pose)
	c.string(&d.Access)
	texts(c, &d.Tools)
	list(c, &d.See, func(c *codec, s *CriterionDef) {
		c.string(&s.Name)
		c.string(&s.Want)
	})
	list(c, &d.Else, func(c *codec, e *ElseDef) {
		texts(c, &e.Choose)
		c.string(&e.Remark)
		unsigned(c, &e.Verdict)
	})
	list(c, &d.Measure, (*codec).measureDef)
	list(c, &d.Dose, (*codec).doseDef)
	c.string(&d.HarmOver)
	c.string(&d.HarmUnder)
	list(c, &d.Refuse, func(c *codec, p *Property) {
		c.string(&p.Name)
		c.string(&p.Value)
	})
	list(c, &d.Needs, func(c *codec, n *NeedDef) {
		c.string(&n.What)
		c.int64(&n.Milli)
		c.string(&n.Unit)
	})
	c.string(&d.Expect)
}

func (c *codec) limbMore(l *Limb) {
	unsigned(c, &l.Days)
	unsigned(c, &l.When)
	unsigned(c, &l.Seasons)
	c.string(&l.Crop)
	c.string(&l.Of)
	c.int64(&l.Count)
	list(c, &l.While, (*codec).cond)
	c.bool(&l.Grid)
	signed(c, &l.GridFrom)
}

func (c *codec) cond(d *Cond) {
	c.string(&d.Of)
	unsigned(c, &d.Op)
	texts(c, &d.Words)
	c.int64(&d.Milli)
}

func (c *codec) triggerDef(d *TriggerDef) {
	unsigned(c, &d.Kind)
	c.string(&d.Name)
	list(c, &d.If, (*codec).cond)
	unsigned(c, &d.Count)
	signed(c, &d.Within)
	unsigned(c, &d.WithinDays)
	c.string(&d.Meter)
	unsigned(c, &d.By)
	signed(c, &d.In)
	unsigned(c, &d.InDays)
}

func (c *codec) runInDef(d *RunInDef) {
	c.string(&d.Part)
	c.string(&d.Meter)
	list(c, &d.Marks, signed)
	list(c, &d.If, (*codec).cond)
	c.string(&d.Expect)
}

func (c *codec) insteadDef(d *InsteadDef) {
	unsigned(c, &d.Basis)
	list(c, &d.Limbs, func(c *codec, l *Limb) {
		c.limb(l)
		c.limbMore(l)
	})
	texts(c, &d.Provided)
	texts(c, &d.NotIf)
}

func (c *codec) traitDef(d *TraitDef) {
	c.string(&d.ID)
	unsigned(c, &d.Kind)
	c.string(&d.Ask)
	texts(c, &d.Choices)
	c.string(&d.Unit)
	c.string(&d.Renewed)
}

func (c *codec) materialDef(d *MaterialDef) {
	c.string(&d.ID)
	c.string(&d.Call)
	c.string(&d.Kind)
	c.string(&d.Thickener)
	c.string(&d.NLGI)
	c.string(&d.Grade)
	c.string(&d.Solids)
	list(c, &d.Mixes, func(c *codec, m *MixDef) {
		c.string(&m.With)
		unsigned(c, &m.Word)
	})
	c.string(&d.MixChart)
	c.int64(&d.Pack)
	c.string(&d.PackUnit)
	texts(c, &d.Numbers)
	unsigned(c, &d.LeadDays)
}

func (c *codec) partDef(d *PartDef) {
	c.string(&d.ID)
	c.string(&d.Call)
	c.string(&d.Kind)
	c.string(&d.Size)
	unsigned(c, &d.Pitches)
	unsigned(c, &d.Pieces)
	c.string(&d.Meter)
	c.string(&d.Spare)
	texts(c, &d.Numbers)
	texts(c, &d.Alternates)
	unsigned(c, &d.Pack)
	unsigned(c, &d.LeadDays)
	texts(c, &d.Variants)
}

func (c *codec) measureDef(d *MeasureDef) {
	c.string(&d.What)
	c.string(&d.Unit)
	texts(c, &d.Spots)
	unsigned(c, &d.Gauge)
	c.bound(&d.Want)
	c.bound(&d.OkLo)
	c.bound(&d.OkHi)
	c.bound(&d.ActLo)
	c.bound(&d.ActHi)
	c.bool(&d.Found)
	c.bool(&d.Left)
	c.string(&d.Meter)
	texts(c, &d.Remedies)
}

func (c *codec) doseDef(d *DoseDef) {
	c.string(&d.Unit)
	c.int64(&d.Lo)
	c.int64(&d.Hi)
	c.int64(&d.Most)
	c.int64(&d.Season)
	c.string(&d.Per)
}

func (c *codec) leadDef(d *LeadDef) {
	c.string(&d.ID)
	c.string(&d.Call)
	texts(c, &d.Codes)
	texts(c, &d.Findings)
	texts(c, &d.Remarks)
	list(c, &d.Drive, func(c *codec, f *DriveFindDef) {
		c.string(&f.Drive)
		c.string(&f.LearnAfter)
		unsigned(c, &f.FindOver)
		unsigned(c, &f.ForMinutes)
		unsigned(c, &f.Alarm)
	})
	list(c, &d.Look, func(c *codec, l *LookDef) {
		c.string(&l.Point)
		list(c, &l.If, (*codec).leadCond)
		c.string(&l.Why)
	})
	texts(c, &d.NoHelp)
}

func (c *codec) leadCond(d *LeadCond) {
	unsigned(c, &d.Kind)
	c.string(&d.Name)
	unsigned(c, &d.Seconds)
	c.cond(&d.Cond)
	c.string(&d.Shift)
}

func (c *codec) settingDef(d *SettingDef) {
	c.string(&d.ID)
	c.string(&d.Call)
	c.string(&d.Unit)
	c.string(&d.Point)
	texts(c, &d.Choices)
	list(c, &d.Suits, func(c *codec, s *SuitDef) {
		list(c, &s.If, (*codec).cond)
		c.bound(&s.Lo)
		c.bound(&s.Hi)
		c.string(&s.Word)
		c.string(&s.Say)
	})
}
