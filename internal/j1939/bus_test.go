package j1939_test

import (
	"os"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"github.com/hourbell/hourbell/internal/j1939"
)

func TestForeignFrames(t *testing.T) {
	b := newBus(t, j1939.Options{})
	r := b.Push(0, 1<<29, []byte{1})
	assert.Empty(t, r.Message.Data)
	b.Push(0, 0x18FEE500, make([]byte, 12))
	r = b.Push(0, 0x18C8FF00, make([]byte, 8))
	assert.Empty(t, r.Values)
	b.Push(-1, 0x18FEE500, nil)
	s := b.Stats()
	assert.Equal(t, uint64(4), s.Frames)
	assert.Equal(t, uint64(2), s.Foreign)
	assert.Equal(t, uint64(1), s.Extended)
	assert.Equal(t, uint64(1), s.Backwards)
}

func TestFarTimesDoNoHarm(t *testing.T) {
	b := newBus(t, j1939.Options{})
	for _, at := range []int64{-1 << 63, 0, 1<<63 - 1, -1 << 63} {
		for _, f := range []string{"18FECA00#04FF64000103FFFF", bam1, dt1a, dt1b, "18EEFF00#F1FB895700000000"} {
			fr, err := j1939.ParseFrame(f)
			require.NoError(t, err)
			b.Push(at, fr.ID, fr.Payload())
		}
	}
	state := b.State()
	require.NoError(t, state.Validate())
}

// The twenty codes of an engine as a real bus carried them (see the file's first line), and the messages around them.
func TestRecordedCodes(t *testing.T) {
	text, err := os.ReadFile("testdata/codes.log")
	require.NoError(t, err)
	b := newBus(t, j1939.Options{})
	var got []j1939.Code
	at := int64(0)
	for line := range strings.Lines(string(text)) {
		if strings.HasPrefix(line, "#") {
			continue
		}
		f, err := j1939.ParseFrame(strings.Fields(line)[2])
		require.NoError(t, err)
		at += 80 * ms
		if r := b.Push(at, f.ID, f.Payload()); r.Codes != nil {
			got = append(got, r.Codes.List...)
			assert.Len(t, r.Message.Data, 82)
			assert.Equal(t, "on", r.Codes.Lamps.Warning.String())
			assert.Equal(t, "off", r.Codes.Lamps.Stop.String())
		}
	}
	var texts []string
	for _, c := range got {
		texts = append(texts, codeText(c))
	}
	assert.Equal(t, []string{ // taken apart by a short program in another language
		"91/8 OC1", "925/5 OC1", "111/3 OC1", "3696/9 OC1", "174/3 OC1", "100/3 OC29", "2948/3 OC126", "172/4 OC1", "520196/3 OC126", "520197/3 OC125",
		"520193/3 OC121", "101/3 OC33", "3480/3 OC126", "4077/3 OC126", "3249/3 OC112", "3830/3 OC126", "3245/3 OC112", "3241/3 OC114", "3251/3 OC115", "3242/3 OC107",
	}, texts)
	assert.Equal(t, j1939.TransportStats{Whole: 1}, b.Stats().Transport)
}

func steady(t testing.TB) (*j1939.Bus, []j1939.Frame) {
	t.Helper()
	fan := j1939.Signal{Name: "fan", Group: 65301, Source: 0x9D, Byte: 1, Bits: 16, Order: j1939.BigEndian, Scale: j1939.Ratio{1, 10}, Offset: none(), Unit: "rpm"}
	b := withSignals(t, rotor(), fan)
	var frames []j1939.Frame
	for _, text := range []string{
		"0CF00400#0041FF20481400F0", "0CF00300#DF0000FFFFFFFFFF", "18FEE500#72600000FFFFFFFF", "18FEF100#FF000050CC001FFF",
		"18FF169D#A00F0000FFFFFFFF", "18FF159D#0FA0", "18FECA03#00FF00000000FFFF", "18FECA0B#04FF64000103FFFF",
		"18EEFF26#40E2216100810EA0", "18EAFFF9#ECFE00", "18CB2680#23001A01A0860100", "18FF2000#0000000000000000",
		bam1, dt1a, dt1b, rts, cts, dtr1, dtr2, eom,
		"18ECFF00#20120003FFECFE00", "18EBFF00#015A5A3954455354", "18EBFF00#024D414348303030", "18EBFF00#033034322AFFFFFF",
	} {
		f, err := j1939.ParseFrame(text)
		require.NoError(t, err)
		frames = append(frames, f)
	}
	return b, frames
}

func TestSteadyStateAllocatesNothing(t *testing.T) {
	b, frames := steady(t)
	at := int64(0)
	run := func() {
		for i := range frames {
			at += 10 * ms
			b.Push(at, frames[i].ID, frames[i].Payload())
		}
		b.Tick(at)
	}
	for range 10 {
		run()
	}
	assert.Zero(t, testing.AllocsPerRun(200, run))

	// And where everything happens at once: 256 codes start, fall out of sight and come back.
	var list []j1939.Code
	for i := range uint32(445) {
		list = append(list, j1939.Code{SPN: 1000 + i})
	}
	long, err := j1939.AppendBroadcast(nil, 6, j1939.GroupActiveCodes, 1, j1939.AppendCodes(nil, j1939.Lamps{}, list))
	require.NoError(t, err)
	events := 0
	storm := func() {
		for range 2 {
			for i := range long {
				at += ms
				events += len(b.Push(at, long[i].ID, long[i].Payload()).Events)
			}
		}
		at += 60_000 * ms
		events += len(b.Tick(at).Events)
	}
	for range 3 {
		storm()
	}
	assert.Zero(t, testing.AllocsPerRun(20, storm))
	assert.Greater(t, events, 20*2*200)
}

func BenchmarkPush(b *testing.B) {
	for name, text := range map[string]string{
		"speed": "0CF00400#0041FF20481400F0", "hours": "18FEE500#72600000FFFFFFFF", "switches": "18FEF100#FF000050CC001FFF",
		"signal": "18FF169D#A00F0000FFFFFFFF", "codes": "18FECA0B#04FF64000103FFFF", "unknown": "18FF2000#0000000000000000",
	} {
		b.Run(name, func(b *testing.B) {
			bus, _ := steady(b)
			f, err := j1939.ParseFrame(text)
			require.NoError(b, err)
			at := int64(0)
			b.ReportAllocs()
			for b.Loop() {
				at += ms
				bus.Push(at, f.ID, f.Payload())
			}
		})
	}
}

func BenchmarkMix(b *testing.B) {
	bus, frames := steady(b)
	at, i := int64(0), 0
	b.ReportAllocs()
	for b.Loop() {
		at += ms
		bus.Push(at, frames[i].ID, frames[i].Payload())
		if i++; i == len(frames) {
			i = 0
		}
	}
}

func BenchmarkTransport(b *testing.B) {
	bus, err := j1939.NewBus(j1939.Options{})
	require.NoError(b, err)
	frames, err := j1939.AppendBroadcast(nil, 7, 65300, 0x80, make([]byte, j1939.MaxMessage))
	require.NoError(b, err)
	at, i := int64(0), 0
	b.ReportAllocs()
	for b.Loop() {
		at += ms
		bus.Push(at, frames[i].ID, frames[i].Payload())
		if i++; i == len(frames) {
			i = 0
		}
	}
}
