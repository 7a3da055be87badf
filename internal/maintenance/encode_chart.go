package maintenance

import (
	"crypto/sha256"
	"fmt"
)

// AppendChart appends the chart's fixed encoding. c must not be nil.
func AppendChart(dst []byte, c *Chart) []byte {
	k := codec{out: dst}
	k.chartFields(c)
	return k.out
}

// DecodeChart reads what AppendChart wrote. Errors wrap ErrEncoding and name
// the byte; whether the chart makes sense is for Check to say.
func DecodeChart(b []byte) (*Chart, error) {
	if len(b) > MaxEventBytes {
		return nil, fmt.Errorf("decoding chart: %w: %d bytes; at most %d", ErrEncoding, len(b), MaxEventBytes)
	}
	k := codec{in: b, reading: true}
	c := new(Chart)
	k.chartFields(c)
	if err := k.finish("chart"); err != nil {
		return nil, err
	}
	return c, nil
}

// NeedsWorkRules reports whether the chart says anything that the first rules
// don't know.
func (c *Chart) NeedsWorkRules() bool { return AppendChart(nil, c)[0] > 1 }

// Hash is the chart's identity: SHA-256 over its fixed encoding. It is worked
// out anew at each call.
func (c *Chart) Hash() [32]byte { return sha256.Sum256(AppendChart(nil, c)) }

// chart codes a chart that may be nil.
func (c *codec) chart(p **Chart) {
	there := *p != nil
	c.bool(&there)
	if !there || c.err != nil {
		return
	}
	if c.reading {
		*p = new(Chart)
	}
	c.chartFields(*p)
}

func (c *codec) chartFields(h *Chart) {
	version := c.version(chartVersion)
	c.string(&h.ID)
	unsigned(c, &h.Edition)
	list(c, &h.Meters, (*codec).meterDef)
	list(c, &h.Signals, (*codec).signalDef)
	list(c, &h.Codes, (*codec).codeDef)
	list(c, &h.Methods, func(c *codec, d *ConversionDef) {
		signed(c, &d.Source)
		c.byte(&d.Method)
	})
	list(c, &h.Drives, (*codec).driveDef)
	list(c, &h.Rounds, func(c *codec, d *RoundDef) {
		c.string(&d.ID)
		c.string(&d.Call)
		unsigned(c, &d.Minutes)
	})
	list(c, &h.Cautions, func(c *codec, d *CautionDef) {
		c.string(&d.ID)
		c.string(&d.Text)
	})
	list(c, &h.Points, func(c *codec, d *PointDef) {
		c.string(&d.ID)
		unsigned(c, &d.Station)
		c.string(&d.Side)
		c.string(&d.Reach)
	})
	list(c, &h.Tasks, (*codec).taskDef)
	c.more(version, 2, func() { c.chartMore(h) })
}

func (c *codec) meterDef(d *MeterDef) {
	c.string(&d.ID)
	unsigned(c, &d.Kind)
	signed(c, &d.Resolution)
	unsigned(c, &d.Group)
	signed(c, &d.Source)
	unsigned(c, &d.SPN)
	c.string(&d.Signal)
	c.int64(&d.Above)
	signed(c, &d.Hold)
	c.string(&d.SetFrom)
}

func (c *codec) signalDef(d *SignalDef) {
	c.string(&d.ID)
	unsigned(c, &d.Group)
	signed(c, &d.Source)
	unsigned(c, &d.Byte)
	c.byte(&d.Bit)
	c.byte(&d.Bits)
	c.bool(&d.BigEndian)
	c.bool(&d.Signed)
	c.int64(&d.ScaleNum)
	c.int64(&d.ScaleDen)
	c.int64(&d.OffsetNum)
	c.int64(&d.OffsetDen)
	c.string(&d.Unit)
}

func (c *codec) codeDef(d *CodeDef) {
	c.string(&d.ID)
	unsigned(c, &d.SPN)
	c.byte(&d.FMI)
	c.bool(&d.AnyFMI)
	signed(c, &d.Source)
	c.string(&d.Text)
}

func (c *codec) driveDef(d *DriveDef) {
	c.string(&d.ID)
	c.string(&d.Driver)
	c.string(&d.Driven)
	c.string(&d.Load)
	unsigned(c, &d.RatioMicro)
	c.int64(&d.LoadedAbove)
	c.int64(&d.DriverAbove)
}

func (c *codec) limb(l *Limb) {
	unsigned(c, &l.Kind)
	c.string(&l.Meter)
	signed(c, &l.Every)
	unsigned(c, &l.Months)
	signed(c, &l.Soon)
	signed(c, &l.Late)
	unsigned(c, &l.SoonDays)
	unsigned(c, &l.LateDays)
}

func (c *codec) taskDef(d *TaskDef) {
	c.string(&d.ID)
	c.string(&d.Point)
	c.string(&d.Do)
	c.string(&d.Call)
	c.string(&d.Round)
	list(c, &d.Limbs, (*codec).limb)
	c.string(&d.Who)
	c.string(&d.Material)
	c.string(&d.Amount)
	unsigned(c, &d.Minutes)
	texts(c, &d.Cautions)
}
