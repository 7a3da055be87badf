package maintenance

import (
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// What the version before can say has no second form.
func TestNeedlessVersionIsRefused(t *testing.T) {
	for _, k := range allKinds {
		b := AppendEvent(nil, &Event{Key: Key{Stream: [16]byte{1}}, Body: newBody(k)})
		assert.EqualValues(t, 1, b[0], "kind %d with nothing in it", k)
	}
	b := AppendEvent(nil, &Event{Key: Key{Stream: [16]byte{1}}, Body: &FieldEvent{Event: "washed"}})
	b[0] = 2
	_, err := DecodeEvent(append(b, 0, 0))
	require.ErrorIs(t, err, ErrEncoding)
	assert.ErrorContains(t, err, "nothing in it that needs it")
	b = AppendEvent(nil, &Event{Key: Key{Stream: [16]byte{1}}, Body: &Engine{Running: true}})
	b[0] = 2
	_, err = DecodeEvent(b)
	require.ErrorIs(t, err, ErrEncoding)
}
