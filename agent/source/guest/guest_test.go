package guest_test

import (
	"bytes"
	"compress/gzip"
	"context"
	"fmt"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"runtime"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	// What runs inside is built apart; a change of these is one of this test.
	_ "github.com/hourbell/hourbell/agent"
	_ "github.com/hourbell/hourbell/agent/agenttest"
	_ "github.com/hourbell/hourbell/agent/source"
	_ "github.com/hourbell/hourbell/internal/combinesim"
)

// begin is what the guest runs first.
const begin = `#!/bin/busybox sh
/bin/busybox mount -t proc proc /proc
/bin/busybox mount -t sysfs sys /sys
/bin/busybox mount -t devtmpfs dev /dev
/bin/busybox mount -t tmpfs tmp /tmp
for m in can can-dev can-raw vcan; do [ -e /$m.ko ] && /bin/busybox insmod /$m.ko; done
/bin/busybox ip link set up lo
/bin/busybox ip link add dev vcan0 type vcan
/bin/busybox ip link set up vcan0
HOME=/tmp HOURBELL_GUEST=1 /guest.test -test.v -test.run '^TestInside' -test.timeout 60s && echo GUEST-PASSED || echo GUEST-FAILED
/bin/busybox poweroff -f
`

// need skips where the machine lacks something, and fails in CI.
func need(t *testing.T, ok bool, what string) {
	t.Helper()
	switch {
	case ok:
	case os.Getenv("CI") == "true":
		t.Fatalf("%s is missing: .ci/install brings it", what)
	default:
		t.Skipf("no virtual CAN bus is tried here: %s is missing", what)
	}
}

func kernel() string {
	if dir := os.Getenv("HOURBELL_GUEST_KERNEL"); dir != "" {
		return dir
	}
	home, _ := os.UserHomeDir()
	return filepath.Join(home, ".cache", "hourbell", "guest")
}

func TestOnAVirtualBusInAGuestKernel(t *testing.T) {
	if testing.Short() {
		t.Skip("the guest boots once, in the long run")
	}
	need(t, runtime.GOARCH == "amd64" && runtime.GOOS == "linux", "a linux computer with an amd64 processor")
	qemu, err := exec.LookPath("qemu-system-x86_64")
	need(t, err == nil, "qemu-system-x86_64")
	busybox, err := exec.LookPath("busybox")
	need(t, err == nil, "busybox")
	_, err = os.Stat(filepath.Join(kernel(), "vmlinuz"))
	need(t, err == nil, "a kernel with CAN in "+kernel()+" (.ci/can-guest fetches it)")

	initrd := image(t, busybox)
	ctx, cancel := context.WithTimeout(t.Context(), 3*time.Minute)
	defer cancel()
	out, err := exec.CommandContext(ctx, qemu, "-accel", "tcg", "-m", "512", "-nographic", "-no-reboot", "-nic", "none",
		"-kernel", filepath.Join(kernel(), "vmlinuz"), "-initrd", initrd, "-append", "console=ttyS0 quiet panic=-1").CombinedOutput()
	t.Logf("%s", out)
	require.NoError(t, err)
	require.Contains(t, string(out), "GUEST-PASSED")
	require.NotContains(t, string(out), "--- SKIP")
}

// image packs this test, built static, with busybox and the modules.
func image(t *testing.T, busybox string) string {
	root := t.TempDir()
	build := exec.Command("go", "test", "-c", "-tags", "guest", "-o", filepath.Join(root, "guest.test"), ".")
	build.Env = append(os.Environ(), "CGO_ENABLED=0")
	said, err := build.CombinedOutput()
	require.NoError(t, err, "%s", said)
	for _, dir := range []string{"bin", "dev", "proc", "sys", "tmp"} {
		require.NoError(t, os.Mkdir(filepath.Join(root, dir), 0o755))
	}
	copyFile(t, busybox, filepath.Join(root, "bin", "busybox"), 0o755)
	modules, err := filepath.Glob(filepath.Join(kernel(), "*.ko"))
	require.NoError(t, err)
	for _, m := range modules {
		copyFile(t, m, filepath.Join(root, filepath.Base(m)), 0o644)
	}
	require.NoError(t, os.WriteFile(filepath.Join(root, "init"), []byte(begin), 0o755))
	return pack(t, root, busybox)
}

func copyFile(t *testing.T, from, to string, mode os.FileMode) {
	b, err := os.ReadFile(from)
	require.NoError(t, err)
	require.NoError(t, os.WriteFile(to, b, mode))
}

func pack(t *testing.T, root, busybox string) string {
	var names strings.Builder
	require.NoError(t, filepath.WalkDir(root, func(path string, _ os.DirEntry, err error) error {
		rel, _ := filepath.Rel(root, path)
		fmt.Fprintln(&names, rel)
		return err
	}))
	cpio := exec.Command(busybox, "cpio", "-o", "-H", "newc")
	cpio.Dir, cpio.Stdin = root, strings.NewReader(names.String())
	archive, err := cpio.Output()
	require.NoError(t, err)
	path := filepath.Join(t.TempDir(), "initrd.gz")
	f, err := os.Create(path)
	require.NoError(t, err)
	defer f.Close()
	z, _ := gzip.NewWriterLevel(f, gzip.BestSpeed)
	_, err = io.Copy(z, bytes.NewReader(archive))
	require.NoError(t, err)
	require.NoError(t, z.Close())
	return path
}
