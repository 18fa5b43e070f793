package sim

// generator is a signal generator. Nothing in this lab listens to it yet but
// the journal: what matters is whether it is off when it should be.
type generator struct {
	*device
	frequency, power float64 // Hz, dBm
	on               bool
}

func newGenerator(w *world, b *bench) *generator {
	g := &generator{device: newDevice(b.name+"-generator", identity("Tone 26", "SG", b.name), w)}
	g.preset()
	g.device.reset = func() {
		g.preset()
		g.output()
	}
	g.commands = append(g.commands,
		numberCommand("[:SOURce]:FREQuency[:CW|:FIXed]", "HZ", lowestHz, highestHz, &g.frequency, nil),
		numberCommand("[:SOURce]:POWer[:LEVel][:IMMediate][:AMPLitude]", "DBM", -130, 20, &g.power, nil),
		boolCommand(":OUTPut[:STATe]", &g.on, g.output),
	)
	return g
}

func (g *generator) preset() { g.frequency, g.power, g.on = 1e9, -130, false }

func (g *generator) output() {
	if g.on {
		g.note("output on", "%g Hz, %g dBm", g.frequency, g.power)
	} else {
		g.note("output off", "")
	}
}
