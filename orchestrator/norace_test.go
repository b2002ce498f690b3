//go:build !race

package orchestrator_test

const raceSlow = 1
