package main

import (
	"context"
	"crypto/rand"
	"errors"
	"flag"
	"fmt"
	"time"

	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"

	"github.com/hourbell/hourbell/agent/enrol"
)

// enrolWithin is how long an enrolment may take.
const enrolWithin = time.Minute

func enrolFlags(fs *flag.FlagSet) func(context.Context, *program, []string) error {
	data := folderFlag(fs)
	address := fs.String("address", "", "the service's `host:port` for enrolments")
	fingerprint := fs.String("fingerprint", "", "the service's fingerprint, `64 hex digits`")
	token := fs.String("token", "", "the one-time `token`")
	return func(ctx context.Context, p *program, args []string) error {
		if err := none("enrol", args); err != nil {
			return err
		}
		for name, v := range map[string]string{"address": *address, "fingerprint": *fingerprint, "token": *token} {
			if v == "" {
				return &usageError{fmt.Sprintf("enrol: --%s is needed: `hourbell enrol MACHINE` at the service prints the whole line", name)}
			}
		}
		d := folder(*data)
		if err := d.make(); err != nil {
			return err
		}
		ctx, cancel := context.WithTimeout(ctx, enrolWithin)
		defer cancel()
		id, err := enrol.Enrol(ctx, enrol.Request{Dir: d.identity(), Address: *address, Fingerprint: *fingerprint, Token: *token, Rand: rand.Reader, Now: bestTime})
		if err != nil {
			return told(err, *address)
		}
		fmt.Fprintf(p.out, "This box is machine %s's now, as agent %s. Its certificate is good until %s and is renewed by itself.\n"+
			"It reaches the service at %s. An agent that runs already takes this up when it is started again. Next:\n\n  hourbell-agent run --data %s --can can0\n",
			id.Machine, id.Agent, id.Expires().UTC().Format(time.DateOnly), id.Address, d)
		return nil
	}
}

// told puts what the service at an address said, or that it was not reached, in
// words without the protocol's.
func told(err error, address string) error {
	var carrier interface{ GRPCStatus() *status.Status }
	if !errors.As(err, &carrier) {
		return err
	}
	s := carrier.GRPCStatus()
	switch s.Code() {
	case codes.Unavailable:
		return fmt.Errorf("enrol at %s: it can't be reached: %s; nothing was changed: try again where there is a signal, with the line as it was printed", address, s.Message())
	case codes.Unimplemented:
		return fmt.Errorf("enrol at %s: that is not the address for enrolments (%s); `hourbell enrol MACHINE` at the service prints it", address, s.Message())
	}
	return fmt.Errorf("enrol at %s: %s", address, s.Message())
}

// bestTime judges certificates where nothing better is known: a box's clock may
// be in the past, but not before this program was built.
func bestTime() time.Time {
	_, at := build()
	if now := time.Now(); now.After(at) {
		return now
	}
	return at
}
