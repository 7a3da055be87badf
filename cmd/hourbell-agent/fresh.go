package main

import (
	"context"
	"crypto/rand"
	"flag"
	"fmt"
	"time"

	"github.com/hourbell/hourbell/agent"
)

func freshFlags(fs *flag.FlagSet) func(context.Context, *program, []string) error {
	data := folderFlag(fs)
	yes := fs.Bool("yes", false, "do it")
	why := fs.String("why", "a person asked for it", "why, for the record")
	return func(ctx context.Context, p *program, args []string) error {
		if err := none("fresh", args); err != nil {
			return err
		}
		d := folder(*data)
		if err := d.there(); err != nil {
			return err
		}
		if !*yes {
			return &usageError{"fresh: this box's spool goes on in a new epoch, and what the service has not acknowledged is sent in it. " +
				"Do so only where no copy of this box runs elsewhere; then add --yes"}
		}
		info, err := agent.NewEpoch(ctx, agent.Options{Dir: d.spool(), Now: time.Now, Rand: rand.Reader}, *why)
		if err != nil {
			return err
		}
		fmt.Fprintf(p.out, "The spool goes on in epoch %x, its %d. one; %d events go with it. Next:\n\n  hourbell-agent run --data %s --can can0\n", info.ID[:4], info.Ordinal, info.Carried, d)
		return nil
	}
}

func versionFlags(*flag.FlagSet) func(context.Context, *program, []string) error {
	return func(_ context.Context, p *program, args []string) error {
		if err := none("version", args); err != nil {
			return err
		}
		name, at := build()
		_, err := fmt.Fprintf(p.out, "hourbell-agent %s, built %s\n", name, at.UTC().Format(time.RFC3339))
		return err
	}
}
