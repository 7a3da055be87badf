package main

import (
	"time"

	"github.com/hourbell/hourbell/agent/source"
)

func openCAN(name string, mono func() time.Duration) (source.Source, error) {
	return source.OpenSocketCAN(name, source.SocketCANOptions{Mono: func() int64 { return mono().Nanoseconds() }, Now: time.Now})
}
