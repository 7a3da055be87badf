package bench

import (
	"encoding/json"
	"fmt"
	"io"
	"strings"
	"text/tabwriter"
)

// Result is all that was measured. Events per second are medians of the rounds.
type Result struct {
	Version    string `json:"version"`
	Processors int    `json:"processors"`
	Rounds     int    `json:"rounds"`
	Paths      []Path `json:"paths"`
	Disk       Disk   `json:"disk"`
	Idle       Idle   `json:"idle"`
	Bus        Bus    `json:"bus"`
	Days       []Day  `json:"days"`
}

// Path is one load on the whole path.
type Path struct {
	Streams int  `json:"streams"`
	Batch   int  `json:"events_a_message"`
	Gzip    bool `json:"gzip"`
	// Events acknowledged in all rounds.
	Events uint64 `json:"events"`
	// PerSecond is events acknowledged, and so synced, a second.
	PerSecond float64 `json:"events_per_second"`
	// Service is the service's processor seconds for a million events up to the
	// acknowledgement, with what is folded meanwhile; Folded is with all of them
	// folded.
	Service float64 `json:"service_processor_seconds_per_million"`
	Folded  float64 `json:"service_processor_seconds_per_million_folded"`
	// ACommit is events in one append and sync.
	ACommit float64 `json:"events_a_commit"`
	// Floor is events a second that reach a plain file in group commits, Ratio is
	// PerSecond over it.
	Floor float64 `json:"floor_events_per_second"`
	Ratio float64 `json:"ratio_to_floor"`
	// Payload is bytes of an event as the agent wrote it, Journal those in the
	// journal as written.
	Payload float64 `json:"payload_bytes_per_event"`
	Journal float64 `json:"journal_bytes_per_event"`
}

// Disk is bytes an event over all loads.
type Disk struct {
	Events  uint64  `json:"events"`
	Journal float64 `json:"journal_bytes_per_event"`
	// Packed is the journal's bytes an event in segments that were sealed and
	// compressed, absent where none was full.
	Packed *float64 `json:"journal_bytes_per_event_compressed,omitempty"`
	// Folds is what the folds hold of it, compressed.
	Folds float64 `json:"folds_bytes_per_event"`
}

// Idle is memory of machines that say nothing.
type Idle struct {
	Machines int `json:"machines"`
	// Known is resident bytes of the service for a machine with its chart in force
	// and no connection, Connected for its connection; Live is of these what the
	// program itself accounts for, heap and stacks.
	Known         float64 `json:"bytes_per_machine_known"`
	Connected     float64 `json:"bytes_per_machine_connected"`
	ConnectedLive float64 `json:"bytes_per_machine_connected_live"`
	// Handshake is processor milliseconds of the service for a connection, from
	// dialled to welcomed and its cab's copy sent.
	Handshake float64 `json:"processor_milliseconds_per_connect"`
}

// Bus is what hearing a full 500 kbit/s bus costs an agent: frames to events. What
// the kernel takes to hand them over is not in it.
type Bus struct {
	FramesPerSecond float64 `json:"frames_per_second"`
	Nanoseconds     float64 `json:"nanoseconds_per_frame"`
	CorePercent     float64 `json:"core_percent"`
	// Allocated is bytes a frame.
	Allocated float64 `json:"bytes_allocated_per_frame"`
}

// Day is a day of an agent's own connection, from the dialling on. Bytes are what
// TCP carries: TLS records and all in them.
type Day struct {
	Load     string `json:"load"`
	Events   uint64 `json:"events"`
	Readings uint64 `json:"readings"`
	Messages int    `json:"messages"`
	Up       int64  `json:"bytes_up"`
	Down     int64  `json:"bytes_down"`
	// Pings is reckoned: what the service's keepalive adds in a day that passes at
	// life's pace, both ways.
	Pings int64 `json:"bytes_of_keepalive"`
	// Segments is TCP segments seen both ways; each takes 40 bytes of TCP/IP headers
	// and more, and so do bare acknowledgements.
	Segments int64 `json:"segments"`
	Total    int64 `json:"bytes"`
}

func (r *Result) writeJSON(w io.Writer) error {
	e := json.NewEncoder(w)
	e.SetIndent("", "  ")
	return e.Encode(r)
}

func (r *Result) writeTables(w io.Writer) error {
	var b strings.Builder
	r.paths(&b)
	r.rest(&b)
	_, err := io.WriteString(w, b.String())
	return err
}

func (r *Result) paths(b *strings.Builder) {
	t := tabwriter.NewWriter(b, 0, 0, 2, ' ', tabwriter.AlignRight)
	fmt.Fprintln(t, "streams\tevents a message\tevents/s\tservice s/million\tall folded\tevents a commit\tfloor events/s\tpath/floor\tbytes in\tjournal bytes\t")
	for _, p := range r.Paths {
		size := fmt.Sprint(p.Batch)
		if p.Gzip {
			size += " gzip"
		}
		fmt.Fprintf(t, "%d\t%s\t%s\t%.2f\t%.2f\t%.0f\t%s\t%.3f\t%.1f\t%.1f\t\n", p.Streams, size, grouped(p.PerSecond), p.Service, p.Folded, p.ACommit, grouped(p.Floor), p.Ratio, p.Payload, p.Journal)
	}
	_ = t.Flush() // into memory
	fmt.Fprintf(b, `
Events acknowledged and synced a second, medians of %d rounds on %d processors, which the load shares. The
service's processor seconds are for a million events, up to the acknowledgement and until all are folded.
The floor is the same events from as many senders, group-committed into a plain file in the same folder.
`, r.Rounds, r.Processors)
}

func (r *Result) rest(b *strings.Builder) {
	fmt.Fprintf(b, "\nOn disk    %.1f bytes an event in the journal as written", r.Disk.Journal)
	if r.Disk.Packed != nil {
		fmt.Fprintf(b, ", %.1f in sealed segments once compressed", *r.Disk.Packed)
	}
	fmt.Fprintf(b, "; %.1f in the folds\n", r.Disk.Folds)
	fmt.Fprintf(b, "Idle       %.0f kB of the service a machine connected (%.0f kB of it live), %.0f kB one known; %.1f ms of processor a connect; %d machines\n",
		r.Idle.Connected/1e3, r.Idle.ConnectedLive/1e3, r.Idle.Known/1e3, r.Idle.Handshake, r.Idle.Machines)
	fmt.Fprintf(b, "Full bus   %.0f ns a frame, %.0f frames/s: %.2f %% of a core from frames to events, %.1f bytes allocated a frame\n",
		r.Bus.Nanoseconds, r.Bus.FramesPerSecond, r.Bus.CorePercent, r.Bus.Allocated)
	for i, d := range r.Days {
		name := "A day      "
		if i > 0 {
			name = "           "
		}
		fmt.Fprintf(b, "%s%s: %.0f kB on the link (%.1f up, %.1f down, %.1f of keepalive), %d events, %d of them readings, in %d messages\n",
			name, d.Load, float64(d.Total)/1e3, float64(d.Up)/1e3, float64(d.Down)/1e3, float64(d.Pings)/1e3, d.Events, d.Readings, d.Messages)
	}
	fmt.Fprintln(b, "           TLS and all in it, the handshake too; TCP/IP headers come on top, 40 bytes or more a segment")
}

// grouped writes a whole number with a blank between thousands.
func grouped(v float64) string {
	s := fmt.Sprintf("%.0f", v)
	for i := len(s) - 3; i > 0; i -= 3 {
		s = s[:i] + " " + s[i:]
	}
	return s
}
