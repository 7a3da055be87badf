// Package decode prints what a recording of a bus says, value by value, so that
// it can be held against any other decoder.
package decode

import (
	"bufio"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"math/big"
	"strconv"
	"strings"
	"time"

	"github.com/hourbell/hourbell/agent/listen"
	"github.com/hourbell/hourbell/agent/source"
	"github.com/hourbell/hourbell/internal/j1939"
	"github.com/hourbell/hourbell/internal/maintenance"
)

// Options says what is printed, and how.
type Options struct {
	// Chart adds a kind of machine's own signals and its packings of codes.
	Chart *maintenance.Chart
	// JSON prints one object a line, otherwise text for people.
	JSON bool
}

// Summary counts what was decoded.
type Summary struct {
	Frames, Lost  uint64
	Values, Codes uint64
	Groups        int
	FirstNs       int64
	LastNs        int64
}

// line is one value in the JSON form. Keys that don't apply are left out.
type line struct {
	Time      string   `json:"time"`
	Kind      string   `json:"kind"`
	Group     uint32   `json:"group"`
	GroupName string   `json:"group_name,omitempty"`
	Source    uint8    `json:"source"`
	SPN       *uint32  `json:"spn,omitempty"`
	Name      string   `json:"name,omitempty"`
	Raw       *int64   `json:"raw,omitempty"`
	Value     number   `json:"value,omitempty"`
	Unit      string   `json:"unit,omitempty"`
	State     string   `json:"state,omitempty"`
	Text      []string `json:"text,omitempty"`

	FMI        *uint8            `json:"fmi,omitempty"`
	Count      *uint8            `json:"occurrences,omitempty"`
	Conversion string            `json:"conversion,omitempty"`
	Bytes      string            `json:"bytes,omitempty"`
	Lamps      map[string]string `json:"lamps,omitempty"`
	Phase      string            `json:"phase,omitempty"`
	Element    *uint16           `json:"element,omitempty"`
	Entry      *uint16           `json:"entry,omitempty"`
}

// number is an exact decimal that JSON carries as a number.
type number string

// MarshalJSON writes the digits as they are.
func (n number) MarshalJSON() ([]byte, error) { return []byte(n), nil }

type printer struct {
	bus     *j1939.Bus
	signals []maintenance.SignalDef
	json    *json.Encoder
	text    *bufio.Writer
	groups  map[j1939.Group]bool
	sum     Summary
	err     error
}

// Run decodes all that src gives and prints it to w.
func Run(ctx context.Context, src source.Source, w io.Writer, opts Options) (Summary, error) {
	p, err := newPrinter(w, opts)
	if err != nil {
		return Summary{}, err
	}
	buf := make([]source.Frame, 512)
	for {
		n, lost, err := src.Read(ctx, buf)
		p.sum.Lost += lost
		for i := range buf[:n] {
			p.frame(&buf[i])
		}
		if p.err != nil {
			return p.sum, fmt.Errorf("print: %w", p.err)
		}
		if errors.Is(err, source.ErrEnd) {
			break
		}
		if err != nil {
			return p.sum, err
		}
	}
	p.report(p.sum.LastNs, p.bus.Tick(p.sum.LastNs))
	p.sum.Groups = len(p.groups)
	return p.sum, errors.Join(p.err, p.text.Flush())
}

func newPrinter(w io.Writer, opts Options) (*printer, error) {
	p := &printer{text: bufio.NewWriter(w), groups: map[j1939.Group]bool{}}
	busOpts := j1939.Options{}
	if opts.Chart != nil {
		signals, conversions, err := listen.Compile(opts.Chart)
		if err != nil {
			return nil, fmt.Errorf("decode by chart %s: %w", opts.Chart.ID, err)
		}
		busOpts.Signals, busOpts.Conversions = signals, conversions
		p.signals = opts.Chart.Signals
	}
	var err error
	if p.bus, err = j1939.NewBus(busOpts); err != nil {
		return nil, err
	}
	if opts.JSON {
		p.json = json.NewEncoder(p.text)
		p.json.SetEscapeHTML(false)
	}
	return p, nil
}

func (p *printer) frame(f *source.Frame) {
	if p.sum.Frames == 0 {
		p.sum.FirstNs = f.At
	}
	p.sum.Frames++
	p.sum.LastNs = f.At
	p.groups[j1939.SplitID(f.ID).Group] = true
	p.report(f.At, p.bus.Push(f.At, f.ID, f.Payload()))
}

func (p *printer) report(at int64, r *j1939.Report) {
	for i := range r.Values {
		p.value(at, r, &r.Values[i])
	}
	for i := range r.Signals {
		p.signal(at, r, &r.Signals[i])
	}
	if r.Process != nil {
		p.process(at, r.Process)
	}
	if r.Identity != nil {
		p.identity(at, r)
	}
	for _, c := range r.Claims {
		p.put(line{Time: stamp(c.At), Kind: "claim", Group: uint32(j1939.GroupAddressClaim), Source: uint8(c.Source),
			Name: fmt.Sprintf("%016X", uint64(c.Name)), State: c.Outcome.String()})
	}
	if r.Codes != nil {
		p.codes(at, r.Codes)
	}
	for i := range r.Events {
		p.event(&r.Events[i])
	}
	for _, b := range r.Broken {
		p.put(line{Time: stamp(b.At), Kind: "broken", Group: uint32(b.ID.Group), Source: uint8(b.ID.Source), State: b.Reason.String()})
	}
	if r.Request != nil && r.Request.Clears() {
		p.put(line{Time: stamp(at), Kind: "clear", Group: uint32(r.Request.Group), Source: uint8(r.Request.From), Name: "codes cleared by a service tool"})
	}
}

func (p *printer) value(at int64, r *j1939.Report, v *j1939.Value) {
	p.sum.Values++
	l := line{Time: stamp(at), Kind: "value", Group: uint32(v.Param.Group), GroupName: j1939.GroupName(v.Param.Group), Source: uint8(r.Message.ID.Source),
		SPN: &v.Param.SPN, Name: v.Param.Name, Raw: new(int64(v.Raw)), Unit: v.Param.Unit, State: v.State.String()}
	if v.State == j1939.StateOK {
		l.Value = exact(v.Param.Linear, int64(v.Raw))
	}
	p.put(l)
}

func (p *printer) signal(at int64, r *j1939.Report, v *j1939.SignalValue) {
	p.sum.Values++
	def := p.signals[v.Signal]
	l := line{Time: stamp(at), Kind: "signal", Group: uint32(r.Message.ID.Group), Source: uint8(r.Message.ID.Source), Name: def.ID, Raw: &v.Raw,
		Unit: def.Unit, State: v.State.String()}
	if v.State == j1939.StateOK {
		value := big.NewRat(def.ScaleNum, def.ScaleDen)
		value.Mul(value, new(big.Rat).SetInt64(v.Raw))
		l.Value = decimal(value.Add(value, big.NewRat(def.OffsetNum, def.OffsetDen)))
	}
	p.put(l)
}

func (p *printer) process(at int64, v *j1939.ProcessValue) {
	l := line{Time: stamp(at), Kind: "process", Group: uint32(j1939.GroupProcessData), Source: uint8(v.Source), Raw: new(int64(v.Raw)), Element: &v.Element, Entry: &v.Entry}
	if v.Known != nil {
		l.Name, l.Unit, l.State, l.Value = v.Known.Name, v.Known.Unit, j1939.StateOK.String(), exact(v.Known.Linear, int64(v.Raw))
	}
	p.put(l)
}

func (p *printer) identity(at int64, r *j1939.Report) {
	l := line{Time: stamp(at), Kind: "identity", Group: uint32(r.Message.ID.Group), GroupName: j1939.GroupName(r.Message.ID.Group),
		Source: uint8(r.Message.ID.Source), Name: r.Identity.Kind.String()}
	for i := range r.Identity.Len() {
		l.Text = append(l.Text, r.Identity.Text(i))
	}
	p.put(l)
}

func (p *printer) codes(at int64, c *j1939.Codes) {
	head := line{Time: stamp(at), Kind: "codes", Group: uint32(c.Group), GroupName: j1939.GroupName(c.Group), Source: uint8(c.Source), Lamps: lamps(c.Lamps)}
	if len(c.List) == 0 {
		head.State = "none"
		p.put(head)
		return
	}
	for i := range c.List {
		p.sum.Codes++
		code := &c.List[i]
		l := head
		l.Kind, l.FMI, l.Count, l.Bytes = "code", &code.FMI, &code.Count, fmt.Sprintf("%X", code.Raw[:])
		l.Conversion = conversion(code)
		if !code.Ambiguous {
			l.SPN, l.Name = &code.SPN, j1939.ModeText(code.FMI)
		}
		p.put(l)
	}
}

func conversion(c *j1939.Code) string {
	switch {
	case c.Ambiguous:
		return "ambiguous"
	case c.Old:
		return strconv.Itoa(int(c.Conversion))
	}
	return "0"
}

func (p *printer) event(e *j1939.CodeEvent) {
	l := line{Time: stamp(e.At), Kind: "warning", Group: uint32(j1939.GroupActiveCodes), GroupName: j1939.GroupName(j1939.GroupActiveCodes), Source: uint8(e.Address), FMI: &e.Key.FMI, Phase: e.Kind.String(), Lamps: lamps(e.Lamps)}
	if e.Key.Ambiguous() {
		l.Conversion, l.Bytes = "ambiguous", fmt.Sprintf("%X", e.Raw[:])
	} else {
		l.SPN, l.Name = &e.Key.SPN, j1939.ModeText(e.Key.FMI)
	}
	p.put(l)
}

func lamps(l j1939.Lamps) map[string]string {
	return map[string]string{"malfunction": l.Malfunction.String(), "stop": l.Stop.String(), "warning": l.Warning.String(), "protect": l.Protect.String()}
}

func (p *printer) put(l line) {
	if p.err != nil {
		return
	}
	if p.json != nil {
		p.err = p.json.Encode(l)
		return
	}
	_, p.err = fmt.Fprintln(p.text, l.text())
}

// text is one line for people.
func (l *line) text() string {
	var b strings.Builder
	fmt.Fprintf(&b, "%s  %5d %-6s from %3d  ", l.Time, l.Group, l.GroupName, l.Source)
	if l.Kind != "value" && l.Kind != "signal" {
		fmt.Fprintf(&b, "%s ", l.Kind)
	}
	if l.SPN != nil {
		fmt.Fprintf(&b, "%d ", *l.SPN)
	}
	if l.FMI != nil {
		fmt.Fprintf(&b, "fmi %d ", *l.FMI)
	}
	if l.Name != "" {
		fmt.Fprintf(&b, "%s ", l.Name)
	}
	if l.Phase != "" {
		fmt.Fprintf(&b, "%s ", l.Phase)
	}
	if l.Value != "" {
		fmt.Fprintf(&b, "%s ", strings.TrimRight(string(l.Value)+" "+l.Unit, " "))
	}
	if l.State != "" && l.State != j1939.StateOK.String() {
		fmt.Fprintf(&b, "%s ", l.State)
	}
	for _, t := range l.Text {
		fmt.Fprintf(&b, "%q ", t)
	}
	l.codeText(&b)
	return strings.TrimRight(b.String(), " ")
}

func (l *line) codeText(b *strings.Builder) {
	if l.Count != nil {
		fmt.Fprintf(b, "count %d conversion %s bytes %s ", *l.Count, l.Conversion, l.Bytes)
	}
	for _, name := range []string{"stop", "warning", "protect", "malfunction"} {
		if s := l.Lamps[name]; s != "" && s != "off" {
			fmt.Fprintf(b, "[%s lamp %s] ", name, s)
		}
	}
}

func stamp(ns int64) string { return time.Unix(0, ns).UTC().Format("2006-01-02T15:04:05.000000Z") }

// exact is (raw x Num + Off) / Den in decimal digits.
func exact(l j1939.Linear, raw int64) number {
	n := new(big.Int).Mul(big.NewInt(raw), big.NewInt(l.Num))
	n.Add(n, big.NewInt(l.Off))
	return decimal(new(big.Rat).SetFrac(n, big.NewInt(l.Den)))
}

// decimal writes a rational number without loss where it ends within 12
// digits, as all scales of the standard do.
func decimal(r *big.Rat) number {
	if r.IsInt() {
		return number(r.Num().String())
	}
	return number(strings.TrimRight(r.FloatString(12), "0"))
}
