package demo

import (
	"bytes"
	"context"
	"io"
	"net"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"github.com/hourbell/hourbell/agent/source"
	"github.com/hourbell/hourbell/internal/combinesim"
)

func TestLink(t *testing.T) {
	l, err := net.Listen("tcp", "127.0.0.1:0")
	require.NoError(t, err)
	defer l.Close()
	link := newLink()
	c, err := link.dial(t.Context(), l.Addr().String())
	require.NoError(t, err)
	link.darken()
	require.True(t, link.isDark())
	_, err = c.Read(make([]byte, 1))
	require.ErrorIs(t, err, net.ErrClosed, "it is cut")
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	_, err = link.dial(ctx, l.Addr().String())
	require.ErrorIs(t, err, errDark)

	dialled := make(chan net.Conn)
	go func() {
		c, err := link.dial(t.Context(), l.Addr().String())
		assert.NoError(t, err)
		dialled <- c
	}()
	select {
	case <-dialled:
		t.Fatal("a dial got through the dark")
	default:
	}
	link.lighten()
	c = <-dialled
	require.NoError(t, c.Close())
	require.Empty(t, link.conns)
}

// TestEar holds what an agent hears against the same machine heard in one go.
func TestEar(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		story := combinesim.Crew(seven, 1)[0]
		from, to := seven.Add(11*time.Minute), seven.Add(13*time.Minute)
		m, err := combinesim.New(story.Machine)
		require.NoError(t, err)
		var want []combinesim.Frame
		m.Run(from, func(combinesim.Frame) {})
		m.Run(to, func(f combinesim.Frame) { want = append(want, f) })
		require.NotEmpty(t, want)

		p := newPace(from, 24*time.Hour)
		w := p.join("one")
		e, err := newEar(story.Machine, from, w)
		require.NoError(t, err)
		require.NoError(t, p.advance(t.Context(), to))
		dst := make([]source.Frame, 100)
		for i := 0; i < len(want); {
			require.Zero(t, w.last().Sub(from), "nothing is written down yet")
			n, lost, err := e.Read(t.Context(), dst)
			require.NoError(t, err)
			require.Zero(t, lost)
			require.NotZero(t, n)
			for _, f := range dst[:n] {
				require.Equal(t, want[i].AtNS-from.UnixNano(), f.At)
				require.Equal(t, want[i].ID, f.ID)
				require.Equal(t, want[i].Data, f.Data)
				i++
			}
			require.GreaterOrEqual(t, int64(e.mono()), dst[n-1].At)
		}
		require.Equal(t, to.Sub(from), e.mono())
		n, _, err := e.Read(t.Context(), dst)
		require.NoError(t, err)
		require.Zero(t, n, "the clock stands")
		require.Equal(t, to, w.last())
		end := seven.Add(combinesim.ShiftLength)
		require.NoError(t, p.advance(t.Context(), end))
		for err == nil {
			_, _, err = e.Read(t.Context(), dst)
		}
		require.ErrorIs(t, err, source.ErrEnd)
		require.Equal(t, end, e.now())
	})
}

// TestScreen draws a table, prints above it and draws it anew.
func TestScreen(t *testing.T) {
	var out bytes.Buffer
	s := &screen{out: &out, terminal: true, width: func() int { return 10 }}
	s.draw([]string{"one", "a line too long"})
	require.Equal(t, "one\na line t…\n", out.String())
	out.Reset()
	s.say("news")
	require.Equal(t, "\r\x1b[2A\x1b[Jnews\none\na line t…\n", out.String())
	out.Reset()
	s.draw(nil)
	s.say("end")
	require.Equal(t, "\r\x1b[2A\x1b[Jend\n", out.String())

	out.Reset()
	s = &screen{out: &out, width: func() int { return 80 }}
	s.draw([]string{"table"})
	s.bell()
	lines := []string{"plain"}
	s.bold(lines)
	s.say(lines...)
	require.Equal(t, "plain\n", out.String())
}

func TestHang(t *testing.T) {
	require.Equal(t, []string{"07:00 one two", "      three", "      four"}, hang("07:00 ", "one two  three four", 13))
	require.Equal(t, []string{"a"}, hang("", "a", 3))
	require.Equal(t, []string{"head"}, hang("head ", "", 30))
	require.Equal(t, []string{"- überlang", "  x"}, hang("- ", "überlang x", 4))
}

func TestWords(t *testing.T) {
	require.Equal(t, "1234.55", hours(1234*combinesim.Hour+33*60_000+35_000))
	require.Equal(t, "-0.05", hours(-combinesim.MeterStep))
	require.Equal(t, "2.9", tenths(299*combinesim.Hour/100))
	require.Equal(t, "1 notice", counted(1, "notice"))
	require.Equal(t, "once", times(1))
	for want, ago := range map[string]time.Duration{"just now": 3 * time.Minute, "4 min ago": 4*time.Minute + 59*time.Second, "59 min ago": time.Hour - 1, "1 h ago": time.Hour, "2 h ago": 3*time.Hour - 1} {
		require.Equal(t, want, age(seven, seven.Add(-ago)))
	}
}

// TestBrokenParent ends the child where its parent makes no sense or is gone.
func TestBrokenParent(t *testing.T) {
	_, _, err := parseLine("to soon")
	require.Error(t, err)
	r := &childRoad{out: io.Discard, goalAt: seven, reached: seven}
	require.ErrorContains(t, r.listen(strings.NewReader("to 1\nto nowhere\n")), "nowhere")
	require.NoError(t, r.listen(strings.NewReader("")))
}
