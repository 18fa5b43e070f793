package postgres

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"os/user"
	"path/filepath"
	"strconv"
	"syscall"
)

// account is who the server runs as. PostgreSQL refuses to run as root, so a
// program that does hands the server over to an account without privileges.
type account struct {
	name string
	uid  uint32
	gid  uint32
	drop bool // this program is root and must change to the account
}

// serverAccount chooses the account: the caller's own when it is not root,
// else the one that was named, else the owner of a data directory that
// exists, else postgres, else nobody.
func serverAccount(named, data string) (account, error) {
	if euid := os.Geteuid(); euid != 0 {
		return account{name: "uid " + strconv.Itoa(euid), uid: uint32(euid), gid: uint32(os.Getegid())}, nil
	}
	if named != "" {
		return lookupAccount(named)
	}
	if info, err := os.Stat(data); err == nil {
		if st := info.Sys().(*syscall.Stat_t); st.Uid != 0 {
			return account{name: "uid " + strconv.Itoa(int(st.Uid)), uid: st.Uid, gid: st.Gid, drop: true}, nil
		}
	}
	for _, name := range []string{"postgres", "nobody"} {
		if a, err := lookupAccount(name); err == nil {
			return a, nil
		}
	}
	return account{}, errors.New("postgres: PostgreSQL cannot run as root, and neither account postgres nor nobody exists; create one of them or run as an ordinary user")
}

func lookupAccount(name string) (account, error) {
	u, err := user.Lookup(name)
	if err != nil {
		return account{}, fmt.Errorf("postgres: account of the private server: %w", err)
	}
	uid, errUID := strconv.ParseUint(u.Uid, 10, 32)
	gid, errGID := strconv.ParseUint(u.Gid, 10, 32)
	if err := errors.Join(errUID, errGID); err != nil {
		return account{}, fmt.Errorf("postgres: account %s: %w", name, err)
	}
	if uid == 0 {
		return account{}, fmt.Errorf("postgres: account %s is root, which PostgreSQL refuses; name another one", name)
	}
	return account{name: name, uid: uint32(uid), gid: uint32(gid), drop: true}, nil
}

// attributes makes a child of this program run as the account, in a process
// group of its own so that an interrupt typed at the terminal does not reach it.
func (a account) attributes() *syscall.SysProcAttr {
	attr := &syscall.SysProcAttr{Setpgid: true}
	if a.drop {
		attr.Credential = &syscall.Credential{Uid: a.uid, Gid: a.gid}
	}
	return attr
}

// ownDirectory makes dir exist with mode 0700 and the account as its owner. A
// directory of somebody else is refused: it is not ours to change.
func (a account) ownDirectory(dir string) error {
	if _, err := os.Stat(dir); errors.Is(err, fs.ErrNotExist) {
		if err := a.makeDirectory(dir); err != nil {
			return fmt.Errorf("postgres: cannot create the directory of the private server: %w; choose another data directory", err)
		}
	}
	info, err := os.Stat(dir)
	if err != nil {
		return fmt.Errorf("postgres: directory of the private server: %w", err)
	}
	st := info.Sys().(*syscall.Stat_t)
	switch {
	case !info.IsDir():
		return fmt.Errorf("postgres: %s is not a directory; choose another data directory", dir)
	case st.Uid != a.uid:
		return fmt.Errorf("postgres: %s belongs to uid %d, but the private server would run as %s; run as that account or choose another data directory", dir, st.Uid, a.name)
	case info.Mode().Perm() != 0o700:
		if err := os.Chmod(dir, 0o700); err != nil {
			return fmt.Errorf("postgres: %s must be closed to others: %w", dir, err)
		}
	}
	return nil
}

// makeDirectory gives the new directory its owner before it gets its name, for
// another program may look at it at the same time.
func (a account) makeDirectory(dir string) error {
	temporary, err := os.MkdirTemp(filepath.Dir(dir), ".new-")
	if err != nil {
		return err
	}
	if a.drop {
		err = os.Chown(temporary, int(a.uid), int(a.gid))
	}
	if err == nil {
		err = os.Rename(temporary, dir)
	}
	if err == nil {
		return nil
	}
	removeErr := os.Remove(temporary)
	if errors.Is(err, fs.ErrExist) || errors.Is(err, syscall.ENOTEMPTY) {
		err = nil // the other program was faster
	}
	return errors.Join(err, removeErr)
}

// canReach checks that the account may pass through every parent of dir. Only
// permission bits are looked at, which is what decides on an ordinary system.
func (a account) canReach(dir string) error {
	for parent := filepath.Dir(dir); ; parent = filepath.Dir(parent) {
		info, err := os.Stat(parent)
		if err != nil {
			return fmt.Errorf("postgres: data directory: %w", err)
		}
		st := info.Sys().(*syscall.Stat_t)
		bit := fs.FileMode(0o001)
		switch {
		case st.Uid == a.uid:
			bit = 0o100
		case st.Gid == a.gid:
			bit = 0o010
		}
		if info.Mode()&bit == 0 {
			return fmt.Errorf("postgres: the account %s of the private server cannot pass through %s (mode %04o); choose another data directory, or allow it with `chmod o+x %s`",
				a.name, parent, info.Mode().Perm(), parent)
		}
		if parent == filepath.Dir(parent) {
			return nil
		}
	}
}
