package jobs

import (
	"os"
	"path/filepath"
	"strings"
	"testing"

	"benchyard/jobs/lab"
)

func TestSecretsOfALogin(t *testing.T) {
	t.Setenv("UNIT_PASSWORD_TEST", "from here")
	dir := t.TempDir()
	write := func(name, text string, mode os.FileMode) string {
		path := filepath.Join(dir, name)
		if err := os.WriteFile(path, []byte(text), mode); err != nil {
			t.Fatal(err)
		}
		return path
	}
	keys := []string{"k"}
	for _, c := range []struct {
		control lab.Control
		want    string // an error when it begins with "!"
	}{
		{lab.Control{PasswordEnv: "UNIT_PASSWORD_TEST"}, "from here"},
		{lab.Control{PasswordEnv: "UNIT_PASSWORD_NOT_SET"}, "!UNIT_PASSWORD_NOT_SET"},
		{lab.Control{PasswordFile: write("good", "secret\n", 0o600)}, "secret"},
		{lab.Control{PasswordFile: write("open", "secret", 0o644)}, "!chmod 600"},
		{lab.Control{PasswordFile: write("empty", "", 0o600)}, "!empty"},
		{lab.Control{PasswordFile: write("long", strings.Repeat("x", longestSecret+1), 0o600)}, "!no password"},
		{lab.Control{PasswordFile: dir}, "!no file"},
		{lab.Control{PasswordFile: dir + "/none"}, "!none"},
	} {
		got, err := Login(c.control, keys).Password()
		why, fails := strings.CutPrefix(c.want, "!")
		if fails && (err == nil || !strings.Contains(err.Error(), why) || strings.Contains(err.Error(), "secret")) || !fails && (got != c.want || err != nil) {
			t.Errorf("%+v: got %q, %v", c.control, got, err)
		}
	}
	l := Login(lab.Control{Over: lab.OverSSH, User: "bench", KeyFile: write("key", "PRIVATE\n", 0o400)}, keys)
	if key, err := l.Key(); key != "PRIVATE" || err != nil || !l.SSH || l.User != "bench" || l.HostKeys[0] != "k" || l.Password != nil {
		t.Errorf("got %+v", l)
	}
}
