package api

import (
	"errors"
	"strings"
	"testing"
)

func TestReadEventsPassesOverCommentsAndNames(t *testing.T) {
	const stream = ": open\n\nevent: change\nid: 7\ndata: {\"id\": 7,\ndata: \"kind\": \"run\"}\n\n: quiet\n\ndata: {\"id\": 8}\n\n"
	var ids []int64
	err := readEvents(strings.NewReader(stream), func(e Event) error { ids = append(ids, e.ID); return nil })
	if !errors.Is(err, ErrStreamEnded) {
		t.Errorf("the end of the stream gives %v", err)
	}
	if len(ids) != 2 || ids[0] != 7 || ids[1] != 8 {
		t.Errorf("events %v, want 7 and 8", ids)
	}
}

func TestReadEventsRefusesWhatIsNoEvent(t *testing.T) {
	for _, stream := range []string{"data: nonsense\n\n", "data: [1]\n\n", "data: " + strings.Repeat("x", maxLine+1) + "\n\n"} {
		err := readEvents(strings.NewReader(stream), func(Event) error { return nil })
		if err == nil || errors.Is(err, ErrStreamEnded) {
			t.Errorf("a stream of %.20q gives %v", stream, err)
		}
	}
}

func FuzzReadEvents(f *testing.F) {
	f.Add("event: change\nid: 1\ndata: {\"id\": 1}\n\n")
	f.Add("data:\n\ndata: {\n\n")
	f.Add(": c\r\n\r\ndata: {\"id\": 9223372036854775807}\r\n\r\n")
	f.Fuzz(func(t *testing.T, stream string) {
		if err := readEvents(strings.NewReader(stream), func(Event) error { return nil }); err == nil {
			t.Error("the end of a stream is always an error")
		}
	})
}
