package source_test

import (
	"io"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/require"

	"github.com/hourbell/hourbell/agent/source"
)

// The frames are from the published example of group 65253 (engine hours) and an engine speed frame; the times are ours.
const logForm = `(1940762400.000000) can0 18FEE500#72600000FFFFFFFF
(1940762400.250000) can0 123#00
(1940762400.500000) can1 0CF00400#0041FF20481400F0
DROPCOUNT: dropped 7 CAN frames on 'can0' socket (total drops 7)
(1940762401.000000) can0 0CF00400#0041FF20481400F0
`

const screenForm = ` (000.000000)  can1  18FEE500   [8]  72 60 00 00 FF FF FF FF
 (000.500000)  can1  0CF00400   [8]  00 41 FF 20 48 14 00 F0
`

func open(text string, opts source.RecordingOptions) *source.Recording {
	return source.NewRecording("shift.log", io.NopCloser(strings.NewReader(text)), opts)
}

func all(t *testing.T, r *source.Recording) (out []source.Frame, lost uint64) {
	buf := make([]source.Frame, 2)
	for {
		n, l, err := r.Read(t.Context(), buf)
		out, lost = append(out, buf[:n]...), lost+l
		if err != nil {
			require.ErrorIs(t, err, source.ErrEnd)
			return out, lost
		}
	}
}

func TestARecordingGivesItsJ1939Frames(t *testing.T) {
	r := open(logForm, source.RecordingOptions{})
	frames, lost := all(t, r)
	require.Len(t, frames, 3, "the standard frame is none of J1939's")
	require.Equal(t, int64(1940762400_000000000), frames[0].At)
	require.Equal(t, uint32(0x18FEE500), frames[0].ID)
	require.Equal(t, []byte{0x72, 0x60, 0, 0, 0xFF, 0xFF, 0xFF, 0xFF}, frames[0].Payload())
	require.Equal(t, int64(1940762401_000000000), frames[2].At)
	require.Equal(t, uint64(7), lost)
	require.NoError(t, r.Trouble())
}

func TestOneInterfaceOnly(t *testing.T) {
	frames, _ := all(t, open(logForm, source.RecordingOptions{Interface: "can1"}))
	require.Len(t, frames, 1)
}

func TestARecordingWithoutATimeOfItsOwnAsksForOne(t *testing.T) {
	_, _, err := open(screenForm, source.RecordingOptions{}).Read(t.Context(), make([]source.Frame, 1))
	require.ErrorContains(t, err, "shift.log")
	require.ErrorContains(t, err, "--start")

	start := time.Date(2031, 7, 2, 13, 40, 0, 0, time.UTC)
	frames, _ := all(t, open(screenForm, source.RecordingOptions{Start: start}))
	require.Len(t, frames, 2)
	require.Equal(t, start.UnixNano(), frames[0].At)
	require.Equal(t, start.UnixNano()+5e8, frames[1].At)
}

func TestAStartIsRefusedWhereTheRecordingHasItsOwn(t *testing.T) {
	_, _, err := open(logForm, source.RecordingOptions{Start: time.Unix(5, 0)}).Read(t.Context(), make([]source.Frame, 1))
	require.ErrorContains(t, err, "no start can be given")
}

func TestATornLineIsSaidAndTheRestIsRead(t *testing.T) {
	r := open(logForm+"(1940762402.000000) can0 18FEE500#7260000\n(1940762403.000000) can0 18FEE500#72600000FFFFFFFF\n", source.RecordingOptions{})
	frames, _ := all(t, r)
	require.Len(t, frames, 4)
	require.ErrorContains(t, r.Trouble(), "line 6")
}

func TestNothingButForeignLines(t *testing.T) {
	_, _, err := open("hello\nworld\n", source.RecordingOptions{}).Read(t.Context(), make([]source.Frame, 1))
	require.ErrorContains(t, err, "candump")
}

func TestARecordingIsPaced(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r := open(logForm, source.RecordingOptions{Speed: 0.1})
		begun := time.Now()
		frames, _ := all(t, r)
		require.Len(t, frames, 3)
		require.Equal(t, 10*time.Second, time.Since(begun))
	})
}
