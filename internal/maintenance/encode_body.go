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
		c.serviceBody(b)
	}
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
	list(c, &b.Measured, func(c *codec, m *Measured) {
		c.string(&m.Task)
		c.string(&m.Spot)
		c.bool(&m.Left)
		c.int64(&m.Micro)
		c.string(&m.Unit)
		c.string(&m.State)
	})
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
