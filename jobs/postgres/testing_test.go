package postgres

import "testing"

func TestFreshDatabases(t *testing.T) {
	t.Parallel()
	for range 3 {
		t.Run("copy", func(t *testing.T) {
			t.Parallel()
			pool := Test(t)
			if err := Validate(t.Context(), pool); err != nil {
				t.Fatal(err)
			}
			if _, err := pool.Exec(t.Context(), "INSERT INTO build (name) VALUES ('2.4.0')"); err != nil {
				t.Fatal("the database is not this test's own:", err)
			}
		})
	}
}
