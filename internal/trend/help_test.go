package trend

import (
	"math/big"
	"testing"

	"github.com/stretchr/testify/require"

	"github.com/hourbell/hourbell/internal/maintenance"
	"github.com/hourbell/hourbell/internal/maintenance/hours"
	"github.com/hourbell/hourbell/internal/maintenance/moment"
)

const mm = 1_000_000 // millionths of a millimetre

// key numbers records.
func key(n int) maintenance.Key {
	return maintenance.Key{Stream: [16]byte{1: byte(n >> 8), 2: byte(n)}}
}

// at gives the n-th time of a test.
func at(n int) moment.Span { return moment.At(moment.Instant(1_900_000_000_000 + int64(n)*86_400_000)) }

// found is a value of record n, found at so many hours.
func found(n int, h hours.Millis, micro int64) maintenance.MeasuredAt {
	return maintenance.MeasuredAt{Record: key(n), At: at(n), Hours: h, Micro: micro}
}

func left(n int, h hours.Millis, micro int64) maintenance.MeasuredAt {
	v := found(n, h, micro)
	v.Left = true
	return v
}

// series finds values one after the other, every step hours from 400 h on.
func series(step hours.Millis, micro ...int64) (out []maintenance.MeasuredAt) {
	for i, y := range micro {
		out = append(out, found(i, 400*hours.Hour+hours.Millis(i)*step, y))
	}
	return out
}

func bound(micro int64) maintenance.Bound { return maintenance.Bound{Set: true, Micro: micro} }

// wear is a measure that rises from 10 mm: acceptable to 12 mm, to act on at 13 mm.
func wear() *maintenance.MeasureDef {
	return &maintenance.MeasureDef{What: "play of the shaft", Unit: "mm", OkHi: bound(12 * mm), ActHi: bound(13 * mm)}
}

// thickness is one that falls: acceptable down to 8 mm, to act on at 7 mm.
func thickness() *maintenance.MeasureDef {
	return &maintenance.MeasureDef{What: "thickness of the bar", Unit: "mm", OkLo: bound(8 * mm), ActLo: bound(7 * mm)}
}

// decimal gives a decimal figure in millionths.
func decimal(t *testing.T, text string) int64 {
	t.Helper()
	r, ok := new(big.Rat).SetString(text)
	require.True(t, ok, text)
	r.Mul(r, big.NewRat(mm, 1))
	require.True(t, r.IsInt(), text)
	return r.Num().Int64()
}

func float(r *big.Rat) float64 {
	f, _ := r.Float64()
	return f
}
