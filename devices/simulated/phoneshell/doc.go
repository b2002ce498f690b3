// Package phoneshell is the user space of a virtual phone: a POSIX shell with mksh's
// habits, toybox's usual commands, virtual files, processes with signals and sessions,
// all on a clock that its owner gives. Nothing of it touches the host's files,
// processes or descriptors, so that thousands of phones fit into one program and into a
// testing/synctest bubble.
//
// Parsing and word expansion are mvdan.cc/sh's (packages syntax and expand). The
// evaluator is our own and not that module's interp: a phone's shell needs pids, signals
// and traps, `$!`, sessions, descriptors above 2, pipes that a virtual clock can see
// through, and 32-bit arithmetic, none of which interp offers.
//
// What differs from a phone on purpose: nothing freezes (STOP is refused), permission bits
// know two users only (shell and everybody else), and a foreground command other than
// sh, sleep, timeout and the like runs on its shell's process instead of one of its own.
package phoneshell
