package hislip

import (
	"bytes"
	"errors"
	"io"
	"testing"
)

// The layout is that of IVI-6.1 as two open implementations have it: 'H', 'S',
// type, control, parameter (4 bytes) and length (8 bytes), big-endian.
func TestHeaderLayout(t *testing.T) {
	h := Header{Type: DataEnd, Control: RMTDelivered, Parameter: 0xFFFFFF02, Length: 6}
	want := []byte{'H', 'S', 7, 1, 0xFF, 0xFF, 0xFF, 0x02, 0, 0, 0, 0, 0, 0, 0, 6}
	got := AppendHeader(nil, h)
	if !bytes.Equal(got, want) {
		t.Errorf("encoded % x, want % x", got, want)
	}
	back, err := ReadHeader(bytes.NewReader(got))
	if err != nil || back != h {
		t.Errorf("decoded %+v, %v, want %+v", back, err, h)
	}
}

// The numbers are those of IVI-6.1, table 4.
func TestMessageTypesHaveTheirNumbers(t *testing.T) {
	for number, want := range map[MessageType]MessageType{
		0: Initialize, 1: InitializeResponse, 2: FatalError, 3: Error, 6: Data, 7: DataEnd, 8: DeviceClearComplete,
		9: DeviceClearAcknowledge, 12: Trigger, 13: Interrupted, 14: AsyncInterrupted, 15: AsyncMaximumMessageSize,
		17: AsyncInitialize, 19: AsyncDeviceClear, 20: AsyncServiceRequest, 21: AsyncStatusQuery, 22: AsyncStatusResponse,
		23: AsyncDeviceClearAcknowledge, 24: AsyncLockInfo, 26: GetDescriptors, 27: GetDescriptorsResponse,
	} {
		if number != want {
			t.Errorf("%s is %d, want %d", want, want, number)
		}
	}
	for typ, want := range map[MessageType]string{0: "Initialize", 7: "DataEnd", 20: "AsyncServiceRequest",
		27: "GetDescriptorsResponse", 28: "message type 28", 255: "message type 255"} {
		if got := typ.String(); got != want {
			t.Errorf("type %d is %q, want %q", byte(typ), got, want)
		}
	}
}

func TestMessageNumbersWrap(t *testing.T) {
	n := FirstMessage
	for range 128 {
		n = NextMessage(n)
	}
	if n != 0 { // 0xFFFFFF00 + 256 in 32 bits
		t.Errorf("after 128 messages the number is %#x, want 0", n)
	}
}

func TestBadFramesAreRefused(t *testing.T) {
	whole := AppendMessage(nil, Header{Type: Data, Length: 99}, []byte("*IDN?\n"))
	if _, err := ReadHeader(bytes.NewReader(whole[:0])); err != io.EOF {
		t.Errorf("end between messages: %v, want io.EOF", err)
	}
	if _, err := ReadHeader(bytes.NewReader(whole[:9])); err != io.ErrUnexpectedEOF {
		t.Errorf("end inside a header: %v, want io.ErrUnexpectedEOF", err)
	}
	if _, err := ReadHeader(bytes.NewReader(whole[1:])); !errors.Is(err, ErrHeader) {
		t.Errorf("shifted by one byte: %v, want ErrHeader", err)
	}
	h, err := ReadHeader(bytes.NewReader(whole))
	if err != nil || h.Length != 6 {
		t.Fatalf("header %+v, %v, want length 6", h, err)
	}
	if b, err := AppendPayload([]byte("x"), bytes.NewReader(whole[HeaderSize:]), h, 6); err != nil || string(b) != "x*IDN?\n" {
		t.Errorf("payload %q, %v", b, err)
	}
	if b, err := AppendPayload(nil, bytes.NewReader(whole[HeaderSize:20]), h, 6); err != io.ErrUnexpectedEOF || string(b) != "*IDN" {
		t.Errorf("cut payload %q, %v, want io.ErrUnexpectedEOF", b, err)
	}
	for _, length := range []uint64{7, 1 << 40, 1<<64 - 1} {
		if _, err := AppendPayload(nil, bytes.NewReader(whole), Header{Length: length}, 6); !errors.Is(err, ErrTooLong) {
			t.Errorf("length %d: %v, want ErrTooLong", length, err)
		}
	}
}

// FuzzFrames reads whatever comes as messages: no panic, no memory beyond the
// limit, and what was read encodes to the bytes it came from.
func FuzzFrames(f *testing.F) {
	f.Add(AppendMessage(nil, Header{Type: Initialize, Parameter: 1 << 24}, []byte("hislip0")))
	f.Add(AppendMessage(AppendMessage(nil, Header{Type: Data}, []byte("#15A\nB")), Header{Type: DataEnd, Control: 1}, []byte("\n")))
	f.Add(AppendHeader(nil, Header{Type: Data, Length: 1<<64 - 1}))
	f.Add([]byte("HTTP/1.1 400 Bad Request\r\n"))
	f.Fuzz(func(t *testing.T, wire []byte) {
		const limit = 1 << 10
		r := bytes.NewReader(wire)
		var back []byte
		for {
			h, err := ReadHeader(r)
			if err != nil {
				break
			}
			payload, err := AppendPayload(nil, r, h, limit)
			if len(payload) > limit {
				t.Fatalf("%d bytes of payload, limit %d", len(payload), limit)
			}
			if err != nil {
				break
			}
			back = AppendMessage(back, h, payload)
		}
		if !bytes.HasPrefix(wire, back) {
			t.Errorf("read % x, encoded % x", wire, back)
		}
	})
}
