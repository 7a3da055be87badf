package maintenance

import (
	"cmp"
	"fmt"
	"slices"
	"sort"
)

// gunMeasured keeps what a stroke of a grease gun gives, as measured last.
func (t *step) gunMeasured(b *GunMeasured) {
	s := t.s
	g := GunSeen{Gun: b.Gun, Micro: b.Micro, At: t.e.At, By: t.e.Key}
	i := sort.Search(len(s.Guns), func(i int) bool { return s.Guns[i].Gun >= b.Gun })
	switch {
	case i == len(s.Guns) || s.Guns[i].Gun != b.Gun:
		if len(s.Guns) >= GunsKept {
			t.ignore(fmt.Sprintf("gun %q is one too many; %d are kept", b.Gun, GunsKept))
			return
		}
		s.Guns = slices.Insert(s.Guns, i, g)
	case cmp.Or(s.Guns[i].At.Compare(g.At), s.Guns[i].By.Compare(g.By)) > 0:
		t.ignore("it was measured again since")
	default:
		s.Guns[i] = g
	}
}
