package office_test

import (
	"errors"
	"fmt"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"go.uber.org/goleak"

	"github.com/hourbell/hourbell/internal/store"
	"github.com/hourbell/hourbell/service/fault"
	"github.com/hourbell/hourbell/service/ingest/ingesttest"
	"github.com/hourbell/hourbell/service/office"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

// desk is an office with a clock that the test sets.
type desk struct {
	*office.Office
	store *ingesttest.Memory
	now   time.Time
}

func open(t *testing.T, s *ingesttest.Memory, now time.Time) *desk {
	t.Helper()
	d := &desk{store: s, now: now}
	o, err := office.Open(t.Context(), office.Options{Store: s, Now: func() time.Time { return d.now }})
	require.NoError(t, err)
	d.Office = o
	return d
}

func newDesk(t *testing.T) *desk {
	return open(t, ingesttest.New(), time.Date(2031, 7, 1, 8, 0, 0, 0, time.UTC))
}

// furnished has one customer, site and machine.
func furnished(t *testing.T) *desk {
	d := newDesk(t)
	_, err := d.CreateCustomer(t.Context(), office.Customer{ID: "redbank", Display: "Redbank crew"})
	require.NoError(t, err)
	_, err = d.CreateSite(t.Context(), office.Site{ID: "low-ford", Customer: "redbank", Display: "Low Ford", Zone: "Europe/Kyiv", TurnsAt: 240})
	require.NoError(t, err)
	_, err = d.RegisterMachine(t.Context(), office.Machine{ID: "heron", Display: "The Heron", Customer: "redbank", Site: "low-ford"})
	require.NoError(t, err)
	return d
}

func reason(err error) fault.Reason { return fault.ReasonOf(fault.Status(err)) }

// reopened checks that another office read from the same store says the same.
func (d *desk) reopened(t *testing.T) *desk {
	t.Helper()
	r := open(t, d.store.Reopen(), d.now)
	assert.Equal(t, d.ListCustomers(), r.ListCustomers())
	assert.Equal(t, d.ListSites(""), r.ListSites(""))
	assert.Equal(t, d.ListMachines(""), r.ListMachines(""))
	assert.Equal(t, d.ListEditions(""), r.ListEditions(""))
	assert.Equal(t, d.ListAgents(""), r.ListAgents(""))
	assert.Equal(t, d.ListBearers(), r.ListBearers())
	assert.Equal(t, d.ListPersons(), r.ListPersons())
	return r
}

func TestPlaces(t *testing.T) {
	d := furnished(t)
	_, err := d.PutEdition(t.Context(), office.Edition{Chart: "marsh-runner", Edition: 2, Compiled: []byte{2}, Source: []byte("b"), FileName: "m.points.yaml"})
	require.NoError(t, err)
	_, err = d.PutEdition(t.Context(), office.Edition{Chart: "marsh-runner", Edition: 10, Compiled: []byte{10}, Source: []byte("c")})
	require.NoError(t, err)
	m, err := d.UpdateMachine(t.Context(), office.Machine{ID: "heron", Display: "Heron", Customer: "redbank", Site: "low-ford", Chart: "marsh-runner"})
	require.NoError(t, err)
	assert.Equal(t, "marsh-runner", m.Chart)
	newest, err := d.Edition("marsh-runner", 0)
	require.NoError(t, err)
	assert.EqualValues(t, 10, newest.Edition, "the newest by number, not by text")
	same, err := d.EditionByHash(newest.Hash)
	require.NoError(t, err)
	assert.Equal(t, newest, same)
	d.reopened(t)
}

func TestTheSameAgainWritesNothing(t *testing.T) {
	d := furnished(t)
	before := d.store.Last(office.Stream)
	_, err := d.CreateCustomer(t.Context(), office.Customer{ID: "redbank", Display: "Redbank crew"})
	require.NoError(t, err)
	_, err = d.CreateSite(t.Context(), office.Site{ID: "low-ford", Customer: "redbank", Display: "Low Ford", Zone: "Europe/Kyiv", TurnsAt: 240})
	require.NoError(t, err)
	_, err = d.RegisterMachine(t.Context(), office.Machine{ID: "heron", Display: "The Heron", Customer: "redbank", Site: "low-ford"})
	require.NoError(t, err)
	assert.Equal(t, before, d.store.Last(office.Stream))
}

func TestRefusals(t *testing.T) {
	d := furnished(t)
	ctx := t.Context()
	cases := map[string]struct {
		do     func() error
		reason fault.Reason
		text   string
	}{
		"other customer": {func() error {
			_, err := d.CreateCustomer(ctx, office.Customer{ID: "redbank", Display: "Other"})
			return err
		}, fault.AlreadyExists, "redbank already"},
		"id": {func() error {
			_, err := d.CreateCustomer(ctx, office.Customer{ID: "Red Bank", Display: "x"})
			return err
		}, fault.FieldInvalid, "customer_id"},
		"display": {func() error {
			_, err := d.CreateCustomer(ctx, office.Customer{ID: "x", Display: "\xff"})
			return err
		}, fault.FieldInvalid, "display_name"},
		"zone": {func() error {
			_, err := d.CreateSite(ctx, office.Site{ID: "x", Customer: "redbank", Display: "x", Zone: "Marsh/Ford"})
			return err
		}, fault.FieldInvalid, "time_zone"},
		"turn": {func() error {
			_, err := d.CreateSite(ctx, office.Site{ID: "x", Customer: "redbank", Display: "x", Zone: "Etc/UTC", TurnsAt: 1440})
			return err
		}, fault.FieldInvalid, "turns_at"},
		"site of nobody": {func() error {
			_, err := d.CreateSite(ctx, office.Site{ID: "x", Customer: "nobody", Display: "x", Zone: "Etc/UTC"})
			return err
		}, fault.NotFound, "customer nobody"},
		"machine at no site": {func() error {
			_, err := d.RegisterMachine(ctx, office.Machine{ID: "x", Display: "x", Customer: "redbank", Site: "hill"})
			return err
		}, fault.NotFound, "site hill"},
		"machine with no such chart": {func() error {
			_, err := d.RegisterMachine(ctx, office.Machine{ID: "x", Display: "x", Customer: "redbank", Site: "low-ford", Chart: "none"})
			return err
		}, fault.NotFound, "chart none"},
		"grant at nobody": {func() error { return d.Grant(ctx, "p1", "nobody", "read") }, fault.NotFound, "customer nobody"},
		"life": {func() error {
			_, _, err := d.CreateEnrolment(ctx, "heron", office.Enrolling{Life: time.Second})
			return err
		}, fault.FieldInvalid, "lifetime"},
		"unknown agent": {func() error { _, err := d.SetAgentState(ctx, "x", office.AgentRevoked, ""); return err }, fault.NotFound, "agent x"},
	}
	before := d.store.Last(office.Stream)
	for name, c := range cases {
		t.Run(name, func(t *testing.T) {
			err := c.do()
			require.Error(t, err)
			assert.Equal(t, c.reason, reason(err))
			assert.ErrorContains(t, err, c.text)
		})
	}
	assert.Equal(t, before, d.store.Last(office.Stream), "a refusal changes nothing")
}

func issue(agent, machine string) ([]byte, error) { return []byte("certificate of " + agent), nil }

func TestEnrolment(t *testing.T) {
	d := furnished(t)
	ctx := t.Context()
	token, expires, err := d.CreateEnrolment(ctx, "heron", office.Enrolling{})
	require.NoError(t, err)
	assert.Len(t, token, 32, "160 bits in base 32")
	assert.Equal(t, d.now.Add(72*time.Hour).UnixMilli(), int64(expires))
	first, err := d.TakeEnrolment(ctx, token, [32]byte{1}, issue)
	require.NoError(t, err)
	assert.Equal(t, "heron", first.Machine)

	t.Run("the same key within the hour gets the same answer", func(t *testing.T) {
		d := d.reopened(t)
		d.now = d.now.Add(59 * time.Minute)
		again, err := d.TakeEnrolment(ctx, token, [32]byte{1}, func(string, string) ([]byte, error) { return nil, errors.New("issued twice") })
		require.NoError(t, err)
		assert.True(t, again.Again)
		first.Again = true
		assert.Equal(t, first, again)
	})
	t.Run("later it is refused", func(t *testing.T) {
		d := d.reopened(t)
		d.now = d.now.Add(61 * time.Minute)
		_, err := d.TakeEnrolment(ctx, token, [32]byte{1}, issue)
		assert.Equal(t, fault.TokenUsed, reason(err))
	})
	t.Run("another key is refused", func(t *testing.T) {
		_, err := d.TakeEnrolment(ctx, token, [32]byte{2}, issue)
		assert.Equal(t, fault.TokenUsed, reason(err))
		assert.ErrorContains(t, err, "revoke agent "+first.Agent)
	})
	t.Run("a revoked agent's token gives nothing", func(t *testing.T) {
		d := d.reopened(t)
		_, err := d.SetAgentState(ctx, first.Agent, office.AgentRevoked, "lost")
		require.NoError(t, err)
		_, err = d.TakeEnrolment(ctx, token, [32]byte{1}, issue)
		assert.Equal(t, fault.AgentRevoked, reason(err))
	})
	t.Run("unknown", func(t *testing.T) {
		_, err := d.TakeEnrolment(ctx, "abc", [32]byte{1}, issue)
		assert.Equal(t, fault.TokenUnknown, reason(err))
	})
}

func TestEnrolmentExpires(t *testing.T) {
	d := furnished(t)
	token, expires, err := d.CreateEnrolment(t.Context(), "heron", office.Enrolling{Life: time.Hour})
	require.NoError(t, err)
	d.now = time.UnixMilli(int64(expires)).Add(time.Second)
	_, err = d.TakeEnrolment(t.Context(), token, [32]byte{1}, issue)
	assert.Equal(t, fault.TokenExpired, reason(err))
	d.now = time.UnixMilli(int64(expires))
	_, err = d.TakeEnrolment(t.Context(), token, [32]byte{1}, issue)
	assert.NoError(t, err)
}

func TestSecondBoxOnlyWhereSaid(t *testing.T) {
	d := furnished(t)
	ctx := t.Context()
	early, _, err := d.CreateEnrolment(ctx, "heron", office.Enrolling{})
	require.NoError(t, err)
	token, _, err := d.CreateEnrolment(ctx, "heron", office.Enrolling{})
	require.NoError(t, err)
	first, err := d.TakeEnrolment(ctx, token, [32]byte{1}, issue)
	require.NoError(t, err)
	_, _, err = d.CreateEnrolment(ctx, "heron", office.Enrolling{})
	assert.ErrorContains(t, err, "has the agent "+first.Agent)
	_, err = d.TakeEnrolment(ctx, early, [32]byte{2}, issue)
	assert.ErrorContains(t, err, "has the agent "+first.Agent, "also with a token made before")

	token, _, err = d.CreateEnrolment(ctx, "heron", office.Enrolling{Replace: true})
	require.NoError(t, err)
	_, err = d.Admit(first.Agent, [32]byte{1})
	require.NoError(t, err, "it stands until the other box comes")
	second, err := d.TakeEnrolment(ctx, token, [32]byte{2}, issue)
	require.NoError(t, err)
	_, err = d.Admit(first.Agent, [32]byte{1})
	assert.Equal(t, fault.AgentRevoked, reason(err))
	a, err := d.Admit(second.Agent, [32]byte{2})
	require.NoError(t, err)
	assert.Equal(t, "heron", a.Machine)
	d.reopened(t)
}

func TestAgentStates(t *testing.T) {
	d := furnished(t)
	ctx := t.Context()
	token, _, err := d.CreateEnrolment(ctx, "heron", office.Enrolling{})
	require.NoError(t, err)
	e, err := d.TakeEnrolment(ctx, token, [32]byte{1}, issue)
	require.NoError(t, err)
	changed, version := d.Changed(), d.Version()
	_, err = d.SetAgentState(ctx, e.Agent, office.AgentSuspended, "in the shed")
	require.NoError(t, err)
	<-changed
	assert.Greater(t, d.Version(), version)
	_, err = d.Admit(e.Agent, [32]byte{1})
	assert.Equal(t, fault.AgentSuspended, reason(err))
	_, err = d.SetAgentState(ctx, e.Agent, office.AgentActive, "")
	require.NoError(t, err)
	_, err = d.Admit(e.Agent, [32]byte{1})
	require.NoError(t, err)
	_, err = d.Admit(e.Agent, [32]byte{9})
	assert.Equal(t, fault.AgentUnknown, reason(err), "another key is another box")
	_, err = d.Admit("nobody", [32]byte{1})
	assert.Equal(t, fault.AgentUnknown, reason(err))
	_, err = d.SetAgentState(ctx, e.Agent, office.AgentRevoked, "")
	require.NoError(t, err)
	_, err = d.SetAgentState(ctx, e.Agent, office.AgentActive, "")
	assert.ErrorContains(t, err, "for good")
}

func TestRenewalKeepsTheOldKeyUntilTheNewOneSpoke(t *testing.T) {
	d := furnished(t)
	ctx := t.Context()
	token, _, err := d.CreateEnrolment(ctx, "heron", office.Enrolling{})
	require.NoError(t, err)
	e, err := d.TakeEnrolment(ctx, token, [32]byte{1}, issue)
	require.NoError(t, err)
	require.NoError(t, d.RenewAgent(ctx, e.Agent, [32]byte{2}))
	for _, key := range [][32]byte{{1}, {2}} {
		_, err = d.Admit(e.Agent, key)
		require.NoError(t, err)
	}
	require.NoError(t, d.UseAgentKey(ctx, e.Agent, [32]byte{1}), "speaking with the old key changes nothing")
	_, err = d.Admit(e.Agent, [32]byte{2})
	require.NoError(t, err)
	require.NoError(t, d.UseAgentKey(ctx, e.Agent, [32]byte{2}))
	_, err = d.Admit(e.Agent, [32]byte{1})
	assert.Equal(t, fault.AgentUnknown, reason(err))
	_, err = d.Admit(e.Agent, [32]byte{})
	assert.Equal(t, fault.AgentUnknown, reason(err), "no further key is no key")
	d.reopened(t)
}

func TestPeople(t *testing.T) {
	d := furnished(t)
	ctx := t.Context()
	_, err := d.CreateCustomer(ctx, office.Customer{ID: "hill", Display: "Hill"})
	require.NoError(t, err)
	token, err := d.CreateBearer(ctx, "p1", "phone", time.Hour)
	require.NoError(t, err)
	p, err := d.CheckBearer(token)
	require.NoError(t, err)
	assert.Equal(t, office.Person{ID: "p1"}, p, "a token alone grants nothing")
	require.NoError(t, d.Grant(ctx, "p1", "redbank", "write", "read", "read"))
	p, err = d.CheckBearer(" " + token + "\n")
	require.NoError(t, err)
	assert.Equal(t, []office.Grant{{Customer: "redbank", Permissions: []office.Permission{"read", "write"}}}, p.Grants)
	assert.True(t, p.May("read", "redbank"))
	assert.False(t, p.May("read", "hill"))
	assert.False(t, p.May("read", ""))
	assert.False(t, p.KnowsAny("hill"))
	d.reopened(t)

	require.NoError(t, d.Grant(ctx, "p1", "", "read"))
	p = d.Person("p1")
	assert.True(t, p.May("read", "hill"))
	assert.False(t, p.May("write", "hill"))
	require.NoError(t, d.Grant(ctx, "p1", ""))
	p = d.Person("p1")
	assert.False(t, p.May("read", "hill"))

	_, err = d.CheckBearer("wrong")
	unknown := err
	assert.Equal(t, fault.NotSignedIn, reason(err))
	d.now = d.now.Add(2 * time.Hour)
	_, err = d.CheckBearer(token)
	assert.Equal(t, unknown.Error(), err.Error(), "expired and unknown read alike")
	d.now = d.now.Add(-2 * time.Hour)
	require.NoError(t, d.EndBearer(ctx, d.ListBearers()[0].Token))
	_, err = d.CheckBearer(token)
	assert.Equal(t, fault.NotSignedIn, reason(err))
}

func TestNothingSecretIsJournalled(t *testing.T) {
	d := furnished(t)
	ctx := t.Context()
	bearer, err := d.CreateBearer(ctx, "p1", "phone", 0)
	require.NoError(t, err)
	token, _, err := d.CreateEnrolment(ctx, "heron", office.Enrolling{})
	require.NoError(t, err)
	_, err = d.TakeEnrolment(ctx, token, [32]byte{1}, issue)
	require.NoError(t, err)
	n := 0
	require.NoError(t, d.store.Read(ctx, office.Stream, 1, func(e store.Entry) bool {
		n++
		assert.NotContains(t, string(e.Received), bearer)
		assert.NotContains(t, string(e.Received), token)
		return true
	}))
	assert.Equal(t, 6, n)
}

func TestAWriteThatFailsStopsTheOffice(t *testing.T) {
	d := furnished(t)
	d.store.DieAt(1, false)
	_, err := d.CreateCustomer(t.Context(), office.Customer{ID: "hill", Display: "Hill"})
	assert.Equal(t, fault.JournalStopped, reason(err))
	assert.ErrorIs(t, err, store.ErrBroken)
	_, err = d.Customer("hill")
	assert.Equal(t, fault.NotFound, reason(err), "what is not on disk is not said")
	_, err = d.CreateCustomer(t.Context(), office.Customer{ID: "hill", Display: "Hill"})
	assert.Equal(t, fault.JournalStopped, reason(err))
	_, err = d.Customer("redbank")
	assert.NoError(t, err)
}

func TestTogether(t *testing.T) {
	d := furnished(t)
	var wg sync.WaitGroup
	for i := range 8 {
		wg.Go(func() {
			for range 20 {
				_, err := d.CreateCustomer(t.Context(), office.Customer{ID: fmt.Sprintf("c%d", i%3), Display: "C"})
				assert.NoError(t, err)
				d.ListCustomers()
				d.Person("p1")
			}
		})
	}
	wg.Wait()
	assert.Len(t, d.ListCustomers(), 4)
}
