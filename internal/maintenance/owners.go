package maintenance

import "slices"

// handedOver makes the machine another customer's. Its records stay; who had it
// before, and until when, is kept. Without a zone the work day turns as before.
func (t *step) handedOver(b *HandedOver) {
	s := t.s
	i := len(s.Owners)
	for i > 0 && s.Owners[i-1].Until.Compare(t.e.At) > 0 {
		i--
	}
	o := OwnerSeen{Customer: s.Machine.Customer, Site: s.Machine.Site, Until: t.e.At, By: t.e.Key}
	if i < len(s.Owners) {
		// A later sale is known: the customer of this one had it until then.
		next := &s.Owners[i]
		o.Customer, o.Site = next.Customer, next.Site
		next.Customer, next.Site = b.Customer, b.Site
	} else {
		s.Machine.Customer, s.Machine.Site = b.Customer, b.Site
		if b.Zone != "" {
			s.Machine.Zone, s.Machine.TurnsAt = b.Zone, b.TurnsAt
		}
	}
	s.Owners = lastOf(slices.Insert(s.Owners, i, o), OwnersKept)
	t.effect(EffectOwner, -1, "handed over to "+b.Customer)
}
