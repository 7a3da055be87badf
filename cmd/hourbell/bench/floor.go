package bench

import (
	"errors"
	"os"
	"path/filepath"
	"time"

	"golang.org/x/sys/unix"

	"github.com/hourbell/hourbell/agent/listen"
	"github.com/hourbell/hourbell/internal/combinesim"
)

// floor writes as many bytes as the journal took to a plain file in the same
// folder, in as many appends, each synced.
func (p *PathResult) floor(dir string) error {
	path := filepath.Join(dir, "floor")
	f, err := os.Create(path)
	if err != nil {
		return err
	}
	defer os.Remove(path)
	commits := int(max(1, p.Commits))
	buf := make([]byte, max(1, int(p.JournalBytes*float64(p.Events))/commits))
	for i := range buf {
		buf[i] = byte(i*31 + i>>8)
	}
	begun := time.Now()
	for range commits {
		if _, err := f.Write(buf); err != nil {
			return errors.Join(err, f.Close())
		}
		if err := unix.Fdatasync(int(f.Fd())); err != nil {
			return errors.Join(err, f.Close())
		}
	}
	p.FloorPerSecond = float64(p.Events) / since(begun)
	p.Ratio = p.PerSecond / p.FloorPerSecond
	return f.Close()
}

// Bus is what listening to a full 500 kbit/s bus costs.
type Bus struct {
	FramesPerSecond float64 `json:"frames_per_second"`
	Nanoseconds     float64 `json:"nanoseconds_per_frame"`
	CorePercent     float64 `json:"core_percent"`
}

// listenToBus puts a minute or more of a full bus through the agent's listener.
func listenToBus(scale float64) (Bus, error) {
	start := time.Date(2031, 7, 2, 7, 0, 0, 0, time.UTC)
	story := combinesim.Crew(start, 1)[0]
	story.Machine.Rates = combinesim.FullBus()
	m, err := combinesim.New(story.Machine)
	if err != nil {
		return Bus{}, err
	}
	// The machine is at work a while after the key was turned.
	from := start.Add(30 * time.Minute)
	m.Run(from, func(combinesim.Frame) {})
	length := time.Duration(max(2, 60*scale) * float64(time.Second))
	frames := m.Append(nil, from.Add(length))
	ear, err := listen.New(listen.Options{})
	if err != nil {
		return Bus{}, err
	}
	var events []listen.Event
	begun := time.Now()
	for i := range frames {
		f := &frames[i]
		ear.Push(f.AtNS, f.ID, f.Data[:f.Len])
		if i%200 == 0 {
			ear.Tick(f.AtNS)
			events = ear.Take(events[:0])
		}
	}
	took := since(begun)
	b := Bus{FramesPerSecond: float64(len(frames)) / length.Seconds(), Nanoseconds: took * 1e9 / float64(len(frames))}
	b.CorePercent = b.FramesPerSecond * b.Nanoseconds / 1e9 * 100
	return b, nil
}
