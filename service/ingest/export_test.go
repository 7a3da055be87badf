package ingest

import (
	"context"

	"github.com/hourbell/hourbell/internal/maintenance"
)

// NewWith is New with other rules than the domain's.
func NewWith(ctx context.Context, o Options, apply func(*maintenance.State, *maintenance.Event, []maintenance.Effect) []maintenance.Effect) (*Ingest, error) {
	o, err := o.withDefaults()
	if err != nil {
		return nil, err
	}
	return newIngest(ctx, o, apply)
}
