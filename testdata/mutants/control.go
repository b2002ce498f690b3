// Package mutants is what make mutants looks at before it believes its tool: of what can be changed in
// Larger its test sees one and misses the other.
package mutants

// Larger is the larger of two numbers.
func Larger(a, b int) int {
	if a > b {
		return a
	}
	return b
}
