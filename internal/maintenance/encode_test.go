package maintenance

import (
	"fmt"
	"math/rand/v2"
	"reflect"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"github.com/hourbell/hourbell/internal/maintenance/moment"
)

// filler puts drawn values into every exported field there is, so that a field
// that an encoding forgets is found.
type filler struct{ r *rand.Rand }

func (f filler) fill(v reflect.Value) {
	switch v.Kind() {
	case reflect.Struct:
		for i := range v.NumField() {
			if v.Type().Field(i).IsExported() {
				f.fill(v.Field(i))
			}
		}
	case reflect.Slice:
		n := 1 + f.r.IntN(3)
		v.Set(reflect.MakeSlice(v.Type(), n, n))
		for i := range n {
			f.fill(v.Index(i))
		}
	case reflect.Array:
		for i := range v.Len() {
			f.fill(v.Index(i))
		}
	case reflect.String:
		v.SetString(fmt.Sprintf("text %d", f.r.IntN(1000)))
	case reflect.Bool:
		v.SetBool(f.r.IntN(2) == 0)
	case reflect.Int, reflect.Int8, reflect.Int16, reflect.Int32, reflect.Int64:
		v.SetInt(int64(f.r.Uint64()) >> (64 - v.Type().Bits()) >> f.r.IntN(v.Type().Bits()))
	case reflect.Uint8, reflect.Uint16, reflect.Uint32, reflect.Uint64:
		v.SetUint(f.r.Uint64() >> (64 - v.Type().Bits()) >> f.r.IntN(v.Type().Bits()))
	case reflect.Pointer:
		v.Set(reflect.New(v.Type().Elem()))
		f.fill(v.Elem())
	default:
		panic("no value for " + v.Type().String())
	}
}

// firstKinds came with FirstRules, workKinds with WorkRules.
var (
	allKinds   = append(append([]Kind{}, firstKinds...), workKinds...)
	firstKinds = []Kind{
		KindReading, KindEngine, KindListened, KindWarning, KindDriveMinute, KindBusValues, KindBusNames, KindFieldEvent, KindThinned,
		KindServiceDone, KindVoid, KindHandReading, KindDoubtAnswer, KindNoticeAnswer,
		KindCommissioned, KindEditionTaken, KindTrait, KindSeason, KindDayTurned, KindAttachment, KindFinding, KindNoticeFate, KindSetAside, KindRulesChanged,
	}
	workKinds = []Kind{
		KindConfirmed, KindRemark, KindRemarkWord, KindPostponed, KindWalk, KindSettingsLeft, KindCauseFound, KindGunMeasured, KindHandedOver,
	}
)

func TestEventsComeBack(t *testing.T) {
	f := filler{rand.New(rand.NewPCG(1, 2))}
	for range 40 {
		for _, k := range allKinds {
			e := &Event{Body: newBody(k)}
			f.fill(reflect.ValueOf(e.Body).Elem())
			f.fill(reflect.ValueOf(&e.Key).Elem())
			f.fill(reflect.ValueOf(&e.At).Elem())
			f.fill(reflect.ValueOf(&e.Known).Elem())
			f.fill(reflect.ValueOf(&e.Writer).Elem())
			if f.r.IntN(2) == 0 {
				f.fill(reflect.ValueOf(&e.Hash).Elem())
			}
			require.Equal(t, k, e.Kind())
			b := AppendEvent([]byte("before"), e)[6:]
			back, err := DecodeEvent(b)
			require.NoError(t, err)
			require.Equal(t, e, back)
			require.Equal(t, b, AppendEvent(nil, back))
			// Of a chart's many bytes some hundreds of cuts tell as much.
			for cut := f.r.IntN(1 + len(b)/300); cut < len(b); cut += 1 + len(b)/300 {
				_, err := DecodeEvent(b[:cut])
				require.ErrorIs(t, err, ErrEncoding)
			}
			_, err = DecodeEvent(append(b, 0))
			require.ErrorIs(t, err, ErrEncoding)
		}
	}
}

func TestStatesComeBack(t *testing.T) {
	f := filler{rand.New(rand.NewPCG(3, 4))}
	for range 20 {
		s := new(State)
		f.fill(reflect.ValueOf(s).Elem())
		chart := s.Chart
		// A state has its chart's meters and tasks first.
		for i := range chart.Meters {
			s.Meters = append([]Meter{{ID: chart.Meters[len(chart.Meters)-1-i].ID}}, s.Meters...)
		}
		for i := range chart.Tasks {
			s.Tasks = append([]Task{{ID: chart.Tasks[len(chart.Tasks)-1-i].ID}}, s.Tasks...)
		}
		b := AppendState(nil, s)
		back, err := DecodeState(b, func(hash [32]byte) (*Chart, error) {
			require.Equal(t, chart.Hash(), hash)
			return chart, nil
		})
		require.NoError(t, err)
		assert.Equal(t, s.Hash(), back.Hash())
		clone := back.Clone()
		back.work, clone.work, s.work = work{}, work{}, work{}
		require.Equal(t, s, back)
		require.Equal(t, s, clone)
	}
}

// A clone shares nothing that changes.
func TestClone(t *testing.T) {
	w := newWorld(t, heronChart())
	w.bus(after("1"), "100.00")
	w.done(after("1"), "sieve-pivot/grease")
	w.bus(after("60"), "151.00")
	before := w.s.Hash()
	c := w.s.Clone()
	require.Equal(t, before, c.Hash())
	real := w.s
	w.s = c
	w.says(after("61"), &NoticeAnswer{Notice: c.Notices[0].ID, Word: NoticeMine})
	w.service("fate", after("61"), &NoticeFate{Notice: c.Notices[0].ID, Channel: "web", Word: NoticeDelivered})
	w.bus(after("62"), "1.00")
	w.bus(after("62.1"), "153.00")
	w.done(after("62"), "sieve-pivot/grease")
	assert.Equal(t, before, real.Hash())
	assert.NotEqual(t, before, c.Hash())
}

func TestDecodingRefusesWhatIsNotCanonical(t *testing.T) {
	e := &Event{Key: Key{Stream: box('a'), Seq: 5}, Writer: WriterAgent, At: moment.At(7), Known: 7, Body: &Engine{Running: true}}
	b := AppendEvent(nil, e)
	for name, change := range map[string]func([]byte) []byte{
		"version":       func(b []byte) []byte { b[0] = 9; return b },
		"kind":          func(b []byte) []byte { b[1] = 99; return b },
		"flags":         func(b []byte) []byte { b[3] = 4; return b },
		"no hash there": func(b []byte) []byte { b[3] = 1; return append(b[:len(b)-1], append(make([]byte, 32), 1)...) },
		"bool":          func(b []byte) []byte { b[len(b)-1] = 2; return b },
		"long varint":   func(b []byte) []byte { return append(append(append([]byte{}, b[:20]...), 0x85, 0x00), b[21:]...) },
	} {
		bad := change(append([]byte{}, b...))
		_, err := DecodeEvent(bad)
		require.ErrorIs(t, err, ErrEncoding, name)
	}
	// A length that lies allocates nothing: 2^60 tasks.
	lie := []byte{chartVersion, 1, 'x', 1, 0, 0, 0, 0, 0, 0, 0, 0, 0xff, 0xff, 0xff, 0xff, 0xff, 0xff, 0xff, 0xff, 0x0f}
	_, err := DecodeChart(lie)
	require.ErrorContains(t, err, "beyond the end")
	allocs := testing.AllocsPerRun(10, func() { _, _ = DecodeChart(lie) })
	assert.Less(t, allocs, 20.0)
	_, err = DecodeEvent(make([]byte, MaxEventBytes+1))
	require.ErrorIs(t, err, ErrEncoding)
	_, err = DecodeState(nil, nil)
	require.ErrorIs(t, err, ErrEncoding)
}

func TestEventWithoutABody(t *testing.T) {
	e := &Event{Key: Key{Seq: 1}, Writer: WriterAgent}
	back, err := DecodeEvent(AppendEvent(nil, e))
	require.NoError(t, err)
	assert.Equal(t, e, back)
	assert.Zero(t, back.Kind())
	assert.Zero(t, (&Event{Body: (*Warning)(nil)}).Kind())
}

// A state can be built up from nothing or from New: the same stream gives the
// same bytes.
func TestZeroStateAndNewAreOne(t *testing.T) {
	w := newWorld(t, heronChart())
	w.bus(after("1"), "100.00")
	zero := new(State)
	for _, e := range w.log {
		Apply(zero, e, nil)
	}
	assert.Equal(t, AppendState(nil, w.s), AppendState(nil, zero))
}
