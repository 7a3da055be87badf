package chart

import (
	"cmp"
	"errors"
	"fmt"
	"slices"
	"strconv"
	"strings"
	"unicode/utf8"

	"go.yaml.in/yaml/v4"

	"github.com/hourbell/hourbell/internal/maintenance"
)

// value is what the file says at one place, of the shape that the table gives.
// Methods take a nil value for "not said, or not understood".
type value struct {
	node  *yaml.Node // for its line and column
	place *place
	text  string // texts, ids, references, words, frames
	num   int64  // whole numbers, sources, decimals in their units; yes is 1
	rat   rational
	field map[string]*value // objects
	items []*value          // lists; nil for an entry that is not understood
	named []entry           // named entries, in the file's order
	low   limit             // ranges
	high  limit             // ranges

	keys    map[string]*yaml.Node // objects: every key that stands there
	guessed map[string]bool       // objects: fields that a misspelt key was meant for
}

// limit is one side of a range, or none.
type limit struct {
	set bool
	num int64
}

// entry is one named entry. Value is nil where it is not understood.
type entry struct {
	key   *value
	value *value
}

// place is where in the chart a value stands.
type place struct {
	in   *place
	step string
}

func (p *place) String() string {
	if p == nil {
		return ""
	}
	before := p.in.String()
	if before == "" || strings.HasPrefix(p.step, "[") {
		return before + p.step
	}
	return before + "." + p.step
}

// pointIndex gives which of the points a place is in.
func (p *place) pointIndex() (int, bool) {
	for ; p != nil; p = p.in {
		if p.in != nil && p.in.step == "points" && p.in.in == nil {
			i, err := strconv.Atoi(strings.Trim(p.step, "[]"))
			return i, err == nil
		}
	}
	return 0, false
}

func (v *value) get(name string) *value {
	if v == nil {
		return nil
	}
	return v.field[name]
}

func (v *value) has(name string) bool { return v.get(name) != nil }

// keyed reports whether the key stands there, understood or not.
func (v *value) keyed(name string) bool { return v != nil && v.keys[name] != nil }

// yes reports a yes.
func (v *value) yes(name string) bool { return v.whole(name, 0) == 1 }

// texts gives the words of a list, or of one word in its place. What is not
// understood is left out.
func (v *value) texts(name string) []string {
	f := v.get(name)
	if f == nil {
		return nil
	}
	if f.node.Kind == yaml.ScalarNode {
		return []string{f.text}
	}
	var texts []string
	for _, item := range f.items {
		if item != nil {
			texts = append(texts, item.text)
		}
	}
	return texts
}

func (v *value) str(name string) string {
	if f := v.get(name); f != nil {
		return f.text
	}
	return ""
}

// whole gives a number, or what stands for it where it is left out.
func (v *value) whole(name string, otherwise int64) int64 {
	if f := v.get(name); f != nil {
		return f.num
	}
	return otherwise
}

func (v *value) ratio(name string, otherwise rational) rational {
	if f := v.get(name); f != nil {
		return f.rat
	}
	return otherwise
}

func (v *value) entries(name string) []entry {
	if f := v.get(name); f != nil {
		return f.named
	}
	return nil
}

func (v *value) list(name string) []*value {
	if f := v.get(name); f != nil {
		return f.items
	}
	return nil
}

// reader walks the nodes by the table of fields.
type reader struct {
	rep      *report
	language *object
	refs     []reference
	defs     *definitions
	aliases  int
	values   int
	full     bool // a limit was met: no further node is read
}

// reference is a name used, to be held against the names defined.
type reference struct {
	value *value
	shape *shape
}

// read gives what stands at a node, nil where it is not understood.
func (r *reader) read(s *shape, n *yaml.Node, at *place) *value {
	n = r.follow(n, at)
	if n == nil || !r.count(n, at) {
		return nil
	}
	v := &value{node: n, place: at}
	switch s.kind {
	case kindObject:
		return r.object(s, v)
	case kindList:
		return r.items(s, v)
	case kindNamed:
		return r.names(s, v)
	case kindEither:
		return r.either(s, v)
	case kindRange:
		return r.span(s, v)
	case kindFlag:
		if n.Kind == yaml.ScalarNode && n.ShortTag() == "!!null" && n.Style&yaml.TaggedStyle == 0 {
			v.num = 1
			return v
		}
	}
	return r.scalar(s, v)
}

// either reads a word, a list or fields, by what stands there.
func (r *reader) either(s *shape, v *value) *value {
	switch {
	case v.node.Kind == yaml.MappingNode && s.object != nil:
		return r.object(s, v)
	case v.node.Kind == yaml.SequenceNode && s.each != nil:
		return r.items(s, v)
	case v.node.Kind == yaml.ScalarNode && s.plain != nil && s.plain.kind != kindObject:
		if v.node.Style&yaml.TaggedStyle != 0 || v.node.ShortTag() == "!!null" {
			r.bad(v, r.found(v.node), s.want(), "")
			return nil
		}
		return r.scalar(s.plain, v)
	}
	if s.plain != nil || v.node.Kind != yaml.ScalarNode {
		r.bad(v, r.found(v.node), s.want(), "")
		return nil
	}
	return r.scalar(s, v)
}

// follow gives the node that an alias stands for.
func (r *reader) follow(n *yaml.Node, at *place) *yaml.Node {
	if n.Kind != yaml.AliasNode {
		return n
	}
	r.aliases++
	if r.aliases > maxAliases && !r.full {
		r.full = true
		r.rep.add(n, at.String(), fmt.Sprintf("more than %d uses of anchors", maxAliases), "", "write it out, or make the chart smaller")
	}
	if r.full {
		return nil
	}
	return n.Alias
}

// count holds the whole file to what it may cost.
func (r *reader) count(n *yaml.Node, at *place) bool {
	r.values++
	if r.values > maxValues && !r.full {
		r.full = true
		r.rep.add(n, at.String(), fmt.Sprintf("more than %d values in one chart", maxValues), "", "a chart is for one kind of machine: make one file for each")
	}
	return !r.full
}

// bad reports a mistake at a value.
func (r *reader) bad(v *value, what, want, fix string) {
	r.rep.add(v.node, v.place.String(), what, want, fix)
}

// --- objects ---

func (r *reader) object(s *shape, v *value) *value {
	o := s.object
	if v.node.Kind != yaml.MappingNode {
		r.bad(v, r.found(v.node), s.want(), "")
		return nil
	}
	v.field = make(map[string]*value, len(v.node.Content)/2)
	v.keys = make(map[string]*yaml.Node, len(v.node.Content)/2)
	for i := 0; i+1 < len(v.node.Content); i += 2 {
		r.member(o, v, v.node.Content[i], v.node.Content[i+1])
	}
	r.complete(o, v)
	return v
}

// member reads one key and its value.
func (r *reader) member(o *object, v *value, key, val *yaml.Node) {
	name, ok := r.key(key, v)
	if !ok || r.twice(v, v.keys, key, name) {
		return
	}
	f, ok := o.find(name)
	if !ok {
		r.unknown(o, v, key, name)
		return
	}
	if got := r.read(&f.shape, val, &place{in: v.place, step: name}); got != nil {
		v.field[name] = got
	}
}

// key gives a key's text.
func (r *reader) key(key *yaml.Node, v *value) (string, bool) {
	if key.Kind == yaml.ScalarNode && key.ShortTag() == "!!merge" {
		r.rep.add(key, v.place.String(), `"<<" is not read in a chart`, "", "write the fields out")
		return "", false
	}
	if key.Kind != yaml.ScalarNode || key.Style&yaml.TaggedStyle != 0 || key.Value == "" {
		r.rep.add(key, v.place.String(), r.found(key)+" where a word is wanted", "a plain word before the colon", "")
		return "", false
	}
	return key.Value, true
}

// twice refuses a key that stands there already.
func (r *reader) twice(v *value, keys map[string]*yaml.Node, key *yaml.Node, name string) bool {
	first, ok := keys[name]
	if !ok {
		keys[name] = key
		return false
	}
	r.rep.add(key, v.place.String(), fmt.Sprintf("%s stands twice, first on line %d", shown(name), first.Line), "", "keep one of them")
	return true
}

// unknown tells a word of a later version from a misspelt or misplaced one.
func (r *reader) unknown(o *object, v *value, key *yaml.Node, name string) {
	path := (&place{in: v.place, step: name}).String()
	if slices.Contains(o.later, name) {
		r.rep.add(key, path, shown(name)+" is not understood by this version", "", laterFix)
		return
	}
	fix := ""
	if name == "gone" {
		fix = "it takes away what a base has, in a file of differences"
	} else if number := cutByComma(v.node, key); number != "" {
		fix = "write " + number + ", as a comma ends the number here"
	} else if meant := nearest(name, r.free(o, v)); meant != "" {
		if v.guessed == nil {
			v.guessed = make(map[string]bool)
		}
		v.guessed[meant] = true
		fix = fmt.Sprintf("did you mean %q?", meant)
	} else if homes := r.language.homes(name); len(homes) > 0 && len(homes) <= 4 {
		fix = "it belongs to " + list(homes, "or")
	}
	want := list(o.names(), "or")
	if len(o.fields) > 12 && fix != "" {
		want = "" // so many names hide the suggestion
	}
	r.rep.add(key, path, fmt.Sprintf("%s has no %s", o.title, shown(name)), want, fix)
}

// cutByComma gives the number that a decimal comma cut in two inside braces,
// where key is what came after it, else "".
func cutByComma(in, key *yaml.Node) string {
	i := slices.Index(in.Content, key)
	if i < 2 || in.Style&yaml.FlowStyle == 0 || !isDigits(key.Value) {
		return ""
	}
	if before := in.Content[i-1]; before.Kind == yaml.ScalarNode && isDigits(before.Value) {
		return before.Value + "." + key.Value
	}
	return ""
}

// laterFix is what to do with a word of a later version.
const laterFix = "take it out until a version that reads it is installed"

// free gives the fields that are not said yet.
func (r *reader) free(o *object, v *value) []string {
	said := make(map[string]bool)
	for i := 0; i+1 < len(v.node.Content); i += 2 {
		said[v.node.Content[i].Value] = true
	}
	return slices.DeleteFunc(o.names(), func(name string) bool { return said[name] })
}

// complete refuses an object in which something is missing or too much.
func (r *reader) complete(o *object, v *value) {
	for i := range o.fields {
		f := &o.fields[i]
		if f.required && v.keys[f.name] == nil && !v.guessed[f.name] && (f.unless == "" || v.str("do") != f.unless) {
			r.bad(v, fmt.Sprintf("%s needs %q", o.title, f.name), f.shape.want(), "")
		}
		r.needs(o, f, v)
	}
	if len(o.oneOf)+len(o.anyOf) > 0 {
		r.alternatives(o, v)
	}
}

// needs refuses a field that stands without the one it goes with.
func (r *reader) needs(o *object, f *field, v *value) {
	if f.needs == "" || v.keys[f.name] == nil {
		return
	}
	var names []string
	for _, name := range f.need() {
		if v.keys[name] != nil || v.guessed[name] {
			return
		}
		names = append(names, strconv.Quote(name))
	}
	want := ""
	if need, _ := o.find(f.needs); len(names) == 1 {
		want = need.shape.want()
	}
	r.rep.add(v.keys[f.name], v.place.String(), fmt.Sprintf("%q stands without %s", f.name, list(names, "or")), want, "say both, or leave "+f.name+" out")
}

// alternatives holds an object to its choice of fields.
func (r *reader) alternatives(o *object, v *value) {
	var said []*yaml.Node
	names := slices.Concat(o.oneOf, o.anyOf)
	for _, name := range names {
		if v.keys[name] != nil && !(len(o.joined) == 2 && name == o.joined[1] && v.keys[o.joined[0]] != nil) {
			said = append(said, v.keys[name])
		}
	}
	choice := list(names, "or")
	switch {
	case len(said) == 0 && !r.explained(o, v):
		r.bad(v, o.title+" needs "+choice, "", "")
	case len(said) > 1 && len(o.oneOf) > 0:
		slices.SortFunc(said, func(a, b *yaml.Node) int {
			return cmp.Or(cmp.Compare(a.Line, b.Line), cmp.Compare(a.Column, b.Column))
		})
		r.rep.add(said[1], v.place.String(), fmt.Sprintf("%s has %s beside %s", o.title, said[1].Value, said[0].Value), "only one of "+choice, "")
	}
}

// explained reports whether a key that is not understood may stand for the
// missing choice, so that one mistake is not told twice.
func (r *reader) explained(o *object, v *value) bool {
	for name := range v.keys {
		if _, ok := o.find(name); !ok {
			return true
		}
	}
	return false
}

// --- lists and names ---

func (r *reader) items(s *shape, v *value) *value {
	if v.node.Kind != yaml.SequenceNode {
		r.bad(v, r.found(v.node), s.want(), "")
		return nil
	}
	if !r.fits(s, v, len(v.node.Content)) {
		return nil
	}
	for i, n := range v.node.Content {
		at := &place{in: v.place, step: "[" + strconv.Itoa(i) + "]"}
		v.items = append(v.items, r.read(s.each, n, at))
	}
	return v
}

// fits holds a list to its least and most entries.
func (r *reader) fits(s *shape, v *value, n int) bool {
	switch {
	case n < s.least:
		r.bad(v, entries(n)+" here", fmt.Sprintf("at least %d", s.least), "")
	case int64(n) > s.max:
		r.bad(v, entries(n)+" here", fmt.Sprintf("at most %d", s.max), "")
	default:
		return true
	}
	return false
}

func entries(n int) string {
	if n == 1 {
		return "1 entry"
	}
	return fmt.Sprintf("%d entries", n)
}

func (r *reader) names(s *shape, v *value) *value {
	if v.node.Kind != yaml.MappingNode {
		r.bad(v, r.found(v.node), s.want(), "")
		return nil
	}
	if !r.fits(s, v, len(v.node.Content)/2) {
		return nil
	}
	keys := make(map[string]*yaml.Node, len(v.node.Content)/2)
	for i := 0; i+1 < len(v.node.Content); i += 2 {
		r.entry(s, v, keys, v.node.Content[i], v.node.Content[i+1])
	}
	return v
}

// entry reads one named entry. Its name counts as defined even where what it
// says is not understood, so that its users are not mistakes as well.
func (r *reader) entry(s *shape, v *value, keys map[string]*yaml.Node, key, val *yaml.Node) {
	name, ok := r.key(key, v)
	if !ok {
		return
	}
	at := &place{in: v.place, step: name}
	id := r.read(s.key, key, at)
	got := r.read(s.each, val, at)
	if id == nil {
		return
	}
	if s.key.kind == kindWhole {
		name = strconv.FormatInt(id.num, 10)
	}
	if r.twice(v, keys, key, name) {
		return
	}
	v.named = append(v.named, entry{key: id, value: got})
}

// --- scalars ---

func (r *reader) scalar(s *shape, v *value) *value {
	n := v.node
	if n.Kind != yaml.ScalarNode || n.Style&yaml.TaggedStyle != 0 || n.ShortTag() == "!!null" {
		r.bad(v, r.found(n), s.want(), "")
		return nil
	}
	var ok bool
	switch s.kind {
	case kindText, kindEither:
		ok = r.readText(s, v)
	case kindFlag:
		ok = r.readFlag(s, v)
	case kindDate:
		ok = r.readDate(s, v)
	case kindAmount:
		ok = r.readAmount(s, v)
	case kindID:
		ok = r.readID(s, v)
	case kindRef:
		ok = r.readRef(s, v)
	case kindWord:
		ok = r.readWord(s, v)
	case kindFrame:
		v.text, ok = n.Value, true
	default:
		ok = r.readNumber(s, v)
	}
	if !ok {
		return nil
	}
	return v
}

func (r *reader) readText(s *shape, v *value) bool {
	v.text = strings.Join(strings.Fields(v.node.Value), " ")
	switch n := utf8.RuneCountInString(v.text); {
	case n == 0:
		r.bad(v, "an empty text", s.want(), "")
	case int64(n) > s.max:
		r.bad(v, fmt.Sprintf("a text of %d characters", n), s.want(), "")
	default:
		return true
	}
	return false
}

func (r *reader) readID(s *shape, v *value) bool {
	v.text = v.node.Value
	if len(v.text) > maxID {
		r.bad(v, fmt.Sprintf("an id of %d characters", len(v.text)), fmt.Sprintf("at most %d", maxID), "")
		return false
	}
	if isID(v.text) {
		return true
	}
	fix := ""
	if made := makeID(v.text); made != "" {
		fix = "write " + made
	}
	r.bad(v, shown(v.text)+" is not an id", s.want(), fix)
	return false
}

// readRef takes a name that is held against the defined ones at the end. What
// can't be an id is not defined either.
func (r *reader) readRef(s *shape, v *value) bool {
	v.text = v.node.Value
	if s.soft && !r.readText(s, v) {
		return false
	}
	r.refs = append(r.refs, reference{value: v, shape: s})
	return true
}

func (r *reader) readWord(s *shape, v *value) bool {
	v.text = v.node.Value
	if slices.Contains(s.words, v.text) {
		return true
	}
	if slices.Contains(s.later, v.text) {
		r.bad(v, shown(v.text)+" is not understood by this version", s.want(), laterFix)
		return false
	}
	r.bad(v, shown(v.text)+" is not one of the words here", s.want(), didYouMean(v.text, s.words))
	return false
}

// readNumber reads what stands without quotes: numbers, yes and no, and the few
// words that stand for a number.
func (r *reader) readNumber(s *shape, v *value) bool {
	switch {
	case s.kind == kindSource && v.node.Value == "any":
		v.num = int64(maintenance.AnySource)
		return true
	case s.kind == kindValue && slices.Contains(stateWords(), v.node.Value):
		v.text = v.node.Value
		return true
	case v.node.Style&quotes != 0:
		fix := ""
		if _, err := parseRational(v.node.Value); err == nil {
			fix = "take the quotes away"
		}
		r.bad(v, "a text", s.want(), fix)
		return false
	}
	switch s.kind {
	case kindYesNo:
		return r.readYesNo(s, v)
	case kindWhole:
		return r.readWhole(v, s.min, s.max, s.want())
	case kindSource:
		return r.readWhole(v, 0, maxSource, s.want())
	case kindDecimal:
		return r.readDecimal(s, v)
	case kindValue:
		return r.readValue(s, v)
	}
	return r.readRational(s, v)
}

// quotes are the styles in which a scalar is a text by its form.
const quotes = yaml.SingleQuotedStyle | yaml.DoubleQuotedStyle | yaml.LiteralStyle | yaml.FoldedStyle

// readValue keeps a decimal as it is written, for the decoder to compare.
func (r *reader) readValue(s *shape, v *value) bool {
	v.text = v.node.Value
	if _, err := parseDecimal(v.text); err != nil {
		r.badNumber(v, err, "", s.want())
		return false
	}
	return true
}

func (r *reader) readYesNo(s *shape, v *value) bool {
	switch v.node.Value {
	case "yes", "true":
		v.num = 1
	case "no", "false":
		v.num = 0
	default:
		r.bad(v, shown(v.node.Value)+" is neither yes nor no", s.want(), "")
		return false
	}
	return true
}

func (r *reader) readWhole(v *value, min, max int64, want string) bool {
	text := v.node.Value
	if hex, ok := cutHex(text); ok {
		n, err := strconv.ParseUint(hex, 16, 63)
		if err != nil || int64(n) < min || int64(n) > max {
			r.bad(v, shown(text)+" is out of range", want, "")
			return false
		}
		v.num = int64(n)
		return true
	}
	d, err := parseDecimal(text)
	if err == nil {
		v.num, err = d.units(1)
	}
	if err != nil {
		r.badNumber(v, err, "1", want)
		return false
	}
	if v.num < min || v.num > max {
		r.bad(v, shown(text)+" is out of range", want, "")
		return false
	}
	return true
}

// cutHex takes 0x away.
func cutHex(s string) (string, bool) {
	hex, ok := strings.CutPrefix(s, "0x")
	if !ok {
		hex, ok = strings.CutPrefix(s, "0X")
	}
	return hex, ok && hex != "" && len(hex) <= 15
}

func (r *reader) readDecimal(s *shape, v *value) bool {
	d, err := parseDecimal(v.node.Value)
	if err == nil {
		v.num, err = d.units(s.per)
	}
	if err != nil {
		r.badNumber(v, err, s.finest, s.want())
		return false
	}
	low := int64(0)
	if s.signed {
		low = -s.top * s.per
	}
	if v.num < low || v.num > s.top*s.per || (s.above && v.num == 0) {
		r.bad(v, shown(v.node.Value)+" is out of range", s.want(), "")
		return false
	}
	return true
}

func (r *reader) readRational(s *shape, v *value) bool {
	var err error
	if v.rat, err = parseRational(v.node.Value); err != nil {
		r.badNumber(v, err, "", s.want())
		return false
	}
	return true
}

// badNumber says what is wrong with a number, and how to write it.
func (r *reader) badNumber(v *value, err error, finest, want string) {
	text, fix := v.node.Value, ""
	switch {
	case errors.Is(err, errComma):
		fix = "write " + strings.Replace(text, ",", ".", 1)
	case errors.Is(err, errZeros):
		fix = "write " + strings.TrimLeft(text, "0")
	case errors.Is(err, errFine):
		r.bad(v, fmt.Sprintf("%s is finer than %s", shown(text), finest), want, "")
		return
	}
	r.bad(v, shown(text)+" "+err.Error(), want, fix)
}

// found says what stands at a node where something else is wanted.
func (r *reader) found(n *yaml.Node) string {
	switch {
	case n.Kind == yaml.MappingNode:
		return "fields in braces or on lines of their own"
	case n.Kind == yaml.SequenceNode:
		return "a list"
	case n.Kind == yaml.AliasNode:
		return "an alias"
	case n.Style&yaml.TaggedStyle != 0:
		return "a YAML tag " + shown(n.Tag)
	case n.ShortTag() == "!!null":
		return "nothing"
	}
	return shown(n.Value)
}

// --- ids ---

// isID reports whether s is letters, digits, single dashes and underscores,
// with a letter first and a letter or digit last.
func isID(s string) bool {
	if s == "" || len(s) > maxID {
		return false
	}
	joint := true
	for i := range len(s) {
		c := s[i]
		switch {
		case c >= 'a' && c <= 'z':
			joint = false
		case c >= '0' && c <= '9':
			if i == 0 {
				return false
			}
			joint = false
		case (c == '-' || c == '_') && !joint:
			joint = true
		default:
			return false
		}
	}
	return !joint
}

// makeID gives the id that is nearest to s, "" where there is none.
func makeID(s string) string {
	var b strings.Builder
	for _, c := range strings.ToLower(s) {
		switch {
		case c >= 'a' && c <= 'z', c >= '0' && c <= '9', c == '-', c == '_':
			b.WriteRune(c)
		case c == ' ', c == '.', c == '/':
			b.WriteByte('-')
		}
	}
	id := strings.Trim(b.String(), "-_")
	if !isID(id) {
		return ""
	}
	return id
}
