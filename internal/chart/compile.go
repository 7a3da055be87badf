package chart

import (
	"fmt"
	"slices"
	"strings"

	"go.yaml.in/yaml/v4"

	"github.com/hourbell/hourbell/internal/j1939"
	"github.com/hourbell/hourbell/internal/maintenance"
	"github.com/hourbell/hourbell/internal/maintenance/hours"
)

// Compile reads a chart. Name is the file's name as mistakes are to show it. A
// chart with any mistake gives no chart, but Errors with all of them; no other
// type of error is returned.
func Compile(name string, src []byte) (*maintenance.Chart, error) {
	doc, err := Read(name, src)
	if err != nil {
		return nil, err
	}
	return doc.Chart, nil
}

// Document is a chart file: the compiled chart, and what it says to people only.
type Document struct {
	Chart *maintenance.Chart
	Basis Basis
}

// Basis says where a chart's figures come from, "" where the file does not say.
type Basis struct {
	Book  string // the maker's book
	Decal string // the plate on the machine
	Shop  string // the workshop's own practice
	Owner string // what the owner wants
}

// Read reads a chart with what the compiled chart does not hold. Its mistakes
// are those of Compile.
func Read(name string, src []byte) (*Document, error) {
	rep := &report{file: name}
	root := parse(rep, src)
	if root != nil && holdsDifferences(root) {
		rep.add(root, "", "the file holds only what differs from another chart", "a whole chart", "it is read over that chart, which has to be there")
		root = nil
	}
	return readRoot(rep, root, "")
}

// readRoot reads a chart from its root, nil where there is none.
func readRoot(rep *report, root *yaml.Node, machine string) (*Document, error) {
	c := &compiler{rep: rep, chart: &maintenance.Chart{Exception: machine}}
	var basis Basis
	if root != nil {
		language := language()
		r := &reader{rep: rep, language: language}
		v := r.read(&shape{kind: kindObject, object: language}, root, nil)
		if v != nil {
			r.resolve(v)
			c.defs = r.defs
			c.compile(v)
			basis = readBasis(v.get("basis"))
		}
	}
	if len(rep.list) == 0 {
		// The domain's own conditions. The checks above are stricter, so this
		// catches only what they should have.
		if err := c.chart.Check(); err != nil {
			rep.addAt(0, 0, "", err.Error(), "", "")
		}
		if n := len(maintenance.AppendChart(nil, c.chart)); n > maxCompiled {
			rep.addAt(0, 0, "", fmt.Sprintf("the compiled chart has %d bytes", n), fmt.Sprintf("at most %d", maxCompiled), "a chart is for one kind of machine: make one file for each")
		}
	}
	if err := rep.err(); err != nil {
		return nil, err
	}
	return &Document{Chart: c.chart, Basis: basis}, nil
}

func readBasis(v *value) Basis {
	text := func(name string) string {
		b := v.get(name)
		if b.has("text") {
			return b.str("text")
		}
		return v.str(name)
	}
	return Basis{Book: text("book"), Decal: text("decal"), Shop: text("shop"), Owner: text("owner")}
}

// compiler turns what the file says into the domain's chart, and reports what
// the table of fields can't tell: what does not agree with something else.
type compiler struct {
	rep   *report
	chart *maintenance.Chart
	root  *value
	defs  *definitions
	units map[string]string // of signals, by id

	asked map[string]*maintenance.TraitDef // traits and conditions, by name
	parts map[string]*value                // by point
	doses []dosed
	from  []*value // what each task was made of, in the order of the chart's tasks
}

// dosed is an amount with its structure, which is kept in charts of the second
// encoding only.
type dosed struct {
	task int
	dose maintenance.DoseDef
	more bool // it says what only that encoding can
}

// bad reports a mistake at a value; one without a value is the whole file's.
func (c *compiler) bad(v *value, what, want, fix string) {
	if v == nil {
		v = c.root
	}
	c.rep.add(v.node, v.place.String(), what, want, fix)
}

func (c *compiler) compile(root *value) {
	c.root = root
	c.chart.ID = root.str("chart")
	c.chart.Edition = uint32(root.whole("edition", 0))
	c.questions(root)
	c.signals(root)
	c.meters(root)
	c.codes(root)
	c.conversions(root)
	c.drives(root)
	for _, e := range root.entries("rounds") {
		c.chart.Rounds = append(c.chart.Rounds, maintenance.RoundDef{
			ID: e.key.text, Call: e.value.str("call"), Minutes: uint32(e.value.whole("minutes", 0)),
		})
	}
	for _, e := range root.entries("cautions") {
		if e.value != nil {
			c.chart.Cautions = append(c.chart.Cautions, maintenance.CautionDef{ID: e.key.text, Text: e.value.text})
		}
	}
	c.happenings(root)
	c.materials(root)
	c.walks(root)
	c.points(root)
	c.agree()
	c.leads(root)
	c.settings(root)
	c.newWords(root)
}

// --- the bus ---

func (c *compiler) signals(root *value) {
	c.units = make(map[string]string)
	for _, e := range root.entries("signals") {
		if e.value == nil {
			continue
		}
		def := signalDef(e.key.text, e.value)
		c.units[def.ID] = def.Unit
		if c.signal(e.value, def) {
			c.tests(e.value, def)
		}
		c.chart.Signals = append(c.chart.Signals, def)
	}
}

func signalDef(id string, v *value) maintenance.SignalDef {
	scale, offset := v.ratio("scale", rational{1, 1}), v.ratio("offset", rational{0, 1})
	big := v.str("order") == "big"
	return maintenance.SignalDef{
		ID:        id,
		Group:     uint32(v.whole("group", 0)),
		Source:    int16(v.whole("source", int64(maintenance.AnySource))),
		Byte:      uint16(v.whole("byte", 0)),
		Bit:       uint8(v.whole("bit", int64(usualBit(big)))),
		Bits:      uint8(v.whole("bits", 0)),
		BigEndian: big,
		Signed:    v.whole("signed", 0) == 1,
		ScaleNum:  scale.num,
		ScaleDen:  scale.den,
		OffsetNum: offset.num,
		OffsetDen: offset.den,
		Unit:      v.str("unit"),
	}
}

// usualBit is the bit at which a signal of whole bytes starts: the lowest of the
// low byte, or the highest of the high one.
func usualBit(bigEndian bool) uint8 {
	if bigEndian {
		return 8
	}
	return 1
}

// signal checks a map, and reports whether it is good enough to be tested.
func (c *compiler) signal(v *value, def maintenance.SignalDef) bool {
	for name := range v.keys {
		if name != "test" && !v.has(name) {
			return false // a field is not understood, and that is told
		}
	}
	if !v.has("group") || !v.has("byte") || !v.has("bits") {
		return false
	}
	if last := lastByte(def); last > j1939.MaxMessage {
		c.bad(v.get("bits"), fmt.Sprintf("the signal would reach byte %d", last), fmt.Sprintf("byte %d at most, the end of the longest message", j1939.MaxMessage), "")
		return false
	}
	if s := v.get("scale"); s != nil && s.rat.num == 0 {
		c.bad(s, "a scale of 0 makes every value the same", "the worth of one bit", "")
		return false
	}
	if !c.group(v.get("group")) {
		return false
	}
	if err := busSignal(def).Validate(); err != nil {
		c.bad(v, strings.ReplaceAll(err.Error(), "\n", "; "), "", "")
		return false
	}
	return true
}

// group holds a group's number to the rule of the identifier: where the format
// byte is below 240 the low byte is a destination and no part of the number.
func (c *compiler) group(v *value) bool {
	if format := v.num >> 8 & 0xFF; format < 240 && v.num&0xFF != 0 {
		c.bad(v, fmt.Sprintf("group %d can't be: its low byte is a destination", v.num), "a number that ends in 00 in hexadecimal digits, or one with F0 to FF before them",
			fmt.Sprintf("write %d", v.num&^0xFF))
		return false
	}
	return true
}

// hourParameters lists the parameters that are hour meters, by the decoder's
// table: totals in hours. (The hours of a clock have fewer bits.)
func hourParameters() []j1939.Parameter {
	const totalBits = 32
	var found []j1939.Parameter
	for p := range j1939.Parameters() {
		if p.Unit == "h" && p.Bits == totalBits {
			found = append(found, p)
		}
	}
	return found
}

func (c *compiler) meters(root *value) {
	for _, e := range root.entries("meters") {
		if e.value == nil {
			continue
		}
		v := e.value
		def := maintenance.MeterDef{ID: e.key.text, Source: maintenance.AnySource, Of: v.str("of")}
		switch {
		case v.keyed("group"):
			c.broadcast(v, &def)
		case v.keyed("derive"):
			c.derived(v, &def)
		default:
			def.Kind, def.SetFrom = maintenance.MeterPerson, v.str("read_off")
			def.Resolution = hours.Millis(v.whole("resolution_h", msPerHour/10))
		}
		c.chart.Meters = append(c.chart.Meters, def)
	}
}

func (c *compiler) broadcast(v *value, def *maintenance.MeterDef) {
	def.Kind = maintenance.MeterBroadcast
	def.Source = int16(v.whole("source", int64(maintenance.AnySource)))
	def.Resolution = hours.Millis(v.whole("resolution_h", msPerHour/20))
	g := v.get("group")
	if g == nil {
		return
	}
	def.Group = uint32(g.num)
	all := hourParameters()
	inGroup := slices.DeleteFunc(slices.Clone(all), func(p j1939.Parameter) bool { return uint32(p.Group) != def.Group })
	if len(inGroup) == 0 {
		c.bad(g, fmt.Sprintf("group %d carries no hours that are understood", g.num), wantHours(all, true), "")
		return
	}
	def.SPN = uint32(v.whole("spn", int64(inGroup[0].SPN)))
	if !slices.ContainsFunc(inGroup, func(p j1939.Parameter) bool { return p.SPN == def.SPN }) {
		c.bad(v.get("spn"), fmt.Sprintf("group %d has no hours in SPN %d", g.num, def.SPN), wantHours(inGroup, false), "")
	}
}

// wantHours lists hour meters with their groups' or their own numbers.
func wantHours(meters []j1939.Parameter, groups bool) string {
	var words []string
	for _, p := range meters {
		n := p.SPN
		if groups {
			n = uint32(p.Group)
		}
		words = append(words, fmt.Sprintf("%d (%s)", n, p.Name))
	}
	return list(words, "or")
}

func (c *compiler) derived(v *value, def *maintenance.MeterDef) {
	rule := v.get("derive")
	def.Kind = maintenance.MeterDerived
	def.Resolution = hours.Millis(v.whole("resolution_h", msPerHour/100))
	def.Signal = rule.str("signal")
	def.Above = rule.whole("above", 0)
	def.Hold = hours.Millis(rule.whole("for_s", 0))
	def.SetFrom = v.str("set_from")
}

func (c *compiler) codes(root *value) {
	type key struct {
		spn    uint32
		fmi    uint8
		any    bool
		source int16
	}
	first := make(map[key]string)
	for _, e := range root.entries("codes") {
		v := e.value
		if v == nil || !v.has("spn") {
			continue
		}
		def := maintenance.CodeDef{
			ID: e.key.text, SPN: uint32(v.whole("spn", 0)),
			FMI: uint8(v.whole("fmi", 0)), AnyFMI: !v.keyed("fmi"),
			Source: int16(v.whole("source", int64(maintenance.AnySource))), Text: v.str("text"),
		}
		k := key{def.SPN, def.FMI, def.AnyFMI, def.Source}
		if other, ok := first[k]; ok {
			c.bad(e.key, fmt.Sprintf("%s is the same code as %s", def.ID, other), "another spn, fmi or source", "keep one of them")
			continue
		}
		first[k] = def.ID
		c.chart.Codes = append(c.chart.Codes, def)
	}
}

func (c *compiler) conversions(root *value) {
	for _, e := range root.entries("conversions") {
		if e.value != nil {
			c.chart.Methods = append(c.chart.Methods, maintenance.ConversionDef{Source: int16(e.key.num), Method: uint8(e.value.num)})
		}
	}
}

func (c *compiler) drives(root *value) {
	for _, e := range root.entries("drives") {
		if e.value == nil {
			continue
		}
		v := e.value
		def := maintenance.DriveDef{
			ID: e.key.text, Driver: v.str("driver"), Driven: v.str("driven"), Load: v.str("load"),
			RatioMicro:  uint32(v.whole("ratio", 0)),
			LoadedAbove: v.whole("loaded_above", 0), DriverAbove: v.whole("driver_above", 0),
		}
		c.drive(v, def)
		c.chart.Drives = append(c.chart.Drives, def)
	}
}

func (c *compiler) drive(v *value, def maintenance.DriveDef) {
	if def.Driver != "" && def.Driver == def.Driven {
		c.bad(v.get("driven"), "a drive from "+def.Driver+" to itself", "another signal", "")
		return
	}
	a, okA := c.units[def.Driver]
	b, okB := c.units[def.Driven]
	if okA && okB && a != b {
		c.bad(v.get("driven"), fmt.Sprintf("%s is in %s and %s in %s", def.Driver, unitWord(a), def.Driven, unitWord(b)), "both in one unit, so that the ratio is a number", "")
	}
}

func unitWord(unit string) string {
	if unit == "" {
		return "no unit"
	}
	return unit
}
