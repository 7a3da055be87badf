package seglog

import (
	"errors"
	"os"
	"runtime"

	"golang.org/x/sys/unix"
)

// syncData flushes data and size but not the times. EINTR is no verdict on the
// data, so it alone is tried again, as os.File.Sync does.
func syncData(f *os.File) error {
	for {
		err := unix.Fdatasync(int(f.Fd()))
		runtime.KeepAlive(f)
		if !errors.Is(err, unix.EINTR) {
			return err
		}
	}
}
