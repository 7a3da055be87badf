package chart_test

import (
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"github.com/hourbell/hourbell/internal/chart"
)

var wordMistakes = []struct{ name, in, want string }{}

func TestEveryMistakeWithTheNewerWords(t *testing.T) {
	for _, tc := range wordMistakes {
		t.Run(tc.name, func(t *testing.T) {
			c, err := chart.Compile("f", []byte(tc.in))
			require.Error(t, err)
			assert.Nil(t, c)
			assert.Equal(t, tc.want, err.Error())
		})
	}
}
