package chart

import (
	"fmt"

	"github.com/hourbell/hourbell/internal/j1939"
	"github.com/hourbell/hourbell/internal/maintenance"
)

// busSignal gives a signal as the bus's decoder knows it.
func busSignal(def maintenance.SignalDef) j1939.Signal {
	s := j1939.Signal{
		Group: j1939.Group(def.Group), AnySource: def.Source == maintenance.AnySource,
		Byte: def.Byte, Bit: def.Bit, Bits: def.Bits, Signed: def.Signed,
		Scale: j1939.Ratio{Num: def.ScaleNum, Den: def.ScaleDen}, Offset: j1939.Ratio{Num: def.OffsetNum, Den: def.OffsetDen},
		Unit: def.Unit,
	}
	if !s.AnySource {
		s.Source = j1939.Address(def.Source)
	}
	if def.BigEndian {
		s.Order = j1939.BigEndian
	}
	return s
}

// frameBytes is how many bytes one frame carries.
const frameBytes = 8

// tests holds a signal's map against the frames that the chart gives for it.
func (c *compiler) tests(v *value, def maintenance.SignalDef) {
	signal := busSignal(def)
	for _, t := range v.list("test") {
		frame, want := t.get("frame"), t.get("value")
		if frame == nil || want == nil {
			continue
		}
		f, err := j1939.ParseFrame(frame.text)
		if err != nil {
			c.bad(frame, "not a frame: "+err.Error(), "", "")
			continue
		}
		if why := carries(def, f); why != "" {
			c.bad(frame, why, wantFrame(def), "")
			continue
		}
		if err := signal.Check(frame.text, want.text); err != nil {
			c.bad(want, err.Error(), "", "")
		}
	}
}

// carries says why a frame can't carry a signal, "" where it can.
func carries(def maintenance.SignalDef, f j1939.Frame) string {
	id := j1939.SplitID(f.ID)
	switch last := lastByte(def); {
	case uint32(id.Group) != def.Group:
		return fmt.Sprintf("the frame is of group %d", id.Group)
	case def.Source != maintenance.AnySource && int16(id.Source) != def.Source:
		return fmt.Sprintf("the frame is from source 0x%02X", uint8(id.Source))
	case last > frameBytes:
		return fmt.Sprintf("the signal reaches byte %d, which no single frame carries", last)
	case last > int(f.Len):
		return fmt.Sprintf("the frame has %d bytes and the signal reaches byte %d", f.Len, last)
	}
	return ""
}

func wantFrame(def maintenance.SignalDef) string {
	if lastByte(def) > frameBytes {
		return "no test here"
	}
	from := ""
	if def.Source != maintenance.AnySource {
		from = fmt.Sprintf(" from source 0x%02X", def.Source)
	}
	return fmt.Sprintf("a frame of group %d%s with %d bytes or more", def.Group, from, lastByte(def))
}

// lastByte gives the last byte in which a signal stands, from 1.
func lastByte(def maintenance.SignalDef) int {
	before := int(def.Bit) - 1 // bits of the first byte that are not the signal's
	if def.BigEndian {
		before = 8 - int(def.Bit)
	}
	return int(def.Byte) + (before+int(def.Bits)-1)/8
}
