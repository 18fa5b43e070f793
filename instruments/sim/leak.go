package sim

import "slices"

// leak returns what comes through the switch matrix from units that are on the air
// without being closed to the analyzer; none where the matrix is perfect. It goes the
// way of the path that is closed, or of its own where none is.
func (w *world) leak(b *bench, routed *unit) scene {
	var all scene
	if b.config.Isolation == 0 {
		return all
	}
	for slot, u := range b.units {
		if u == nil || u == routed || !u.on {
			continue
		}
		all.path = b.paths[channel(slot+1, 1)]
		for connector := range u.ports {
			all.emission = all.emission.with(w.emission(u, connector+1).weakened(milliwatts(-float64(b.config.Isolation))))
		}
	}
	return all
}

// with returns two emissions at once, nil for none. Of their broadband noise the
// stronger counts.
func (e *emission) with(o *emission) *emission {
	switch {
	case o == nil:
		return e
	case e == nil:
		return o
	}
	both := *e
	both.shapes = append(slices.Clip(both.shapes), o.shapes...)
	both.mixes = append(slices.Clip(both.mixes), o.mixes...)
	both.lines = append(slices.Clip(both.lines), o.lines...)
	if o.noise.density > both.noise.density {
		both.noise = o.noise
	}
	return &both
}

// weakened returns the emission with all of its power multiplied by a gain.
func (e *emission) weakened(gain float64) *emission {
	if e == nil {
		return nil
	}
	weak := emission{shapes: slices.Clone(e.shapes), mixes: slices.Clone(e.mixes), lines: slices.Clone(e.lines), noise: e.noise, idle: e.idle * gain}
	for i := range weak.shapes {
		weak.shapes[i].power *= gain
	}
	for i := range weak.mixes {
		weak.mixes[i].power *= gain
	}
	for i := range weak.lines {
		weak.lines[i].power *= gain
	}
	weak.noise.density *= gain
	return &weak
}
