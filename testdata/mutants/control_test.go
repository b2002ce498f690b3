package mutants

import "testing"

// With > turned into <= this fails; with >= it cannot, since of two equal numbers either is the larger.
func TestLarger(t *testing.T) {
	for _, x := range [][3]int{{1, 2, 2}, {2, 1, 2}} {
		if got := Larger(x[0], x[1]); got != x[2] {
			t.Errorf("Larger(%d, %d) = %d, want %d", x[0], x[1], got, x[2])
		}
	}
}
