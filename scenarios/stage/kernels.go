package stage

import (
	"math"
	"math/bits"
	"sync"
)

// The work of the sustain activity. web/kernels.js does the same steps on the handset and
// must give the same bits: 32-bit integers that wrap, and IEEE 754 binary64 additions,
// products and square roots, each rounded by itself.
//
// Unit n is work on input n modulo workInputs. Its result goes into a running digest
// together with n, so a digest stands for every unit up to a count, in order, none left
// out. Since the inputs come round again, the stage computes each result once and can
// then check any number of units at the cost of one mix each, while the handset, which
// keeps no results, does all the work.
const (
	workInputs  = 192 // three kinds of kernel in turn, 64 inputs each
	hashSteps   = 1 << 16
	matrixSide  = 48
	walkCells   = 1 << 20 // 4 MB of 32-bit words, more than a phone core's own cache
	walkSteps   = 1 << 14
	streamCells = 1 << 16
)

// unit is the result of one unit of work.
func unit(n int) uint32 {
	input := uint32(n % workInputs / 3)
	switch n % 3 {
	case 0:
		return hashUnit(input)
	case 1:
		return matrixUnit(input)
	default:
		return memoryUnit(input)
	}
}

// hashUnit is integer work: a chain of multiplications and shifts.
func hashUnit(input uint32) uint32 {
	h := 0x811c9dc5 ^ input*0x9e3779b1
	for i := range uint32(hashSteps) {
		h ^= h >> 13
		h = h*0x5bd1e995 + i
		h ^= h >> 15
	}
	return h
}

// matrixUnit is floating-point work: a product of two matrices and a square root of each
// element.
func matrixUnit(input uint32) uint32 {
	var a, b [matrixSide * matrixSide]float64
	x := input*0x9e3779b1 + 12345
	next := func() float64 {
		x = x*1664525 + 1013904223
		return float64(int32(x)) / 2147483648
	}
	for i := range a {
		a[i] = next()
		b[i] = next()
	}
	var h uint32
	for i := range matrixSide {
		for j := range matrixSide {
			sum := 0.0
			for k := range matrixSide {
				// The conversion keeps the compiler from fusing the product into the
				// sum, which rounds once where a browser rounds twice.
				sum += float64(a[i*matrixSide+k] * b[k*matrixSide+j])
			}
			bit := math.Float64bits(sum + math.Sqrt(math.Abs(sum)))
			h = mix(h, uint32(bit)^uint32(bit>>32), uint32(j))
		}
	}
	return h
}

// memoryUnit is work on memory: a walk in which each address comes from the one before,
// and a stretch that is read, changed and written in order. The cells' content has a
// closed form, so this side needs no memory for it.
func memoryUnit(input uint32) uint32 {
	at := input * 0x9e3779b1 % walkCells
	h := input
	for range walkSteps {
		at = cell(at)
		h = bits.RotateLeft32(h+at, 5)
	}
	from := input * (walkCells / 64) % (walkCells - streamCells)
	for i := range uint32(streamCells) {
		h += (cell(from+i) ^ input) + i
	}
	return h
}

// cell is what stands in a cell: the address of another, in one round through all.
func cell(at uint32) uint32 { return (at*1664525 + 1013904223) % walkCells }

// mix folds a result and its number into a digest.
func mix(digest, result, n uint32) uint32 {
	digest = bits.RotateLeft32(digest^result, 7)*0x85ebca6b + n
	return digest ^ digest>>16
}

var workResults = sync.OnceValue(func() []uint32 {
	list := make([]uint32, workInputs)
	for n := range list {
		list[n] = unit(n)
	}
	return list
})

// digests returns the digest after each of the given counts of units, which must rise.
func digests(counts []int) []uint32 {
	results := workResults()
	list := make([]uint32, len(counts))
	var d uint32
	n := 0
	for i, count := range counts {
		for ; n < count; n++ {
			d = mix(d, results[n%workInputs], uint32(n))
		}
		list[i] = d
	}
	return list
}
