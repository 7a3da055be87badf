//go:build !unix

package seglog

import (
	"errors"
	"os"
)

func lockFile(*os.File) error {
	return errors.New("file locks are not supported on this system; run on Linux or another Unix")
}
