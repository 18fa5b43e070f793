package postgres

import (
	"context"
	"crypto/rand"
	"errors"
	"fmt"
	"io/fs"
	"net/url"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"syscall"

	"github.com/jackc/pgx/v5"
)

const (
	databaseName = "benchyard"
	roleName     = "benchyard"
	port         = 5432 // only part of the socket's name: nothing listens on the network

	// longestSocketPath is what sun_path of a socket address holds, less its
	// final zero (108 bytes on Linux, 104 on the BSDs).
	longestSocketPath = 103
)

// cluster is the files of one private server:
//
//	root/            0700, owned by the account
//	  data/          the PostgreSQL data directory
//	  sock/          the only way in
//	  password       of the role, 0600
//	  lock           flock: whoever holds it runs the server
type cluster struct {
	root     string
	account  account
	programs programs
}

func (c cluster) data() string     { return filepath.Join(c.root, "data") }
func (c cluster) sockets() string  { return filepath.Join(c.root, "sock") }
func (c cluster) password() string { return filepath.Join(c.root, "password") }
func (c cluster) lock() string     { return filepath.Join(c.root, "lock") }

// openCluster finds account and programs for the private server in dir/postgres
// and makes its directories. It never touches an existing data directory.
func openCluster(ctx context.Context, dir, accountName string, s search) (cluster, error) {
	dir, err := filepath.Abs(dir)
	if err != nil {
		return cluster{}, fmt.Errorf("postgres: data directory: %w", err)
	}
	c := cluster{root: filepath.Join(dir, "postgres")}
	socket := filepath.Join(c.sockets(), ".s.PGSQL."+strconv.Itoa(port))
	if len(socket) > longestSocketPath {
		return cluster{}, fmt.Errorf("postgres: the data directory %s is too long: its socket would have a path of %d bytes, at most %d work; choose a shorter one",
			dir, len(socket), longestSocketPath)
	}
	if c.account, err = serverAccount(accountName, c.data()); err != nil {
		return cluster{}, err
	}
	version, err := c.version()
	if err != nil {
		return cluster{}, err
	}
	if c.programs, err = s.find(ctx, version); err != nil {
		return cluster{}, err
	}
	if version != 0 && version != c.programs.major {
		return cluster{}, fmt.Errorf("postgres: the data directory %s was written by PostgreSQL %d, but the programs in %s are version %d; install version %d beside them (`apt-get install postgresql-%d`) or bring the data over with pg_upgrade; nothing was touched",
			c.data(), version, c.programs.dir, c.programs.major, version, version)
	}
	return c, c.makeDirectories(dir)
}

// version reads which PostgreSQL wrote the data directory; zero: there is none.
func (c cluster) version() (int, error) {
	file := filepath.Join(c.data(), "PG_VERSION")
	text, err := os.ReadFile(file)
	if errors.Is(err, fs.ErrNotExist) {
		if _, err := os.Stat(c.data()); err == nil {
			return 0, fmt.Errorf("postgres: %s holds no PostgreSQL data (no PG_VERSION); move it away or choose another data directory", c.data())
		}
		return 0, nil
	}
	if errors.Is(err, syscall.ENOTDIR) {
		return 0, fmt.Errorf("postgres: %s is not a directory, nor can it be one; choose another data directory", filepath.Dir(c.root))
	}
	if err != nil {
		return 0, fmt.Errorf("postgres: data directory: %w; run as its owner or choose another one", err)
	}
	version, err := strconv.Atoi(strings.TrimSpace(string(text)))
	if err != nil {
		return 0, fmt.Errorf("postgres: %s holds %q, which is no version of PostgreSQL that this program knows", file, text)
	}
	return version, nil
}

func (c cluster) makeDirectories(dir string) error {
	if _, err := os.Stat(dir); errors.Is(err, fs.ErrNotExist) {
		if err := os.MkdirAll(dir, 0o755); err != nil {
			return fmt.Errorf("postgres: cannot create the data directory: %w; choose another one", err)
		}
		if c.account.drop { // a narrow umask of root would shut the account out
			if err := os.Chmod(dir, 0o755); err != nil {
				return fmt.Errorf("postgres: data directory: %w", err)
			}
		}
	}
	if err := c.account.canReach(c.root); err != nil {
		return err
	}
	for _, d := range []string{c.root, c.sockets()} {
		if err := c.account.ownDirectory(d); err != nil {
			return err
		}
	}
	return nil
}

// create initialises the data directory when there is none. The caller holds
// the lock. The work happens beside the final place and is renamed when whole,
// so an initialisation that was killed half-way never looks like data.
func (c cluster) create(ctx context.Context, held *os.File, flags ...string) error {
	if version, err := c.version(); err != nil || version != 0 {
		return err
	}
	if err := c.writePassword(); err != nil {
		return err
	}
	unfinished := c.data() + ".unfinished"
	if err := os.RemoveAll(unfinished); err != nil {
		return fmt.Errorf("postgres: left over from an interrupted start: %w", err)
	}
	args := append([]string{
		"-D", unfinished, "-U", roleName, "--pwfile", c.password(),
		"--auth", "scram-sha-256", "--data-checksums", "--encoding", "UTF8", "--locale", "C.UTF-8",
	}, flags...)
	cmd := c.command(ctx, "initdb", args...)
	if held != nil {
		cmd.ExtraFiles = []*os.File{held}
	}
	if out, err := cmd.CombinedOutput(); err != nil {
		if ctx.Err() != nil {
			return fmt.Errorf("postgres: creating the database in %s: %w", c.data(), ctx.Err())
		}
		return fmt.Errorf("postgres: cannot create the database in %s: %s (initdb: %w); mend that or choose another data directory", c.data(), withRemedy(reason(string(out))), err)
	}
	if err := os.Rename(unfinished, c.data()); err != nil {
		return fmt.Errorf("postgres: creating the data directory: %w", err)
	}
	return syncDirectory(c.root)
}

func (c cluster) writePassword() error {
	if _, err := os.Stat(c.password()); err == nil {
		return nil
	}
	temporary := c.password() + ".new"
	err := os.WriteFile(temporary, []byte(rand.Text()+"\n"), 0o600)
	if err == nil && c.account.drop {
		err = os.Chown(temporary, int(c.account.uid), int(c.account.gid))
	}
	if err == nil {
		err = os.Rename(temporary, c.password())
	}
	if err != nil {
		return fmt.Errorf("postgres: cannot write the password file: %w", err)
	}
	return nil
}

// command prepares a PostgreSQL program as the account, with nothing of this
// program's environment, in a directory that the account can be in.
func (c cluster) command(ctx context.Context, name string, args ...string) *exec.Cmd {
	cmd := exec.CommandContext(ctx, c.programs.path(name), args...)
	cmd.Dir = c.root
	cmd.Env = []string{"PATH=/usr/bin:/bin", "LC_ALL=C.UTF-8", "LC_MESSAGES=C", "TZ=UTC", "HOME=" + c.root}
	cmd.SysProcAttr = c.account.attributes()
	dieWithParent(cmd.SysProcAttr)
	return cmd
}

// arguments are those of the server program: reachable by its socket only.
func (c cluster) arguments(settings ...string) []string {
	args := []string{"-D", c.data(), "-p", strconv.Itoa(port)}
	for _, s := range append([]string{
		"listen_addresses=",
		`unix_socket_directories="` + c.sockets() + `"`,
		"unix_socket_permissions=0700",
		"log_destination=stderr",
		"logging_collector=off",
		"log_line_prefix=",
		"log_min_error_statement=panic", // whoever sent a statement reports its error
		"lc_messages=C",
	}, settings...) {
		args = append(args, "-c", s)
	}
	return args
}

// url returns the address of one database of the server, password included.
// The error wraps fs.ErrNotExist as long as nobody has created the server.
func (c cluster) url(database string) (string, error) {
	password, err := os.ReadFile(c.password())
	if err != nil {
		return "", fmt.Errorf("postgres: password of the private server: %w", err)
	}
	query := url.Values{"host": {c.sockets()}, "port": {strconv.Itoa(port)}}
	u := url.URL{
		Scheme:   "postgres",
		User:     url.UserPassword(roleName, strings.TrimSpace(string(password))),
		Path:     "/" + database,
		RawQuery: query.Encode(),
	}
	return u.String(), nil
}

// ping connects to the server once and tells whether it takes statements.
func (c cluster) ping(ctx context.Context) error {
	address, err := c.url("postgres")
	if err != nil {
		return err
	}
	conn, err := pgx.Connect(ctx, address)
	if err != nil {
		return err
	}
	return conn.Close(ctx)
}

// reason picks the line that says why out of what a PostgreSQL program printed,
// and the hint that goes with it: on a full disk only the hint says so.
func reason(output string) string {
	why, last := "", "it said nothing"
	for line := range strings.Lines(output) {
		line = strings.TrimSpace(line)
		if line == "" {
			continue
		}
		last = line
		if _, hint, found := strings.Cut(line, "HINT:  "); found && why != "" {
			return why + " (" + hint + ")"
		}
		for _, mark := range []string{"error: ", "fatal: ", "FATAL:  ", "PANIC:  "} {
			if _, text, found := strings.Cut(line, mark); found && why == "" {
				why = text
			}
		}
	}
	if why != "" {
		return why
	}
	return last
}

// withRemedy adds what to do where the reason is a full disk.
func withRemedy(why string) string {
	if strings.Contains(why, "No space left on device") {
		return why + "; free some space on that disk"
	}
	return why
}

func syncDirectory(dir string) error {
	d, err := os.Open(dir)
	if err != nil {
		return fmt.Errorf("postgres: %w", err)
	}
	return errors.Join(d.Sync(), d.Close())
}
