package postgres

import (
	"context"
	"errors"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"runtime"
	"strconv"
	"syscall"
	"time"

	"github.com/jackc/pgx/v5"
	"golang.org/x/sys/unix"
)

// watchdog runs the server of the tests and stops it once nobody has had the
// shared lock of the users file for some seconds. It holds that lock itself
// until the server is gone, so a test that comes late waits and starts anew.
const watchdog = `
users=$1; shift
"$@" &
server=$!
exec 8<"$users"
while kill -0 $server 2>/dev/null; do
	sleep 15
	if flock -n 8; then
		kill -INT $server
		wait $server
		exit
	fi
done
`

// testSettings make the server of the tests fast and careless: its databases
// are worth nothing after the test.
var testSettings = [...]string{
	"fsync=off", "synchronous_commit=off", "full_page_writes=off", "autovacuum=off",
	"max_connections=400", "shared_buffers=128MB", "max_wal_size=2GB",
}

// joinTestServer returns the address of an administrator's connection to the
// server that all tests of this account share, starting it when nobody runs
// it. release must be called when the caller's database is gone.
//
// The server is nobody's child on purpose: test programs come and go while
// others are in the middle of a test.
func joinTestServer(ctx context.Context) (address string, release func() error, err error) {
	p, err := systemSearch("").find(ctx, 0)
	if err != nil {
		return "", nil, err
	}
	dir := filepath.Join(os.TempDir(), fmt.Sprintf("benchyard-test-%d-pg%d", os.Geteuid(), p.major))
	c, err := openCluster(ctx, dir, "", systemSearch(p.dir))
	if err != nil {
		return "", nil, err
	}
	users, err := c.openLock(c.users())
	if err != nil {
		return "", nil, err
	}
	if err := flock(users, unix.LOCK_SH); err != nil {
		return "", nil, errors.Join(fmt.Errorf("postgres: lock of the test server: %w", err), users.Close())
	}
	if c.ping(ctx) != nil {
		err = c.startTestServer(ctx)
	}
	if err == nil {
		address, err = c.url("postgres")
	}
	if err != nil {
		return "", nil, errors.Join(err, users.Close())
	}
	return address, users.Close, nil
}

func (c cluster) users() string   { return filepath.Join(c.root, "users") }
func (c cluster) logFile() string { return filepath.Join(c.root, "server.log") }

// startTestServer starts the server unless another test program has just done so.
func (c cluster) startTestServer(ctx context.Context) (err error) {
	lock, err := c.openLock(c.lock())
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, lock.Close()) }()
	if err := flock(lock, unix.LOCK_EX); err != nil {
		return fmt.Errorf("postgres: lock of the test server: %w", err)
	}
	if c.ping(ctx) == nil {
		return nil
	}
	runtime.LockOSThread() // for the parent-death signal of initdb
	defer runtime.UnlockOSThread()
	if err := c.create(ctx, nil, "--no-sync"); err != nil {
		return err
	}
	if err := c.detach(); err != nil {
		return err
	}
	return c.awaitTestServer(ctx)
}

// detach starts watchdog and server in a session of their own.
func (c cluster) detach() (err error) {
	log, err := os.OpenFile(c.logFile(), os.O_CREATE|os.O_WRONLY|os.O_TRUNC, 0o600)
	if err != nil {
		return fmt.Errorf("postgres: log of the test server: %w", err)
	}
	defer func() { err = errors.Join(err, log.Close()) }()
	args := append([]string{"-c", watchdog, "watchdog", c.users(), c.programs.path("postgres")}, c.arguments(testSettings[:]...)...)
	cmd := exec.Command("/bin/sh", args...)
	cmd.Dir = c.root
	cmd.Env = []string{"PATH=/usr/bin:/bin", "LC_ALL=C.UTF-8", "TZ=UTC", "HOME=" + c.root}
	cmd.Stdout, cmd.Stderr = log, log
	attr := c.account.attributes()
	attr.Setpgid, attr.Setsid = false, true
	cmd.SysProcAttr = attr
	if err := cmd.Start(); err != nil {
		return fmt.Errorf("postgres: starting the test server: %w", err)
	}
	return cmd.Process.Release()
}

func (c cluster) awaitTestServer(ctx context.Context) error {
	ctx, cancel := context.WithTimeout(ctx, time.Minute)
	defer cancel()
	for {
		err := c.ping(ctx)
		if err == nil {
			break
		}
		select {
		case <-ctx.Done():
			said, _ := os.ReadFile(c.logFile())
			return fmt.Errorf("postgres: the test server in %s does not come up: %s; last: %w; remove that directory to start afresh", c.root, reason(string(said)), err)
		case <-time.After(20 * time.Millisecond):
		}
	}
	return c.dropLeftovers(ctx)
}

// dropLeftovers removes databases of tests that were killed. The server has
// just started and its starter holds the lock, so none of them is in use.
func (c cluster) dropLeftovers(ctx context.Context) (err error) {
	address, err := c.url("postgres")
	if err != nil {
		return err
	}
	conn, err := pgx.Connect(ctx, address)
	if err != nil {
		return fmt.Errorf("postgres: test server: %w", err)
	}
	defer func() { err = errors.Join(err, conn.Close(context.WithoutCancel(ctx))) }()
	rows, _ := conn.Query(ctx, `SELECT datname FROM pg_database WHERE datname LIKE 'test\_%'`)
	names, err := pgx.CollectRows(rows, pgx.RowTo[string])
	if err != nil {
		return fmt.Errorf("postgres: databases left over: %w", err)
	}
	for _, name := range names {
		if _, err := conn.Exec(ctx, "DROP DATABASE "+pgx.Identifier{name}.Sanitize()); err != nil {
			return fmt.Errorf("postgres: dropping %s: %w", name, err)
		}
	}
	return nil
}

// testName is the name of a database that no other test has.
func testName(random string) string {
	return "test_" + strconv.Itoa(syscall.Getpid()) + "_" + random
}
