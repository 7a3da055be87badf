package local

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"net"
	"net/http"
	"os"
	"path/filepath"
	"time"
)

// Agent is what is asked.
type Agent interface {
	Status() Status
	Due() Due
}

// Serve answers on dir's socket until ctx ends. A socket left behind by a killed
// agent is replaced; that no other agent runs there is for the caller to hold.
func Serve(ctx context.Context, dir string, a Agent) error {
	l, err := listen(dir)
	if err != nil {
		return fmt.Errorf("answer on %s: %w", filepath.Join(dir, SocketName), err)
	}
	srv := &http.Server{Handler: handler(a), ReadHeaderTimeout: 5 * time.Second, ReadTimeout: 5 * time.Second, WriteTimeout: 10 * time.Second,
		IdleTimeout: 10 * time.Second, MaxHeaderBytes: 8 << 10}
	done := make(chan struct{})
	defer func() { <-done }()
	stop := context.AfterFunc(ctx, func() { defer close(done); _ = srv.Close() })
	err = srv.Serve(l)
	if stop() {
		close(done)
	}
	removed := os.Remove(filepath.Join(dir, SocketName))
	if errors.Is(err, http.ErrServerClosed) {
		err = nil
	}
	return errors.Join(err, removed)
}

// listen makes the socket in a folder that nobody else can enter, and moves it
// into place once its mode is right.
func listen(dir string) (net.Listener, error) {
	tmp, err := os.MkdirTemp(dir, ".s")
	if err != nil {
		return nil, err
	}
	defer os.RemoveAll(tmp)
	path := filepath.Join(tmp, "s")
	l, err := net.ListenUnix("unix", &net.UnixAddr{Name: path, Net: "unix"})
	if err != nil {
		return nil, fmt.Errorf("%w (a socket's path may have no more than about 100 bytes: choose a shorter data folder)", err)
	}
	l.SetUnlinkOnClose(false)
	if err := errors.Join(os.Chmod(path, 0o600), os.Rename(path, filepath.Join(dir, SocketName))); err != nil {
		return nil, errors.Join(err, l.Close())
	}
	return l, nil
}

func handler(a Agent) http.Handler {
	mux := http.NewServeMux()
	mux.HandleFunc("GET /status", func(w http.ResponseWriter, _ *http.Request) { answer(w, a.Status()) })
	mux.HandleFunc("GET /due", func(w http.ResponseWriter, _ *http.Request) { answer(w, a.Due()) })
	return mux
}

func answer(w http.ResponseWriter, v any) {
	b, err := json.Marshal(v)
	if err != nil {
		http.Error(w, err.Error(), http.StatusInternalServerError)
		return
	}
	w.Header().Set("Content-Type", "application/json")
	w.Header().Set("Cache-Control", "no-store")
	_, _ = w.Write(append(b, '\n'))
}
