package demo

import (
	"encoding/json"
	"fmt"
	"io"

	pb "github.com/hourbell/hourbell/proto/hourbell/v1"
)

// document is the summary for programs. Times are RFC 3339, running time is in
// milliseconds.
type document struct {
	Seed        uint64            `json:"seed"`
	Seconds     float64           `json:"seconds"` // that the shift took
	Machines    []machineDocument `json:"machines"`
	Differences []string          `json:"differences"`
}

type machineDocument struct {
	Machine     string            `json:"machine"`
	EngineMS    *int64            `json:"engine_ms,omitempty"`
	SeparatorMS *int64            `json:"separator_ms,omitempty"`
	Readings    int               `json:"readings"`
	Warnings    map[string]uint64 `json:"warnings"` // starts by code
	Notices     []noticeDocument  `json:"notices"`
	Events      uint64            `json:"events"`
	Same        bool              `json:"same"` // rebuilt from the journal
}

type noticeDocument struct {
	Task   string `json:"task,omitempty"`
	Doubt  string `json:"doubt,omitempty"`
	Stage  string `json:"stage"`
	Raised string `json:"raised"`
	Closed bool   `json:"closed"`
}

// print writes the document as one line of JSON.
func (d *document) print(w io.Writer) error {
	b, err := json.Marshal(d)
	if err != nil {
		return fmt.Errorf("print the summary: %w", err)
	}
	_, err = w.Write(append(b, '\n'))
	return err
}

func (f *facts) document() machineDocument {
	d := machineDocument{Machine: f.machine.Name, Readings: len(f.readings), Warnings: map[string]uint64{}, Notices: []noticeDocument{},
		Events: f.rebuilt.GetRevision(), Same: f.rebuilt.GetSame()}
	if m := f.meter(engine); m != nil {
		d.EngineMS = m.TotalMs
	}
	if m := f.meter(separator); m != nil {
		d.SeparatorMS = m.TotalMs
	}
	for _, c := range f.counts {
		d.Warnings[c.Code.GetCode()] += c.Starts
	}
	for _, n := range f.notices {
		d.Notices = append(d.Notices, noticeOf(n))
	}
	return d
}

func noticeOf(n *pb.Notice) noticeDocument {
	return noticeDocument{Task: n.Task, Doubt: n.Doubt, Stage: stageWord(int(n.Stage)), Raised: latest(n.RaisedMoment).Format("2006-01-02T15:04:05.000Z07:00"), Closed: n.Closed}
}
