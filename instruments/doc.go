// Package instruments opens the instruments of a bench and the radio units on
// it. An inventory says of each its role, its resource string and its identity;
// Open connects, compares the identity, and returns the driver for the role.
//
//	driver    analyzer, generator, supply, switcher, radiounit: what a bench asks for
//	session   scpi: messages over one TCP connection, never a stale answer
//	quantity  rf: hertz, dBm, dB, traces
//
// Drivers know commands, from a literal table per role, and nothing of limits or
// of tests. What makes a bench safe (muting, switching off, terminating, full
// attenuation) counts only when the instrument reads it back.
package instruments
