package local

// turner turns the bytes of a block's entries by a quarter: entries of the same
// length stand in a group, of a group all first bytes come first, then all
// second bytes and so on, each as the difference from the entry before it in the
// group. Events of one kind have the same length mostly, and the same bytes in
// the same places, so that what is left is mostly zeros and packs to less than
// half of what the entries in a row pack to, in less time.
type turner struct {
	group map[int]int // length -> place in groups
	// groups are in the order in which their lengths come first.
	groups [][]int32 // offsets of the entries in the row
	sizes  []int
}

// turn appends the bytes of a row of entries, turned, to dst.
func (t *turner) turn(dst, row []byte, lengths []int) []byte {
	t.sort(lengths)
	for g, offsets := range t.groups[:len(t.sizes)] {
		for k := range int32(t.sizes[g]) {
			before := byte(0)
			for _, off := range offsets {
				c := row[off+k]
				dst = append(dst, c-before)
				before = c
			}
		}
	}
	return dst
}

// straighten undoes turn. The lengths sum to len(turned).
func (t *turner) straighten(dst, turned []byte, lengths []int) []byte {
	t.sort(lengths)
	start := len(dst)
	dst = append(dst, turned...) // for the room; every byte is set below
	row := dst[start:]
	for g, offsets := range t.groups[:len(t.sizes)] {
		for k := range int32(t.sizes[g]) {
			before := byte(0)
			for i, off := range offsets {
				before += turned[i]
				row[off+k] = before
			}
			turned = turned[len(offsets):]
		}
	}
	return dst
}

// sort puts the entries into groups by length.
func (t *turner) sort(lengths []int) {
	if t.group == nil {
		t.group = map[int]int{}
	}
	clear(t.group)
	t.sizes = t.sizes[:0]
	off := int32(0)
	for _, n := range lengths {
		g, ok := t.group[n]
		if !ok {
			g = len(t.sizes)
			t.group[n] = g
			t.sizes = append(t.sizes, n)
			if g == len(t.groups) {
				t.groups = append(t.groups, nil)
			}
			t.groups[g] = t.groups[g][:0]
		}
		t.groups[g] = append(t.groups[g], off)
		off += int32(n)
	}
}
