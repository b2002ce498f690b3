//go:build !race

package api_test

const raceSlow = 1
