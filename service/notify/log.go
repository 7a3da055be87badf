package notify

import (
	"context"
	"log/slog"
)

// Log is the channel that writes notices to the service's log.
type Log struct{ log *slog.Logger }

// NewLog returns the channel.
func NewLog(log *slog.Logger) *Log { return &Log{log: log} }

// Name is "log".
func (l *Log) Name() string { return "log" }

// Send writes a line a notice.
func (l *Log) Send(ctx context.Context, m *Message) error {
	for _, n := range m.Notices {
		l.log.LogAttrs(ctx, slog.LevelInfo, n.Text, slog.String("machine", n.Machine), slog.String("notice", n.ID), slog.String("stage", n.Stage),
			slog.String("task", n.Task), slog.Bool("digest", m.Digest), slog.Bool("again", n.Again), slog.Any("cautions", n.Cautions))
	}
	return nil
}
