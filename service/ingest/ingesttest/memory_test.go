package ingesttest_test

import (
	"testing"

	"github.com/hourbell/hourbell/internal/store"
	"github.com/hourbell/hourbell/internal/store/storetest"
	"github.com/hourbell/hourbell/service/ingest/ingesttest"
)

// The tests' store keeps to what every driver keeps to.
func TestMemoryIsAStore(t *testing.T) {
	storetest.Run(t, func(*testing.T) storetest.Opener {
		m := ingesttest.New()
		return func() (store.Store, error) {
			m = m.Reopen()
			return m, nil
		}
	})
}
