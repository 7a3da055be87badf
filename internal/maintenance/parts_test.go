package maintenance

import (
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"github.com/hourbell/hourbell/internal/maintenance/civil"
	"github.com/hourbell/hourbell/internal/maintenance/hours"
	"github.com/hourbell/hourbell/internal/maintenance/moment"
)

func renew(p PartFitted) ServiceDone {
	p.Part = "chopper-belt"
	return ServiceDone{Tasks: []string{"chopper-belt/renew"}, Date: dayOne, Parts: []PartFitted{p}}
}

func TestAPieceHasItsOwnHoursAndItsOwnEnd(t *testing.T) {
	w := newLogWorld(t)
	_, _, known := w.s.PieceHours("chopper-belt")
	assert.False(t, known, "no piece on record")
	w.bus(after("10"), "1008.00")
	w.logs(after("10"), renew(PartFitted{Variant: "woven", Number: "B-17", Spare: true}))
	w.bus(after("200"), "1128.50")
	piece, ran, known := w.s.PieceHours("chopper-belt")
	assert.True(t, known)
	assert.Equal(t, h("120.5"), ran)
	assert.Equal(t, "B-17", piece.Number)
	assert.True(t, piece.Spare)

	second := w.logs(after("200"), renew(PartFitted{Variant: "plain", Why: OffFailed, Note: "two cords bare"}))
	w.bus(after("210"), "1135.50")
	list := w.s.PieceHistory("chopper-belt")
	require.Len(t, list, 2)
	assert.Equal(t, h("120.5"), list[0].Ran)
	assert.Equal(t, OffFailed, list[0].Why)
	assert.Equal(t, "two cords bare", list[0].Note)
	assert.Equal(t, moment.At(after("200")), list[0].Until)
	assert.False(t, list[0].On)
	assert.True(t, list[1].On)
	assert.Equal(t, h("7"), list[1].Ran)

	// The record is void: the piece before is on again, with its hours.
	fx := w.says(after("211"), &Void{Record: second})
	assert.Equal(t, 1, count(fx, EffectPart))
	piece, ran, known = w.s.PieceHours("chopper-belt")
	assert.True(t, known)
	assert.Equal(t, "B-17", piece.Number)
	assert.Equal(t, h("127.5"), ran)
}

func TestAPlaceLeftEmptyHasNoPiece(t *testing.T) {
	w := newLogWorld(t)
	w.logs(after("1"), ServiceDone{Parts: []PartFitted{{Part: "chopper-belt"}}, Date: dayOne})
	key := w.logs(after("9"), ServiceDone{Parts: []PartFitted{{Part: "chopper-belt", Off: true, Why: OffWornOut}}, Date: dayOne})
	_, _, known := w.s.PieceHours("chopper-belt")
	assert.False(t, known)
	list := w.s.PieceHistory("chopper-belt")
	require.Len(t, list, 1)
	assert.Equal(t, OffWornOut, list[0].Why)
	w.says(after("10"), &Void{Record: key})
	_, _, known = w.s.PieceHours("chopper-belt")
	assert.True(t, known, "a record of parts alone can be taken back")
	w.refuses(after("11"), &Void{Record: key})
}

func TestAPieceIsFittedByTheKindOfTask(t *testing.T) {
	for _, c := range []struct {
		name string
		b    ServiceDone
		part string
		note string
		n    int
	}{
		{"replaced", ServiceDone{Tasks: []string{"chopper-belt/renew"}}, "chopper-belt", "", 1},
		{"looked at", ServiceDone{Tasks: []string{"chopper-belt/watch"}}, "chopper-belt", "", 0},
		{"named, so once", renew(PartFitted{Note: "squealed"}), "chopper-belt", "squealed", 1},
		{"a whole set", ServiceDone{Tasks: []string{"breather/change"}}, "breather", "", 1},
		{"items of a set", ServiceDone{Tasks: []string{"breather/change:left", "breather/change:rear"}}, "breather", "left, rear", 1},
	} {
		t.Run(c.name, func(t *testing.T) {
			w := newLogWorld(t)
			w.logs(after("1"), c.b)
			list := w.s.PieceHistory(c.part)
			require.Len(t, list, c.n)
			if c.n > 0 {
				assert.Equal(t, c.note, list[0].Piece.Note)
			}
		})
	}
}

func TestLateReadingsRefineAPiecesHours(t *testing.T) {
	w := newLogWorld(t)
	w.bus(after("30"), "1015.00")
	w.logs(after("20"), renew(PartFitted{}))
	piece, ran, _ := w.s.PieceHours("chopper-belt")
	assert.Equal(t, h("15"), ran, "looked up: 1000 h by then")
	assert.NotZero(t, piece.Looked)
	w.fromBox('b', after("19"), &Reading{Meter: "engine", Shown: h("1009"), Resolution: busStep, Origin: OriginBus})
	_, ran, _ = w.s.PieceHours("chopper-belt")
	assert.Equal(t, h("6"), ran)
}

func TestABackDatedPieceTakesItsPlace(t *testing.T) {
	w := newLogWorld(t)
	w.bus(after("10"), "1008.00")
	w.bus(after("50"), "1020.00")
	w.logs(after("50"), renew(PartFitted{Number: "second"}))
	e := w.person(after("10"), &ServiceDone{Tasks: []string{"chopper-belt/renew"}, Date: dayOne, Parts: []PartFitted{{Part: "chopper-belt", Number: "first"}}})
	e.Known = after("51")
	w.apply(e)
	list := w.s.PieceHistory("chopper-belt")
	require.Len(t, list, 2)
	assert.Equal(t, "first", list[0].Piece.Number)
	assert.Equal(t, h("12"), list[0].Ran)
	assert.Equal(t, "second", list[1].Piece.Number)
}

func TestThePiecesKeptAreTheLatest(t *testing.T) {
	w := newLogWorld(t)
	for i := range PiecesKept + 3 {
		w.logs(after("20").Add(-hours.Millis(i)*hours.Hour), ServiceDone{Parts: []PartFitted{{Part: "chopper-belt"}}, Date: civil.None})
	}
	pieces := w.s.Parts[0].Pieces
	require.Len(t, pieces, PiecesKept)
	assert.Equal(t, moment.At(after("13")), pieces[0].At)
	assert.Equal(t, moment.At(after("20")), pieces[PiecesKept-1].At)
}

func TestARenewedPartOpensItsQuestionAgain(t *testing.T) {
	w := newLogWorld(t)
	d := &w.s.Chart.Traits[0]
	told := moment.At(after("1"))
	_, _, renewed := w.s.renewedTrait(d, told)
	assert.False(t, renewed)
	fx := w.s.Revision
	key := w.logs(after("2"), renew(PartFitted{}))
	assert.Greater(t, w.s.Revision, fx)
	assert.Equal(t, 1, count(w.fx, EffectTold))
	value, piece, renewed := w.s.renewedTrait(d, told)
	assert.True(t, renewed)
	assert.Empty(t, value, "not known: never taken for the answer before")
	assert.Equal(t, key, piece.Record)

	second := w.logs(after("9"), renew(PartFitted{Variant: "plain"}))
	value, _, _ = w.s.renewedTrait(d, told)
	assert.Equal(t, "plain", value)
	_, _, renewed = w.s.renewedTrait(d, moment.At(after("10")))
	assert.False(t, renewed, "answered since")

	w.says(after("11"), &Void{Record: second})
	w.says(after("11"), &Void{Record: key})
	_, _, renewed = w.s.renewedTrait(d, told)
	assert.False(t, renewed, "the answer before is back")
}
