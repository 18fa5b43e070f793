package lab

import (
	"fmt"
	"strconv"
	"strings"
)

// normalResource returns a resource string in one spelling, so that two
// spellings of one address are found to be the same. Only raw sockets are
// accepted: TCPIP::host::port::SOCKET, with an optional board number after
// TCPIP. The host may not be empty and the port lies in 1 to 65535.
func normalResource(s string) (string, error) {
	const want = "want TCPIP::host::port::SOCKET"
	fields := strings.Split(strings.TrimSpace(s), "::")
	if len(fields) < 4 {
		return "", fmt.Errorf("lab: resource %q: %s", s, want)
	}
	head, host := strings.ToUpper(fields[0]), strings.ToLower(strings.Join(fields[1:len(fields)-2], "::"))
	port, last := fields[len(fields)-2], strings.ToUpper(fields[len(fields)-1])
	board, ok := strings.CutPrefix(head, "TCPIP")
	if _, err := strconv.Atoi("0" + board); !ok || err != nil || last != "SOCKET" {
		return "", fmt.Errorf("lab: resource %q: %s", s, want)
	}
	if host == "" || strings.ContainsAny(host, " \t/") {
		return "", fmt.Errorf("lab: resource %q: %q is no host; %s", s, host, want)
	}
	number, err := strconv.Atoi(port)
	if err != nil || number < 1 || number > 65535 {
		return "", fmt.Errorf("lab: resource %q: %q is no port; want 1 to 65535", s, port)
	}
	return fmt.Sprintf("TCPIP::%s::%d::SOCKET", host, number), nil
}
