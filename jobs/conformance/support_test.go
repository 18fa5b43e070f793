package conformance_test

import (
	"strings"
	"testing"
)

func wantError(t *testing.T, err error, part string) {
	t.Helper()
	if err == nil {
		t.Fatalf("no error, want one with %q", part)
	}
	if !strings.HasPrefix(err.Error(), "conformance: ") || !strings.Contains(err.Error(), part) {
		t.Errorf("error %q, want one of this package with %q", err, part)
	}
}
