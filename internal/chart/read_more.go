package chart

import (
	"strconv"
	"strings"

	"go.yaml.in/yaml/v4"

	"github.com/hourbell/hourbell/internal/maintenance/civil"
)

// unitWords are the units of what a task takes.
func unitWords() []string { return []string{"l", "ml", "kg", "g", "m", "cm", "mm", "pieces"} }

// span reads [lowest, highest], where either may be open, or one number that
// stands for both.
func (r *reader) span(s *shape, v *value) *value {
	n := v.node
	side := *s
	side.kind = kindDecimal
	if n.Kind == yaml.ScalarNode && s.single {
		if r.scalar(&side, v) == nil {
			return nil
		}
		v.low, v.high = limit{true, v.num}, limit{true, v.num}
		return v
	}
	if n.Kind != yaml.SequenceNode || len(n.Content) != 2 {
		r.bad(v, r.found(n), s.want(), "")
		return nil
	}
	low, okLow := r.side(&side, n.Content[0], v.place, 0)
	high, okHigh := r.side(&side, n.Content[1], v.place, 1)
	switch {
	case !okLow || !okHigh:
		return nil
	case !low.set && !high.set:
		r.bad(v, "both sides are open", "a number on one side", "")
		return nil
	case low.set && high.set && low.num > high.num:
		r.bad(v, shown(n.Content[0].Value)+" is above "+shown(n.Content[1].Value), s.want(), "write the lower one first")
		return nil
	}
	v.low, v.high = low, high
	return v
}

// side reads one end of a range.
func (r *reader) side(s *shape, n *yaml.Node, in *place, i int) (limit, bool) {
	if s.open && n.Kind == yaml.ScalarNode && n.ShortTag() == "!!null" && n.Style&yaml.TaggedStyle == 0 {
		return limit{}, true
	}
	got := r.read(s, n, &place{in: in, step: "[" + strconv.Itoa(i) + "]"})
	if got == nil {
		return limit{}, false
	}
	return limit{true, got.num}, true
}

func (r *reader) readFlag(s *shape, v *value) bool {
	if v.node.Style&quotes != 0 || !r.readYesNo(s, v) {
		if v.node.Style&quotes != 0 {
			r.bad(v, "a text", s.want(), "")
		}
		return false
	}
	return true
}

func (r *reader) readDate(s *shape, v *value) bool {
	d, err := civil.Parse(v.node.Value)
	if err != nil {
		r.bad(v, shown(v.node.Value)+" is not a date", s.want(), "")
		return false
	}
	v.text, v.num = d.String(), int64(d)
	return true
}

// readAmount reads a number and its unit; a number alone counts pieces.
func (r *reader) readAmount(s *shape, v *value) bool {
	text := strings.TrimSpace(v.node.Value)
	digits := strings.TrimRight(text, "abcdefghijklmnopqrstuvwxyzABCDEFGHIJKLMNOPQRSTUVWXYZ ")
	unit := strings.TrimSpace(text[len(digits):])
	if unit == "" || unit == "piece" {
		unit = "pieces"
	}
	d, err := parseDecimal(digits)
	if err == nil {
		v.num, err = d.units(milli)
	}
	if err != nil || v.num <= 0 || v.num > maxAmount*milli {
		r.bad(v, shown(v.node.Value)+" is no amount", s.want(), "")
		return false
	}
	for _, known := range unitWords() {
		if unit == known {
			v.text = unit
			return true
		}
	}
	r.bad(v, shown(unit)+" is not one of the units here", list(unitWords(), "or"), didYouMean(unit, unitWords()))
	return false
}
