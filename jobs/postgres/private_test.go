package postgres

import (
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"syscall"
	"testing"
)

func TestColdAndWarmStart(t *testing.T) {
	dir := dataDir(t)
	db := open(t, dir)
	if err := Migrate(t.Context(), db.Pool); err != nil {
		t.Fatal(err)
	}
	exec1(t, db.Pool, "INSERT INTO build (name) VALUES ('2.4.0')")
	c := db.keeper.cluster
	for _, d := range []string{c.root, c.data(), c.sockets(), c.password()} {
		info, err := os.Stat(d)
		if err != nil {
			t.Fatal(err)
		}
		if info.Mode().Perm()&0o077 != 0 {
			t.Errorf("%s has mode %o, want it closed to others", d, info.Mode().Perm())
		}
		if uid := info.Sys().(*syscall.Stat_t).Uid; uid == 0 || uid != c.account.uid {
			t.Errorf("%s belongs to uid %d, want the account %d", d, uid, c.account.uid)
		}
	}
	var collation, checksums, addresses string
	if err := db.Pool.QueryRow(t.Context(), `SELECT datcollate, current_setting('data_checksums'), current_setting('listen_addresses')
		FROM pg_database WHERE datname = current_database()`).Scan(&collation, &checksums, &addresses); err != nil {
		t.Fatal(err)
	}
	if collation != "C.UTF-8" || checksums != "on" || addresses != "" {
		t.Errorf("collation %q, checksums %q, listen_addresses %q; want C.UTF-8, on and none", collation, checksums, addresses)
	}
	db.Close()
	if pid := c.postmaster(); pid != 0 {
		t.Errorf("postmaster.pid names process %d after Close", pid)
	}

	db = open(t, dir)
	defer db.Close()
	var name string
	if err := db.Pool.QueryRow(t.Context(), "SELECT name FROM build").Scan(&name); err != nil || name != "2.4.0" {
		t.Errorf("after a warm start the build is %q (%v), want 2.4.0", name, err)
	}
}

func TestPasswordIsAskedFor(t *testing.T) {
	db := open(t, dataDir(t))
	defer db.Close()
	c := db.keeper.cluster
	if err := os.WriteFile(c.password(), []byte("wrong\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	_, err := Open(t.Context(), Options{DataDir: filepath.Dir(c.root), Logger: quiet()})
	wantError(t, err, "does not take the password", c.password())
}

func TestSecondProgramSharesAndTakesOver(t *testing.T) {
	dir := dataDir(t)
	_, finish := startProgram(t, dir)
	db := open(t, dir)
	defer db.Close()
	exec1(t, db.Pool, "CREATE TABLE kept (n int)")
	before := db.keeper.cluster.postmaster()
	if before == 0 || isChild(t, before) {
		t.Fatalf("postmaster %d is not the other program's", before)
	}
	finish() // an orderly end
	eventually(t, "the second program runs the server", func() bool {
		return answers(t, db.Pool) && isChild(t, db.keeper.cluster.postmaster())
	})
	exec1(t, db.Pool, "INSERT INTO kept VALUES (1)")
}

func TestKilledStarterLeavesNoServer(t *testing.T) {
	dir := dataDir(t)
	cmd, finish := startProgram(t, dir)
	c := cluster{root: filepath.Join(dir, "postgres")}
	pid := c.postmaster()
	if err := cmd.Process.Kill(); err != nil {
		t.Fatal(err)
	}
	finish()
	eventually(t, "the orphan ends", func() bool { return syscall.Kill(pid, 0) == syscall.ESRCH })
	db := open(t, dir)
	defer db.Close()
	if !answers(t, db.Pool) {
		t.Error("no usable server after the starter was killed")
	}
}

func TestKilledStarterIsReplacedByTheOther(t *testing.T) {
	dir := dataDir(t)
	cmd, finish := startProgram(t, dir)
	db := open(t, dir)
	defer db.Close()
	exec1(t, db.Pool, "CREATE TABLE kept (n int)")
	if err := cmd.Process.Kill(); err != nil {
		t.Fatal(err)
	}
	finish()
	eventually(t, "the other program takes the server over", func() bool {
		_, err := db.Pool.Exec(t.Context(), "INSERT INTO kept VALUES (1)")
		return err == nil && isChild(t, db.keeper.cluster.postmaster())
	})
}

func TestKilledServerIsStartedAgain(t *testing.T) {
	db := open(t, dataDir(t))
	defer db.Close()
	exec1(t, db.Pool, "CREATE TABLE kept AS SELECT 7 AS n")
	before := db.keeper.cluster.postmaster()
	if err := syscall.Kill(before, syscall.SIGKILL); err != nil {
		t.Fatal(err)
	}
	n := 0
	eventually(t, "the server is back", func() bool {
		err := db.Pool.QueryRow(t.Context(), "SELECT n FROM kept").Scan(&n)
		return err == nil && db.keeper.cluster.postmaster() != before
	})
	if n != 7 {
		t.Errorf("n = %d after the restart, want 7", n)
	}
}

// A process number that now belongs to another program of the same account
// must not stop the server from starting, as after a container's restart.
func TestStaleProcessNumber(t *testing.T) {
	dir := dataDir(t)
	db := open(t, dir)
	c := db.keeper.cluster
	pidFile := filepath.Join(c.data(), "postmaster.pid")
	text, err := os.ReadFile(pidFile)
	if err != nil {
		t.Fatal(err)
	}
	db.Close()
	stranger := exec.Command("sleep", "600")
	stranger.Dir = "/"
	stranger.SysProcAttr = c.account.attributes()
	if err := stranger.Start(); err != nil {
		t.Fatal(err)
	}
	defer func() { _ = stranger.Process.Kill(); _ = stranger.Wait() }()
	_, rest, _ := strings.Cut(string(text), "\n")
	if err := os.WriteFile(pidFile, []byte(strconv.Itoa(stranger.Process.Pid)+"\n"+rest), 0o600); err != nil {
		t.Fatal(err)
	}
	if c.account.drop {
		if err := os.Chown(pidFile, int(c.account.uid), int(c.account.gid)); err != nil {
			t.Fatal(err)
		}
	}
	db = open(t, dir)
	db.Close()
}

// isChild reads the parent of process pid from /proc.
func isChild(t *testing.T, pid int) bool {
	t.Helper()
	text, err := os.ReadFile("/proc/" + strconv.Itoa(pid) + "/status")
	if err != nil {
		return false
	}
	return strings.Contains(string(text), "\nPPid:\t"+strconv.Itoa(os.Getpid())+"\n")
}
