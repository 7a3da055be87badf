package canlog_test

import (
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"github.com/hourbell/hourbell/internal/canlog"
)

func iface(t *testing.T, name string) canlog.Iface {
	t.Helper()
	f, ok := canlog.IfaceOf(name)
	require.True(t, ok, name)
	return f
}

func data(b ...byte) (d [canlog.MaxData]byte) {
	copy(d[:], b)
	return d
}

// The identifiers and data forms are the examples of can-utils' lib.h; the stamps are made up.
func TestParseFrames(t *testing.T) {
	can0 := iface(t, "can0")
	eight := data(0x11, 0x22, 0x33, 0x44, 0x55, 0x66, 0x77, 0x88)
	tests := map[string]canlog.Frame{
		"(1634254884.935126) can0 123#":                                {At: 1634254884935126000, Stamped: true, ID: 0x123},
		"(0000000000.000001) can0 12345678#":                           {At: 1000, Stamped: true, ID: 0x12345678, Extended: true},
		"(0000000001.000000002) can0 123#R":                            {At: 1000000002, Stamped: true, ID: 0x123, Remote: true},
		"(1.000000) can0 123#R7":                                       {At: 1e9, Stamped: true, ID: 0x123, Remote: true, Len: 7},
		"(1.000000) can0 7A1#r":                                        {At: 1e9, Stamped: true, ID: 0x7A1, Remote: true},
		"(1.000000) can0 123#R8_E":                                     {At: 1e9, Stamped: true, ID: 0x123, Remote: true, Len: 8, DLC: 14},
		"(1.000000) can0 123#00":                                       {At: 1e9, Stamped: true, ID: 0x123, Len: 1},
		"(1.000000) can0 123#1122334455667788":                         {At: 1e9, Stamped: true, ID: 0x123, Len: 8, Data: eight},
		"(1.000000) can0 123#11.22.33.44.55.66.77.88":                  {At: 1e9, Stamped: true, ID: 0x123, Len: 8, Data: eight},
		"(1.000000) can0 123#11.2233.44556677.88":                      {At: 1e9, Stamped: true, ID: 0x123, Len: 8, Data: eight},
		"(1.000000) can0 123#1122334455667788_E":                       {At: 1e9, Stamped: true, ID: 0x123, Len: 8, DLC: 14, Data: eight},
		"(1.000000) can0 32345678#112233":                              {At: 1e9, Stamped: true, ID: 0x12345678, Error: true, Len: 3, Data: data(0x11, 0x22, 0x33)},
		"(1.000000) can0 123##0112233":                                 {At: 1e9, Stamped: true, ID: 0x123, FD: true, Len: 3, Data: data(0x11, 0x22, 0x33)},
		"(1.000000) can0 123##2112233":                                 {At: 1e9, Stamped: true, ID: 0x123, FD: true, Flags: canlog.FlagESI, Len: 3, Data: data(0x11, 0x22, 0x33)},
		"(1.000000) can0 123##3":                                       {At: 1e9, Stamped: true, ID: 0x123, FD: true, Flags: 3},
		"(1.000000)     can0 18fee500#7260 R":                          {At: 1e9, Stamped: true, ID: 0x18FEE500, Extended: true, Len: 2, Data: data(0x72, 0x60), Way: canlog.WayReceived},
		"(1.000000) can0 123#72 T\r\n":                                 {At: 1e9, Stamped: true, ID: 0x123, Len: 1, Data: data(0x72), Way: canlog.WaySent},
		"  can0  12345678   [3]  11 22 33":                             {ID: 0x12345678, Extended: true, Len: 3, Data: data(0x11, 0x22, 0x33)},
		"  can0       123   [3]  11 22 33":                             {ID: 0x123, Len: 3, Data: data(0x11, 0x22, 0x33)},
		"  can0  12345678   [0]  remote request":                       {ID: 0x12345678, Extended: true, Remote: true},
		"  can0  12345678   [0] ":                                      {ID: 0x12345678, Extended: true},
		"  can0  14B0DC51   [8]  4A 94 E8 2A EC 58 55 62   'J..*.XUb'": {ID: 0x14B0DC51, Extended: true, Len: 8, Data: data(0x4A, 0x94, 0xE8, 0x2A, 0xEC, 0x58, 0x55, 0x62)},
		"  can0  20001111   [7]  C6 23 7B 32 69 98 3C      ERRORFRAME": {ID: 0x1111, Error: true, Len: 7, Data: data(0xC6, 0x23, 0x7B, 0x32, 0x69, 0x98, 0x3C)},
		"  can0  12345678  [03]  11 22 33":                             {ID: 0x12345678, Extended: true, FD: true, Len: 3, Data: data(0x11, 0x22, 0x33)},
		"  can0  123   {E}  11 22 33 44 55 66 77 88":                   {ID: 0x123, Len: 8, DLC: 14, Data: eight},
		"  can0  123   {3}  11 22 33":                                  {ID: 0x123, Len: 3, Data: data(0x11, 0x22, 0x33)},
		"  can0  RX - -  123   [1]  11":                                {ID: 0x123, Len: 1, Data: data(0x11), Way: canlog.WayReceived},
		" (0000000001.000000)  can0  TX B E  123  [01]  11":            {At: 1e9, Stamped: true, ID: 0x123, FD: true, Flags: 3, Len: 1, Data: data(0x11), Way: canlog.WaySent},
		" (001.000041)  can0  18F11031   [8]  00 00 FF FF FF FF FF FF": {At: 1000041000, Stamped: true, ID: 0x18F11031, Extended: true, Len: 8, Data: data(0, 0, 0xFF, 0xFF, 0xFF, 0xFF, 0xFF, 0xFF)},
		"can0 123#1122":                                                {ID: 0x123, Len: 2, Data: data(0x11, 0x22)},
	}
	for line, want := range tests {
		want.Iface = can0
		var got canlog.Frame
		ok, err := canlog.Parse([]byte(line), &got)
		require.NoError(t, err, line)
		require.True(t, ok, line)
		assert.Equal(t, want, got, line)
	}
}

func TestParseRefuses(t *testing.T) {
	tests := map[string]canlog.Problem{
		"(1634254884.93512) can0 123#":                    canlog.ProblemStamp,
		"(1634254884) can0 123#":                          canlog.ProblemStamp,
		"(1.0000000000) can0 123#":                        canlog.ProblemStamp,
		"(9223372036.000000) can0 123#":                   canlog.ProblemStampRange,
		"(99999999999999999999999.000000) can0 123#":      canlog.ProblemStampRange,
		" (2021-10-14 14:01:24.935126)  can0  123   [0] ": canlog.ProblemLocalTime,
		"(1.000000) aninterfacename0 123#":                canlog.ProblemIface,
		"(1.000000)":                                      canlog.ProblemIface,
		"(1.000000) can0":                                 canlog.ProblemForm,
		"(1.000000) can0 hello":                           canlog.ProblemForm,
		"(1.000000) can0 1234#00":                         canlog.ProblemID,
		"(1.000000) can0 123456789#00":                    canlog.ProblemID,
		"(1.000000) can0 800#00":                          canlog.ProblemIDRange,
		"(1.000000) can0 92345678#00":                     canlog.ProblemIDRange,
		"(1.000000) can0 45123#81:00:12345678#11223344":   canlog.ProblemXL,
		"  can0  123  [0012]  11 22":                      canlog.ProblemXL,
		"(1.000000) can0 123#1122334455667788_":           canlog.ProblemDLC,
		"(1.000000) can0 123#1122334455667788_8":          canlog.ProblemDLC,
		"(1.000000) can0 123#11_E":                        canlog.ProblemDLC,
		"(1.000000) can0 123#11223344556677889":           canlog.ProblemOdd,
		"(1.000000) can0 123#112233445566778899":          canlog.ProblemTooLong,
		"(1.000000) can0 123#112":                         canlog.ProblemOdd,
		"(1.000000) can0 123#11GG":                        canlog.ProblemDigit,
		"(1.000000) can0 123#1G":                          canlog.ProblemDigit,
		"(1.000000) can0 123##":                           canlog.ProblemFDFlags,
		"(1.000000) can0 123##1112233445566778899":        canlog.ProblemFDLength,
		"(1.000000) can0 123#R9":                          canlog.ProblemRemote,
		"(1.000000) can0 20000001#R":                      canlog.ProblemRemote,
		"(1.000000) can0 123#11 X":                        canlog.ProblemTrailing,
		"(1.000000) can0 123#11 R R":                      canlog.ProblemTrailing,
		" (001.000000)  can0  123   [8]  00 11 22":        canlog.ProblemLength,
		" (001.000000)  can0  123   [2]  00 11 22":        canlog.ProblemLength,
		" (001.000000)  can0  123   [3]  00 11 2":         canlog.ProblemOdd,
		" (001.000000)  can0  123   [9]  00 11 22":        canlog.ProblemTooLong,
		" (001.000000)  can0  123  [09]  00 11 22":        canlog.ProblemFDLength,
		" (001.000000)  can0  123   [x]  00":              canlog.ProblemLength,
		" (001.000000)  can0  123   [8":                   canlog.ProblemLength,
		"  can0  123   [3]  33`22`11":                     canlog.ProblemSwapped,
		"  can0  123   [1]  00010001":                     canlog.ProblemBinary,
		"  can0  123   [1]  11  hello":                    canlog.ProblemTrailing,
		"\x1b[1;34m can0  123   [1]  11":                  canlog.ProblemColour,
		" (001.000000)  \x1b[1;34mcan0  123   [1]  11":    canlog.ProblemColour,
	}
	for line, want := range tests {
		var f canlog.Frame
		ok, err := canlog.Parse([]byte(line), &f)
		require.ErrorIs(t, err, want, line)
		assert.False(t, ok, line)
		assert.Contains(t, err.Error(), ": ", "says what to do")
	}
}

func TestParseSkips(t *testing.T) {
	for _, line := range []string{
		"", "   ", "\r\n", "# a comment", "// a comment", "; a comment", "date Thu Oct 14 2021", "base hex  timestamps absolute",
		"   0.000000 1  18FEE500x       Rx   d 8 72 60 00 00 FF FF FF FF", "(c) nobody", "(", "\tcontroller-problem{}",
		"DROPCOUNT: dropped 3 CAN frames on 'can0' socket (total drops 3)", "see issue#12 of the list", "hello",
	} {
		var f canlog.Frame
		ok, err := canlog.Parse([]byte(line), &f)
		require.NoError(t, err, line)
		assert.False(t, ok, line)
	}
}

func TestParseDrop(t *testing.T) {
	lost, ok := canlog.ParseDrop([]byte("DROPCOUNT: dropped 17 CAN frames on 'can0' socket (total drops 42)\n"))
	assert.True(t, ok)
	assert.Equal(t, uint64(17), lost)
	for _, line := range []string{"DROPCOUNT:", "DROPCOUNT: dropped many", "(1.000000) can0 123#", ""} {
		_, ok := canlog.ParseDrop([]byte(line))
		assert.False(t, ok, line)
	}
}

func TestIfaceOf(t *testing.T) {
	f, ok := canlog.IfaceOf("can0")
	assert.True(t, ok)
	assert.Equal(t, "can0", f.String())
	for _, name := range []string{"", "sixteen-letters-", "a b", "a\x7f"} {
		_, ok := canlog.IfaceOf(name)
		assert.False(t, ok, name)
	}
}

func TestParseAllocatesNothing(t *testing.T) {
	lines := [][]byte{
		[]byte("(1634254884.935126) can1 0CF00400#F87D7D000000FF7D"),
		[]byte(" (001.000041)  can1  18F11031   [8]  00 00 FF FF FF FF FF FF"),
		[]byte("(1634254884.935126) can1 0CF00400#F87D7D000000FF7"),
		[]byte("# comment"),
	}
	var f canlog.Frame
	assert.Zero(t, testing.AllocsPerRun(100, func() {
		for _, line := range lines {
			_, _ = canlog.Parse(line, &f)
		}
	}))
}

func BenchmarkParseLog(b *testing.B) {
	line := []byte("(1634254884.935126) can1 0CF00400#F87D7D000000FF7D\n")
	var f canlog.Frame
	b.ReportAllocs()
	b.SetBytes(int64(len(line)))
	for b.Loop() {
		if ok, err := canlog.Parse(line, &f); !ok || err != nil {
			b.Fatal(err)
		}
	}
}

func BenchmarkParseScreen(b *testing.B) {
	line := []byte(" (001.000041)  can1  18F11031   [8]  00 00 FF FF FF FF FF FF\n")
	var f canlog.Frame
	b.ReportAllocs()
	b.SetBytes(int64(len(line)))
	for b.Loop() {
		if ok, err := canlog.Parse(line, &f); !ok || err != nil {
			b.Fatal(err)
		}
	}
}
