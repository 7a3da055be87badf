package source

import (
	"context"
	"encoding/binary"
	"errors"
	"fmt"
	"net"
	"os"
	"syscall"
	"time"
	"unsafe"

	"golang.org/x/sys/unix"
)

// The kernel's buffer, bytes: well over a second of a full 500 kbit/s bus.
const receiveBuffer = 4 << 20

const (
	readAtOnce   = 256
	frameSize    = unsafe.Sizeof(rawFrame{})
	controlSize  = 96
	idMask       = 0x1FFFFFFF
	remoteFlag   = 0x40000000
	extendedFlag = 0x80000000
)

// rawFrame is Linux's struct can_frame:
//
//	0  can_id  u32, bit 31 extended, 30 remote, 29 error
//	4  len     u8
//	5  padding
//	8  data    8 bytes
type rawFrame struct {
	id   uint32
	len  uint8
	_    [3]uint8
	data [8]byte
}

// mmsghdr is Linux's struct mmsghdr.
type mmsghdr struct {
	hdr unix.Msghdr
	len uint32
}

// SocketCAN listens to a CAN interface. The socket is never written to.
type SocketCAN struct {
	name  string
	file  *os.File
	conn  syscall.RawConn
	mono  func() int64
	now   func() time.Time
	drops uint32    // of the socket, as last told
	next  time.Time // when to read again

	frames  []rawFrame
	control []byte
	iovs    []unix.Iovec
	msgs    []mmsghdr
	got     int
	err     error
}

// SocketCANOptions says what an interface's frames are stamped by.
type SocketCANOptions struct {
	// Mono is nanoseconds of the agent's monotonic clock.
	Mono func() int64
	// Now is the box's own clock, by which the kernel stamps.
	Now func() time.Time
}

// OpenSocketCAN listens to an interface: can0, vcan0.
func OpenSocketCAN(name string, opts SocketCANOptions) (*SocketCAN, error) {
	fd, err := unix.Socket(unix.AF_CAN, unix.SOCK_RAW|unix.SOCK_CLOEXEC|unix.SOCK_NONBLOCK, unix.CAN_RAW)
	if err != nil {
		return nil, cannot(name, err)
	}
	if err := setUp(fd, name); err != nil {
		_ = unix.Close(fd)
		return nil, cannot(name, err)
	}
	s := &SocketCAN{name: name, file: os.NewFile(uintptr(fd), name), mono: opts.Mono, now: opts.Now}
	if s.conn, err = s.file.SyscallConn(); err != nil {
		_ = s.file.Close()
		return nil, cannot(name, err)
	}
	s.prepare()
	return s, nil
}

// cannot says what to do where an interface can't be listened to.
func cannot(name string, err error) error {
	switch {
	case errors.Is(err, unix.EAFNOSUPPORT), errors.Is(err, unix.EPROTONOSUPPORT):
		return fmt.Errorf("listen to %s: this kernel has no CAN: load it with `modprobe can-raw`, or read a recording with --recording: %w", name, err)
	case errors.Is(err, unix.ENODEV), errors.Is(err, errNoInterface):
		return fmt.Errorf("listen to %s: there is no such interface: see `ip link show type can`; a virtual one to try with is made by "+
			"`modprobe vcan && ip link add dev vcan0 type vcan && ip link set up vcan0`: %w", name, err)
	case errors.Is(err, unix.EPERM), errors.Is(err, unix.EACCES):
		return fmt.Errorf("listen to %s: not allowed: run the agent as a user that may open raw CAN sockets: %w", name, err)
	}
	return fmt.Errorf("listen to %s: %w", name, err)
}

var errNoInterface = errors.New("no such network interface")

func setUp(fd int, name string) error {
	iface, err := net.InterfaceByName(name)
	if err != nil {
		return fmt.Errorf("%w: %w", errNoInterface, err)
	}
	// Whole J1939 frames only: extended, not remote. Error frames are not asked for.
	filter := []unix.CanFilter{{Id: extendedFlag, Mask: extendedFlag | remoteFlag}}
	if err := unix.SetsockoptCanRawFilter(fd, unix.SOL_CAN_RAW, unix.CAN_RAW_FILTER, filter); err != nil {
		return fmt.Errorf("set the filter: %w", err)
	}
	for _, o := range []struct {
		level, name, value int
		what               string
	}{
		{unix.SOL_SOCKET, unix.SO_TIMESTAMPNS, 1, "ask for receive times"},
		{unix.SOL_SOCKET, unix.SO_RXQ_OVFL, 1, "ask for the count of drops"},
	} {
		if err := unix.SetsockoptInt(fd, o.level, o.name, o.value); err != nil {
			return fmt.Errorf("%s: %w", o.what, err)
		}
	}
	// Beyond what everyone may have needs a right (CAP_NET_ADMIN); without it the
	// buffer is as large as net.core.rmem_max lets it be.
	if unix.SetsockoptInt(fd, unix.SOL_SOCKET, unix.SO_RCVBUFFORCE, receiveBuffer) != nil {
		if err := unix.SetsockoptInt(fd, unix.SOL_SOCKET, unix.SO_RCVBUF, receiveBuffer); err != nil {
			return fmt.Errorf("set the buffer: %w", err)
		}
	}
	if err := unix.Bind(fd, &unix.SockaddrCAN{Ifindex: iface.Index}); err != nil {
		return fmt.Errorf("bind: %w", err)
	}
	return nil
}

// prepare points each message of one recvmmsg at its frame and its control bytes.
func (s *SocketCAN) prepare() {
	s.frames = make([]rawFrame, readAtOnce)
	s.control = make([]byte, readAtOnce*controlSize)
	s.iovs = make([]unix.Iovec, readAtOnce)
	s.msgs = make([]mmsghdr, readAtOnce)
	for i := range s.msgs {
		s.iovs[i].Base = (*byte)(unsafe.Pointer(&s.frames[i]))
		s.iovs[i].SetLen(int(frameSize))
		s.msgs[i].hdr.Iov = &s.iovs[i]
		s.msgs[i].hdr.SetIovlen(1)
		s.msgs[i].hdr.Control = &s.control[i*controlSize]
	}
}

// Read implements Source. It lets frames gather before it takes them.
func (s *SocketCAN) Read(ctx context.Context, dst []Frame) (n int, lost uint64, err error) {
	if wait := time.Until(s.next); wait > 0 {
		select {
		case <-ctx.Done():
			return 0, 0, ctx.Err()
		case <-time.After(wait):
		}
	}
	stop := context.AfterFunc(ctx, func() { _ = s.file.SetReadDeadline(time.Unix(1, 0)) })
	defer stop()
	if err := s.file.SetReadDeadline(time.Now().Add(time.Second)); err != nil {
		return 0, 0, fmt.Errorf("listen to %s: %w", s.name, err)
	}
	if ctx.Err() != nil {
		return 0, 0, ctx.Err()
	}
	most := min(len(dst), readAtOnce)
	err = s.conn.Read(func(fd uintptr) bool { return s.receive(fd, most) })
	switch {
	case ctx.Err() != nil:
		return 0, 0, ctx.Err()
	case errors.Is(err, os.ErrDeadlineExceeded):
		return 0, 0, nil
	case err != nil:
		return 0, 0, fmt.Errorf("listen to %s: %w", s.name, err)
	case s.err != nil:
		return 0, 0, s.gone(s.err)
	}
	if s.got < most { // there are no more for now
		s.next = time.Now().Add(gather)
	}
	n, lost = s.convert(dst)
	return n, lost, nil
}

func (s *SocketCAN) gone(err error) error {
	if errors.Is(err, unix.ENETDOWN) || errors.Is(err, unix.ENODEV) {
		return fmt.Errorf("listen to %s: the interface went down: set it up again with `ip link set up %s`: %w", s.name, s.name, err)
	}
	return fmt.Errorf("listen to %s: %w", s.name, err)
}

// receive takes what has gathered. It reports whether the wait is over.
func (s *SocketCAN) receive(fd uintptr, most int) bool {
	for i := range most {
		s.msgs[i].hdr.SetControllen(controlSize)
	}
	n, _, errno := unix.Syscall6(unix.SYS_RECVMMSG, fd, uintptr(unsafe.Pointer(&s.msgs[0])), uintptr(most), unix.MSG_DONTWAIT, 0, 0)
	s.got, s.err = int(n), nil
	switch errno {
	case 0:
		return true
	case unix.EAGAIN, unix.EINTR:
		s.got = 0
		return false
	}
	s.got, s.err = 0, errno
	return true
}

func (s *SocketCAN) convert(dst []Frame) (n int, lost uint64) {
	mono, wall := s.mono(), s.now().UnixNano()
	for i := range s.got {
		m := &s.msgs[i]
		at, drops, counted := s.ancillary(s.control[i*controlSize:][:m.hdr.Controllen])
		if counted {
			// The kernel tells the count only where it is not 0.
			lost += uint64(drops - s.drops)
			s.drops = drops
		}
		f := &s.frames[i]
		if uintptr(m.len) < frameSize || f.id&extendedFlag == 0 {
			continue
		}
		dst[n] = Frame{At: onMono(at, mono, wall), ID: f.id & idMask, Len: min(f.len, 8), Data: f.data}
		n++
	}
	return n, lost
}

// onMono puts a stamp of the box's clock on the monotonic axis. The box's clock
// may be set while a frame waits; no frame waits for seconds.
func onMono(at, mono, wall int64) int64 {
	age := wall - at
	if at == 0 || age < 0 || age > int64(5*time.Second) {
		return mono
	}
	return mono - age
}

// ancillary reads a frame's receive time and the socket's count of drops.
func (s *SocketCAN) ancillary(b []byte) (at int64, drops uint32, counted bool) {
	for len(b) >= unix.SizeofCmsghdr {
		h := (*unix.Cmsghdr)(unsafe.Pointer(&b[0]))
		size := int(h.Len)
		if size < unix.SizeofCmsghdr || size > len(b) {
			return at, drops, counted
		}
		data := b[unix.CmsgLen(0):size]
		if h.Level == unix.SOL_SOCKET {
			switch {
			case h.Type == unix.SCM_TIMESTAMPNS && len(data) >= int(unsafe.Sizeof(unix.Timespec{})):
				at = (*unix.Timespec)(unsafe.Pointer(&data[0])).Nano()
			case h.Type == unix.SO_RXQ_OVFL && len(data) >= 4:
				drops, counted = binary.NativeEndian.Uint32(data), true
			}
		}
		next := unix.CmsgSpace(size - unix.CmsgLen(0))
		if next > len(b) {
			return at, drops, counted
		}
		b = b[next:]
	}
	return at, drops, counted
}

// Close closes the socket.
func (s *SocketCAN) Close() error { return s.file.Close() }
