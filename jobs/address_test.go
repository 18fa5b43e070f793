package jobs

import (
	"strings"
	"testing"

	"benchyard/instruments/scpi"
	"benchyard/instruments/sim"
	"benchyard/jobs/lab"
)

// An inventory may name a host, and still nothing is connected to where the name
// service says unless the lab has that address; the error names host, address and list.
func TestConnectOnlyWithinTheAddressesOfTheLab(t *testing.T) {
	const password = "secret"
	t.Setenv(sim.PasswordVariable, password)
	for _, over := range []string{"tcp", "ssh", ""} {
		c := sim.Demo(1)
		c.Access.Password = password
		for i := range c.Types {
			c.Types[i].CommandLine = over
		}
		simulated, err := sim.Start(t.Context(), c, nil)
		if err != nil {
			t.Fatal(err)
		}
		defer simulated.Close()
		inventory := strings.ReplaceAll(string(simulated.Inventory()), "127.0.0.1", "localhost")
		in := func(allowed string) *lab.Lab {
			l, err := lab.Parse("lab.yaml", []byte("allowed_addresses: ["+allowed+"]\n"+inventory))
			if err != nil {
				t.Fatal(err)
			}
			return l
		}
		outside, inside := in("10.20.0.0/16, localhost"), in("127.0.0.0/8, localhost")
		for _, name := range []string{"bench-1-analyzer", "T4-0001"} {
			_, err := Connect(t.Context(), outside, name, scpi.Config{})
			for _, want := range []string{"localhost is at ", "127.0.0.1", "(10.20.0.0/16, localhost)", "allowed_addresses"} {
				if err == nil || !strings.Contains(err.Error(), want) && !(want == "127.0.0.1" && strings.Contains(err.Error(), "::1")) {
					t.Errorf("%s over %q does not say %q: %v", name, over, want, err)
				}
			}
			i, err := Connect(t.Context(), inside, name, scpi.Config{})
			if err != nil {
				t.Errorf("%s over %q: %v", name, over, err)
				continue
			}
			if err := i.Close(); err != nil {
				t.Error(err)
			}
		}
	}
}

// A bench that holds connections gives them up when the addresses of the lab change.
func TestLinksFollowTheAddressesOfTheLab(t *testing.T) {
	simulated, err := sim.Start(t.Context(), sim.Demo(1), nil)
	if err != nil {
		t.Fatal(err)
	}
	defer simulated.Close()
	var links []*link
	for _, allowed := range []string{"", "allowed_addresses: [127.0.0.0/8]\n", ""} {
		l, err := lab.Parse("lab.yaml", append([]byte(allowed), simulated.Inventory()...))
		if err != nil {
			t.Fatal(err)
		}
		described, err := describeLink(l, "bench-1-analyzer")
		if err != nil {
			t.Fatal(err)
		}
		links = append(links, described)
	}
	if links[0].same(links[1]) || !links[0].same(links[2]) {
		t.Error("a link with other addresses is taken for the same, or the same for another")
	}
}
