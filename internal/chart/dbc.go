package chart

import (
	"bufio"
	"errors"
	"fmt"
	"io"
	"strconv"
	"strings"
	"unicode/utf8"

	"github.com/hourbell/hourbell/internal/j1939"
	"github.com/hourbell/hourbell/internal/maintenance"
)

// DBCOptions says what is wanted of a DBC file.
type DBCOptions struct {
	// Groups keeps only signals of these parameter groups; empty keeps all.
	Groups []uint32
	// AnySource leaves the sender open: the file's source addresses are those
	// of one machine.
	AnySource bool
}

// Warning is something in a DBC file that was not taken over, and why.
type Warning struct {
	File string
	Line int // 1-based
	What string
}

// String gives the warning on one line.
func (w Warning) String() string { return fmt.Sprintf("%s:%d: %s", w.File, w.Line, w.What) }

// FromDBC reads the signals of a CAN database in the DBC format, in the file's
// order. Only what a J1939 bus carries is taken: messages with a 29-bit
// identifier, from which group and source follow. Multiplexed signals,
// floating-point ones and those that don't fit their message are left out with
// a warning each, at most 2,000 of them.
//
// The format counts bits from 0 as byte*8+bit, each byte from its low end:
//
//	byte 0:  7  6  5  4  3  2  1  0
//	byte 1: 15 14 13 12 11 10  9  8
//
// A signal's start bit is its lowest where the low byte comes first ("@1"), and
// its highest where the high byte does ("@0").
//
// A line that can't be read gives Errors. Name is the file's name for mistakes
// and warnings; a file of more than 8 MiB is refused.
func FromDBC(name string, r io.Reader, opts DBCOptions) ([]maintenance.SignalDef, []Warning, error) {
	d := &dbcReader{rep: &report{file: name}, opts: opts, floats: make(map[string]bool)}
	if err := d.scan(r); err != nil {
		return nil, nil, fmt.Errorf("reading %s: %w", name, err)
	}
	if err := d.rep.err(); err != nil {
		return nil, nil, err
	}
	defs := d.defs()
	if err := d.rep.err(); err != nil {
		return nil, nil, err
	}
	return defs, d.warnings, nil
}

// dbcReader reads the two kinds of line that describe signals, BO_ and SG_, and
// SIG_VALTYPE_, which says that a signal is a floating-point number. All other
// lines of the format are for other uses.
type dbcReader struct {
	rep      *report
	opts     DBCOptions
	line     int
	message  *dbcMessage // whose signals follow; nil before the first and after one not taken
	skipping bool        // the present message is not taken: its signals are passed over
	signals  []dbcSignal
	floats   map[string]bool // by identifier and name
	warnings []Warning
	warned   int
}

type dbcMessage struct {
	name  string
	id    uint32 // as the file gives it
	bytes int
	group uint32
	from  int16
}

type dbcSignal struct {
	line      int
	in        *dbcMessage
	name      string
	start     int
	bits      int
	bigEndian bool
	signed    bool
	scale     rational
	offset    rational
	unit      string
}

var errDBCSize = fmt.Errorf("the file is larger than %d bytes: make one with fewer messages", maxDBC)

// scan goes through the lines. Quoted texts may span lines, and what is in
// them is no definition.
func (d *dbcReader) scan(r io.Reader) error {
	limited := &io.LimitedReader{R: r, N: maxDBC + 1}
	lines := bufio.NewScanner(limited)
	lines.Buffer(make([]byte, 0, 4096), maxDBCLine)
	opened := 0 // the line on which a quoted text began that has not ended
	for limited.N > 0 && lines.Scan() {
		d.line++
		opened = d.next(lines.Text(), opened)
	}
	switch err := lines.Err(); {
	case limited.N <= 0:
		return errDBCSize
	case errors.Is(err, bufio.ErrTooLong):
		return fmt.Errorf("line %d is longer than %d bytes: is it a DBC file?", d.line+1, maxDBCLine)
	case err != nil:
		return err
	}
	if opened > 0 {
		d.rep.addAt(opened, 1, "", "a text in quotes begins here and never ends", "", "close it: what comes after it was not read")
	}
	return nil
}

// next takes one line, and gives the line on which a text in quotes that goes on
// after it began, else 0.
func (d *dbcReader) next(line string, opened int) int {
	if opened == 0 {
		d.take(line)
	} else if word, _ := firstWord(line); word == "BO_" {
		d.warn(d.line, "this message is taken for part of the text in quotes that begins on line %d", opened)
	}
	switch {
	case !oddQuotes(line):
		return opened
	case opened == 0:
		return d.line
	}
	return 0
}

// oddQuotes reports whether a line opens or closes a quoted text. A quote after
// a backslash is part of the text.
func oddQuotes(line string) bool {
	odd := false
	for i := 0; i < len(line); i++ {
		switch line[i] {
		case '\\':
			i++
		case '"':
			odd = !odd
		}
	}
	return odd
}

func (d *dbcReader) take(line string) {
	word, rest := firstWord(line)
	if word != "BO_" && word != "SG_" && word != "SIG_VALTYPE_" {
		return
	}
	line = toUTF8(rest)
	var err error
	switch word {
	case "BO_":
		err = d.takeMessage(line)
	case "SG_":
		err = d.takeSignal(line)
	default:
		err = d.takeValueType(line)
	}
	if err != nil {
		d.rep.addAt(d.line, 1, "", word+" can't be read: "+err.Error(), "", "")
	}
}

// firstWord cuts a line after its first word.
func firstWord(line string) (word, rest string) {
	line = strings.TrimSpace(line)
	i := strings.IndexAny(line, " \t")
	if i < 0 {
		return line, ""
	}
	return line[:i], line[i+1:]
}

// toUTF8 reads a line that is not UTF-8 as Latin-1, in which the degree sign
// and its like stand in older files.
func toUTF8(s string) string {
	if utf8.ValidString(s) {
		return s
	}
	runes := make([]rune, len(s))
	for i := range len(s) {
		runes[i] = rune(s[i])
	}
	return string(runes)
}

func (d *dbcReader) warn(line int, format string, a ...any) {
	d.warned++
	if d.warned > maxWarned {
		return
	}
	what := fmt.Sprintf(format, a...)
	if d.warned == maxWarned {
		what = "further warnings are not listed"
	}
	d.warnings = append(d.warnings, Warning{File: d.rep.file, Line: line, What: what})
}

// --- BO_ ---

const (
	dbcExtended    = 1 << 31
	dbcIndependent = 0xC0000000 // signals of no message
	maxCANID       = 1<<29 - 1
)

// takeMessage reads "2566844926 NAME: 8 SENDER" after BO_.
func (d *dbcReader) takeMessage(line string) error {
	d.message, d.skipping = nil, true
	head, tail, ok := strings.Cut(line, ":")
	fields, more := strings.Fields(head), strings.Fields(tail)
	if !ok || len(fields) != 2 || len(more) < 1 {
		return errors.New(`it is to read "BO_ identifier name: bytes sender"`)
	}
	id, err := strconv.ParseUint(fields[0], 10, 32)
	if err != nil {
		return fmt.Errorf("%s is no identifier", shown(fields[0]))
	}
	size, err := strconv.ParseUint(more[0], 10, 16)
	if err != nil {
		return fmt.Errorf("%s is no number of bytes", shown(more[0]))
	}
	switch {
	case id == dbcIndependent:
		return nil
	case id&dbcExtended == 0:
		d.warn(d.line, "message %s has an 11-bit identifier and is no J1939 message", fields[1])
		return nil
	case id&^dbcExtended > maxCANID:
		return fmt.Errorf("identifier %d has more than 29 bits", id)
	}
	d.message, d.skipping = d.newMessage(fields[1], uint32(id), int(size)), false
	return nil
}

func (d *dbcReader) newMessage(name string, id uint32, size int) *dbcMessage {
	parts := j1939.SplitID(id &^ dbcExtended)
	m := &dbcMessage{name: name, id: id, bytes: size, group: uint32(parts.Group), from: int16(parts.Source)}
	if d.opts.AnySource || m.from > maxSource {
		m.from = maintenance.AnySource // 254 and 255 stand for no one in particular
	}
	return m
}

// --- SG_ ---

const signalForm = `it is to read "SG_ name : start|bits@order sign (factor,offset) [min|max] "unit" receiver"`

// takeSignal reads what stands after SG_.
func (d *dbcReader) takeSignal(line string) error {
	if d.message == nil {
		if d.skipping {
			return nil
		}
		return errors.New("it stands before any BO_")
	}
	head, tail, ok := strings.Cut(line, ":")
	names := strings.Fields(head)
	if !ok || len(names) < 1 || len(names) > 2 {
		return errors.New(signalForm)
	}
	if len(names) == 2 && names[1] != "M" {
		d.warn(d.line, "signal %s of %s is multiplexed (%s) and is left out: where it stands depends on another signal", names[0], d.message.name, names[1])
		return nil
	}
	s := dbcSignal{line: d.line, in: d.message, name: names[0]}
	if err := s.read(tail); err != nil {
		return err
	}
	if len(d.signals) >= maxSignals {
		return fmt.Errorf("more than %d signals: choose some groups", maxSignals)
	}
	d.signals = append(d.signals, s)
	return nil
}

// read takes "0|16@1+ (0.125,0) [0|8031] "rpm" X,Y".
func (s *dbcSignal) read(text string) error {
	c := &cursor{text: text}
	start, okStart := c.until("|")
	bits, okBits := c.until("@")
	order, okOrder := c.until("(")
	factor, okFactor := c.until(",")
	offset, okOffset := c.until(")")
	_, okMin := c.until("\"")
	unit, okUnit := c.until("\"")
	if !okStart || !okBits || !okOrder || !okFactor || !okOffset || !okMin || !okUnit {
		return errors.New(signalForm)
	}
	s.unit = clean(unit)
	if err := s.readPlace(start, bits, order); err != nil {
		return err
	}
	var err error
	if s.scale, err = parseScientific(factor); err != nil {
		return fmt.Errorf("factor %s %w", shown(factor), err)
	}
	if s.offset, err = parseScientific(offset); err != nil {
		return fmt.Errorf("offset %s %w", shown(offset), err)
	}
	return nil
}

func (s *dbcSignal) readPlace(start, bits, order string) error {
	n, err := strconv.ParseUint(start, 10, 16)
	if err != nil {
		return fmt.Errorf("%s is no start bit", shown(start))
	}
	s.start = int(n)
	if n, err = strconv.ParseUint(bits, 10, 16); err != nil || n == 0 {
		return fmt.Errorf("%s is no number of bits", shown(bits))
	}
	s.bits = int(n)
	order = strings.Join(strings.Fields(order), "")
	if len(order) != 2 || !strings.Contains("01", order[:1]) || !strings.Contains("+-", order[1:]) {
		return fmt.Errorf("%s is neither 0+, 0-, 1+ nor 1-", shown(order))
	}
	s.bigEndian, s.signed = order[0] == '0', order[1] == '-'
	return nil
}

// cursor cuts a line at its marks.
type cursor struct{ text string }

// until gives the text before the next mark, without blanks round it.
func (c *cursor) until(mark string) (string, bool) {
	before, after, ok := strings.Cut(c.text, mark)
	c.text = after
	return strings.TrimSpace(before), ok
}

// clean makes a unit one line without control characters.
func clean(unit string) string {
	return strings.Join(strings.FieldsFunc(unit, func(r rune) bool { return r == ' ' || isControl(r) || r == '\t' }), " ")
}

// takeValueType reads "2566844926 NAME : 1;": 1 and 2 are floating-point numbers.
func (d *dbcReader) takeValueType(line string) error {
	words := strings.Fields(strings.NewReplacer(":", " ", ";", " ").Replace(line))
	if len(words) != 3 {
		return errors.New(`it is to read "SIG_VALTYPE_ identifier name : type;"`)
	}
	if words[2] != "0" {
		d.floats[words[0]+" "+words[1]] = true
	}
	return nil
}

// parseScientific reads a decimal with or without an exponent, exactly.
func parseScientific(s string) (rational, error) {
	const most = 30
	base, exponent, found := strings.Cut(strings.ToLower(s), "e")
	base = strings.TrimSuffix(base, ".")
	if strings.HasPrefix(base, ".") || strings.HasPrefix(base, "-.") {
		base = strings.Replace(base, ".", "0.", 1)
	}
	d, err := parseDecimal(base)
	if err != nil || !found || d.mantissa == 0 {
		return d.rational(), err
	}
	e, err := strconv.Atoi(exponent)
	if err != nil || e < -most || e > most {
		return rational{}, errNotNumber
	}
	return d.shift(e)
}

// shift gives d * 10^e in lowest terms.
func (d decimal) shift(e int) (rational, error) {
	for d.mantissa%10 == 0 && d.mantissa != 0 {
		d.mantissa /= 10
		e++
	}
	places := d.places - e
	if places > maxDigits {
		return rational{}, errFine
	}
	for ; places < 0; places++ {
		if d.mantissa >= pow10(maxDigits-1) {
			return rational{}, errLarge
		}
		d.mantissa *= 10
	}
	d.places = places
	return d.rational(), nil
}

// --- into our signals ---

// defs gives the signals that are kept, each with an id of its own.
func (d *dbcReader) defs() []maintenance.SignalDef {
	var kept []dbcSignal
	for _, s := range d.signals {
		if d.keeps(s) {
			kept = append(kept, s)
		}
	}
	ids := dbcIDs(kept)
	var defs []maintenance.SignalDef
	for i, s := range kept {
		def := s.def(ids[i])
		if err := busSignal(def).Validate(); err != nil {
			d.warn(s.line, "signal %s of %s is left out: %s", s.name, s.in.name, strings.ReplaceAll(err.Error(), "\n", "; "))
			continue
		}
		defs = append(defs, def)
	}
	return defs
}

// keeps reports whether a signal is wanted and fits, and warns where it does
// not fit.
func (d *dbcReader) keeps(s dbcSignal) bool {
	if !d.wanted(s.in.group) {
		return false
	}
	left := func(why string, a ...any) bool {
		d.warn(s.line, "signal %s of %s is left out: "+why, append([]any{s.name, s.in.name}, a...)...)
		return false
	}
	switch {
	case d.floats[fmt.Sprintf("%d %s", s.in.id, s.name)]:
		return left("it is a floating-point number")
	case s.bits > 64:
		return left("it has %d bits, at most 64 are read", s.bits)
	case s.lastByte() > s.in.bytes:
		return left("it reaches byte %d of a message of %d", s.lastByte(), s.in.bytes)
	}
	return true
}

func (d *dbcReader) wanted(group uint32) bool {
	if len(d.opts.Groups) == 0 {
		return true
	}
	for _, g := range d.opts.Groups {
		if g == group {
			return true
		}
	}
	return false
}

// lastByte gives the last byte, from 1.
func (s dbcSignal) lastByte() int { return lastByte(s.def("")) }

// def turns the format's start bit into byte and bit, which both count from 1.
func (s dbcSignal) def(id string) maintenance.SignalDef {
	return maintenance.SignalDef{
		ID: id, Group: s.in.group, Source: s.in.from,
		Byte: uint16(s.start/8 + 1), Bit: uint8(s.start%8 + 1), Bits: uint8(min(s.bits, 255)),
		BigEndian: s.bigEndian, Signed: s.signed,
		ScaleNum: s.scale.num, ScaleDen: s.scale.den, OffsetNum: s.offset.num, OffsetDen: s.offset.den,
		Unit: s.unit,
	}
}

// dbcIDs gives each signal an id: its name in our spelling, and where two would
// be the same, the group and then the source behind it.
func dbcIDs(signals []dbcSignal) []string {
	ids := make([]string, len(signals))
	for i, s := range signals {
		ids[i] = snake(s.name)
	}
	for _, tail := range []func(*dbcMessage) string{
		func(m *dbcMessage) string { return fmt.Sprintf("_%d", m.group) },
		func(m *dbcMessage) string { return fmt.Sprintf("_%02x", uint8(m.from)) },
	} {
		shared := make(map[string]int)
		for _, id := range ids {
			shared[id]++
		}
		for i, s := range signals {
			if shared[ids[i]] > 1 {
				ids[i] = cut(ids[i], maxID-6) + tail(s.in)
			}
		}
	}
	return numbered(ids)
}

// numbered makes the last few equal ids differ.
func numbered(ids []string) []string {
	used := make(map[string]bool)
	for i, id := range ids {
		for n := 2; used[ids[i]]; n++ {
			ids[i] = cut(id, maxID-6) + "_" + strconv.Itoa(n)
		}
		used[ids[i]] = true
	}
	return ids
}

func cut(s string, n int) string { return strings.Trim(s[:min(len(s), n)], "-_") }

// snake spells a name as an id: EngSpeed2 becomes eng_speed2.
func snake(name string) string {
	var b strings.Builder
	runes := []rune(name)
	for i, r := range runes {
		upper := r >= 'A' && r <= 'Z'
		if upper && i > 0 && breaks(runes, i) {
			b.WriteByte('_')
		}
		switch {
		case upper:
			r += 'a' - 'A'
		case r >= 'a' && r <= 'z', r >= '0' && r <= '9':
		default:
			r = '_'
		}
		b.WriteRune(r)
	}
	words := strings.FieldsFunc(b.String(), func(r rune) bool { return r == '_' })
	id := cut(strings.Join(words, "_"), maxID)
	if id == "" || id[0] >= '0' && id[0] <= '9' {
		id = cut("s_"+id, maxID)
	}
	return id
}

// breaks reports whether a new word starts with the capital at i: after a small
// letter or digit, or before a small letter in a row of capitals.
func breaks(runes []rune, i int) bool {
	before := runes[i-1]
	if before >= 'a' && before <= 'z' || before >= '0' && before <= '9' {
		return true
	}
	return before >= 'A' && before <= 'Z' && i+1 < len(runes) && runes[i+1] >= 'a' && runes[i+1] <= 'z'
}
