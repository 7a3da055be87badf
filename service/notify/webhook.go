package notify

import (
	"bytes"
	"context"
	"crypto/hmac"
	"crypto/sha256"
	"encoding/base64"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net"
	"net/http"
	"net/netip"
	"net/url"
	"strconv"
	"strings"
	"syscall"
	"time"

	"github.com/hourbell/hourbell/internal/maintenance/moment"
)

// The limits of a webhook (Standard Webhooks 1.0.0: a secret of 24 to 64 bytes,
// a body under 20 kB, an answer within 15 to 30 s).
const (
	minSecret  = 24
	maxSecret  = 64
	maxBody    = 20_000
	answerTime = 20 * time.Second
	maxAfter   = 24 * time.Hour
)

// eventType is the CloudEvents type of a message.
const eventType = "com.github.hourbell.notices.v1"

// WebhookOptions say where messages are posted and how they are signed.
type WebhookOptions struct {
	// Name of the channel, "webhook" where empty.
	Name string
	// URL is https, or http on a loopback address.
	URL string
	// Secret is "whsec_" and 24 to 64 bytes in base64.
	Secret string
	// Source is the CloudEvents source: who sends, unique to this service.
	Source string
	// AllowPrivate lets messages go to private and link-local addresses, and
	// without TLS: for a receiver in the same house.
	AllowPrivate bool
	// Now stamps the attempts, time.Now where nil.
	Now func() time.Time
	// Client posts, for tests; nil for one that keeps to the addresses allowed.
	Client *http.Client
}

// Webhook posts messages: CloudEvents 1.0 in structured JSON, signed as Standard
// Webhooks 1.0 says.
type Webhook struct {
	o      WebhookOptions
	secret []byte
}

// NewWebhook returns the channel. It refuses a URL that is neither https nor
// loopback, and a secret out of form.
func NewWebhook(o WebhookOptions) (*Webhook, error) {
	secret, err := ParseSecret(o.Secret)
	if err != nil {
		return nil, err
	}
	if err := checkURL(o.URL, o.AllowPrivate); err != nil {
		return nil, err
	}
	if o.Name == "" {
		o.Name = "webhook"
	}
	if o.Now == nil {
		o.Now = time.Now
	}
	if o.Client == nil {
		o.Client = guardedClient(o.AllowPrivate)
	}
	return &Webhook{o: o, secret: secret}, nil
}

// ParseSecret reads a secret, "whsec_" and base64.
func ParseSecret(s string) ([]byte, error) {
	secret, err := base64.StdEncoding.DecodeString(strings.TrimPrefix(s, "whsec_"))
	if err != nil || !strings.HasPrefix(s, "whsec_") || len(secret) < minSecret || len(secret) > maxSecret {
		return nil, fmt.Errorf("webhook secret: want whsec_ and %d to %d bytes in base64; make one with `printf whsec_; head -c 32 /dev/urandom | base64`", minSecret, maxSecret)
	}
	return secret, nil
}

// Sign gives the signature of one attempt: the id, the attempt's Unix seconds
// and the body, joined by dots, under HMAC-SHA256.
func Sign(secret []byte, id string, unix int64, body []byte) string {
	mac := hmac.New(sha256.New, secret)
	fmt.Fprintf(mac, "%s.%d.", id, unix)
	mac.Write(body)
	return "v1," + base64.StdEncoding.EncodeToString(mac.Sum(nil))
}

// Name is the channel's name.
func (w *Webhook) Name() string { return w.o.Name }

// Send posts the message once.
func (w *Webhook) Send(ctx context.Context, m *Message) error {
	body, err := w.body(m)
	if err != nil {
		return err
	}
	ctx, cancel := context.WithTimeout(ctx, answerTime)
	defer cancel()
	req, err := http.NewRequestWithContext(ctx, http.MethodPost, w.o.URL, bytes.NewReader(body))
	if err != nil {
		return fmt.Errorf("make the webhook's request: %w", err)
	}
	unix := w.o.Now().Unix()
	req.Header.Set("Content-Type", "application/cloudevents+json; charset=utf-8")
	req.Header.Set("User-Agent", "hourbell")
	req.Header.Set("webhook-id", m.ID)
	req.Header.Set("webhook-timestamp", strconv.FormatInt(unix, 10))
	req.Header.Set("webhook-signature", Sign(w.secret, m.ID, unix, body))
	answer, err := w.o.Client.Do(req)
	if err != nil {
		return &DownError{Cause: err}
	}
	_, _ = io.Copy(io.Discard, io.LimitReader(answer.Body, 64<<10)) // so that the connection can be used again
	return errors.Join(w.judge(answer), answer.Body.Close())
}

// judge says what an answer means: 2xx delivered, 410 no more, 429 and 5xx down
// for now, everything else, redirects too, a refusal.
func (w *Webhook) judge(a *http.Response) error {
	switch code := a.StatusCode; {
	case code >= 200 && code < 300:
		return nil
	case code == http.StatusGone:
		return ErrGone
	case code == http.StatusTooManyRequests, code == http.StatusRequestTimeout, code >= 500:
		return &DownError{After: retryAfter(a.Header.Get("Retry-After"), w.o.Now()), Cause: fmt.Errorf("it answered %s", a.Status)}
	}
	return &RefusedError{Why: "it answered " + a.Status}
}

// retryAfter reads the header: seconds, or a date.
func retryAfter(s string, now time.Time) time.Duration {
	if n, err := strconv.Atoi(s); err == nil && n > 0 {
		return min(time.Duration(min(n, int(maxAfter/time.Second)))*time.Second, maxAfter)
	}
	if t, err := http.ParseTime(s); err == nil {
		return min(max(t.Sub(now), 0), maxAfter)
	}
	return 0
}

// cloudEvent is the body's form (CloudEvents 1.0, JSON format, structured mode).
type cloudEvent struct {
	SpecVersion     string    `json:"specversion"`
	ID              string    `json:"id"`
	Source          string    `json:"source"`
	Type            string    `json:"type"`
	Subject         string    `json:"subject,omitempty"`
	Time            string    `json:"time"`
	DataContentType string    `json:"datacontenttype"`
	Data            eventData `json:"data"`
}

type eventData struct {
	Digest  bool         `json:"digest"`
	Notices []noticeData `json:"notices"`
}

type noticeData struct {
	ID              string   `json:"id"`
	Name            string   `json:"name"`
	Machine         string   `json:"machine"`
	DisplayName     string   `json:"display_name"`
	Customer        string   `json:"customer"`
	Task            string   `json:"task,omitempty"`
	Stage           string   `json:"stage"`
	Text            string   `json:"text"`
	RaisedNotBefore string   `json:"raised_not_before"`
	RaisedNotAfter  string   `json:"raised_not_after"`
	Cautions        []string `json:"cautions"`
	Again           bool     `json:"again"`
}

func (w *Webhook) body(m *Message) ([]byte, error) {
	e := cloudEvent{
		SpecVersion: "1.0", ID: m.ID, Source: w.o.Source, Type: eventType, Time: m.Time.UTC().Format(time.RFC3339Nano),
		DataContentType: "application/json", Data: eventData{Digest: m.Digest, Notices: make([]noticeData, 0, len(m.Notices))},
	}
	if m.Machine != "" {
		e.Subject = "machines/" + m.Machine
	}
	for _, n := range m.Notices {
		e.Data.Notices = append(e.Data.Notices, noticeData{
			ID: n.ID, Name: n.Name(), Machine: "machines/" + n.Machine, DisplayName: n.Display, Customer: "customers/" + n.Customer, Task: n.Task, Stage: n.Stage,
			Text: n.Text, RaisedNotBefore: rfc3339(n.Raised.NotBefore), RaisedNotAfter: rfc3339(n.Raised.NotAfter), Cautions: append([]string{}, n.Cautions...), Again: n.Again,
		})
	}
	body, err := json.Marshal(e)
	if err != nil {
		return nil, fmt.Errorf("write the webhook's body: %w", err)
	}
	if len(body) >= maxBody {
		return nil, &RefusedError{Why: fmt.Sprintf("its body is %d bytes, a webhook's is under %d", len(body), maxBody)}
	}
	return body, nil
}

func rfc3339(t moment.Instant) string {
	return time.UnixMilli(int64(t)).UTC().Format("2006-01-02T15:04:05.000Z07:00")
}

// checkURL refuses what could be turned against services that trust this one's
// address.
func checkURL(s string, allowPrivate bool) error {
	u, err := url.Parse(s)
	if err != nil || u.Host == "" {
		return fmt.Errorf("webhook URL %q: want https://HOST/PATH", s)
	}
	switch {
	case u.User != nil:
		return fmt.Errorf("webhook URL: it holds a name or password, which would stand in logs; the signature is what tells who sends")
	case u.Scheme == "https", u.Scheme == "http" && (allowPrivate || loopback(u.Hostname())):
		return nil
	}
	return fmt.Errorf("webhook URL %q: want https, or http on a loopback address; a receiver in the same house needs leave to be told without TLS", s)
}

func loopback(host string) bool {
	if host == "localhost" {
		return true
	}
	ip, err := netip.ParseAddr(host)
	return err == nil && ip.IsLoopback()
}

// guardedClient follows no redirect, uses no proxy, and looks at each address
// after its name was resolved.
func guardedClient(allowPrivate bool) *http.Client {
	dialer := &net.Dialer{Timeout: 10 * time.Second, Control: func(_, address string, _ syscall.RawConn) error {
		return checkAddress(address, allowPrivate)
	}}
	return &http.Client{
		CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse },
		Transport: &http.Transport{
			DialContext: dialer.DialContext, ForceAttemptHTTP2: true, MaxIdleConns: 2, IdleConnTimeout: time.Minute,
			TLSHandshakeTimeout: 10 * time.Second, ResponseHeaderTimeout: answerTime, MaxResponseHeaderBytes: 64 << 10,
		},
	}
}

func checkAddress(address string, allowPrivate bool) error {
	ap, err := netip.ParseAddrPort(address)
	if err != nil {
		return fmt.Errorf("webhook address %q: %w", address, err)
	}
	ip := ap.Addr().Unmap()
	switch {
	case ip.IsLoopback(), allowPrivate && !ip.IsUnspecified() && !ip.IsMulticast():
		return nil
	case ip.IsPrivate(), ip.IsLinkLocalUnicast(), ip.IsUnspecified(), ip.IsMulticast(), sharedSpace(ip):
		return fmt.Errorf("webhook address %s is not a public one, and no leave was given to post there", ip)
	}
	return nil
}

// sharedSpace reports whether an address is of 100.64.0.0/10 (RFC 6598), which
// carriers use inside.
func sharedSpace(ip netip.Addr) bool {
	return netip.PrefixFrom(netip.AddrFrom4([4]byte{100, 64}), 10).Contains(ip)
}
