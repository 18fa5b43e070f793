package scpi

import (
	"context"
	"fmt"
	"net"
	"net/netip"
	"syscall"
	"time"
)

// Admit says whether a connection to a host may go to one of its addresses; an error
// refuses it, and says why and what to do.
type Admit func(host string, address netip.Addr) error

// outside marks what an Admit said.
type outside struct{ error }

func (o outside) Unwrap() error { return o.error }

// Reach opens a TCP connection to a resource, within timeout if that is not zero. The
// addresses of its host are put to admit, unless that is nil, after they were looked
// up and right before each is connected to: nothing can change in between. Nagle's
// algorithm is off, keepalive on: Go's defaults.
func Reach(ctx context.Context, r Resource, timeout time.Duration, admit Admit) (*net.TCPConn, error) {
	d := net.Dialer{Timeout: timeout}
	if admit != nil {
		d.Control = func(_, address string, _ syscall.RawConn) error {
			to, err := netip.ParseAddrPort(address)
			if err != nil {
				return fmt.Errorf("address %q of %s cannot be checked: %w", address, r.Host, err)
			}
			if err := admit(r.Host, to.Addr().Unmap()); err != nil {
				return outside{err}
			}
			return nil
		}
	}
	conn, err := d.DialContext(ctx, "tcp", r.Address())
	if err != nil {
		return nil, err
	}
	return conn.(*net.TCPConn), nil
}
