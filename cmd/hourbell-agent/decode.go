package main

import (
	"context"
	"errors"
	"flag"
	"fmt"
	"os"
	"time"

	"github.com/hourbell/hourbell/agent/decode"
	"github.com/hourbell/hourbell/internal/maintenance"
)

func decodeFlags(fs *flag.FlagSet) func(context.Context, *program, []string) error {
	asJSON := fs.Bool("json", false, "print one JSON object a line")
	chart := fs.String("chart", "", "decode by a compiled chart (`file`) as well")
	var rec recordingFlags
	rec.set(fs)
	return func(ctx context.Context, p *program, args []string) (err error) {
		if len(args) != 1 {
			return &usageError{"decode: name one recording (candump -L or candump -ta)"}
		}
		opts := decode.Options{JSON: *asJSON}
		if *chart != "" {
			if opts.Chart, err = readChart(*chart); err != nil {
				return err
			}
		}
		src, err := rec.open(args[0], 0)
		if err != nil {
			return err
		}
		sum, err := decode.Run(ctx, src, p.out, opts)
		if err = errors.Join(err, src.Close()); err != nil {
			return err
		}
		if trouble := src.Trouble(); trouble != nil {
			fmt.Fprintln(p.err, "hourbell-agent: not all could be read:", trouble)
		}
		fmt.Fprintf(p.err, "%d frames of %d groups in %.3f s, %d lost; %d values, %d codes; %d lines could not be read\n", sum.Frames, sum.Groups,
			time.Duration(sum.LastNs-sum.FirstNs).Seconds(), sum.Lost, sum.Values, sum.Codes, src.Counts().Bad)
		return nil
	}
}

func readChart(path string) (*maintenance.Chart, error) {
	b, err := os.ReadFile(path)
	if err != nil {
		return nil, fmt.Errorf("read the chart: %w", err)
	}
	c, err := maintenance.DecodeChart(b)
	if err == nil {
		err = c.Check()
	}
	if err != nil {
		return nil, fmt.Errorf("read the chart %s: %w: give a compiled chart: `hourbell chart compile NAME.points.yaml` writes one", path, err)
	}
	return c, nil
}
