// Package sim is a lab that exists only in arithmetic: benches of SCPI
// instruments on real TCP sockets, radio units in their slots, and signal paths
// between them, all computed from closed forms and a seed. Programs that drive
// it cannot tell it from hardware; tests can, because they may ask for the truth.
//
// The concept on one screen:
//
//	Config            the whole lab as data (JSON): benches, unit types, units, faults
//	Demo(seed)        an invented lab with faults drawn from the seed
//	Start(Config)     Lab: a socket and a HiSLIP port per instrument
//	Lab.Inventory     what a lab's inventory file would say of it (YAML)
//	Lab.Truth         which unit, build and clause must fail
//	Lab.Expect        the true figures of a connector, to hold measurements against
//	Lab.ExpectTone    the same of a test tone: leakage, image, product at -3f
//	Lab.Inject        faults on the wire while it runs
//	Lab.Trouble       faults inside a radio unit: reference, lock, calibrations
//	Lab.Fixture       the hands at a bench: the generator's cable, the measuring cable
//	Lab.Damaged       what was fed more than it can stand, or sent into nothing
//
// Wire. Instruments keep status, error queue and operations as 488.2 and SCPI-1999
// have them (status, device); an exchange is the conversation with one controller
// over a socket (server) or HiSLIP (hislipSession); a link suffers the faults.
// Config.Wire says how each instrument speaks, and which faults come by chance.
//
// Physics. What leaves a connector is an emission: a sum of shapes (n-fold
// self-convolutions of a flat band: carrier, regrowth, harmonics), lines and
// broadband noise. A path weakens it, the analyzer's Gaussian resolution filter
// smears it, and averaging statistics make it scatter. No sample of a waveform
// is ever computed, so a sweep of 36 000 points takes milliseconds.
//
// Bring-up. A radio unit transmits where its oscillator is, not where it was
// told: :SYNThesizer:RESet takes it there. Its modulators leak the oscillator and
// an image of 25 to 30 dB below the signal until :CALibration:INITial, whose
// findings are wrong at another frequency; what that leaves falls with a time
// constant of 2 s while :CALibration:TRACking runs. The timer of the air frame
// must stand still meanwhile and run before a test model comes out. Types that
// are SelfTuning do all of it by themselves on :OUTPut ON.
//
// Time. The lab runs on simulated time, which is wall time times Config.Speed.
// Sweeping, loading a build and warming up take simulated time; nothing waits
// by spinning.
//
// The package imports nothing from the rooms it is used to check: its formulas
// are written a second time on purpose.
package sim
