package office_test

import (
	"fmt"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"github.com/hourbell/hourbell/internal/maintenance/civil"
	"github.com/hourbell/hourbell/internal/maintenance/moment"
	"github.com/hourbell/hourbell/service/fault"
	"github.com/hourbell/hourbell/service/office"
)

// workshop is a furnished office with a second customer, site and machine, a
// crew and a header on the first machine's hook.
func workshop(t *testing.T) *desk {
	t.Helper()
	d, ctx := furnished(t), t.Context()
	_, err := d.CreateCustomer(ctx, office.Customer{ID: "sallow", Display: "Sallow farm"})
	require.NoError(t, err)
	_, err = d.CreateSite(ctx, office.Site{ID: "sallow-yard", Customer: "sallow", Display: "Sallow yard", Zone: "Etc/UTC"})
	require.NoError(t, err)
	_, err = d.RegisterMachine(ctx, office.Machine{ID: "bittern", Display: "The Bittern", Customer: "redbank", Site: "low-ford"})
	require.NoError(t, err)
	_, err = d.CreateCrew(ctx, office.Crew{ID: "night", Customer: "redbank", Display: "Night crew"})
	require.NoError(t, err)
	_, err = d.CreateAttachment(ctx, office.Attachment{ID: "reel-2", Customer: "redbank", Display: "The wide one", Kind: "header"})
	require.NoError(t, err)
	return d
}

// workReopened is reopened for what this file is about.
func (d *desk) workReopened(t *testing.T) *desk {
	t.Helper()
	r := d.reopened(t)
	assert.Equal(t, d.ListCrews(""), r.ListCrews(""))
	assert.Equal(t, d.ListShifts(""), r.ListShifts(""))
	assert.Equal(t, d.ListSeasons(""), r.ListSeasons(""))
	assert.Equal(t, d.ListAttachments(""), r.ListAttachments(""))
	assert.Equal(t, d.Movings(), r.Movings())
	assert.Equal(t, d.HandingsOver(), r.HandingsOver())
	for _, m := range d.ListMachines("") {
		assert.Equal(t, d.UntoldSeasons(m.ID), r.UntoldSeasons(m.ID), m.ID)
	}
	return r
}

func on(t *testing.T, y, m, d int) civil.Date {
	t.Helper()
	date, ok := civil.Of(y, m, d)
	require.True(t, ok)
	return date
}

func TestCrewsShiftsAndParts(t *testing.T) {
	d, ctx := workshop(t), t.Context()
	for _, p := range []string{"wren", "alder", "wren"} {
		_, err := d.SetCrewMember(ctx, "night", p, false)
		require.NoError(t, err)
	}
	c, err := d.Crew("night")
	require.NoError(t, err)
	assert.Equal(t, []string{"alder", "wren"}, c.Members)
	gone, err := d.SetCrewMember(ctx, "night", "alder", true)
	require.NoError(t, err)
	assert.Equal(t, []string{"wren"}, gone.Members)
	assert.Equal(t, []string{"alder", "wren"}, c.Members, "who holds the old list keeps it")

	s := office.Shift{ID: "nights", Crew: "night", From: 21 * 60, To: 5 * 60, Days: office.EveryDay, Quiet: true}
	_, err = d.SetShift(ctx, s)
	require.NoError(t, err)
	s.Quiet = false
	_, err = d.SetShift(ctx, s)
	require.NoError(t, err, "it can be changed")
	_, err = d.SetShift(ctx, office.Shift{ID: "yard", Site: "sallow-yard", From: 420, To: 960, Days: 0b11111})
	require.NoError(t, err)
	assert.Equal(t, []office.Shift{s}, d.ListShifts("redbank"))
	got, customer, err := d.Shift("yard")
	require.NoError(t, err)
	assert.Equal(t, "sallow", customer)
	assert.EqualValues(t, 420, got.From)

	require.NoError(t, d.SetPart(ctx, "wren", office.Technician))
	assert.Equal(t, office.Technician, d.Part("wren"))
	assert.Equal(t, office.Part(""), d.Part("alder"))
	r := d.workReopened(t)
	assert.Equal(t, office.Technician, r.Part("wren"))
	require.NoError(t, d.EndShift(ctx, "nights"))
	require.NoError(t, d.SetPart(ctx, "wren", ""))
	r = d.workReopened(t)
	assert.Empty(t, r.ListShifts("redbank"))
	assert.Equal(t, office.Part(""), r.Part("wren"))
}

// TestSeasons spans New Year, is announced ahead, moved, and moved back.
func TestSeasons(t *testing.T) {
	d, ctx := workshop(t), t.Context()
	say := func(open bool, date civil.Date) office.Season {
		t.Helper()
		s, err := d.SaySeason(ctx, office.SeasonWord{Site: "low-ford", Season: "2031", Crop: "beans", Open: open, Date: date})
		require.NoError(t, err)
		return s
	}
	november, january := on(t, 2031, 11, 20), on(t, 2032, 1, 17)
	say(true, november)
	assert.Equal(t, office.Season{Site: "low-ford", Season: "2031", Crop: "beans", Opens: november, Closes: january}, say(false, january))
	before := d.store.Last(office.Stream)
	say(true, november)
	assert.Equal(t, before, d.store.Last(office.Stream), "the same again writes nothing")

	untold := d.UntoldSeasons("heron")
	require.Len(t, untold, 2)
	assert.True(t, untold[0].Open)
	assert.False(t, untold[1].Open)
	assert.Empty(t, d.UntoldSeasons("nobody"))
	require.NoError(t, d.SeasonTold(ctx, untold[0], "heron"))
	require.NoError(t, d.SeasonTold(ctx, untold[0], "heron", "bittern"))
	assert.Equal(t, untold[1:], d.UntoldSeasons("heron"))
	assert.Equal(t, untold[1:], d.UntoldSeasons("bittern"))
	d.workReopened(t)

	later := on(t, 2031, 11, 25)
	say(true, later)
	say(true, november)
	again := d.UntoldSeasons("heron")
	require.Len(t, again, 2, "the day between is of no use any more")
	assert.Equal(t, november, again[1].Date)
	assert.NotEqual(t, untold[0], again[1], "it is said a second time, and has to be told a second time")
	d.workReopened(t)

	_, err := d.RegisterMachine(ctx, office.Machine{ID: "curlew", Display: "Curlew", Customer: "redbank", Site: "low-ford"})
	require.NoError(t, err)
	assert.Len(t, d.UntoldSeasons("curlew"), 2, "who comes later is told what stands")

	require.NoError(t, d.SeasonTold(ctx, again[0], "heron"))
	require.NoError(t, d.SeasonTold(ctx, again[1], "heron"))
	assert.Equal(t, civil.None, say(false, civil.None).Closes)
	say(true, civil.None)
	assert.Empty(t, d.ListSeasons(""), "it is taken back")
	assert.Len(t, d.UntoldSeasons("heron"), 2, "from who knows of it")
	assert.Empty(t, d.UntoldSeasons("curlew"))
	d.workReopened(t)
}

func TestAnAttachmentMoves(t *testing.T) {
	d, ctx := workshop(t), t.Context()
	move := office.Moving{Attachment: "reel-2", To: "heron", Key: [16]byte{1}, At: moment.At(5), On: []byte("on")}
	require.NoError(t, d.MoveAttachment(ctx, move))
	got, underWay := d.Moving("reel-2")
	require.True(t, underWay)
	assert.Equal(t, move, got)
	a, err := d.Attachment("reel-2")
	require.NoError(t, err)
	assert.Equal(t, "heron", a.Machine, "it is there at once")
	assert.ErrorContains(t, d.MoveAttachment(ctx, office.Moving{Attachment: "reel-2", From: "heron", To: "bittern"}), "on its way already")
	d.workReopened(t)
	require.NoError(t, d.AttachmentMoved(ctx, "reel-2", [16]byte{9}), "another way than the one that was begun")
	assert.Len(t, d.Movings(), 1)
	require.NoError(t, d.AttachmentMoved(ctx, "reel-2", [16]byte{1}))
	assert.Empty(t, d.Movings())

	_, err = d.CreateAttachment(ctx, office.Attachment{ID: "reel-3", Customer: "redbank", Display: "The narrow one", Kind: "header"})
	require.NoError(t, err)
	assert.ErrorContains(t, d.MoveAttachment(ctx, office.Moving{Attachment: "reel-3", To: "heron"}), "machine heron has the header reel-2 on; take that off first")
	assert.ErrorContains(t, d.MoveAttachment(ctx, office.Moving{Attachment: "reel-2", To: "bittern"}), "moved by another since")
	d.workReopened(t)
}

func TestAMachineIsHandedOver(t *testing.T) {
	d, ctx := workshop(t), t.Context()
	require.NoError(t, d.MoveAttachment(ctx, office.Moving{Attachment: "reel-2", To: "heron", Key: [16]byte{1}}))
	require.NoError(t, d.AttachmentMoved(ctx, "reel-2", [16]byte{1}))
	_, err := d.HandOver(ctx, "heron", "sallow-yard", [16]byte{7}, false)
	assert.ErrorContains(t, err, "machine heron has reel-2 on, of the customer before; take it off first, or hand it over with the machine")
	h, err := d.HandOver(office.By(ctx, "keeper"), "heron", "sallow-yard", [16]byte{7}, true)
	require.NoError(t, err)
	assert.Equal(t, office.HandingOver{Machine: "heron", Customer: "sallow", Site: "sallow-yard", Key: [16]byte{7}, At: moment.Instant(d.now.UnixMilli()), Attachments: []string{"reel-2"}, Person: "keeper"}, h)
	m, err := d.Machine("heron")
	require.NoError(t, err)
	assert.Equal(t, "sallow", m.Customer)
	a, err := d.Attachment("reel-2")
	require.NoError(t, err)
	assert.Equal(t, "sallow", a.Customer)
	again, err := d.HandOver(ctx, "heron", "sallow-yard", [16]byte{8}, true)
	require.NoError(t, err)
	assert.Equal(t, h, again, "what was begun is to be finished first")
	d.workReopened(t)
	require.NoError(t, d.HandedOver(ctx, "heron", h.Key))
	assert.Empty(t, d.HandingsOver())
	none, err := d.HandOver(ctx, "heron", "sallow-yard", [16]byte{9}, true)
	require.NoError(t, err)
	assert.Zero(t, none, "it is there already")
	d.workReopened(t)
}

func TestRowsOfAFleetAreTakenOnce(t *testing.T) {
	d, ctx := workshop(t), t.Context()
	require.NoError(t, d.FleetTaken(ctx, [32]byte{1}, [32]byte{2}))
	before := d.store.Last(office.Stream)
	require.NoError(t, d.FleetTaken(ctx, [32]byte{2}))
	assert.Equal(t, before, d.store.Last(office.Stream))
	r := d.workReopened(t)
	assert.True(t, r.HasFleetRow([32]byte{1}) && r.HasFleetRow([32]byte{2}))
	assert.False(t, r.HasFleetRow([32]byte{3}))
}

func TestWorkRefusals(t *testing.T) {
	d, ctx := workshop(t), t.Context()
	season := func(w office.SeasonWord) func() error {
		return func() error { _, err := d.SaySeason(ctx, w); return err }
	}
	shift := func(s office.Shift) func() error {
		return func() error { _, err := d.SetShift(ctx, s); return err }
	}
	july := on(t, 2031, 7, 14)
	_, err := d.SaySeason(ctx, office.SeasonWord{Site: "low-ford", Season: "2031", Open: true, Date: july})
	require.NoError(t, err)
	cases := map[string]struct {
		do     func() error
		reason fault.Reason
		text   string
	}{
		"crew of nobody": {func() error {
			_, err := d.CreateCrew(ctx, office.Crew{ID: "x", Customer: "nobody", Display: "x"})
			return err
		}, fault.NotFound, "customer nobody"},
		"another crew": {func() error {
			_, err := d.CreateCrew(ctx, office.Crew{ID: "night", Customer: "redbank", Display: "x"})
			return err
		}, fault.AlreadyExists, "crew night"},
		"member of no crew": {func() error { _, err := d.SetCrewMember(ctx, "x", "wren", false); return err }, fault.NotFound, "crew x"},
		"no pseudonym":      {func() error { _, err := d.SetCrewMember(ctx, "night", "Wren!", false); return err }, fault.FieldInvalid, "pseudonym"},
		"part":              {func() error { return d.SetPart(ctx, "wren", "boss") }, fault.FieldInvalid, "say operator, technician or dealer"},
		"shift of both":     {shift(office.Shift{ID: "x", Crew: "night", Site: "low-ford", To: 1, Days: 1}), fault.FieldInvalid, "name one of the two"},
		"shift of none":     {shift(office.Shift{ID: "x", To: 1, Days: 1}), fault.FieldInvalid, "name one of the two"},
		"no length":         {shift(office.Shift{ID: "x", Crew: "night", Days: 1}), fault.FieldInvalid, "ends when it begins"},
		"no day":            {shift(office.Shift{ID: "x", Crew: "night", To: 1}), fault.FieldInvalid, "no day of the week"},
		"no such minute":    {shift(office.Shift{ID: "x", Crew: "night", From: 1440, Days: 1}), fault.FieldInvalid, "1440"},
		"no such crew":      {shift(office.Shift{ID: "x", Crew: "x", To: 1, Days: 1}), fault.NotFound, "crew x"},
		"no shift":          {func() error { return d.EndShift(ctx, "x") }, fault.NotFound, "shift x"},
		"season nowhere":    {season(office.SeasonWord{Site: "x", Season: "2031", Open: true, Date: july}), fault.NotFound, "site x"},
		"no name":           {season(office.SeasonWord{Site: "low-ford", Open: true, Date: july}), fault.FieldInvalid, "can't be a name"},
		"no date":           {season(office.SeasonWord{Site: "low-ford", Season: "2031", Open: true, Date: civil.Last + 1}), fault.FieldInvalid, "no day of the calendar"},
		"never opened":      {season(office.SeasonWord{Site: "low-ford", Season: "2031", Crop: "rye", Date: july}), fault.FieldInvalid, "season 2031 of rye was never opened"},
		"closed before":     {season(office.SeasonWord{Site: "low-ford", Season: "2031", Date: july - 1}), fault.FieldInvalid, "opens on 2031-07-14"},
		"moved to another's": {func() error {
			_, err := d.RegisterMachine(ctx, office.Machine{ID: "x", Display: "x", Customer: "sallow", Site: "sallow-yard"})
			require.NoError(t, err)
			return d.MoveAttachment(ctx, office.Moving{Attachment: "reel-2", To: "x"})
		}, fault.FieldInvalid, "of another customer"},
		"moved nowhere":    {func() error { return d.MoveAttachment(ctx, office.Moving{Attachment: "reel-2", To: "nothing"}) }, fault.NotFound, "machine nothing"},
		"handed to nobody": {func() error { _, err := d.HandOver(ctx, "heron", "x", [16]byte{1}, false); return err }, fault.NotFound, "site x"},
	}
	for name, c := range cases {
		t.Run(name, func(t *testing.T) {
			before := fmt.Sprint(d.ListCrews(""), d.ListShifts(""), d.ListSeasons(""), d.ListAttachments(""))
			err := c.do()
			assert.Equal(t, c.reason, reason(err), "%v", err)
			assert.ErrorContains(t, err, c.text)
			assert.Equal(t, before, fmt.Sprint(d.ListCrews(""), d.ListShifts(""), d.ListSeasons(""), d.ListAttachments("")))
		})
	}
}
