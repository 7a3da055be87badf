package pictures

import "encoding/binary"

// orientation is how a camera was held, as Exif's tag 274 numbers it: where row
// 0 and column 0 of what is stored lie in what is seen.
type orientation uint16

const (
	upright     orientation = 1
	mostTurned  orientation = 8
	tagTurn                 = 0x0112
	typeShort               = 3
	mostEntries             = 512 // of a directory that are looked at
)

// swaps reports whether width and height change places.
func (o orientation) swaps() bool { return o >= 5 }

// from says where the pixel at x, y of the upright picture, of width w and
// height h, stands in what is stored.
func (o orientation) from(x, y, w, h int) (sx, sy int) {
	switch o {
	case 2:
		return w - 1 - x, y
	case 3:
		return w - 1 - x, h - 1 - y
	case 4:
		return x, h - 1 - y
	case 5:
		return y, x
	case 6:
		return y, w - 1 - x
	case 7:
		return h - 1 - y, w - 1 - x
	case 8:
		return h - 1 - y, x
	}
	return x, y
}

// orientationOf reads the orientation out of a JPEG's first Exif segment; upright
// where it says none or anything that can't be read.
func orientationOf(jpeg []byte) orientation {
	for b := jpeg[2:]; len(b) >= 4 && b[0] == 0xff; {
		marker, size := b[1], int(binary.BigEndian.Uint16(b[2:]))
		if marker == 0xff { // fill
			b = b[1:]
			continue
		}
		if marker == 0xda || size < 2 || len(b) < 2+size {
			return upright // the picture itself begins
		}
		if segment := b[4 : 2+size]; marker == 0xe1 && len(segment) > 6 && string(segment[:6]) == "Exif\x00\x00" {
			return turnOf(segment[6:])
		}
		b = b[2+size:]
	}
	return upright
}

// turnOf reads the tag out of the first directory of a TIFF structure.
func turnOf(tiff []byte) orientation {
	if len(tiff) < 8 {
		return upright
	}
	var order binary.ByteOrder
	switch string(tiff[:4]) {
	case "II*\x00":
		order = binary.LittleEndian
	case "MM\x00*":
		order = binary.BigEndian
	default:
		return upright
	}
	at := uint64(order.Uint32(tiff[4:]))
	if at+2 > uint64(len(tiff)) {
		return upright
	}
	entries := tiff[at+2:]
	for range min(int(order.Uint16(tiff[at:])), mostEntries) {
		if len(entries) < 12 {
			return upright
		}
		if order.Uint16(entries) == tagTurn && order.Uint16(entries[2:]) == typeShort && order.Uint32(entries[4:]) == 1 {
			if o := orientation(order.Uint16(entries[8:])); o >= upright && o <= mostTurned {
				return o
			}
			return upright
		}
		entries = entries[12:]
	}
	return upright
}
