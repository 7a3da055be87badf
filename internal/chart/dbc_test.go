package chart

import (
	"bytes"
	"fmt"
	"math/rand/v2"
	"os"
	"slices"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"go.einride.tech/can"
	"go.einride.tech/can/pkg/dbc"

	"github.com/hourbell/hourbell/internal/maintenance"
)

func readInvented(t testing.TB) []byte {
	t.Helper()
	src, err := os.ReadFile("testdata/invented.dbc")
	require.NoError(t, err)
	return src
}

func TestFromDBC(t *testing.T) {
	defs, warnings, err := FromDBC("invented.dbc", bytes.NewReader(readInvented(t)), DBCOptions{})
	require.NoError(t, err)
	one := maintenance.SignalDef{ScaleNum: 1, ScaleDen: 1, OffsetNum: 0, OffsetDen: 1, Bit: 1}
	with := func(change func(*maintenance.SignalDef)) maintenance.SignalDef {
		d := one
		change(&d)
		return d
	}
	// Identifiers worked by hand: 2566873522 is 0x98FF61B2, so group 0xFF61 = 65377 from 0xB2; 2566873778 is
	// 0x98FF62B2; 2566847742 is 0x98FEFCFE: group 65276 from 254, which is no one; 2565480742 is 0x98EA2126: format
	// 0xEA is below 240, so 0x21 is the destination and the group 0xEA00 = 59904 from 0x26.
	assert.Equal(t, []maintenance.SignalDef{
		with(func(d *maintenance.SignalDef) {
			d.ID, d.Group, d.Source, d.Byte, d.Bits, d.ScaleDen, d.Unit = "rotor_speed_65377", 65377, 0xB2, 1, 16, 4, "rpm"
		}),
		with(func(d *maintenance.SignalDef) {
			d.ID, d.Group, d.Source, d.Byte, d.Bits, d.ScaleDen, d.Unit = "cleaning_drive", 65377, 0xB2, 3, 16, 4, "rpm"
		}),
		with(func(d *maintenance.SignalDef) {
			d.ID, d.Group, d.Source, d.Byte, d.Bits, d.ScaleDen, d.Unit = "elevator_shaft", 65377, 0xB2, 5, 16, 4, "rpm"
		}),
		with(func(d *maintenance.SignalDef) {
			d.ID, d.Group, d.Source, d.Byte, d.Bits = "mode", 65377, 0xB2, 7, 8
		}),
		with(func(d *maintenance.SignalDef) {
			d.ID, d.Group, d.Source, d.Byte, d.Bit, d.Bits, d.BigEndian, d.ScaleDen, d.Unit = "fan_shaft", 65378, 0xB2, 2, 8, 16, true, 2, "rpm"
		}),
		with(func(d *maintenance.SignalDef) {
			d.ID, d.Group, d.Source, d.Byte, d.Bits, d.Signed, d.ScaleDen, d.OffsetNum, d.Unit = "tilt", 65378, 0xB2, 4, 12, true, 10, -40, "°"
		}),
		with(func(d *maintenance.SignalDef) {
			d.ID, d.Group, d.Source, d.Byte, d.Bits, d.ScaleNum, d.ScaleDen, d.Unit = "level", 65276, maintenance.AnySource, 2, 8, 2, 5, "%"
		}),
		with(func(d *maintenance.SignalDef) {
			d.ID, d.Group, d.Source, d.Byte, d.Bits, d.ScaleDen, d.Unit = "rotor_speed_65276", 65276, maintenance.AnySource, 5, 16, 8, "rpm"
		}),
		with(func(d *maintenance.SignalDef) {
			d.ID, d.Group, d.Source, d.Byte, d.Bits = "group", 59904, 0x26, 1, 24
		}),
	}, defs)

	var said []string
	for _, w := range warnings {
		said = append(said, w.String())
	}
	assert.Equal(t, []string{
		"invented.dbc:17: signal OnlyInMode3 of SHAFTS is multiplexed (m3) and is left out: where it stands depends on another signal",
		"invented.dbc:32: message OldStyle has an 11-bit identifier and is no J1939 message",
		"invented.dbc:39: this message is taken for part of the text in quotes that begins on line 38",
		"invented.dbc:22: signal Loss of FAN is left out: it is a floating-point number",
		"invented.dbc:23: signal TooFar of FAN is left out: it reaches byte 9 of a message of 8",
	}, said)
}

func TestFromDBCOptions(t *testing.T) {
	defs, _, err := FromDBC("f", bytes.NewReader(readInvented(t)), DBCOptions{Groups: []uint32{65276, 59904}, AnySource: true})
	require.NoError(t, err)
	var ids []string
	for _, d := range defs {
		ids = append(ids, fmt.Sprintf("%s %d", d.ID, d.Source))
	}
	assert.Equal(t, []string{"level -1", "rotor_speed -1", "group -1"}, ids, "a name that is alone among those kept stays short")
}

// Places worked by hand from the format's drawing of its bits; the frame has the
// signal's bits set as stated, and nothing else of use.
func TestDBCPlaces(t *testing.T) {
	for _, tc := range []struct{ name, place, frame, value string }{
		// Start 7 is byte 0's top bit: 16 bits down are bytes 0 and 1. 0x1234 = 4660.
		{"big, two whole bytes", "7|16@0+", "1234FFFFFFFFFFFF", "4660"},
		// Start 11 = 1*8+3: the low half of byte 1, then byte 2. 0xABC = 2748.
		{"big, half a byte first", "11|12@0+", "FFFABCFFFFFFFFFF", "2748"},
		// Start 2: bits 2, 1 and 0 of byte 0. 0x05 is 101 there.
		{"big, within a byte", "2|3@0+", "FDFFFFFFFFFFFFFF", "5"},
		// Start 23 = 2*8+7: bytes 2 and 3; 0xFFFE is -2 in two's complement.
		{"big, signed", "23|16@0-", "0000FFFE00000000", "-2"},
		// Start 36 = 4*8+4: bits 4 to 0 of byte 4, then the top bit of byte 5: 10101 and 1 = 101011 = 43.
		{"big, ends in a top bit", "36|6@0+", "0000000015800000", "43"},
		// Start 6: bits 6 to 0 of byte 0, byte 1, the top bit of byte 2: 0111111 00000000 1 = 0x3F*512 + 1 = 32257.
		{"big, three bytes", "6|16@0+", "3F00800000000000", "32257"},
		// Start 12 = 1*8+4: the high half of byte 1 is lowest, byte 2 above it: 0xAB, 0xC.
		{"little, half a byte first", "12|12@1+", "0FC0AB0000000000", "2748"},
		// Start 5: bits 5 to 7 of byte 0, bits 0 to 2 of byte 1: all ones is -1.
		{"little, signed over a border", "5|6@1-", "E007000000000000", "-1"},
		{"little, one bit", "63|1@1+", "0000000000000080", "1"},
		{"big, one bit", "56|1@0+", "0000000000000001", "1"},
		{"big, one top bit", "63|1@0+", "0000000000000080", "1"},
		// 64 bits that end in byte 7's lowest bit.
		{"big, all", "7|64@0-", "FFFFFFFFFFFFFF00", "-256"},
		{"little, all", "0|64@1-", "00FFFFFFFFFFFFFF", "-256"},
	} {
		t.Run(tc.name, func(t *testing.T) {
			in := "BO_ 2566873522 M: 8 X\n SG_ S : " + tc.place + ` (1,0) [0|0] "" X` + "\n"
			defs, warnings, err := FromDBC("f", strings.NewReader(in), DBCOptions{})
			require.NoError(t, err)
			require.Empty(t, warnings)
			require.Len(t, defs, 1)
			assert.NoError(t, busSignal(defs[0]).Check("18FF61B2#"+tc.frame, tc.value))
		})
	}
}

// Every place that fits eight bytes, held against another decoder of the
// format's own bit numbers.
func TestDBCPlacesAgainstAnotherDecoder(t *testing.T) {
	rng := rand.New(rand.NewPCG(7, 11))
	checked := 0
	for start := range 64 {
		for _, bits := range []int{1, 2, 3, 5, 7, 8, 9, 12, 15, 16, 17, 24, 31, 33, 48, 57, 63, 64} {
			for _, order := range []string{"0", "1"} {
				for _, sign := range []string{"+", "-"} {
					if checkPlace(t, rng, start, bits, order, sign) {
						checked++
					}
				}
			}
		}
	}
	assert.Greater(t, checked, 1500)
}

func checkPlace(t *testing.T, rng *rand.Rand, start, bits int, order, sign string) bool {
	in := fmt.Sprintf("BO_ 2566873522 M: 8 X\n SG_ S : %d|%d@%s%s (1,0) [0|0] \"\" X\n", start, bits, order, sign)
	defs, warnings, err := FromDBC("f", strings.NewReader(in), DBCOptions{})
	require.NoError(t, err)
	require.Len(t, append(make([]struct{}, len(defs)), make([]struct{}, len(warnings))...), 1, "kept or warned of: %s", in)
	if len(defs) == 0 {
		return false
	}
	var data can.Data
	frame := "18FF61B2#"
	for i := range data {
		data[i] = byte(rng.Uint32())
		frame += fmt.Sprintf("%02X", data[i])
	}
	s := busSignal(defs[0])
	s.Plain = true // the other decoder knows no codes
	want := fmt.Sprint(data.UnsignedBitsLittleEndian(uint8(start), uint8(bits)))
	switch order + sign {
	case "0+":
		want = fmt.Sprint(data.UnsignedBitsBigEndian(uint8(start), uint8(bits)))
	case "0-":
		want = fmt.Sprint(data.SignedBitsBigEndian(uint8(start), uint8(bits)))
	case "1-":
		want = fmt.Sprint(data.SignedBitsLittleEndian(uint8(start), uint8(bits)))
	}
	if len(strings.TrimLeft(want, "-")) > 15 {
		return false // its thousandths are more than 64 bits hold
	}
	require.NoError(t, s.Check(frame, want), in)
	return true
}

// What both readers read of a plain file is the same.
func TestDBCAgainstAnotherReader(t *testing.T) {
	src := readInvented(t)
	plain := src[bytes.Index(src, []byte("BU_:")):bytes.Index(src, []byte("BO_ 291"))]
	plain = bytes.ReplaceAll(plain, []byte{0xb0}, []byte("deg"))
	other := dbc.NewParser("f", plain)
	require.Nil(t, other.Parse())
	defs, _, err := FromDBC("f", bytes.NewReader(plain), DBCOptions{})
	require.NoError(t, err)
	n := 0
	for _, def := range other.Defs() {
		m, ok := def.(*dbc.MessageDef)
		if !ok {
			continue
		}
		for _, s := range m.Signals {
			if s.IsMultiplexed || s.Name == "TooFar" || s.Name == "Loss" {
				continue
			}
			i := slices.IndexFunc(defs, func(d maintenance.SignalDef) bool {
				return strings.HasPrefix(d.ID, snake(string(s.Name))) && int(d.Byte-1)*8+int(d.Bit-1) == int(s.StartBit) && d.Group == uint32(m.MessageID.ToCAN()>>8&0x3FFFF) || d.Group == 59904 && s.Name == "Group"
			})
			require.GreaterOrEqual(t, i, 0, s.Name)
			assert.Equal(t, []any{s.Size, s.IsBigEndian, s.IsSigned, s.Factor, s.Offset, s.Unit},
				[]any{uint64(defs[i].Bits), defs[i].BigEndian, defs[i].Signed, float64(defs[i].ScaleNum) / float64(defs[i].ScaleDen),
					float64(defs[i].OffsetNum) / float64(defs[i].OffsetDen), strings.ReplaceAll(defs[i].Unit, "°", "deg")}, s.Name)
			n++
		}
	}
	assert.Equal(t, 9, n)
}

func TestSignalsReadBackAsWritten(t *testing.T) {
	defs, _, err := FromDBC("f", bytes.NewReader(readInvented(t)), DBCOptions{})
	require.NoError(t, err)
	defs = append(defs,
		maintenance.SignalDef{ID: "odd", Group: 61184, Source: 0, Byte: 2, Bit: 3, Bits: 9, BigEndian: true, Signed: true, ScaleNum: -1, ScaleDen: 3, OffsetNum: 1, OffsetDen: 1 << 40, Unit: `a"b\c`},
		maintenance.SignalDef{ID: "null-unit", Group: 65280, Source: 253, Byte: 1785, Bit: 8, Bits: 1, ScaleNum: 1, ScaleDen: 1, OffsetDen: 1, Unit: "NULL"},
		maintenance.SignalDef{ID: "hash", Group: 65280, Source: 253, Byte: 1, Bit: 8, Bits: 64, BigEndian: true, ScaleNum: 999_999_999_999_999_999, ScaleDen: 1, OffsetDen: 1, Unit: "# x: y"},
		maintenance.SignalDef{ID: "per", Group: 65280, Source: 1, Byte: 1, Bit: 1, Bits: 64, ScaleNum: 1, ScaleDen: 1, OffsetDen: 1, Unit: "km/h"})
	var out bytes.Buffer
	out.WriteString("chart: a\nedition: 1\n")
	require.NoError(t, WriteSignalsYAML(&out, defs))
	c, err := Compile("f", out.Bytes())
	require.NoError(t, err, out.String())
	assert.Equal(t, defs, c.Signals)
	assert.Contains(t, out.String(), "\n  fan_shaft: {group: 65378, source: 0xB2, byte: 2, bits: 16, order: big, scale: 0.5, unit: rpm}\n")
	assert.Contains(t, out.String(), "\n  tilt: {group: 65378, source: 0xB2, byte: 4, bits: 12, order: little, signed: yes, scale: 0.1, offset: -40, unit: \"°\"}\n")
	assert.Contains(t, out.String(), "\n  level: {group: 65276, byte: 2, bits: 8, scale: 0.4, unit: \"%\"}\n")

	out.Reset()
	require.NoError(t, WriteSignalsYAML(&out, nil))
	assert.Equal(t, "signals: {}\n", out.String())
}

func TestDBCMistakes(t *testing.T) {
	const message = "BO_ 2566873522 M: 8 X\n"
	for in, want := range map[string]string{
		" SG_ S : 0|8@1+ (1,0) [0|0] \"\" X\n":                     "f:1:1: SG_ can't be read: it stands before any BO_",
		"BO_ x M: 8 X\n":                                           `f:1:1: BO_ can't be read: "x" is no identifier`,
		"BO_ 2566873522 M 8 X\n":                                   `f:1:1: BO_ can't be read: it is to read "BO_ identifier name: bytes sender"`,
		"BO_ 2566873522 M: many X\n":                               `f:1:1: BO_ can't be read: "many" is no number of bytes`,
		"BO_ 4026531841 M: 8 X\n":                                  `f:1:1: BO_ can't be read: identifier 4026531841 has more than 29 bits`,
		"BO_ 99999999999 M: 8 X\n":                                 `f:1:1: BO_ can't be read: "99999999999" is no identifier`,
		message + " SG_ S : 0|8 (1,0) [0|0] \"\" X\n":              `f:2:1: SG_ can't be read: it is to read "SG_ name : start|bits@order sign (factor,offset) [min|max] "unit" receiver"`,
		message + " SG_ S : 0|0@1+ (1,0) [0|0] \"\" X\n":           `f:2:1: SG_ can't be read: "0" is no number of bits`,
		message + " SG_ S : 0|8@2+ (1,0) [0|0] \"\" X\n":           `f:2:1: SG_ can't be read: "2+" is neither 0+, 0-, 1+ nor 1-`,
		message + " SG_ S : 0|8@1+ (one,0) [0|0] \"\" X\n":         `f:2:1: SG_ can't be read: factor "one" is not a number`,
		message + " SG_ S : 0|8@1+ (1,1e999) [0|0] \"\" X\n":       `f:2:1: SG_ can't be read: offset "1e999" is not a number`,
		message + " SG_ S : 0|8@1+ (1,0) [0|0] \"\" X\nCM_ \"a\n":  `f:3:1: a text in quotes begins here and never ends; close it: what comes after it was not read`,
		message + " SG_ S : -1|8@1+ (1,0) [0|0] \"\" X\nBO_ x y\n": "f:2:1: SG_ can't be read: \"-1\" is no start bit\nf:3:1: BO_ can't be read: it is to read \"BO_ identifier name: bytes sender\"",
	} {
		defs, _, err := FromDBC("f", strings.NewReader(in), DBCOptions{})
		require.Error(t, err, in)
		assert.Equal(t, want, err.Error(), in)
		assert.Nil(t, defs)
	}
}

func TestDBCLeavesOutWhatCanNotBeRead(t *testing.T) {
	for place, want := range map[string]string{
		"0|65@1+ (1,0)":       "it has 65 bits, at most 64 are read",
		"60|8@1+ (1,0)":       "it reaches byte 9 of a message of 8",
		"3|6@0+ (1,0)":        "",
		"56|2@0+ (1,0)":       "it reaches byte 9 of a message of 8",
		"600|8@1+ (1,0)":      "it reaches byte 76 of a message of 8",
		"0|8@1+ (0,0)":        "scale 0: a scale of 0 makes every value the same",
		"0|8@1+ (1e-18,1e17)": "scale 0.000000000000000001 with offset 100000000000000000: too many digits: round them",
	} {
		in := "BO_ 2566873522 M: 8 X\n SG_ S : " + place + " [0|0] \"\" X\n"
		defs, warnings, err := FromDBC("f", strings.NewReader(in), DBCOptions{})
		require.NoError(t, err, place)
		if want == "" {
			assert.Len(t, defs, 1, place)
			continue
		}
		require.Len(t, warnings, 1, place)
		assert.Equal(t, "f:2: signal S of M is left out: "+want, warnings[0].String())
		assert.Empty(t, defs)
	}
}

func TestDBCSameNames(t *testing.T) {
	line := " SG_ Speed : 0|8@1+ (1,0) [0|0] \"\" X\n"
	in := "BO_ 2566873522 A: 8 X\n" + line + line + "BO_ 2566873523 B: 8 X\n" + line + "BO_ 2566873778 C: 8 X\n" + line
	defs, _, err := FromDBC("f", strings.NewReader(in), DBCOptions{})
	require.NoError(t, err)
	var ids []string
	for _, d := range defs {
		ids = append(ids, d.ID)
		assert.True(t, isID(d.ID))
	}
	assert.Equal(t, []string{"speed_65377_b2", "speed_65377_b2_2", "speed_65377_b3", "speed_65378"}, ids)
}

// endless gives the same line for ever.
type endless struct {
	line string
	at   int
	read int
}

func (e *endless) Read(p []byte) (int, error) {
	for i := range p {
		p[i] = e.line[e.at]
		e.at = (e.at + 1) % len(e.line)
	}
	e.read += len(p)
	return len(p), nil
}

func TestDBCIsBounded(t *testing.T) {
	e := &endless{line: "CM_ nothing;\n"}
	_, _, err := FromDBC("f", e, DBCOptions{})
	require.EqualError(t, err, "reading f: the file is larger than 8388608 bytes: make one with fewer messages")
	assert.LessOrEqual(t, e.read, maxDBC+1)

	_, _, err = FromDBC("f", &endless{line: "x"}, DBCOptions{})
	require.EqualError(t, err, "reading f: line 1 is longer than 65536 bytes: is it a DBC file?")

	in := "BO_ 2566873522 A: 8 X\n" + strings.Repeat(" SG_ S : 0|8@1+ (1,0) [0|0] \"\" X\n", maxSignals+1)
	_, _, err = FromDBC("f", strings.NewReader(in), DBCOptions{})
	require.EqualError(t, err, "f:20002:1: SG_ can't be read: more than 20000 signals: choose some groups")

	in = "BO_ 2566873522 A: 8 X\n" + strings.Repeat(" SG_ S m1 : 0|8@1+ (1,0) [0|0] \"\" X\n", 3000)
	_, warnings, err := FromDBC("f", strings.NewReader(in), DBCOptions{})
	require.NoError(t, err)
	require.Len(t, warnings, maxWarned)
	assert.Equal(t, "further warnings are not listed", warnings[maxWarned-1].What)
}

func FuzzFromDBC(f *testing.F) {
	f.Add(readInvented(f))
	f.Add([]byte("BO_ 2566873522 M: 8 X\n SG_ S : 11|12@0- (1E-07,-1.5) [0|0] \"°\" X\nSIG_VALTYPE_ 2566873522 S : 1;"))
	f.Fuzz(func(t *testing.T, src []byte) {
		defs, _, err := FromDBC("f", bytes.NewReader(src), DBCOptions{})
		if err != nil || len(defs) > maxNamed {
			return
		}
		var out bytes.Buffer
		out.WriteString("chart: a\nedition: 1\n")
		require.NoError(t, WriteSignalsYAML(&out, defs))
		c, err := Compile("f", out.Bytes())
		require.NoError(t, err, out.String())
		require.Equal(t, len(defs), len(c.Signals))
		for i := range defs {
			require.Equal(t, defs[i], c.Signals[i])
		}
	})
}
