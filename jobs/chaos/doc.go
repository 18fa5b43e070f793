// Package chaos holds a test and no code: agents, benches and a database are
// disturbed at random for minutes, and afterwards the books are checked.
//
//	agents (processes)            wires (proxies)        this process
//	  a1.1  a2.1  a3.1  ──SCPI──  cut, stalled  ──────── simulated lab ── journal
//	  killed, stopped,  ──SQL───  cut, stalled  ──────── private Postgres, restarted
//	  clock, disk
//
// The agents are this test program started again. Every message that reaches an
// instrument is written down with the process that sent it, as the kernel knows it, so
// that the product is not asked who spoke. A trigger of the database does the
// same for rows. The seed decides which faults are drawn, in which order, when and
// for how long; the interleaving of the processes is left to the machine.
//
// Whoever must be able to help is left alone: at least one agent is sound at any
// moment, and each bench has at most one instrument that is disturbed.
package chaos
