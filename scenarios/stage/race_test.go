//go:build race

package stage

// raced says that the race detector is at work.
const raced = true
