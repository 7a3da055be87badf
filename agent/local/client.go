package local

import (
	"bufio"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"net"
	"net/http"
	"path/filepath"
	"syscall"
	"time"
)

// Client asks the agent of one data folder.
type Client struct{ dir string }

const (
	mostAnswer   = 16 << 20 // bytes
	answerWithin = 10 * time.Second
)

// NewClient asks nothing yet.
func NewClient(dir string) *Client { return &Client{dir} }

// Status asks how the agent stands. Errors: ErrNotRunning.
func (c *Client) Status(ctx context.Context) (Status, error) {
	var s Status
	err := c.get(ctx, "/status", &s)
	return s, err
}

// Due asks what is due. Errors: ErrNotRunning.
func (c *Client) Due(ctx context.Context) (Due, error) {
	var d Due
	err := c.get(ctx, "/due", &d)
	return d, err
}

func (c *Client) get(ctx context.Context, path string, into any) error {
	b, err := c.fetch(ctx, path)
	if err == nil {
		err = json.Unmarshal(b, into)
	}
	if errors.Is(err, fs.ErrNotExist) || errors.Is(err, syscall.ECONNREFUSED) {
		err = ErrNotRunning
	}
	if err != nil {
		return fmt.Errorf("ask the agent of %s: %w", c.dir, err)
	}
	return nil
}

// fetch is one request on a connection of its own. An http.Client would do it
// too, and make the agent half a megabyte larger.
func (c *Client) fetch(ctx context.Context, path string) ([]byte, error) {
	ctx, cancel := context.WithTimeout(ctx, answerWithin)
	defer cancel()
	conn, err := (&net.Dialer{}).DialContext(ctx, "unix", filepath.Join(c.dir, SocketName))
	if err != nil {
		return nil, err
	}
	defer conn.Close()
	stop := context.AfterFunc(ctx, func() { _ = conn.SetDeadline(time.Unix(1, 0)) })
	defer stop()
	req, err := http.NewRequestWithContext(ctx, http.MethodGet, "http://agent"+path, nil)
	if err != nil {
		return nil, err
	}
	req.Close = true
	if err := req.Write(conn); err != nil {
		return nil, err
	}
	resp, err := http.ReadResponse(bufio.NewReader(conn), req)
	if err != nil {
		return nil, err
	}
	defer resp.Body.Close()
	b, err := io.ReadAll(io.LimitReader(resp.Body, mostAnswer))
	if err != nil {
		return nil, err
	}
	if resp.StatusCode != http.StatusOK {
		return nil, fmt.Errorf("it answers %s: %.200s", resp.Status, b)
	}
	return b, nil
}
