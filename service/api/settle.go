package api

import (
	"context"
	"errors"
	"fmt"
	"time"

	"github.com/hourbell/hourbell/internal/maintenance"
	"github.com/hourbell/hourbell/internal/maintenance/civil"
	"github.com/hourbell/hourbell/internal/maintenance/moment"
	"github.com/hourbell/hourbell/internal/wire"
	"github.com/hourbell/hourbell/service/fault"
	"github.com/hourbell/hourbell/service/office"
)

// settleEvery is how often what could not be finished is tried again.
const settleEvery = 10 * time.Minute

// KeepSettled finishes what the office has begun and machines' streams don't have
// yet: at the start what a crash left, and now and then what a machine that can't
// be worked on held up. It runs until ctx ends.
func (a *API) KeepSettled(ctx context.Context) error {
	tick := time.NewTicker(settleEvery)
	defer tick.Stop()
	for {
		if err := a.Settle(ctx); err != nil && ctx.Err() == nil {
			a.o.Log.Error("what the office has begun is not finished; it is tried again", "every", settleEvery, "error", err)
		}
		select {
		case <-ctx.Done():
			return nil
		case <-tick.C:
		}
	}
}

// Settle finishes moves of attachments, hand-overs and the telling of seasons
// that were begun. One machine holds up no other; the errors are those that were
// left.
func (a *API) Settle(ctx context.Context) error {
	var errs []error
	for _, m := range a.o.Office.Movings() {
		errs = append(errs, a.finishMoving(ctx, m.Attachment))
	}
	for _, h := range a.o.Office.HandingsOver() {
		errs = append(errs, a.finishHandingOver(ctx, h.Machine))
	}
	var machines []string
	for _, m := range a.o.Office.ListMachines("") {
		machines = append(machines, m.ID)
	}
	_, err := a.tellSeasons(ctx, machines...)
	return errors.Join(append(errs, err)...)
}

// tellSeasons tells machines what was said of their sites' seasons and they don't
// know yet, and gives how many know all of it now. One that is just being
// commissioned is told when that is done.
func (a *API) tellSeasons(ctx context.Context, machines ...string) (known int, err error) {
	a.settling.Lock()
	defer a.settling.Unlock()
	var order []office.SeasonWord
	told := map[office.SeasonWord][]string{}
	var errs []error
	for _, id := range machines {
		complete := true
		for _, w := range a.o.Office.UntoldSeasons(id) {
			if err := a.tellSeason(ctx, id, w); err != nil {
				if !isUnknown(err) {
					errs = append(errs, fmt.Errorf("tell machine %s of a season: %w", id, err))
				}
				complete = false
				break
			}
			if told[w] == nil {
				order = append(order, w)
			}
			told[w] = append(told[w], id)
		}
		if complete {
			known++
		}
	}
	for _, w := range order {
		errs = append(errs, a.o.Office.SeasonTold(ctx, w, told[w]...))
	}
	return known, errors.Join(errs...)
}

// tellSeason brings one word to one machine's stream. A machine that came from
// another site may know a season of the same name with other days: those are
// taken back first. What the domain refuses all the same it would refuse for ever.
func (a *API) tellSeason(ctx context.Context, machine string, w office.SeasonWord) error {
	err := a.actSeason(ctx, machine, w)
	if err == nil || !isRefusal(err) {
		return err
	}
	other := w
	other.Open, other.Date = !w.Open, civil.None
	if err := a.actSeason(ctx, machine, other, w.Date.String()); err != nil && !isRefusal(err) {
		return err
	}
	if err = a.actSeason(ctx, machine, w); err != nil && isRefusal(err) {
		a.o.Log.WarnContext(ctx, "a machine does not take what was said of a season", "machine", machine, "site", w.Site, "season", w.Season, "error", err)
		return nil
	}
	return err
}

// actSeason offers one word. Its key is made of what it says, so that a second
// telling is no second event; more is what else tells it from others.
func (a *API) actSeason(ctx context.Context, machine string, w office.SeasonWord, more ...string) error {
	verb := "close"
	if w.Open {
		verb = "open"
	}
	parts := append([]string{"season", w.Site, w.Season, w.Crop, verb, w.Date.String()}, more...)
	if w.Again > 0 {
		parts = append(parts, fmt.Sprint(w.Again))
	}
	body := &maintenance.Season{Season: w.Season, Crop: w.Crop, Open: w.Open, Date: w.Date, Person: a.o.Office.SaidBy(w)}
	_, err := a.o.Ingest.Act(ctx, machine, maintenance.ServiceKey(parts...).Stream, moment.At(a.now()), body)
	return err
}

// finishMoving brings both events of an attachment's way to their streams.
func (a *API) finishMoving(ctx context.Context, attachment string) error {
	a.settling.Lock()
	defer a.settling.Unlock()
	m, underWay := a.o.Office.Moving(attachment)
	if !underWay {
		return nil
	}
	var refused []error
	for _, one := range []struct {
		machine  string
		received []byte
	}{{m.From, m.Off}, {m.To, m.On}} {
		if one.machine == "" {
			continue
		}
		err := a.bring(ctx, one.machine, m.Key, m.At, one.received)
		if err != nil && !isRefusal(err) {
			return fmt.Errorf("move attachment %s: %w", attachment, err)
		}
		refused = append(refused, err)
	}
	// What is refused now is refused for ever: the way ends, and it is said.
	return errors.Join(append(refused, a.o.Office.AttachmentMoved(ctx, attachment, m.Key))...)
}

// bring offers an event that was serialised before. The same again is no second
// event.
func (a *API) bring(ctx context.Context, machine string, key [16]byte, at moment.Span, received []byte) error {
	_, body, err := wire.Unmarshal(received)
	if err != nil {
		return fmt.Errorf("read the event for machine %s: %w", machine, err)
	}
	_, err = a.o.Ingest.Act(ctx, machine, key, at, body)
	return err
}

// finishHandingOver brings a hand-over to the machine's stream.
func (a *API) finishHandingOver(ctx context.Context, machine string) error {
	a.settling.Lock()
	defer a.settling.Unlock()
	h, underWay := a.o.Office.HandingOver(machine)
	if !underWay {
		return nil
	}
	site, err := a.o.Office.Site(h.Site)
	if err != nil {
		return err
	}
	_, err = a.o.Ingest.Act(ctx, machine, h.Key, moment.At(h.At), handedOver(site, h.Person))
	if err != nil && !isRefusal(err) {
		return fmt.Errorf("hand machine %s over: %w", machine, err)
	}
	return errors.Join(err, a.o.Office.HandedOver(ctx, machine, h.Key))
}

func handedOver(site office.Site, person string) *maintenance.HandedOver {
	return &maintenance.HandedOver{Customer: site.Customer, Site: site.ID, Zone: site.Zone, TurnsAt: site.TurnsAt, Person: person}
}

// isRefusal reports whether the domain said no, and would say so again.
func isRefusal(err error) bool {
	reason := fault.Of(err).Reason
	return reason == fault.Refused || reason == fault.FieldInvalid
}

// wouldTake asks the domain about an event before anything is made of it.
func (a *API) wouldTake(ctx context.Context, machine string, key [16]byte, writer maintenance.Writer, at moment.Span, body maintenance.Body) error {
	if _, err := wire.Marshal(nil, wire.Stamp{Time: at.NotBefore}, body); err != nil {
		return fault.New(fault.Refused, "it can't be written down: "+err.Error())
	}
	var v maintenance.Verdict
	err := a.view(ctx, machine, func(st *maintenance.State) {
		v = maintenance.Admit(st, wire.Event(maintenance.Key{Stream: key}, writer, at, a.now(), [32]byte{}, body))
	})
	if err != nil || v.Word != maintenance.VerdictRefuse {
		return err
	}
	return &office.Refused{Field: v.Field, Why: v.Why, Fix: v.Do}
}
