//go:build !race

package main

// nightFactor is how many times faster than the wall clock the tested night runs.
const nightFactor = "500"
