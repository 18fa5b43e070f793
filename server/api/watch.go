package api

import (
	"bufio"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net/http"
	"strconv"
	"strings"
)

// maxLine is the longest line of an event stream that is read, bytes.
const maxLine = 1 << 20

// ErrStreamEnded is returned by Events when the server ended the stream, as it
// does when it stops. Call again with the last event seen.
var ErrStreamEnded = errors.New("api: the server ended the event stream")

// Events calls each for every change after the given event, oldest first, and
// waits for more until ctx ends or each returns an error, which it returns.
// Campaign restricts it to one; empty means all.
func (c *Client) Events(ctx context.Context, campaign string, after int64, each func(Event) error) error {
	response, err := c.do(ctx, http.MethodGet, values("campaign", campaign, "after", strconv.FormatInt(after, 10)), nil, "events")
	if err != nil {
		return err
	}
	defer response.Body.Close()
	err = readEvents(response.Body, each)
	if ctx.Err() != nil {
		return ctx.Err()
	}
	return err
}

// readEvents decodes a stream of server-sent events whose data is an Event.
// Comments and fields other than data are passed over.
func readEvents(r io.Reader, each func(Event) error) error {
	lines := bufio.NewScanner(r)
	lines.Buffer(make([]byte, 0, 4096), maxLine)
	var data strings.Builder
	for lines.Scan() {
		line := lines.Text()
		if line != "" {
			if text, ok := strings.CutPrefix(line, "data:"); ok {
				if data.Len()+len(text) > maxLine {
					return fmt.Errorf("api: an event is longer than %d bytes", maxLine)
				}
				data.WriteString(strings.TrimPrefix(text, " "))
			}
			continue
		}
		if data.Len() == 0 {
			continue
		}
		var e Event
		if err := json.Unmarshal([]byte(data.String()), &e); err != nil {
			return fmt.Errorf("api: an event does not decode: %w", err)
		}
		data.Reset()
		if err := each(e); err != nil {
			return err
		}
	}
	if err := lines.Err(); err != nil {
		return fmt.Errorf("api: reading the event stream: %w", err)
	}
	return ErrStreamEnded
}
