package notify

import (
	"fmt"

	"github.com/hourbell/hourbell/internal/maintenance"
)

// Text says in one line what a notice is about, for people.
func Text(s *maintenance.State, n *maintenance.Notice) string {
	machine := s.Machine.Display
	if machine == "" {
		machine = s.Machine.Machine
	}
	if n.Task == "" {
		for i := range s.Doubts {
			if s.Doubts[i].Key == n.Doubt {
				return machine + ": " + s.Doubts[i].What
			}
		}
		return machine + ": a reading is doubted"
	}
	return fmt.Sprintf("%s: %s %s", machine, TaskText(s.Chart, n.Task), stageText(n.Stage))
}

// TaskText is what people call a task: the round's name first, where it is part
// of one.
func TaskText(c *maintenance.Chart, id string) string {
	if c == nil {
		return id
	}
	for i := range c.Tasks {
		t := &c.Tasks[i]
		if t.ID != id {
			continue
		}
		text := t.Call
		if text == "" {
			text = t.Do + " " + t.Point
		}
		if call := roundCall(c, t.Round); call != "" {
			return call + ", " + text
		}
		return text
	}
	return id
}

// StageWord gives a notice's stage as a word, doubt where it is about one.
func StageWord(n *maintenance.Notice) string {
	if n.Task == "" {
		return "doubt"
	}
	switch n.Stage {
	case maintenance.StageSoon:
		return "soon"
	case maintenance.StageDue:
		return "due"
	case maintenance.StageOverdue:
		return "overdue"
	}
	return "unknown"
}

func stageText(s maintenance.Stage) string {
	switch s {
	case maintenance.StageSoon:
		return "is due soon"
	case maintenance.StageOverdue:
		return "is overdue"
	}
	return "is due"
}

func roundCall(c *maintenance.Chart, id string) string {
	for i := range c.Rounds {
		if c.Rounds[i].ID == id && id != "" {
			return c.Rounds[i].Call
		}
	}
	return ""
}
