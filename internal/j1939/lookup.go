package j1939

// lookup finds what is to be done with a group in two steps through arrays: the page of the group's upper ten bits,
// then the place of its lower eight. Place 0 stands for nothing.
type lookup struct {
	pages [1 << 10]uint16
	slots [][1 << 8]uint16
}

func newLookup() *lookup { return &lookup{slots: make([][1 << 8]uint16, 1)} }

func (l *lookup) find(g Group) uint16 {
	return l.slots[l.pages[g>>8&(1<<10-1)]][g&0xFF]
}

func (l *lookup) set(g Group, place uint16) {
	page := &l.pages[g>>8&(1<<10-1)]
	if *page == 0 {
		*page = uint16(len(l.slots))
		l.slots = append(l.slots, [1 << 8]uint16{})
	}
	l.slots[*page][g&0xFF] = place
}
