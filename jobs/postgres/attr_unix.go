//go:build unix && !linux

package postgres

import "syscall"

// dieWithParent does nothing where the kernel knows no parent-death signal: a
// server whose starter was killed keeps running there, keeps its lock, and is
// shared by the next program that opens the data directory.
func dieWithParent(*syscall.SysProcAttr) {}
