package postgres

import "syscall"

// dieWithParent asks the kernel to send SIGINT, the fast shutdown, to the child
// when the thread that started it ends, however this program dies.
func dieWithParent(attr *syscall.SysProcAttr) { attr.Pdeathsig = syscall.SIGINT }
