package maintenance

import (
	"slices"
	"sort"
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

// knownOf returns what is known under a name, nil where nothing is. The list is
// sorted by name.
func knownOf(list []TraitKnown, name string) *TraitKnown {
	i := sort.Search(len(list), func(i int) bool { return list[i].Name >= name })
	if i < len(list) && list[i].Name == name {
		return &list[i]
	}
	return nil
}

// told returns what was last told of a condition or, where the name is none, of
// a trait; nil where nothing was.
func (s *State) told(name string) *TraitKnown {
	if k := knownOf(s.Conditions, name); k != nil {
		return k
	}
	return knownOf(s.Traits, name)
}

// judge holds all conditions to what is told now.
func (s *State) judge(conds []Cond) truth {
	out := certain
	for i := range conds {
		value, known := "", false
		if k := s.told(conds[i].Of); k != nil {
			value, known = k.Value, true
		}
		out = out.and(evalCond(&conds[i], value, known))
	}
	return out
}

// holds reports whether all conditions hold for what is told of traits, crop and
// weather, and whether that is known.
func (s *State) holds(conds []Cond) (yes, known bool) {
	v := s.judge(conds)
	return v == certain, v != unsure
}

// tell keeps what was told under a name, the latest by time; of one time that of
// the higher key. It returns the list, sorted by name.
func tell(list []TraitKnown, k TraitKnown) []TraitKnown {
	i := sort.Search(len(list), func(i int) bool { return list[i].Name >= k.Name })
	if i < len(list) && list[i].Name == k.Name {
		if o := &list[i]; k.At.Compare(o.At) > 0 || k.At == o.At && k.By.Compare(o.By) > 0 {
			*o = k
		}
		return list
	}
	if len(list) >= TraitsKept {
		return list
	}
	return slices.Insert(list, i, k)
}
