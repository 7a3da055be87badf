package maintenance

import (
	"slices"
	"strings"
)

// truth is the answer to a condition. What is not known is never taken for no.
type truth uint8

const (
	unsure  truth = 0
	untrue  truth = 1
	certain truth = 2
)

// and is certain where both are, and untrue where either is.
func (a truth) and(b truth) truth {
	switch {
	case a == untrue || b == untrue:
		return untrue
	case a == unsure || b == unsure:
		return unsure
	}
	return certain
}

// evalCond holds one condition to a value. A figure that is no decimal number of
// thousandths leaves a comparison unsure.
func evalCond(c *Cond, value string, known bool) truth {
	if !known {
		return unsure
	}
	switch c.Op {
	case CondIs:
		return truthOf(slices.Contains(c.Words, value))
	case CondIsNot:
		return truthOf(!slices.Contains(c.Words, value))
	}
	milli, ok := parseMilli(value)
	if !ok {
		return unsure
	}
	return evalFigure(c, milli)
}

// evalFigure holds one comparison to a figure in thousandths.
func evalFigure(c *Cond, milli int64) truth {
	switch c.Op {
	case CondBelow:
		return truthOf(milli < c.Milli)
	case CondAbove:
		return truthOf(milli > c.Milli)
	case CondFrom:
		return truthOf(milli >= c.Milli)
	case CondUpTo:
		return truthOf(milli <= c.Milli)
	}
	return unsure
}

func truthOf(yes bool) truth {
	if yes {
		return certain
	}
	return untrue
}

// parseMilli reads a decimal number such as -12.5 as thousandths, exactly. False
// where it is no number, has more than three digits that count behind the point,
// or is too large.
func parseMilli(text string) (int64, bool) {
	neg := len(text) > 0 && text[0] == '-'
	if neg {
		text = text[1:]
	}
	whole, digits, behind := int64(0), 0, -1
	for i := range len(text) {
		switch c := text[i]; {
		case c == '.' && behind < 0 && digits > 0:
			behind = 0
		case c < '0' || c > '9':
			return 0, false
		case behind >= 3:
			if c != '0' {
				return 0, false
			}
		default:
			if whole = whole*10 + int64(c-'0'); whole > maxMilli {
				return 0, false
			}
			digits++
			if behind >= 0 {
				behind++
			}
		}
	}
	if digits == 0 || behind == 0 {
		return 0, false
	}
	for k := max(behind, 0); k < 3; k++ {
		whole *= 10
	}
	if neg {
		whole = -whole
	}
	return whole, true
}

// holds reports whether all conditions hold for what is told of traits, crop and
// weather, and whether that is known.
func (s *State) holds(conds []Cond) (yes, known bool) {
	v := s.truthOf(conds, nil)
	return v == certain, v != unsure
}

// sentence says that a condition holds: dust is heavy.
func (c *Cond) sentence() string {
	switch c.Op {
	case CondIs:
		return c.Of + " is " + strings.Join(c.Words, " or ")
	case CondIsNot:
		return c.Of + " is not " + strings.Join(c.Words, " or ")
	case CondBelow:
		return c.Of + " is below " + milliText(c.Milli)
	case CondAbove:
		return c.Of + " is above " + milliText(c.Milli)
	case CondFrom:
		return c.Of + " is " + milliText(c.Milli) + " or more"
	}
	return c.Of + " is " + milliText(c.Milli) + " or less"
}
