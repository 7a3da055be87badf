package fleet

import "strings"

// nearest gives the name that a word is most likely a misspelling of, "" where
// none is near. Of equally near ones the first wins.
func nearest(word string, names []string) string {
	word = strings.NewReplacer("-", "_", " ", "_").Replace(word)
	most := 1
	if len([]rune(word)) >= 5 {
		most = 2
	}
	best, distance := "", most+1
	for _, name := range names {
		if d := apart([]rune(word), []rune(name)); d < distance {
			best, distance = name, d
		}
	}
	return best
}

// apart counts the letters to insert, drop, change or swap between two words.
func apart(a, b []rune) int {
	if len(a) > 40 {
		return len(a)
	}
	before, prev := make([]int, len(b)+1), make([]int, len(b)+1)
	for j := range prev {
		prev[j] = j
	}
	for i := range a {
		row := make([]int, len(b)+1)
		row[0] = i + 1
		for j := range b {
			change := prev[j]
			if a[i] != b[j] {
				change++
			}
			row[j+1] = min(prev[j+1]+1, row[j]+1, change)
			if i > 0 && j > 0 && a[i] == b[j-1] && a[i-1] == b[j] {
				row[j+1] = min(row[j+1], before[j-1]+1)
			}
		}
		before, prev = prev, row
	}
	return prev[len(b)]
}
