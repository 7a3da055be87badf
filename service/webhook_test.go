package service_test

import (
	"encoding/json"
	"io"
	"net/http"
	"net/http/httptest"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	pb "github.com/hourbell/hourbell/proto/hourbell/v1"
	"github.com/hourbell/hourbell/service"
	"github.com/hourbell/hourbell/service/notify"
)

const secret = "whsec_bWV0ZXItdGVzdC1rZXktMDEyMzQ1Njc4OWFiY2RlZg=="

// TestANoticeGoesOutSignedOnceAndItsFateIsJournalled, also over a restart.
func TestANoticeGoesOutSignedOnceAndItsFateIsJournalled(t *testing.T) {
	type post struct {
		header http.Header
		body   []byte
	}
	posts := make(chan post, 100)
	far := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, q *http.Request) {
		body, _ := io.ReadAll(q.Body)
		posts <- post{q.Header, body}
	}))
	t.Cleanup(func() { far.CloseClientConnections(); far.Close() })
	hook := func(o *service.Options) { o.Webhooks = []notify.WebhookOptions{{URL: far.URL, Secret: secret}} }
	r := start(t, hook)
	r.fleet()
	r.read("ossa-1", 1000, 10*day)
	_, err := pb.NewServiceRecordServiceClient(r.conn).CreateServiceRecord(r.ctx, &pb.CreateServiceRecordRequest{Parent: "machines/ossa-1", Record: &pb.ServiceRecord{Round: "hour-50", DoneMoment: r.moment(10 * day)}})
	require.NoError(t, err)
	r.read("ossa-1", 1051, 6*time.Hour)

	p := <-posts
	var e struct {
		ID, Source string
		Data       struct {
			Notices []struct{ ID, Name, Stage, Text string }
		}
	}
	require.NoError(t, json.Unmarshal(p.body, &e))
	require.Len(t, e.Data.Notices, 1)
	n := e.Data.Notices[0]
	assert.Equal(t, "due", n.Stage)
	assert.Equal(t, n.ID, p.header.Get("webhook-id"), "the idempotency key is the notice's id")
	assert.True(t, strings.HasPrefix(p.header.Get("webhook-signature"), "v1,"))
	assert.True(t, strings.HasPrefix(e.Source, "/hourbell/"))

	// Its fate stands in the notice, on both channels, once it is on disk.
	w, err := pb.NewWatchServiceClient(r.conn).Watch(r.ctx, &pb.WatchRequest{Machines: []string{"machines/ossa-1"}})
	require.NoError(t, err)
	var channels []string
	for len(channels) < 2 {
		recv(t, w)
		a, err := pb.NewNoticeServiceClient(r.conn).GetNotice(r.ctx, &pb.GetNoticeRequest{Name: n.Name})
		require.NoError(t, err)
		channels = nil
		for _, d := range a.Notice.Deliveries {
			assert.Equal(t, pb.NoticeFateWord_NOTICE_FATE_WORD_DELIVERED, d.Word)
			channels = append(channels, d.Channel)
		}
	}
	assert.ElementsMatch(t, []string{"log", "webhook"}, channels)
	assert.Contains(t, r.log.String(), n.Text)
	r.stop()

	again := startIn(t, r.data, hook)
	again.read("ossa-1", 1055.5, 0) // overdue: another stage, another notice
	p = <-posts
	require.NoError(t, json.Unmarshal(p.body, &e))
	assert.Equal(t, "overdue", e.Data.Notices[0].Stage)
	assert.NotEqual(t, n.ID, e.Data.Notices[0].ID)
	again.stop()
	assert.Empty(t, posts, "each notice once")
}
