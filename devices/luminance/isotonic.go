package luminance

// Isotonic returns the values nearest to ys, by weighted least squares, that never fall:
// pooled adjacent violators (Ayer and others, Ann. Math. Statist. 26 (1955) 641; recalled).
// Weights must be above 0; nil stands for equal ones.
func Isotonic(ys, weights []float64) []float64 {
	fit := make([]float64, 0, len(ys))
	for _, b := range pool(ys, weights) {
		for range b.last - b.first {
			fit = append(fit, b.mean)
		}
	}
	return fit
}

// A block is a run of values, first to before last, that were pooled to their mean.
type block struct {
	first, last  int
	mean, weight float64
}

func pool(ys, weights []float64) []block {
	var blocks []block
	for i, y := range ys {
		w := 1.0
		if weights != nil {
			w = weights[i]
		}
		b := block{first: i, last: i + 1, mean: y, weight: w}
		for len(blocks) > 0 && blocks[len(blocks)-1].mean >= b.mean {
			before := blocks[len(blocks)-1]
			blocks = blocks[:len(blocks)-1]
			total := before.weight + b.weight
			b = block{first: before.first, last: b.last, mean: before.mean + (b.mean-before.mean)*b.weight/total, weight: total}
		}
		blocks = append(blocks, b)
	}
	return blocks
}
