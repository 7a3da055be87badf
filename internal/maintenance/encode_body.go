package maintenance

// body codes one body's fields.
func (c *codec) body(b Body) {
	switch b := b.(type) {
	case *Reading:
		c.readingBody(b)
	case *Engine:
		c.bool(&b.Running)
	case *Listened:
		c.instant(&b.From)
		c.instant(&b.To)
		c.uint64(&b.Frames)
		c.uint64(&b.Lost)
	case *Warning:
		c.code(&b.Code)
		unsigned(c, &b.Phase)
		c.byte(&b.Occurrences)
		c.byte(&b.Lamps)
	case *DriveMinute:
		c.string(&b.Drive)
		c.ratio(&b.Loaded)
		c.ratio(&b.Empty)
		unsigned(c, &b.Missing)
	case *BusValues:
		list(c, &b.Values, (*codec).busValue)
	case *BusNames:
		c.names(b)
	case *FieldEvent:
		c.string(&b.Event)
		unsigned(c, &b.Minutes)
		list(c, &b.Facts, (*codec).fact)
		c.string(&b.Person)
	case *Thinned:
		c.uint64(&b.Events)
	default:
		c.personBody(b)
	}
}

// personBody codes what a person says.
func (c *codec) personBody(b Body) {
	switch b := b.(type) {
	case *ServiceDone:
		c.serviceDone(b)
	case *Void:
		c.key(&b.Record)
		c.string(&b.Person)
		c.string(&b.Why)
	case *HandReading:
		c.readingBody(&b.Reading)
		c.string(&b.Person)
	case *DoubtAnswer:
		c.key(&b.Doubt)
		unsigned(c, &b.Word)
		c.string(&b.Person)
		c.string(&b.Why)
	case *NoticeAnswer:
		c.fixed(b.Notice[:])
		unsigned(c, &b.Word)
		signed(c, &b.Later)
		c.string(&b.Person)
	default:
		c.workBody(b)
	}
}

// workBody codes what a person says of walk-rounds, remarks and settings.
func (c *codec) workBody(b Body) {
	switch b := b.(type) {
	case *Confirmed:
		c.key(&b.Record)
		c.string(&b.Person)
		c.string(&b.As)
	case *Remark:
		c.remark(b)
	case *RemarkWord:
		c.key(&b.Remark)
		unsigned(c, &b.Act)
		unsigned(c, &b.Verdict)
		c.string(&b.Part)
		signed(c, &b.DoBy)
		list(c, &b.Pictures, (*codec).sum)
		c.string(&b.Why)
		c.string(&b.Person)
	case *Postponed:
		texts(c, &b.Tasks)
		c.string(&b.Round)
		c.string(&b.Why)
		signed(c, &b.ForHours)
		c.string(&b.Meter)
		signed(c, &b.UntilDate)
		c.string(&b.Person)
	case *Walk:
		c.walk(b)
	case *SettingsLeft:
		list(c, &b.Settings, (*codec).settingLeft)
		list(c, &b.Facts, (*codec).fact)
		c.string(&b.Person)
	case *CauseFound:
		c.causeFound(b)
	case *GunMeasured:
		c.string(&b.Gun)
		c.int64(&b.Micro)
		c.string(&b.Person)
	default:
		c.serviceBody(b)
	}
}

func (c *codec) sum(h *[32]byte) { c.fixed(h[:]) }

func (c *codec) remark(b *Remark) {
	c.string(&b.Point)
	c.string(&b.Task)
	c.string(&b.Name)
	c.string(&b.Text)
	unsigned(c, &b.Verdict)
	c.string(&b.Part)
	signed(c, &b.DoBy)
	list(c, &b.Pictures, (*codec).sum)
	c.key(&b.Walk)
	c.string(&b.Person)
}

func (c *codec) walk(b *Walk) {
	unsigned(c, &b.Act)
	c.key(&b.Walk)
	c.string(&b.Occasion)
	list(c, &b.Looked, func(c *codec, l *Looked) {
		c.string(&l.Task)
		unsigned(c, &l.Word)
		c.string(&l.Text)
		unsigned(c, &l.Verdict)
		list(c, &l.Pictures, (*codec).sum)
		list(c, &l.Measured, (*codec).measured)
	})
	signed(c, &b.Date)
	c.string(&b.Person)
	c.string(&b.As)
	c.string(&b.Why)
}

func (c *codec) settingLeft(b *SettingLeft) {
	c.string(&b.Setting)
	c.bound(&b.Found)
	c.bound(&b.Left)
	c.string(&b.FoundWord)
	c.string(&b.LeftWord)
}

func (c *codec) bound(b *Bound) {
	c.bool(&b.Set)
	c.int64(&b.Micro)
}

func (c *codec) causeFound(b *CauseFound) {
	c.string(&b.Lead)
	c.string(&b.Code)
	c.key(&b.Remark)
	c.string(&b.Point)
	c.string(&b.Text)
	c.string(&b.Person)
}

// bodyMore codes what version 2 added to bodies that were there before.
func (c *codec) bodyMore(t tail, b Body) {
	switch b := b.(type) {
	case *FieldEvent:
		c.more(t, 2, func() {
			c.bool(&b.Ahead)
			c.int64(&b.Milli)
		})
	case *ServiceDone:
		c.more(t, 2, func() { c.serviceMore(b) })
	case *Attachment:
		c.more(t, 2, func() {
			c.string(&b.Piece)
			list(c, &b.Carried, (*codec).carried)
		})
	default:
		if c.reading && t.version > 1 && c.err == nil {
			c.fail("version 2 of a body that has none")
		}
	}
}

func (c *codec) serviceMore(b *ServiceDone) {
	c.string(&b.As)
	c.bool(&b.About)
	texts(c, &b.Failed)
	for i := range b.Materials {
		c.string(&b.Materials[i].Task)
		c.string(&b.Materials[i].Gun)
	}
	list(c, &b.Found, func(c *codec, f *AsFound) {
		c.string(&f.Task)
		unsigned(c, &f.Word)
	})
	list(c, &b.Seen, func(c *codec, w *SeenWord) {
		c.string(&w.Task)
		c.string(&w.Criterion)
		c.bool(&w.InOrder)
		c.string(&w.Note)
	})
	list(c, &b.Parts, func(c *codec, p *PartFitted) {
		c.string(&p.Part)
		c.string(&p.Variant)
		c.string(&p.Number)
		c.bool(&p.Off)
		unsigned(c, &p.Why)
		c.string(&p.Note)
		c.bool(&p.Spare)
	})
	unsigned(c, &b.ShieldsOff)
	unsigned(c, &b.ShieldsOn)
	list(c, &b.Closes, (*codec).key)
	c.optionalKey(&b.Walk)
}

// optionalKey codes a key that is mostly zero in one byte then.
func (c *codec) optionalKey(k *Key) {
	there := !k.IsZero()
	c.bool(&there)
	if there && c.err == nil {
		c.key(k)
		if c.reading && k.IsZero() {
			c.fail("a key of zeros that is said to be there")
		}
	}
}

func (c *codec) carried(r *CarriedRecord) {
	c.key(&r.Record)
	c.string(&r.Task)
	c.span(&r.At)
	signed(c, &r.Date)
	list(c, &r.Hours, (*codec).meterShown)
	c.string(&r.Person)
}

// serviceBody codes what the service writes.
func (c *codec) serviceBody(b Body) {
	switch b := b.(type) {
	case *Commissioned:
		c.commissioned(b)
	case *EditionTaken:
		c.chart(&b.Chart)
		c.string(&b.Person)
	case *Trait:
		c.string(&b.Name)
		c.string(&b.Value)
		c.string(&b.Person)
	case *Season:
		c.string(&b.Season)
		c.string(&b.Crop)
		c.bool(&b.Open)
		signed(c, &b.Date)
		c.string(&b.Person)
	case *DayTurned:
		signed(c, &b.Date)
		c.instant(&b.From)
		c.instant(&b.Until)
	case *Attachment:
		c.string(&b.Attachment)
		c.bool(&b.On)
		list(c, &b.Shown, (*codec).meterShown)
		c.string(&b.Person)
	case *Finding:
		c.string(&b.Finding)
		c.string(&b.Method)
		unsigned(c, &b.Version)
		list(c, &b.Evidence, (*codec).fact)
	case *NoticeFate:
		c.fixed(b.Notice[:])
		c.string(&b.Channel)
		unsigned(c, &b.Word)
		c.string(&b.Detail)
	case *SetAside:
		c.string(&b.Reason)
		c.bytes(&b.Bytes)
	case *RulesChanged:
		unsigned(c, &b.Version)
	case *HandedOver:
		c.string(&b.Customer)
		c.string(&b.Site)
		c.string(&b.Zone)
		unsigned(c, &b.TurnsAt)
		c.string(&b.Person)
	}
}

func (c *codec) readingBody(r *Reading) {
	c.string(&r.Meter)
	signed(c, &r.Shown)
	signed(c, &r.Resolution)
	unsigned(c, &r.Origin)
}

func (c *codec) serviceDone(b *ServiceDone) {
	texts(c, &b.Tasks)
	c.string(&b.Round)
	signed(c, &b.Date)
	list(c, &b.Shown, (*codec).meterShown)
	c.string(&b.Person)
	c.string(&b.Note)
	list(c, &b.Materials, func(c *codec, m *MaterialUsed) {
		c.string(&m.Material)
		c.int64(&m.Milli)
		c.string(&m.Unit)
	})
	list(c, &b.Measured, (*codec).measured)
}

func (c *codec) measured(m *Measured) {
	c.string(&m.Task)
	c.string(&m.Spot)
	c.bool(&m.Left)
	c.int64(&m.Micro)
	c.string(&m.Unit)
	c.string(&m.State)
}

func (c *codec) commissioned(b *Commissioned) {
	c.string(&b.Machine)
	c.string(&b.Display)
	c.string(&b.Customer)
	c.string(&b.Site)
	c.string(&b.Zone)
	unsigned(c, &b.TurnsAt)
}

func (c *codec) code(k *Code) {
	c.byte(&k.Source)
	c.uint64(&k.Name)
	unsigned(c, &k.SPN)
	c.byte(&k.FMI)
	c.fixed(k.Raw[:])
	c.bool(&k.Ambiguous)
}

func (c *codec) ratio(r *Ratio) {
	unsigned(c, &r.Millionths)
	unsigned(c, &r.Load)
	unsigned(c, &r.Samples)
}

func (c *codec) busValue(v *BusValue) {
	c.string(&v.Signal)
	unsigned(c, &v.State)
	c.int64(&v.Milli)
}

func (c *codec) names(n *BusNames) {
	c.string(&n.Vehicle)
	c.string(&n.Engine)
	list(c, &n.Claims, func(c *codec, b *BusName) {
		c.byte(&b.Source)
		c.uint64(&b.Name)
	})
	c.byte(&n.Confidence)
}

func (c *codec) fact(f *Fact) {
	c.string(&f.Name)
	c.string(&f.Value)
}

func (c *codec) meterShown(m *MeterShown) {
	c.string(&m.Meter)
	signed(c, &m.Shown)
}
