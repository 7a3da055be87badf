//go:build !linux

package main

import (
	"fmt"
	"time"

	"github.com/hourbell/hourbell/agent/source"
)

func openCAN(name string, _ func() time.Duration) (source.Source, error) {
	return nil, fmt.Errorf("listen to %s: only Linux has CAN interfaces: read a recording with --recording", name)
}
