package main

import (
	"context"
	"fmt"
	"io"
	"log/slog"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"time"

	"github.com/hourbell/hourbell/internal/store"
	"github.com/hourbell/hourbell/internal/store/local"
	"github.com/hourbell/hourbell/service"
	"github.com/hourbell/hourbell/service/notify"
)

// defaultData is the data folder where none is named: right here.
const defaultData = "hourbell-data"

type serveCmd struct {
	Data string `help:"Folder that holds everything the service knows. Default: ${default}." default:"${data}" placeholder:"DIR"`

	PeopleAddr  string `help:"Where people and programs reach the service; port 0 for any. Default: ${default}." default:"127.0.0.1:7400" placeholder:"HOST:PORT"`
	AgentsAddr  string `help:"Where agents reach it, over mutual TLS. Default: ${default}." default:":7401" placeholder:"HOST:PORT"`
	EnrolAddr   string `help:"Where new agents get their certificate. Default: ${default}." default:":7402" placeholder:"HOST:PORT"`
	MetricsAddr string `help:"Where /metrics is; none for nowhere. Default: ${default}." default:"127.0.0.1:7409" placeholder:"HOST:PORT"`

	Host string   `help:"Name or address by which agents reach this computer; its own name where left out." placeholder:"HOST"`
	Name []string `help:"A further name or address for the certificates; give it again for each."`

	Webhook       string `help:"Post notices to this https URL." env:"HOURBELL_WEBHOOK" placeholder:"URL"`
	WebhookSecret string `help:"File that holds the webhook's secret, whsec_..." type:"existingfile" placeholder:"FILE"`
	WebhookInside bool   `help:"The webhook may be at a private address, and without TLS."`

	Restored bool `help:"The data folder was put back from a copy: tell agents and programs so, once."`

	LogJSON      bool   `help:"Write the log as JSON."`
	ClientConfig string `help:"Where to write the client file of whoever runs this; none for nowhere. Default: your settings' folder." placeholder:"FILE"`
}

// Run serves until interrupted.
func (c *serveCmd) Run(s *session) error {
	var opened *local.Store
	o, err := c.options(s.out.err, &opened)
	if err != nil {
		return err
	}
	app, err := service.New(s.ctx, o)
	if err != nil {
		return err
	}
	if err := c.introduce(s, app); err != nil {
		return fmt.Errorf("%w; %w", err, errorOr(app.Close(s.ctx)))
	}
	ctx, stop := context.WithCancel(s.ctx)
	var upkeep sync.WaitGroup
	upkeep.Go(func() { keepUp(ctx, opened, o.Log) })
	err = app.Run(s.ctx)
	stop()
	upkeep.Wait()
	return err
}

// upkeepEvery is how often sealed segments of the journal are packed.
const upkeepEvery = time.Hour

func keepUp(ctx context.Context, s *local.Store, log *slog.Logger) {
	tick := time.NewTicker(upkeepEvery)
	defer tick.Stop()
	for {
		select {
		case <-ctx.Done():
			return
		case <-tick.C:
		}
		done, err := s.Maintain(ctx)
		switch {
		case err != nil && ctx.Err() == nil:
			// The journal stands as it was; packing is tried again.
			log.Error("the journal could not be packed", "error", err)
		case done.Segments > 0:
			log.Info("journal packed", "segments", done.Segments, "bytes_before", done.Before, "bytes_after", done.After)
		}
	}
}

func errorOr(err error) error {
	if err == nil {
		return fmt.Errorf("nothing was started")
	}
	return err
}

func (c *serveCmd) options(logTo io.Writer, opened **local.Store) (service.Options, error) {
	var handler slog.Handler = slog.NewTextHandler(logTo, nil)
	if c.LogJSON {
		handler = slog.NewJSONHandler(logTo, nil)
	}
	log := slog.New(handler)
	data, err := filepath.Abs(c.Data)
	if err != nil {
		return service.Options{}, fmt.Errorf("find the data folder: %w", err)
	}
	hooks, err := c.webhooks()
	if err != nil {
		return service.Options{}, err
	}
	return service.Options{
		Data: data, PeopleAddr: c.PeopleAddr, AgentsAddr: c.AgentsAddr, EnrolAddr: c.EnrolAddr, MetricsAddr: c.MetricsAddr,
		Host: c.Host, Names: c.Name, Webhooks: hooks, Version: version(), Log: log,
		OpenStore: func(context.Context) (store.Store, error) {
			*opened, err = c.open(filepath.Join(data, "store"), log.With("part", "store"))
			return *opened, err
		},
		JournalBytes: func() int64 { return (*opened).Stats().JournalBytes },
	}, nil
}

func (c *serveCmd) open(dir string, log *slog.Logger) (*local.Store, error) {
	if c.Restored {
		if err := local.Renew(dir); err != nil {
			return nil, fmt.Errorf("mark the data folder as put back from a copy: %w", err)
		}
	}
	return local.Open(dir, local.Options{Logger: log})
}

func (c *serveCmd) webhooks() ([]notify.WebhookOptions, error) {
	switch {
	case c.Webhook == "" && c.WebhookSecret == "":
		return nil, nil
	case c.Webhook == "" || c.WebhookSecret == "":
		return nil, fmt.Errorf("--webhook and --webhook-secret go together: the receiver tells by the secret who sends")
	}
	secret, err := os.ReadFile(c.WebhookSecret)
	if err != nil {
		return nil, fmt.Errorf("read the webhook's secret: %w", err)
	}
	return []notify.WebhookOptions{{URL: c.Webhook, Secret: strings.TrimSpace(string(secret)), AllowPrivate: c.WebhookInside}}, nil
}

// introduce writes the client files and says what was made and what comes next.
func (c *serveCmd) introduce(s *session, app *service.App) error {
	at, first := app.Addresses(), app.First()
	file := clientFile{Address: at.People, Fingerprint: app.Fingerprint(), TokenFile: first.TokenFile}
	beside := filepath.Join(filepath.Dir(first.TokenFile), clientFileName)
	if err := writeClientFile(beside, file); err != nil {
		return err
	}
	adopted, err := c.adopt(file)
	if err != nil {
		return err
	}
	w := s.out.w
	if first.Token != "" {
		fmt.Fprintf(w, "First run. Made in %s: the journal, a certificate authority, a bearer token (%s, yours alone) and the client file %s.\n", filepath.Dir(first.TokenFile), filepath.Base(first.TokenFile), beside)
		if adopted != "" {
			fmt.Fprintf(w, "Your own commands find the service through %s.\n", adopted)
		} else {
			fmt.Fprintf(w, "Commands find the service with --config %s or HOURBELL_CONFIG.\n", beside)
		}
		fmt.Fprintln(w, "Next, in another terminal: hourbell customer add ID")
	}
	fmt.Fprintf(w, "people       %s\nagents       %s\nenrolment    %s\nmetrics      %s\nfingerprint  %s\n", orDash(at.People), orDash(at.Agents), orDash(at.Enrol), metricsURL(at.Metrics), app.Fingerprint())
	return nil
}

func metricsURL(addr string) string {
	if addr == "" {
		return "-"
	}
	return "http://" + addr + "/metrics"
}

// adopt writes the user's own client file, unless it speaks of another service.
func (c *serveCmd) adopt(file clientFile) (string, error) {
	path := c.ClientConfig
	if path == "none" {
		return "", nil
	}
	if path == "" {
		var err error
		if path, err = userClientFile(); err != nil {
			return "", nil // no settings folder: the file in the data folder serves
		}
	}
	wrote, err := adoptClientFile(path, file)
	if err != nil || !wrote {
		return "", err
	}
	return path, nil
}
