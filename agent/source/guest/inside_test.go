//go:build linux && guest

package guest_test

import (
	"context"
	"crypto/rand"
	"encoding/binary"
	"fmt"
	"net"
	"os"
	"os/exec"
	"strconv"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"golang.org/x/sys/unix"
	"google.golang.org/grpc"
	"google.golang.org/grpc/credentials/insecure"

	"github.com/hourbell/hourbell/agent"
	"github.com/hourbell/hourbell/agent/agenttest"
	"github.com/hourbell/hourbell/agent/source"
	"github.com/hourbell/hourbell/internal/combinesim"
	"github.com/hourbell/hourbell/internal/maintenance"
	"github.com/hourbell/hourbell/internal/maintenance/hours"
)

const bus = "vcan0"

// socket is a raw CAN socket of the test's own.
func socket(t *testing.T) int {
	fd, err := unix.Socket(unix.AF_CAN, unix.SOCK_RAW|unix.SOCK_CLOEXEC, unix.CAN_RAW)
	require.NoError(t, err)
	iface, err := net.InterfaceByName(bus)
	require.NoError(t, err)
	require.NoError(t, unix.Bind(fd, &unix.SockaddrCAN{Ifindex: iface.Index}))
	t.Cleanup(func() { _ = unix.Close(fd) })
	return fd
}

func send(t *testing.T, fd int, id uint32, data []byte) {
	var b [16]byte
	binary.NativeEndian.PutUint32(b[:], id)
	b[4] = byte(len(data))
	copy(b[8:], data)
	for {
		_, err := unix.Write(fd, b[:])
		if err == unix.ENOBUFS {
			time.Sleep(time.Millisecond)
			continue
		}
		require.NoError(t, err)
		return
	}
}

// count counts every frame that anyone puts on the bus.
func count(t *testing.T) *atomic.Int64 {
	fd := socket(t)
	require.NoError(t, unix.SetsockoptInt(fd, unix.SOL_SOCKET, unix.SO_RCVBUFFORCE, 64<<20))
	require.NoError(t, unix.SetsockoptTimeval(fd, unix.SOL_SOCKET, unix.SO_RCVTIMEO, &unix.Timeval{Usec: 200_000}))
	var n atomic.Int64
	var wg sync.WaitGroup
	ctx, stop := context.WithCancel(context.Background())
	wg.Go(func() {
		var b [16]byte
		for ctx.Err() == nil {
			if k, err := unix.Read(fd, b[:]); err == nil && k == 16 {
				n.Add(1)
			}
		}
	})
	t.Cleanup(func() { stop(); wg.Wait() })
	return &n
}

var started = time.Now()

func mono() time.Duration { return time.Since(started) }

func open(t *testing.T) *source.SocketCAN {
	s, err := source.OpenSocketCAN(bus, source.SocketCANOptions{Mono: func() int64 { return mono().Nanoseconds() }, Now: time.Now})
	require.NoError(t, err)
	return s
}

func TestInsideTheAgentHearsWhatWasSentAndSendsNothing(t *testing.T) {
	onTheBus := count(t)
	svc := agenttest.New("lark", time.Now)
	lis, err := net.Listen("tcp", "127.0.0.1:0")
	require.NoError(t, err)
	server := grpc.NewServer()
	svc.Register(server)
	var wg sync.WaitGroup
	defer wg.Wait()
	defer server.Stop()
	wg.Go(func() { _ = server.Serve(lis) })

	a, err := agent.New(agent.Options{
		Dir: t.TempDir(), Source: open(t), Now: time.Now, Mono: mono, Built: started, Version: "guest", Rand: rand.Reader, Gather: time.Second,
		Jitter: func(time.Duration) time.Duration { return 0 },
		Dial: func(context.Context, func() time.Time) (*grpc.ClientConn, error) {
			return grpc.NewClient("passthrough:///"+lis.Addr().String(), grpc.WithTransportCredentials(insecure.NewCredentials()))
		},
	})
	require.NoError(t, err)
	ctx, stop := context.WithCancel(t.Context())
	ran := make(chan error, 1)
	go func() { ran <- a.Run(ctx) }()

	m, sent := drive(t, 6*time.Second)
	out := socket(t)
	send(t, out, 0x123, []byte{1})                                    // no J1939: a standard frame
	send(t, out, 0x18FEE500|unix.CAN_EFF_FLAG|unix.CAN_RTR_FLAG, nil) // and a remote one
	require.Eventually(t, func() bool { return a.Status().Frames == uint64(sent) }, 5*time.Second, 10*time.Millisecond, "heard %d of %d", a.Status().Frames, sent)
	time.Sleep(200 * time.Millisecond)
	require.Equal(t, uint64(sent), a.Status().Frames, "the two others were filtered by the kernel")
	require.Zero(t, a.Status().Lost)
	closedOnExec(t)
	require.Eventually(t, func() bool { return len(svc.Events()) >= 2 }, 10*time.Second, 20*time.Millisecond)
	stop()
	require.NoError(t, <-ran)
	require.NoError(t, svc.Err())
	nothingFalse(t, svc.Events(), m.Truth())
	require.Equal(t, int64(sent+2), onTheBus.Load(), "every frame on the bus was the test's own")
	fmt.Printf("PASS: heard %d frames, pushed %d events, sent none\n", sent, len(svc.Events()))
}

// drive puts a working machine's frames on the bus for a while, at their pace.
func drive(t *testing.T, length time.Duration) (*combinesim.Machine, int) {
	story := combinesim.Crew(time.Now().Add(-time.Hour).Truncate(time.Second), 1)[0]
	m, err := combinesim.New(story.Machine)
	require.NoError(t, err)
	from := story.Machine.Start.Add(40 * time.Minute)
	m.Run(from, func(combinesim.Frame) {})
	out, begun, n := socket(t), time.Now(), 0
	for _, f := range m.Append(nil, from.Add(length)) {
		time.Sleep(time.Until(begun.Add(time.Duration(f.AtNS - from.UnixNano()))))
		send(t, out, f.ID|unix.CAN_EFF_FLAG, f.Data[:f.Len])
		n++
	}
	require.Greater(t, n, 30)
	return m, n
}

// nothingFalse holds what was pushed against what the machine did.
func nothingFalse(t *testing.T, events []agenttest.Event, truth combinesim.Truth) {
	running, hoursRead := 0, 0
	for _, e := range events {
		age := time.Since(time.UnixMilli(int64(e.Stamp.Time)))
		require.True(t, e.Stamp.Time == 0 || age >= 0 && age < time.Minute, "an event of %v ago", age)
		switch b := e.Body.(type) {
		case *maintenance.Reading:
			hoursRead++
			require.Equal(t, "engine", b.Meter)
			require.LessOrEqual(t, b.Shown, hours.Millis(truth.EngineRaw)*180*hours.Second)
			require.GreaterOrEqual(t, b.Shown, hours.Millis(truth.EngineRaw-1)*180*hours.Second)
		case *maintenance.Engine:
			running++
			require.True(t, b.Running || running > 1)
		case *maintenance.Listened, *maintenance.BusNames, *maintenance.BusValues:
		default:
			require.Failf(t, "something was made up", "%T", b)
		}
	}
	require.NotZero(t, hoursRead)
	require.NotZero(t, running)
}

// closedOnExec looks at every socket of this process.
func closedOnExec(t *testing.T) {
	entries, err := os.ReadDir("/proc/self/fd")
	require.NoError(t, err)
	seen := 0
	for _, e := range entries {
		target, err := os.Readlink("/proc/self/fd/" + e.Name())
		if err != nil || !strings.HasPrefix(target, "socket:") {
			continue
		}
		fd, err := strconv.Atoi(e.Name())
		require.NoError(t, err)
		flags, err := unix.FcntlInt(uintptr(fd), unix.F_GETFD, 0)
		require.NoError(t, err)
		require.NotZero(t, flags&unix.FD_CLOEXEC, "socket %d would be inherited", fd)
		seen++
	}
	require.GreaterOrEqual(t, seen, 2)
}

func TestInsideWhatTheKernelDropsIsCounted(t *testing.T) {
	s := open(t)
	defer s.Close()
	out := socket(t)
	const burst = 30_000
	for i := range burst {
		send(t, out, 0x0CF00400|unix.CAN_EFF_FLAG, binary.NativeEndian.AppendUint64(nil, uint64(i)))
	}
	heard, lost := 0, uint64(0)
	buf := make([]source.Frame, 256)
	for {
		n, l, err := s.Read(t.Context(), buf)
		require.NoError(t, err)
		heard, lost = heard+n, lost+l
		if n == 0 {
			break
		}
	}
	// The count comes with the next frame that is not dropped.
	send(t, out, 0x0CF00400|unix.CAN_EFF_FLAG, make([]byte, 8))
	n, l, err := s.Read(t.Context(), buf)
	require.NoError(t, err)
	heard, lost = heard+n, lost+l
	require.NotZero(t, lost)
	require.Equal(t, burst+1, heard+int(lost), "each frame was heard or counted")
	fmt.Printf("PASS: of %d frames %d heard, %d counted as lost\n", burst+1, heard, lost)
}

func TestInsideReceiveTimesAreTheKernels(t *testing.T) {
	s := open(t)
	defer s.Close()
	out := socket(t)
	before := mono()
	send(t, out, 0x0CF00400|unix.CAN_EFF_FLAG, make([]byte, 8))
	after := mono()
	// Read late: the stamp is of the arrival, not of the reading.
	time.Sleep(700 * time.Millisecond)
	buf := make([]source.Frame, 4)
	n, _, err := s.Read(t.Context(), buf)
	require.NoError(t, err)
	require.Equal(t, 1, n)
	require.InDelta(t, (before+after).Seconds()/2, time.Duration(buf[0].At).Seconds(), (after-before).Seconds()/2+0.1)
	fmt.Println("PASS: stamped by the kernel")
}

// Last, since it takes the bus away.
func TestInsideZABusThatGoesDownIsSaid(t *testing.T) {
	_, err := source.OpenSocketCAN("can9", source.SocketCANOptions{Mono: func() int64 { return 0 }, Now: time.Now})
	require.ErrorContains(t, err, "ip link add dev vcan0 type vcan")
	s := open(t)
	defer s.Close()
	require.NoError(t, exec.Command("/bin/busybox", "ip", "link", "set", bus, "down").Run())
	buf := make([]source.Frame, 4)
	for range 5 {
		if _, _, err = s.Read(t.Context(), buf); err != nil {
			break
		}
	}
	require.ErrorContains(t, err, "went down")
	require.ErrorContains(t, err, "ip link set up vcan0")
	fmt.Println("PASS:", err)
}
