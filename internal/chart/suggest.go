package chart

import (
	"strconv"
	"strings"
)

// nearest gives the candidate that word is most likely a misspelling of, or ""
// where none is near. Of equally near ones the first in order wins.
func nearest(word string, candidates []string) string {
	folded := fold(word)
	most := 1
	if n := len([]rune(folded)); n >= 8 {
		most = 3
	} else if n >= 4 {
		most = 2
	} else if n < 2 {
		most = 0 // every letter is near every other
	}
	best, distance := "", most+1
	for _, c := range candidates {
		if d := editDistance(folded, fold(c), distance); d < distance {
			best, distance = c, d
		}
	}
	return best
}

// fold takes away the differences that people don't see: capitals, and which
// of blank, dash and underscore joins two words.
func fold(s string) string {
	return strings.NewReplacer("-", "_", " ", "_").Replace(strings.ToLower(s))
}

// didYouMean gives the suggestion as a sentence, "" where there is none.
func didYouMean(word string, candidates []string) string {
	if n := nearest(word, candidates); n != "" {
		return "did you mean " + strconv.Quote(n) + "?"
	}
	return ""
}

// editDistance counts inserted, dropped, changed and swapped letters between a
// and b (optimal string alignment). It gives up at limit.
func editDistance(a, b string, limit int) int {
	ra, rb := []rune(a), []rune(b)
	if len(ra)-len(rb) >= limit || len(rb)-len(ra) >= limit || len(ra) > maxID {
		return limit
	}
	before, prev, cur := make([]int, len(rb)+1), make([]int, len(rb)+1), make([]int, len(rb)+1)
	for j := range prev {
		prev[j] = j
	}
	for i := 1; i <= len(ra); i++ {
		cur[0] = i
		for j := 1; j <= len(rb); j++ {
			cost := 1
			if ra[i-1] == rb[j-1] {
				cost = 0
			}
			cur[j] = min(prev[j]+1, cur[j-1]+1, prev[j-1]+cost)
			if i > 1 && j > 1 && ra[i-1] == rb[j-2] && ra[i-2] == rb[j-1] {
				cur[j] = min(cur[j], before[j-2]+1)
			}
		}
		before, prev, cur = prev, cur, before
	}
	return prev[len(rb)]
}

// list joins words as people do: a, b or c.
func list(words []string, last string) string {
	switch len(words) {
	case 0:
		return ""
	case 1:
		return words[0]
	}
	return strings.Join(words[:len(words)-1], ", ") + " " + last + " " + words[len(words)-1]
}

// shown quotes what was written, cut where it is long.
func shown(s string) string {
	const most = 40
	if r := []rune(s); len(r) > most {
		s = string(r[:most]) + "…"
	}
	return strconv.Quote(s)
}
