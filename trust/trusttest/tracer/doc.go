// Package tracer runs a program and everything that it starts under ptrace(2),
// and numbers every system call by which one of them changes something, over
// all processes and threads together. At one number it ends the whole tree
// before the call, or lets the call fail. Tests use it to try each place at
// which a run can be interrupted, and to know that they tried them all.
//
// It works on Linux, as root or without.
package tracer
