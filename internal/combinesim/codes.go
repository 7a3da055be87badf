package combinesim

// Active codes (65226) and broadcast transport (60416, 60160).
//
//	codes      byte 1 lamps, byte 2 their flashing, then 4 bytes a code:
//	           SPN low, SPN middle, SPN high in bits 8-6 with FMI in 5-1,
//	           conversion method 0 in bit 8 with the occurrence count in 7-1.
//	           No code: 00 00 00 00 FF FF after the lamps.
//	transport  announcement 20, size low, size high, packets, FF, group low,
//	           middle, high; then packets of a number from 1 and 7 bytes, the last
//	           filled up with FF.

import "math/bits"

const secondNS = 1_000 * ms

// watchCodes follows the world's codes and brings a message forward when one
// starts, or ends after a second or more; at most once a second a controller.
func (b *bus) watchCodes(w *world) {
	for i := range w.codes {
		c := &w.codes[i]
		if c.since != w.now {
			continue
		}
		ctl := controllerOf(b.cfg.codeAt(i).Source)
		bit := uint64(1) << i
		k := &b.ctl[ctl]
		if c.active {
			k.active |= bit
			k.unsent |= bit
		} else {
			k.active &^= bit
		}
		if !b.alive {
			k.unsent = 0
			continue
		}
		tell := c.active || !k.quiet && c.lasted >= secondNS
		if tell && w.now-k.extraAt >= secondNS {
			k.extraAt = w.now
			b.hasten(b.codesMsg[ctl], w.now)
		}
	}
}

// sendCodes composes a controller's active codes: one frame, or the start of a
// broadcast, or nothing.
func (b *bus) sendCodes(w *world, log *ledger, m *message, f *Frame) bool {
	k := &b.ctl[m.ctl]
	mask := k.active | k.unsent
	n := bits.OnesCount64(mask)
	if n > 1 {
		b.say(int(m.ctl), sayCodes, f.AtNS)
		return false
	}
	k.unsent = 0
	if n == 0 && k.quiet {
		if !b.deaf {
			log.hushed(k.own, f.AtNS)
		}
		return false
	}
	d := &f.Data
	d[0], d[1] = b.lamps(k, mask)
	if n == 0 {
		d[2], d[3], d[4], d[5] = 0, 0, 0, 0
	} else {
		b.putCode(d[2:2], w, bits.TrailingZeros64(mask))
	}
	if !b.deaf {
		log.told(w, k.own, mask, f.AtNS)
	}
	return true
}

// putCode appends a code's four bytes.
func (b *bus) putCode(dst []byte, w *world, i int) []byte {
	c := b.cfg.codeAt(i)
	return append(dst, uint8(c.SPN), uint8(c.SPN>>8), uint8(c.SPN>>16)<<5|c.FMI, w.codes[i].count&0x7F)
}

// lamps are the two lamp bytes for a set of codes. A lamp that is on does not
// flash; nor do the others, of which a controller with nothing to show says so.
func (b *bus) lamps(k *controller, mask uint64) (on, flash uint8) {
	if k.quiet {
		return 0xFF, 0xFF
	}
	for ; mask != 0; mask &= mask - 1 {
		switch b.cfg.codeAt(bits.TrailingZeros64(mask)).Lamp {
		case Protect:
			on |= 1 << 0
		case Amber:
			on |= 1 << 2
		case RedStop:
			on |= 1 << 4
		case Malfunction:
			on |= 1 << 6
		}
	}
	return on, 0xFF
}

// say has a controller broadcast something as soon as it has finished what it is
// broadcasting.
func (b *bus) say(ctl int, what uint8, at int64) {
	k := &b.ctl[ctl]
	k.pending |= what
	if k.sent == 0 {
		b.hasten(b.tpMsg[ctl], at)
	}
}

// sendPacket composes a controller's next transport frame and queues the one
// after it.
func (b *bus) sendPacket(w *world, log *ledger, ctl int, f *Frame) bool {
	k := &b.ctl[ctl]
	if k.sent == 0 {
		return b.announce(w, ctl, f)
	}
	f.ID = canID(7, groupTransportData, sources[ctl])
	f.Data[0] = uint8(k.sent)
	copy(f.Data[1:], k.buf[7*(k.sent-1):])
	k.lost = k.lost || b.deaf
	if k.sent++; k.sent <= k.packets || k.pending != 0 {
		b.hasten(b.tpMsg[ctl], f.AtNS+packetGap)
	}
	if k.sent <= k.packets {
		return true
	}
	k.sent = 0
	if k.what == sayCodes && !k.lost {
		log.told(w, k.own, k.mask, f.AtNS)
	}
	return true
}

// announce begins a broadcast if there is one to begin.
func (b *bus) announce(w *world, ctl int, f *Frame) bool {
	k := &b.ctl[ctl]
	if k.pending&sayCodes != 0 && bits.OnesCount64(k.active|k.unsent) < 2 { // fewer than when it was asked for
		k.pending &^= sayCodes
		b.hasten(b.codesMsg[ctl], f.AtNS)
	}
	if k.pending == 0 {
		return false
	}
	group := b.begin(w, ctl)
	n := len(k.buf)
	f.Data = [8]byte{0x20, uint8(n), uint8(n >> 8), uint8(k.packets), 0xFF, uint8(group), uint8(group >> 8), uint8(group >> 16)}
	k.sent, k.lost = 1, b.deaf
	b.hasten(b.tpMsg[ctl], f.AtNS+packetGap)
	return true
}

// begin takes the most urgent thing to say into the controller's buffer.
func (b *bus) begin(w *world, ctl int) (group uint32) {
	k := &b.ctl[ctl]
	k.what = k.pending & -k.pending
	k.pending &^= k.what
	k.buf = k.buf[:0]
	switch k.what {
	case sayCodes:
		group = groupCodes
		k.mask = k.active | k.unsent
		k.unsent = 0
		on, flash := b.lamps(k, k.mask)
		k.buf = append(k.buf, on, flash)
		for rest := k.mask; rest != 0; rest &= rest - 1 {
			k.buf = b.putCode(k.buf, w, bits.TrailingZeros64(rest))
		}
	case sayVehicle:
		group = groupVehicle
		k.buf = append(append(k.buf, b.identity.VIN...), '*')
	case sayComponent:
		group = groupComponent
		c := &b.identity.EngineComponent
		if ctl != 0 {
			c = &b.identity.ThresherComponent
		}
		k.buf = append(k.buf, c.Make...)
		k.buf = append(append(k.buf, '*'), c.Model...)
		k.buf = append(append(k.buf, '*'), c.Serial...)
		k.buf = append(append(k.buf, '*'), c.Unit...)
		k.buf = append(k.buf, '*')
	}
	k.packets = (len(k.buf) + 6) / 7
	return group
}
