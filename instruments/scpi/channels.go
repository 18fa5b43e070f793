package scpi

import (
	"fmt"
	"strconv"
	"strings"
)

// maxChannels bounds what a channel list may expand to.
const maxChannels = 4096

// ParseChannelList decodes a channel list "(@1,3,4:6)" (vol. 1, 8.3.2) and
// expands its ranges in row-major order. Each channel is a tuple of the numbers
// between '!': "(@1!2)" gives {1, 2}. Errors are -171, or -223 when the list
// names more than 4096 channels.
func ParseChannelList(b []byte) ([][]int, error) {
	text := strings.TrimSpace(string(b))
	inner, opened := strings.CutPrefix(text, "(@")
	inner, closed := strings.CutSuffix(inner, ")")
	if !opened || !closed {
		return nil, StandardError(-171, fmt.Sprintf("%.40q, want (@...)", text))
	}
	var channels [][]int
	for _, part := range strings.Split(inner, ",") {
		low, high, ranged := strings.Cut(part, ":")
		from, err := parseChannel(low)
		if err != nil {
			return nil, err
		}
		to := from
		if ranged {
			if to, err = parseChannel(high); err != nil {
				return nil, err
			}
		}
		if len(to) != len(from) {
			return nil, StandardError(-171, fmt.Sprintf("%.40q: dimensions differ", part))
		}
		if channels, err = appendRange(channels, from, to); err != nil {
			return nil, err
		}
	}
	return channels, nil
}

func parseChannel(s string) ([]int, error) {
	var channel []int
	for _, number := range strings.Split(s, "!") {
		n, err := strconv.ParseUint(strings.TrimSpace(number), 10, 31)
		if err != nil {
			return nil, StandardError(-171, fmt.Sprintf("channel %.40q", s))
		}
		channel = append(channel, int(n))
	}
	return channel, nil
}

// appendRange counts from one corner of a box to the other, the last dimension
// fastest, downwards where the end lies below the start.
func appendRange(dst [][]int, from, to []int) ([][]int, error) {
	count := 1
	for i := range from {
		width := max(to[i]-from[i], from[i]-to[i]) + 1
		if width > maxChannels || count*width > maxChannels || len(dst)+count*width > maxChannels {
			return nil, StandardError(-223, fmt.Sprintf("more than %d channels", maxChannels))
		}
		count *= width
	}
	at := append([]int(nil), from...)
	for range count {
		dst = append(dst, append([]int(nil), at...))
		for i := len(at) - 1; i >= 0; i-- {
			if at[i] == to[i] {
				at[i] = from[i]
				continue
			}
			if to[i] > at[i] {
				at[i]++
			} else {
				at[i]--
			}
			break
		}
	}
	return dst, nil
}
