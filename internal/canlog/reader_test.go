package canlog_test

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"os"
	"strings"
	"testing"
	"testing/iotest"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"github.com/hourbell/hourbell/internal/canlog"
)

func readAll(r *canlog.Reader) (frames []canlog.Frame, lineErrs []*canlog.LineError, end error) {
	for {
		var f canlog.Frame
		err := r.Read(&f)
		var le *canlog.LineError
		switch {
		case err == nil:
			frames = append(frames, f)
		case errors.As(err, &le):
			lineErrs = append(lineErrs, le)
		default:
			return frames, lineErrs, err
		}
	}
}

func TestReaderScreenForm(t *testing.T) {
	text, err := os.ReadFile("testdata/screen.txt")
	require.NoError(t, err)
	r := canlog.NewReader(bytes.NewReader(text), canlog.Options{})
	frames, bad, end := readAll(r)
	require.ErrorIs(t, end, io.EOF)
	assert.Empty(t, bad)
	require.Len(t, frames, 8)
	assert.Equal(t, canlog.StampsRelative, r.Stamps())
	assert.Equal(t, canlog.Counts{Lines: 9, Frames: 8, Skipped: 1}, r.Counts())
	assert.Equal(t, int64(11775473000), frames[3].At)
	assert.Equal(t, uint8(3), frames[3].Len)
	assert.Equal(t, []byte{0x25, 0x4C, 0x02, 0x00, 0x49, 0x02, 0x00, 0x00}, frames[7].Payload())
}

func TestReaderLogForm(t *testing.T) {
	text, err := os.ReadFile("testdata/log.log")
	require.NoError(t, err)
	r := canlog.NewReader(iotest.OneByteReader(bytes.NewReader(text)), canlog.Options{Absolute: true})
	frames, bad, end := readAll(r)
	require.ErrorIs(t, end, io.EOF)
	assert.Empty(t, bad)
	require.Len(t, frames, 8)
	assert.Equal(t, canlog.StampsAbsolute, r.Stamps())
	assert.Equal(t, int64(1634254884935126000), frames[0].At)
	assert.Equal(t, uint32(0x0CF00100), frames[0].ID)
}

func TestReaderStart(t *testing.T) {
	const text = "(0000000000.000000) can0 123#\n(0000000001.500000) can0 123#\n"
	_, _, end := readAll(canlog.NewReader(strings.NewReader(text), canlog.Options{Absolute: true}))
	require.ErrorIs(t, end, canlog.ErrNoStart)
	assert.ErrorContains(t, end, "line 1: ")

	const start = int64(1_634_254_884_000_000_000)
	frames, _, end := readAll(canlog.NewReader(strings.NewReader(text), canlog.Options{Absolute: true, Start: start}))
	require.ErrorIs(t, end, io.EOF)
	require.Len(t, frames, 2)
	assert.Equal(t, start, frames[0].At)
	assert.Equal(t, start+1_500_000_000, frames[1].At)

	const absolute = "(0978307200.000000) can0 123#\n"
	r := canlog.NewReader(strings.NewReader(absolute), canlog.Options{Absolute: true, Start: start})
	frames, _, _ = readAll(r)
	require.Len(t, frames, 1)
	assert.Equal(t, int64(978307200e9), frames[0].At, "a start changes nothing where the stamps are absolute")

	_, _, end = readAll(canlog.NewReader(strings.NewReader("  can0  123   [1]  11\n"), canlog.Options{Absolute: true, Start: start}))
	require.ErrorIs(t, end, canlog.ErrNoStamps)
	r = canlog.NewReader(strings.NewReader("  can0  123   [1]  11\n"), canlog.Options{})
	frames, _, _ = readAll(r)
	assert.Len(t, frames, 1)
	assert.Equal(t, canlog.StampsNone, r.Stamps())
}

func TestReaderCountsLossAndSkips(t *testing.T) {
	const text = `# made up
(1634254884.000000) can0 123#00
DROPCOUNT: dropped 17 CAN frames on 'can0' socket (total drops 17)
(1634254885.000000) can0 123#0
DROPCOUNT: dropped 1 CAN frame on 'can0' socket (total drops 18)

(1634254886.000000) can0 123#00`
	r := canlog.NewReader(strings.NewReader(text), canlog.Options{})
	frames, bad, end := readAll(r)
	require.ErrorIs(t, end, io.EOF)
	assert.Len(t, frames, 2)
	require.Len(t, bad, 1)
	assert.EqualError(t, bad[0], `line 4: "(1634254885.000000) can0 123#0": `+canlog.ProblemOdd.Error())
	require.ErrorIs(t, bad[0], canlog.ProblemOdd)
	assert.Equal(t, canlog.Counts{Lines: 7, Frames: 2, Lost: 18, Drops: 2, Skipped: 2, Bad: 1}, r.Counts())
}

func TestReaderRefusesDifferences(t *testing.T) {
	var text strings.Builder
	for i := range 40 {
		fmt.Fprintf(&text, " (%03d.%06d)  can0  123   [1]  11\n", 0, (i*7919)%1000)
	}
	frames, _, end := readAll(canlog.NewReader(strings.NewReader(text.String()), canlog.Options{}))
	require.ErrorIs(t, end, canlog.ErrDelta)
	assert.Empty(t, frames, "refused before the first frame")

	frames, _, end = readAll(canlog.NewReader(iotest.OneByteReader(strings.NewReader(text.String())), canlog.Options{}))
	require.ErrorIs(t, end, canlog.ErrDelta, "refused on a live stream too, as soon as it shows")
	assert.Less(t, len(frames), 30)
}

// Frames of two interfaces may stand out of order by a little; that is no recording of differences.
func TestReaderTakesSlightDisorder(t *testing.T) {
	var text strings.Builder
	for i := range 400 {
		at := i * 1000
		if i%10 == 0 {
			at -= 1500
		}
		fmt.Fprintf(&text, " (001.%06d)  can0  123   [1]  11\n", at+2000)
	}
	frames, _, end := readAll(canlog.NewReader(strings.NewReader(text.String()), canlog.Options{}))
	require.ErrorIs(t, end, io.EOF)
	assert.Len(t, frames, 400)
}

func TestReaderRefusesJoinedRecordings(t *testing.T) {
	const text = "(1634254884.000000) can0 123#\n(0000000001.000000) can0 123#\n"
	frames, bad, _ := readAll(canlog.NewReader(strings.NewReader(text), canlog.Options{}))
	assert.Len(t, frames, 1)
	require.Len(t, bad, 1)
	assert.Equal(t, canlog.ProblemStampKind, bad[0].Problem)
}

func TestReaderForeignInput(t *testing.T) {
	_, _, end := readAll(canlog.NewReader(strings.NewReader("date Thu Oct 14\nbase hex\n"), canlog.Options{}))
	require.ErrorIs(t, end, canlog.ErrNoFrames)
	_, _, end = readAll(canlog.NewReader(strings.NewReader(""), canlog.Options{}))
	require.ErrorIs(t, end, io.EOF)

	failing := io.MultiReader(strings.NewReader("(1634254884.000000) can0 123#\n"), iotest.ErrReader(errors.New("disk gone")))
	frames, _, end := readAll(canlog.NewReader(failing, canlog.Options{}))
	assert.Len(t, frames, 1)
	assert.EqualError(t, end, "reading the recording after line 1: disk gone")
}

func TestReaderBoundsLines(t *testing.T) {
	long := strings.Repeat("x", 1<<20)
	text := "(1634254884.000000) can0 123#\n" + long + "\n" + long[:9000] + "\n(1634254885.000000) can0 123#\n" + long
	r := canlog.NewReader(strings.NewReader(text), canlog.Options{})
	frames, bad, end := readAll(r)
	require.ErrorIs(t, end, io.EOF)
	assert.Len(t, frames, 2)
	require.Len(t, bad, 3)
	assert.Equal(t, []int64{2, 3, 5}, []int64{bad[0].Line, bad[1].Line, bad[2].Line})
	for _, b := range bad {
		assert.Equal(t, canlog.ProblemLine, b.Problem)
		assert.Len(t, b.Text, 80)
	}
	assert.Equal(t, int64(5), r.Counts().Lines)
}

func anyFrame() *rapid.Generator[canlog.Frame] {
	return rapid.Custom(func(t *rapid.T) canlog.Frame {
		var f canlog.Frame
		if f.Stamped = rapid.Bool().Draw(t, "stamped"); f.Stamped {
			f.At = rapid.Int64Range(0, 9_223_372_035_999_999_999).Draw(t, "at")
		}
		f.Iface, _ = canlog.IfaceOf(rapid.StringMatching(`[!-~]{1,15}`).Filter(func(s string) bool {
			return !strings.ContainsAny(s[:1], "#;/(") && !strings.HasPrefix(s, "DROPCOUNT:")
		}).Draw(t, "iface"))
		switch rapid.IntRange(0, 2).Draw(t, "kind") {
		case 0:
			f.ID = rapid.Uint32Range(0, 0x7FF).Draw(t, "id")
		case 1:
			f.ID, f.Extended = rapid.Uint32Range(0, 1<<29-1).Draw(t, "id"), true
		case 2:
			f.ID, f.Error = rapid.Uint32Range(0, 1<<29-1).Draw(t, "id"), true
		}
		f.Way = canlog.Way(rapid.Uint8Range(0, 2).Draw(t, "way"))
		f.FD = rapid.Bool().Draw(t, "fd")
		lengths := []uint8{0, 1, 2, 3, 4, 5, 6, 7, 8}
		if f.FD {
			f.Flags = rapid.Uint8Range(0, 15).Draw(t, "flags")
			lengths = append(lengths, 12, 16, 20, 24, 32, 48, 64)
		}
		f.Len = rapid.SampledFrom(lengths).Draw(t, "len")
		f.Remote = !f.FD && !f.Error && rapid.Bool().Draw(t, "remote")
		if f.Len == 8 && !f.FD && rapid.Bool().Draw(t, "raw") {
			f.DLC = rapid.Uint8Range(9, 15).Draw(t, "dlc")
		}
		copy(f.Payload(), rapid.SliceOfN(rapid.Byte(), 64, 64).Draw(t, "data"))
		return f
	})
}

func TestLineRoundTrip(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		want := anyFrame().Draw(t, "frame")
		line := canlog.AppendLine([]byte("kept"), &want)
		require.Equal(t, "kept", string(line[:4]))
		require.Equal(t, 1, bytes.Count(line, []byte{'\n'}))
		var got canlog.Frame
		ok, err := canlog.Parse(line[4:], &got)
		require.NoError(t, err, "%q", line)
		require.True(t, ok, "%q", line)
		require.Equal(t, want, got, "%q", line)
	})
}

func TestAppendLine(t *testing.T) {
	f := canlog.Frame{At: 1634254884935126000, Stamped: true, ID: 0xCF00400, Extended: true, Len: 2, Data: data(0xF8, 0x7D)}
	assert.Equal(t, "(1634254884.935126) can 0CF00400#F87D\n", string(canlog.AppendLine(nil, &f)))
	f.At = -1
	assert.Equal(t, "(0000000000.000000) can 0CF00400#F87D\n", string(canlog.AppendLine(nil, &f)))
}

func FuzzParse(f *testing.F) {
	for _, line := range []string{
		"(1634254884.935126) can1 0CF00400#F87D7D000000FF7D",
		" (001.000041)  can1  18F11031   [8]  00 00 FF FF FF FF FF FF",
		"(1.000000) can0 123##3112233", "(1.000000) can0 123#R8_E", "  can0  RX - -  123   {E}  11 22 33 44 55 66 77 88",
		"DROPCOUNT: dropped 17 CAN frames", "  can0  20001111   [7]  C6 23 7B 32 69 98 3C      ERRORFRAME",
	} {
		f.Add([]byte(line))
	}
	f.Fuzz(func(t *testing.T, line []byte) {
		var got, again canlog.Frame
		ok, err := canlog.Parse(line, &got)
		if err != nil {
			require.False(t, ok)
			return
		}
		if !ok {
			return
		}
		out := canlog.AppendLine(nil, &got)
		ok, err = canlog.Parse(out, &again)
		require.NoError(t, err, "%q from %q", out, line)
		require.True(t, ok, "%q from %q", out, line)
		require.Equal(t, got, again)
	})
}

func FuzzReader(f *testing.F) {
	f.Add([]byte("# x\n(1634254884.935126) can1 0CF00400#F87D7D000000FF7D\nDROPCOUNT: dropped 1 CAN frame\n(0.000000) can0 1#"))
	f.Fuzz(func(t *testing.T, text []byte) {
		r := canlog.NewReader(bytes.NewReader(text), canlog.Options{})
		frames, bad, end := readAll(r)
		require.Error(t, end)
		c := r.Counts()
		require.Equal(t, int64(len(frames)), c.Frames)
		require.Equal(t, int64(len(bad)), c.Bad)
		require.LessOrEqual(t, c.Frames+c.Bad+c.Skipped+c.Drops, c.Lines)
	})
}

func TestReaderAllocatesNothing(t *testing.T) {
	line := []byte("(1634254884.935126) can1 0CF00400#F87D7D000000FF7D\n")
	text := bytes.Repeat(line, 20_000)
	r := canlog.NewReader(bytes.NewReader(text), canlog.Options{})
	var f canlog.Frame
	assert.Zero(t, testing.AllocsPerRun(10_000, func() {
		if err := r.Read(&f); err != nil {
			t.Fatal(err)
		}
	}))
}

func BenchmarkReader(b *testing.B) {
	text := bytes.Repeat([]byte("(1634254884.935126) can1 0CF00400#F87D7D000000FF7D\n"), 10_000)
	src := bytes.NewReader(text)
	var f canlog.Frame
	b.ReportAllocs()
	n := 0
	r := canlog.NewReader(src, canlog.Options{})
	for b.Loop() {
		if n++; n == 10_000 {
			b.StopTimer()
			src.Reset(text)
			r, n = canlog.NewReader(src, canlog.Options{}), 0
			b.StartTimer()
		}
		if err := r.Read(&f); err != nil {
			b.Fatal(err)
		}
	}
}
