package j1939_test

import (
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"github.com/hourbell/hourbell/internal/j1939"
)

// send carries text to everyone and gives what it was taken for.
func send(t testing.TB, b *j1939.Bus, group j1939.Group, text string) *j1939.Identity {
	t.Helper()
	frames, err := j1939.AppendBroadcast(nil, 6, group, 0x26, []byte(text))
	require.NoError(t, err)
	var r *j1939.Report
	for i, f := range frames {
		r = b.Push(int64(i)*60*ms, f.ID, f.Payload())
	}
	return r.Identity
}

// Texts are made up.
func TestIdentity(t *testing.T) {
	tests := map[string]struct {
		group j1939.Group
		text  string
		kind  j1939.IdentityKind
		want  []string
	}{
		"vehicle":              {j1939.GroupVehicle, "ZZ9TESTMACH000042*", j1939.IdentityVehicle, []string{"ZZ9TESTMACH000042"}},
		"vehicle, the maker's": {j1939.GroupVehicle, "ZZ9TESTMACH000042*more", j1939.IdentityVehicle, []string{"ZZ9TESTMACH000042", "more"}},
		"vehicle without end":  {j1939.GroupVehicle, "ZZ9TESTMACH000042", j1939.IdentityVehicle, []string{"ZZ9TESTMACH000042"}},
		"vehicle in one frame": {j1939.GroupVehicle, "M42*", j1939.IdentityVehicle, []string{"M42"}},
		"component":            {j1939.GroupComponent, "MAKE*MODEL*00042*7*", j1939.IdentityComponent, []string{"MAKE", "MODEL", "00042", "7"}},
		"component, blanks":    {j1939.GroupComponent, "MAKE *MODEL*\x00\x0000042\x00**", j1939.IdentityComponent, []string{"MAKE", "MODEL", "00042", ""}},
		"component, cut":       {j1939.GroupComponent, "MAKE*MODEL*\xff\xff\xff", j1939.IdentityComponent, []string{"MAKE", "MODEL"}},
		"component, not ASCII": {j1939.GroupComponent, "MA\xc4E*\x07*tab\there*", j1939.IdentityComponent, []string{"MA?E", "?", "tab?here"}},
		"software":             {j1939.GroupSoftware, "\x02V1.4*BOOT 9*", j1939.IdentitySoftware, []string{"V1.4", "BOOT 9"}},
		"software, none":       {j1939.GroupSoftware, "\x00", j1939.IdentitySoftware, nil},
		"control unit":         {j1939.GroupECU, "P1*S1*LEFT*T*M*H*", j1939.IdentityECU, []string{"P1", "S1", "LEFT", "T", "M", "H"}},
		"product":              {j1939.GroupProduct, "CODE*BRAND*MODEL*", j1939.IdentityProduct, []string{"CODE", "BRAND", "MODEL"}},
	}
	for name, tt := range tests {
		t.Run(name, func(t *testing.T) {
			m := send(t, newBus(t, j1939.Options{}), tt.group, tt.text)
			require.NotNil(t, m)
			assert.Equal(t, tt.kind, m.Kind)
			assert.Equal(t, j1939.Address(0x26), m.Source)
			assert.Equal(t, len(tt.want), m.Len())
			for i, want := range tt.want {
				assert.Equal(t, want, m.Text(i))
			}
			assert.Nil(t, m.Bytes(m.Len()))
			assert.Nil(t, m.Bytes(-1))
			assert.False(t, m.More())
		})
	}
	m := send(t, newBus(t, j1939.Options{}), j1939.GroupSoftware, "\x20"+strings.Repeat("x*", 32))
	assert.Equal(t, 16, m.Len())
	assert.True(t, m.More())
}

func TestIdentityTakesAnyBytes(t *testing.T) {
	groups := []j1939.Group{j1939.GroupVehicle, j1939.GroupComponent, j1939.GroupSoftware, j1939.GroupECU, j1939.GroupProduct}
	rapid.Check(t, func(t *rapid.T) {
		b, err := j1939.NewBus(j1939.Options{})
		require.NoError(t, err)
		data := rapid.SliceOfN(rapid.Byte(), 1, 60).Draw(t, "data")
		frames, err := j1939.AppendBroadcast(nil, 6, rapid.SampledFrom(groups).Draw(t, "group"), 1, data)
		require.NoError(t, err)
		var r *j1939.Report
		for _, f := range frames {
			r = b.Push(0, f.ID, f.Payload())
		}
		require.NotNil(t, r.Identity)
		total := 0
		for i := range r.Identity.Len() {
			require.NotContains(t, string(r.Identity.Bytes(i)), "*")
			total += len(r.Identity.Bytes(i))
		}
		require.LessOrEqual(t, total, len(data))
	})
}

func TestRequests(t *testing.T) {
	b := newBus(t, j1939.Options{})
	r := push(t, b, "18EAFFF9#ECFE00")
	assert.Equal(t, &j1939.Request{From: 0xF9, To: 255, Group: j1939.GroupVehicle}, r.Request)
	assert.False(t, r.Request.Clears())
	for frame, group := range map[string]j1939.Group{
		"18EA00F9#CCFE00": j1939.GroupClearPrevious, "18EA00F9#D3FE00": j1939.GroupClearActive, "18EAFFF9#D3FE00FFFFFFFFFF": j1939.GroupClearActive,
	} {
		r = push(t, b, frame)
		require.NotNil(t, r.Request, frame)
		assert.Equal(t, group, r.Request.Group)
		assert.True(t, r.Request.Clears(), frame)
	}
	assert.Nil(t, push(t, b, "18EA00F9#D3FE").Request, "too short")
	assert.Nil(t, push(t, b, "18EA00F9#D3FE04").Request, "no such group")
}

// Frames composed by hand: element 2, value of the entry, little endian.
func TestProcessData(t *testing.T) {
	b := newBus(t, j1939.Options{})
	r := push(t, b, "18CB2680#23001A01A0860100") // 282: 100,000 s
	require.NotNil(t, r.Process)
	assert.Equal(t, uint16(2), r.Process.Element)
	assert.Equal(t, uint16(282), r.Process.Entry)
	assert.Equal(t, int32(100_000), r.Process.Raw)
	assert.Equal(t, j1939.Address(0x80), r.Process.Source)
	assert.Equal(t, j1939.Address(0x26), r.Process.Dest)
	assert.True(t, r.Process.Known.Lifetime)
	millis, ok := r.Process.HourMillis()
	assert.True(t, ok)
	assert.Equal(t, int64(100_000_000), millis)

	r = push(t, b, "18CB2680#F312EC0172600000") // element 0x12F, 492: 24,690 x 0.05 h
	assert.Equal(t, uint16(0x12F), r.Process.Element)
	millis, ok = r.Process.HourMillis()
	assert.True(t, ok)
	assert.Equal(t, int64(1234*3_600_000+1_800_000), millis)
	milli, ok := r.Process.Milli()
	assert.True(t, ok)
	assert.Equal(t, int64(1_234_500), milli)

	r = push(t, b, "18CB2680#2300ED0064000000") // 493: 100 x 0.1 h, but written little endian as 0x00ED = 237
	assert.Equal(t, uint16(237), r.Process.Entry)
	_, ok = r.Process.HourMillis()
	assert.False(t, ok, "a state is no counter of time")
	r = push(t, b, "18CB2680#23001A01FFFFFFFF")
	_, ok = r.Process.HourMillis()
	assert.False(t, ok, "no time is below 0")
	r = push(t, b, "18CB2680#23000000FFFFFFFF")
	assert.Nil(t, r.Process.Known)
	_, ok = r.Process.Milli()
	assert.False(t, ok)
	for _, frame := range []string{"18CB2680#22001A0100000000", "18CB2680#2D001A0100000000", "18CB2680#23001A01A08601"} {
		assert.Nil(t, push(t, b, frame).Process, frame)
	}
	for number, unit := range map[uint16]string{119: "s", 236: "s", 274: "s", 282: "s", 324: "s", 334: "s", 492: "h", 493: "h", 215: "h", 546: "s"} {
		e, ok := j1939.FindEntry(number)
		require.True(t, ok, number)
		assert.Equal(t, unit, e.Unit, number)
	}
	_, ok = j1939.FindEntry(0)
	assert.False(t, ok)
	_, ok = j1939.FindEntry(65535)
	assert.False(t, ok)
}
