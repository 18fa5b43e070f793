package postgres

import (
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"runtime"
	"testing"
)

// TestAsOrdinaryUser runs the tests of the private server once more as an
// account without privileges, when this program is root: what the server's
// directories need differs.
func TestAsOrdinaryUser(t *testing.T) {
	if os.Geteuid() != 0 {
		return // every other test of this package runs as an ordinary user already
	}
	nobody, err := lookupAccount("nobody")
	if err != nil {
		t.Fatal(err)
	}
	dir := filepath.Dir(dataDir(t))
	home := filepath.Join(dir, "home")
	if err := os.Mkdir(home, 0o700); err != nil {
		t.Fatal(err)
	}
	if err := os.Chown(home, int(nobody.uid), int(nobody.gid)); err != nil {
		t.Fatal(err)
	}
	binary := filepath.Join(dir, "test") // the original lies where only root gets to
	copyProgram(t, os.Args[0], binary)
	cmd := exec.CommandContext(t.Context(), binary, "-test.count=1",
		"-test.run=^(TestColdAndWarmStart|TestKilledStarter.*|TestSecondProgram.*|TestUn.*|TestOtherVersion.*)$")
	cmd.Dir = home
	cmd.Env = []string{"HOME=" + home, "TMPDIR=" + home, "PATH=" + os.Getenv("PATH")}
	cmd.SysProcAttr = nobody.attributes()
	runtime.LockOSThread() // the signal goes by the thread
	defer runtime.UnlockOSThread()
	dieWithParent(cmd.SysProcAttr)
	if out, err := cmd.CombinedOutput(); err != nil {
		t.Errorf("%v\n%s", err, out)
	}
}

func copyProgram(t *testing.T, from, to string) {
	t.Helper()
	in, err := os.Open(from)
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = in.Close() }()
	out, err := os.OpenFile(to, os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o755)
	if err != nil {
		t.Fatal(err)
	}
	_, err = io.Copy(out, in)
	if err == nil {
		err = out.Chmod(0o755)
	}
	if closeErr := out.Close(); err != nil || closeErr != nil {
		t.Fatal(err, closeErr)
	}
}

func TestDefaultDataDir(t *testing.T) {
	t.Setenv("XDG_DATA_HOME", "/srv/data")
	want := "/srv/data/benchyard" // XDG Base Directory Specification 0.8
	if os.Geteuid() == 0 {
		want = "/var/lib/benchyard" // Filesystem Hierarchy Standard 3.0, 5.8
	}
	if dir, err := DefaultDataDir(); err != nil || dir != want {
		t.Errorf("DefaultDataDir = %q (%v), want %q", dir, err, want)
	}
}
