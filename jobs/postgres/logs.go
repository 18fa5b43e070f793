package postgres

import (
	"bytes"
	"context"
	"log/slog"
	"strings"
	"sync"
)

const (
	keptLines   = 40
	longestLine = 4096
)

// logLines passes what the server prints on to the log, line by line, and keeps
// the last lines to say why the server ended.
type logLines struct {
	log *slog.Logger

	mu   sync.Mutex
	rest []byte
	last []string
}

// Write takes a piece of the server's output; it never fails.
func (l *logLines) Write(p []byte) (int, error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	l.rest = append(l.rest, p...)
	for {
		line, rest, found := bytes.Cut(l.rest, []byte("\n"))
		if !found && len(l.rest) < longestLine {
			return len(p), nil
		}
		l.add(string(line))
		l.rest = bytes.Clone(rest)
	}
}

func (l *logLines) add(line string) {
	if strings.TrimSpace(line) == "" {
		return
	}
	l.last = append(l.last, line)
	if len(l.last) > keptLines {
		l.last = l.last[1:]
	}
	severity, text, found := strings.Cut(line, ":  ")
	if !found {
		severity, text = "", line
	}
	l.log.Log(context.Background(), level(severity), "private server: "+strings.TrimSpace(text), "severity", severity)
}

// level translates a severity. An ERROR belongs to whoever sent the statement
// and is reported there; FATAL ends a connection, often no more than one that
// came during a start or shutdown, and a start that fails reports its reason.
// Only PANIC takes the server down.
func level(severity string) slog.Level {
	switch severity {
	case "WARNING":
		return slog.LevelWarn
	case "FATAL":
		return slog.LevelInfo
	case "PANIC":
		return slog.LevelError
	}
	return slog.LevelDebug
}

// reason is the line that says why the server ended: the last fatal one, else
// the last one.
func (l *logLines) reason() string {
	l.mu.Lock()
	defer l.mu.Unlock()
	for i := len(l.last) - 1; i >= 0; i-- {
		for _, mark := range []string{"PANIC:  ", "FATAL:  "} {
			if _, text, found := strings.Cut(l.last[i], mark); found {
				return text
			}
		}
	}
	if len(l.last) == 0 {
		return "it said nothing"
	}
	return l.last[len(l.last)-1]
}
