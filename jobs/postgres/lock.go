package postgres

import (
	"errors"
	"fmt"
	"os"

	"golang.org/x/sys/unix"
)

// openLock opens a lock file, creating it when it is missing, so that this
// program and the account can both open it later.
func (c cluster) openLock(path string) (*os.File, error) {
	f, err := os.OpenFile(path, os.O_RDONLY|os.O_CREATE, 0o644)
	if err != nil {
		return nil, fmt.Errorf("postgres: lock file: %w", err)
	}
	if c.account.drop {
		if err := f.Chown(int(c.account.uid), int(c.account.gid)); err != nil {
			return nil, errors.Join(fmt.Errorf("postgres: lock file: %w", err), f.Close())
		}
	}
	return f, nil
}

// flock applies a lock of the whole file. The lock belongs to the open file,
// so it lasts until this process and every child that inherited it are gone.
func flock(f *os.File, how int) error {
	for {
		err := unix.Flock(int(f.Fd()), how)
		if !errors.Is(err, unix.EINTR) {
			return err
		}
	}
}

// tryLock takes the exclusive lock of the cluster if it is free; a nil file without
// an error means that somebody else has it. Closing the file lets go.
func (c cluster) tryLock() (*os.File, error) {
	f, err := c.openLock(c.lock())
	if err != nil {
		return nil, err
	}
	err = flock(f, unix.LOCK_EX|unix.LOCK_NB)
	if err == nil {
		return f, nil
	}
	closeErr := f.Close()
	if errors.Is(err, unix.EWOULDBLOCK) {
		return nil, closeErr
	}
	return nil, fmt.Errorf("postgres: locking %s: %w", c.lock(), err)
}
