package main

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/credentials"
	"google.golang.org/grpc/keepalive"
	"google.golang.org/grpc/status"

	"github.com/hourbell/hourbell/service/fault"
)

// clientFile is what the people's commands need to reach a service. `serve`
// writes it into its data folder.
type clientFile struct {
	// Address of the people's listener, host:port.
	Address string `json:"address"`
	// Fingerprint of the service's authority.
	Fingerprint string `json:"fingerprint"`
	// TokenFile holds the bearer token. A relative path counts from this file.
	TokenFile string `json:"token_file"`
}

// clientFileName is its name in the data folder and in the user's settings.
const clientFileName = "client.json"

// where says how to reach the service; what is not given is looked up.
type where struct {
	Config      string `help:"Client file that says how to reach the service; serve writes one to its data folder." env:"HOURBELL_CONFIG" placeholder:"FILE"`
	Server      string `help:"Address of the people's listener, instead of the client file's." env:"HOURBELL_SERVER" placeholder:"HOST:PORT"`
	Fingerprint string `help:"The service's fingerprint, instead of the client file's." env:"HOURBELL_FINGERPRINT" placeholder:"HEX"`
	TokenFile   string `help:"File that holds the bearer token, instead of the client file's." env:"HOURBELL_TOKEN_FILE" placeholder:"FILE"`
}

// dial connects to the service that the flags, the environment or the client
// file name.
func (w where) dial() (*grpc.ClientConn, error) {
	file, err := w.file()
	if err != nil {
		return nil, err
	}
	token, err := os.ReadFile(file.TokenFile)
	if err != nil {
		return nil, fmt.Errorf("read the bearer token: %w", err)
	}
	tlsConfig, err := pinned(file.Fingerprint)
	if err != nil {
		return nil, err
	}
	conn, err := grpc.NewClient("passthrough:///"+file.Address,
		grpc.WithTransportCredentials(credentials.NewTLS(tlsConfig)),
		grpc.WithPerRPCCredentials(bearer(strings.TrimSpace(string(token)))),
		grpc.WithKeepaliveParams(keepalive.ClientParameters{Time: time.Minute, Timeout: 20 * time.Second}),
		grpc.WithUserAgent("hourbell/"+version()),
		grpc.WithDefaultCallOptions(grpc.MaxCallRecvMsgSize(maxAnswer)))
	if err != nil {
		return nil, fmt.Errorf("connect to %s: %w", file.Address, err)
	}
	return conn, nil
}

// maxAnswer is the largest answer taken, in bytes.
const maxAnswer = 16 << 20

// file gives the client file with the flags over it.
func (w where) file() (clientFile, error) {
	var file clientFile
	if w.Server == "" || w.Fingerprint == "" || w.TokenFile == "" {
		found, err := w.find()
		if err != nil {
			return file, err
		}
		if file, err = readClientFile(found); err != nil {
			return file, err
		}
	}
	for _, over := range []struct{ to, from *string }{{&file.Address, &w.Server}, {&file.Fingerprint, &w.Fingerprint}, {&file.TokenFile, &w.TokenFile}} {
		if *over.from != "" {
			*over.to = *over.from
		}
	}
	return file, nil
}

// find gives the path of the client file: the flag's, that of a data folder right
// here, or the user's.
func (w where) find() (string, error) {
	if w.Config != "" {
		return w.Config, nil
	}
	here := filepath.Join(defaultData, clientFileName)
	if _, err := os.Stat(here); err == nil {
		return here, nil
	}
	user, err := userClientFile()
	if err != nil {
		return "", err
	}
	if _, err := os.Stat(user); err != nil {
		return "", fmt.Errorf("no service is known here: neither %s nor %s exists; start one with `hourbell serve`, or name its client file with --config", here, user)
	}
	return user, nil
}

func userClientFile() (string, error) {
	dir, err := os.UserConfigDir()
	if err != nil {
		return "", fmt.Errorf("find the folder of your settings: %w; name the client file with --config", err)
	}
	return filepath.Join(dir, "hourbell", clientFileName), nil
}

func readClientFile(path string) (file clientFile, err error) {
	b, err := os.ReadFile(path)
	if err != nil {
		return file, fmt.Errorf("read the client file: %w", err)
	}
	if err := json.Unmarshal(b, &file); err != nil {
		return file, fmt.Errorf("client file %s: %w; `hourbell serve` writes it anew when it starts", path, err)
	}
	if file.Address == "" || file.Fingerprint == "" || file.TokenFile == "" {
		return file, fmt.Errorf("client file %s: address, fingerprint and token_file must all be there; `hourbell serve` writes it anew when it starts", path)
	}
	if !filepath.IsAbs(file.TokenFile) {
		file.TokenFile = filepath.Join(filepath.Dir(path), file.TokenFile)
	}
	return file, nil
}

// writeClientFile writes the client file under another name and renames it, so
// that no reader sees half of it.
func writeClientFile(path string, file clientFile) error {
	b, err := json.MarshalIndent(file, "", "  ")
	if err != nil {
		return fmt.Errorf("write the client file: %w", err)
	}
	if err := os.MkdirAll(filepath.Dir(path), 0o700); err != nil {
		return fmt.Errorf("write the client file: %w", err)
	}
	next := path + ".new"
	if err := os.WriteFile(next, append(b, '\n'), 0o600); err != nil {
		return fmt.Errorf("write the client file: %w", err)
	}
	if err := os.Rename(next, path); err != nil {
		return fmt.Errorf("write the client file: %w", errors.Join(err, os.Remove(next)))
	}
	return nil
}

// adoptClientFile writes the user's client file where there is none yet, or
// where it speaks of the same data folder. It reports whether it wrote.
func adoptClientFile(path string, file clientFile) (bool, error) {
	have, err := readClientFile(path)
	switch {
	case errors.Is(err, fs.ErrNotExist):
	case err != nil:
		return false, nil // somebody's own; leave it
	case have.TokenFile != file.TokenFile:
		return false, nil
	case have == file:
		return false, nil
	}
	return true, writeClientFile(path, file)
}

// bearer sends the token with every call, over TLS only.
type bearer string

// GetRequestMetadata gives the token as metadata.
func (b bearer) GetRequestMetadata(context.Context, ...string) (map[string]string, error) {
	return map[string]string{"authorization": "Bearer " + string(b)}, nil
}

// RequireTransportSecurity keeps the token off bare connections.
func (b bearer) RequireTransportSecurity() bool { return true }

// told turns a status into one line for people. What the service says already
// tells what, where, why and what to do.
func told(err error, address string) error {
	var carrier interface{ GRPCStatus() *status.Status }
	if !errors.As(err, &carrier) {
		return err
	}
	s := carrier.GRPCStatus()
	switch {
	case s.Code() == codes.Unavailable && fault.ReasonOf(s.Err()) == "":
		return fmt.Errorf("the service at %s can't be reached: %s; is `hourbell serve` running there?", address, s.Message())
	case s.Code() == codes.Unimplemented:
		return fmt.Errorf("the service at %s does not know this call: it is older than this program", address)
	}
	return errors.New(plainField(s.Message()))
}

// plainField says the field of a call that a message begins with as people would:
// "record.materials[0].unit: x" is "materials unit: x" to them.
func plainField(message string) string {
	field, rest, has := strings.Cut(message, ": ")
	if path := regexp.MustCompile(`^[a-z_]+(\[\d+\])?(\.[a-z_]+(\[\d+\])?)*$`); !has || !path.MatchString(field) {
		return message
	}
	var words []string
	for part := range strings.SplitSeq(field, ".") {
		part, _, _ = strings.Cut(part, "[")
		if part == "not_before_time" || part == "not_after_time" {
			part = "time"
		}
		words = append(words, strings.ReplaceAll(part, "_", " "))
	}
	if len(words) > 1 {
		words = words[1:] // the message that the call brings
	}
	return strings.Join(words, " ") + ": " + rest
}
