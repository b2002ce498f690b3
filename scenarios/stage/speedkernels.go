package stage

import (
	"crypto/sha256"
	"encoding/binary"
	"math"
)

// The kernels of the speed activity, as the host computes them. web/speedwork.js (processor and memory) and
// web/speedpage.js (page, pictures, GPU, storage) do the same steps on the handset and must come to the same
// result: 32-bit integers that wrap, and IEEE 754 binary64 sums, products and square roots, each rounded by
// itself. Each is textbook or published work, programmed here from what the source says; titles and years
// without another word are from memory.

// Sizes of the kernels; the scripts have the same.
const (
	primesBelow   = 1 << 20
	sortedLength  = 1 << 16
	textLength    = 1 << 10 // of each of the two texts between which the distance is
	hashedBytes   = 1 << 18
	productSide   = 128
	transformBits = 13
	walkedCells   = 1 << 21 // 8 MB: a step to memory costs so much that more would take seconds
	memoryWords   = 1 << 22 // 16 MB of 32-bit words: more than the caches of a phone's cores. What a whole chip shares may hold it (a guess)
)

// xorshift is the source of all made-up numbers (Marsaglia, "Xorshift RNGs", Journal of Statistical Software
// 8, 2003: the triple 13, 17, 5).
type xorshift uint32

func (x *xorshift) next() uint32 {
	v := uint32(*x)
	v ^= v << 13
	v ^= v >> 17
	v ^= v << 5
	*x = xorshift(v)
	return v
}

// fold takes a word into a check value: the multiplication of FNV-1a (Fowler, Noll and Vo; the prime for 32
// bits) with whole words.
func fold(h, word uint32) uint32 { return (h ^ word) * 16777619 }

const foldStart = 2166136261

// primesKernel crosses out multiples (the sieve of Eratosthenes, by Nicomachus, "Introduction to Arithmetic",
// about 100). It returns how many numbers were crossed out, again or not, and the check value.
func primesKernel() (crossed int, check uint32) {
	gone := make([]bool, primesBelow)
	primes := uint32(0)
	for i := 2; i < primesBelow; i++ {
		if gone[i] {
			continue
		}
		primes++
		if i > primesBelow/i {
			continue
		}
		for j := i * i; j < primesBelow; j += i {
			gone[j] = true
			crossed++
		}
	}
	return crossed, fold(fold(foldStart, primes), uint32(crossed))
}

// sortingKernel sorts made-up numbers (Williams, "Algorithm 232: Heapsort", Communications of the ACM 7, 1964).
// It returns how often two were compared, and the check value.
func sortingKernel() (compared int, check uint32) {
	list := make([]uint32, sortedLength)
	x := xorshift(0x2545f491)
	for i := range list {
		list[i] = x.next()
	}
	sink := func(at, n int) {
		v := list[at]
		for {
			child := 2*at + 1
			if child >= n {
				break
			}
			if child+1 < n {
				compared++
				if list[child+1] > list[child] {
					child++
				}
			}
			compared++
			if list[child] <= v {
				break
			}
			list[at] = list[child]
			at = child
		}
		list[at] = v
	}
	for at := sortedLength/2 - 1; at >= 0; at-- {
		sink(at, sortedLength)
	}
	for n := sortedLength - 1; n > 0; n-- {
		list[0], list[n] = list[n], list[0]
		sink(0, n)
	}
	check = foldStart
	for _, v := range list {
		check = fold(check, v)
	}
	return compared, fold(check, uint32(compared))
}

// distanceKernel is the least number of letters to change, insert or remove that makes one text of another
// (Wagner and Fischer, "The String-to-String Correction Problem", Journal of the ACM 21, 1974). It returns the
// cells of the table and the check value.
func distanceKernel() (cells int, check uint32) {
	x := xorshift(0x9e3779b9)
	var a, b [textLength]byte
	for i := range a {
		a[i], b[i] = byte(x.next()>>28), byte(x.next()>>28)
	}
	var row [textLength + 1]int32
	for j := range row {
		row[j] = int32(j)
	}
	check = foldStart
	for i := range a {
		corner := row[0]
		row[0] = int32(i + 1)
		for j := range b {
			best := corner
			if a[i] != b[j] {
				best++
			}
			corner = row[j+1]
			best = min(best, corner+1, row[j]+1)
			row[j+1] = best
		}
		check = fold(check, uint32(row[textLength]))
	}
	return textLength * textLength, check
}

// digestKernel is the Secure Hash Standard's SHA-256 (FIPS PUB 180-4, 2015), of made-up bytes; here by Go's
// library, on the handset step by step. The check value is the digest's first word.
func digestKernel() (bytes int, check uint32) {
	text := make([]byte, hashedBytes)
	x := xorshift(0x12345679)
	for i := range text {
		text[i] = byte(x.next() >> 24)
	}
	sum := sha256.Sum256(text)
	return hashedBytes, binary.BigEndian.Uint32(sum[:])
}

// unit1 is a made-up number from -1 to 1.
func (x *xorshift) unit1() float64 { return float64(int32(x.next())) / 2147483648 }

// foldFloat takes the bits of a number into a check value.
func foldFloat(h uint32, v float64) uint32 {
	bits := math.Float64bits(v)
	return fold(fold(h, uint32(bits)), uint32(bits>>32))
}

// productKernel is the product of two matrices, by rows (Golub and Van Loan, "Matrix Computations", 1983: the
// order of loops i, k, j). It returns the multiplications and additions, and the check value.
func productKernel() (operations int, check uint32) {
	const n = productSide
	x := xorshift(0x6c078965)
	a, b, c := make([]float64, n*n), make([]float64, n*n), make([]float64, n*n)
	for i := range a {
		a[i], b[i] = x.unit1(), x.unit1()
	}
	for i := range n {
		for k := range n {
			v := a[i*n+k]
			for j := range n {
				// The conversion keeps the compiler from fusing the product into the sum.
				c[i*n+j] += float64(v * b[k*n+j])
			}
		}
	}
	check = foldStart
	for _, v := range c {
		check = foldFloat(check, v)
	}
	return 2 * n * n * n, check
}

// turns are cosine and sine of i/n of a turn, for i below n/2. They come from square roots alone (the half
// angle) and products, since a browser's own sine may be another's in the last bit.
func turns(bits int) (cos, sin []float64) {
	half := 1 << (bits - 1)
	cos, sin = make([]float64, half), make([]float64, half)
	cos[0] = 1
	c, s := -1.0, 0.0 // half a turn
	for step := half / 2; step >= 1; step /= 2 {
		c, s = math.Sqrt((1+c)/2), math.Sqrt((1-c)/2)
		if step == half/2 {
			c, s = 0, 1
		}
		for at := 0; at+step < half; at += 2 * step {
			cos[at+step] = float64(cos[at]*c) - float64(sin[at]*s)
			sin[at+step] = float64(sin[at]*c) + float64(cos[at]*s)
		}
	}
	return cos, sin
}

// transformKernel is a fast Fourier transform (Cooley and Tukey, "An Algorithm for the Machine Calculation of
// Complex Fourier Series", Mathematics of Computation 19, 1965), radix 2, in place. It returns the floating-point
// operations, ten a butterfly, and the check value.
func transformKernel() (operations int, check uint32) {
	const n = 1 << transformBits
	x := xorshift(0x5bd1e995)
	re, im := make([]float64, n), make([]float64, n)
	for i := range re {
		re[i], im[i] = x.unit1(), x.unit1()
	}
	cos, sin := turns(transformBits)
	for i, j := 1, 0; i < n; i++ {
		bit := n >> 1
		for ; j&bit != 0; bit >>= 1 {
			j ^= bit
		}
		j ^= bit
		if i < j {
			re[i], re[j], im[i], im[j] = re[j], re[i], im[j], im[i]
		}
	}
	for size := 1; size < n; size *= 2 {
		stride := n / (2 * size)
		for from := 0; from < n; from += 2 * size {
			for k := range size {
				c, s := cos[k*stride], -sin[k*stride]
				p, q := from+k, from+k+size
				u := float64(re[q]*c) - float64(im[q]*s)
				v := float64(re[q]*s) + float64(im[q]*c)
				re[q], im[q] = re[p]-u, im[p]-v
				re[p], im[p] = re[p]+u, im[p]+v
			}
		}
	}
	check = foldStart
	for i := range re {
		check = foldFloat(foldFloat(check, re[i]), im[i])
	}
	return 10 * n / 2 * transformBits, check
}

// words are the made-up content of the memory that is read and moved: a closed form, so that it need not be kept.
func word(i uint32) uint32 { return i*2654435761 ^ i>>7 }

// readingKernel reads words in order and adds them up. It returns the bytes and the sum.
func readingKernel() (bytes int, check uint32) {
	for i := range uint32(memoryWords) {
		check += word(i)
	}
	return 4 * memoryWords, check
}

// movingKernel moves them to another place. It returns the bytes read and those written, and the check value, of
// one word in each kilobyte at the other place.
func movingKernel() (bytes int, check uint32) {
	check = foldStart
	for i := uint32(0); i < memoryWords; i += 256 {
		check = fold(check, word(i))
	}
	return 8 * memoryWords, check
}

// madeUpRound names for each of n cells the next, in one round through all.
func madeUpRound(n uint32) []uint32 {
	next := make([]uint32, n)
	for i := range next {
		next[i] = uint32(i)
	}
	x := xorshift(0x7f4a7c15)
	for i := n - 1; i > 0; i-- {
		j := x.next() % i
		next[i], next[j] = next[j], next[i]
	}
	return next
}

// walkingKernel goes through all cells, each naming the next, in one made-up round (Sattolo, "An Algorithm to
// Generate a Random Cyclic Permutation", Information Processing Letters 22, 1986). It returns the steps and the
// check value: the cells in which it was after each sixteenth of the round.
func walkingKernel() (steps int, check uint32) {
	next := madeUpRound(walkedCells)
	check = foldStart
	at := uint32(0)
	for range 16 {
		for range walkedCells / 16 {
			at = next[at]
		}
		check = fold(check, at)
	}
	return walkedCells, check
}

// boxesPage is the page that is laid out: so many boxes of a fixed size that flow, text and a table. The check value
// is made of the heights of the boxes at each width, which hang on nothing that a browser may choose.
const (
	boxCount, boxWide, boxHigh = 300, 40, 20 // px
	pageNarrow, pageWide       = 300, 360    // widths at which it is laid out, one after the other, px
)

// pageKernel returns the pages, and the check value.
func pageKernel() (pages int, check uint32) {
	check = foldStart
	for _, wide := range []int{pageNarrow, pageWide} {
		row := wide / boxWide
		check = fold(check, uint32((boxCount+row-1)/row*boxHigh))
	}
	return 1, check
}

// Pictures: a made-up one is drawn twice as large without smoothing, and coded and decoded.
const (
	pictureSide = 512 // px
	drawnTimes  = 16  // pictures a call
)

// pixel is a made-up picture's colour at a place, 0xRRGGBB: smooth, so that it can be coded, and never the same in
// two neighbours.
func pixel(x, y uint32) uint32 {
	return (x+y)&255<<16 | (x*2+255-y&255)&255<<8 | (x^y)&255
}

// picturesKernel returns the pixels drawn, and the check value of a line of the last picture.
func picturesKernel() (pixels int, check uint32) {
	check = foldStart
	for x := range uint32(2 * pictureSide) {
		check = fold(check, pixel(x/2, 77))
	}
	return drawnTimes * 2 * pictureSide * 2 * pictureSide, check
}

// Sizes of the GPU's work.
const (
	fillSide, fillLayers     = 512, 200 // each layer adds 1/255 to every pixel
	gridSide, gridTimes      = 128, 64  // a grid of squares of two triangles each covers every pixel once a time
	shadeSide, shadeTurns    = 512, 64
	marchSide, marchStepsMax = 256, 96
)

// shadingKernel is a chain of integer work for each pixel (the xorshift of above). It returns the turns of all pixels, and the
// check value of the picture's low bytes.
func shadingKernel() (turns int, check uint32) {
	check = foldStart
	for y := range uint32(shadeSide) {
		for x := range uint32(shadeSide) {
			h := xorshift(x*1973 + y*9277 + 26699)
			for range shadeTurns {
				h.next()
			}
			if y%64 == 17 {
				check = fold(check, uint32(h)&255)
			}
		}
	}
	return shadeSide * shadeSide * shadeTurns, check
}

// within is a place between the walls of its own cell, -1 to 1.
func within(v float64) float64 { return v - 2*math.Floor(v/2) - 1 }

// marchingKernel goes along a ray from each pixel in steps as long as nothing is near (Hart, "Sphere Tracing", The
// Visual Computer 12, 1996), to spheres that repeat. It returns the rays and the mean brightness, 0 to 255: a GPU
// rounds its own way, so that a picture is held by its mean.
func marchingKernel() (rays int, mean float64) {
	sum := 0.0
	for py := range marchSide {
		for px := range marchSide {
			u, v := (float64(px)+0.5)/marchSide*2-1, (float64(py)+0.5)/marchSide*2-1
			length := math.Sqrt(u*u + v*v + 1.5*1.5)
			dx, dy, dz := u/length, v/length, 1.5/length
			t, light := 0.0, 0.0
			for step := range marchStepsMax {
				x, y, z := within(dx*t), within(dy*t), within(dz*t)
				d := math.Sqrt(x*x+y*y+z*z) - 0.3
				if d < 0.002 {
					light = 1 - float64(step)/marchStepsMax
					break
				}
				if t += d; t > 40 {
					break
				}
			}
			sum += light * 255
		}
	}
	return marchSide * marchSide, sum / (marchSide * marchSide)
}

// Storage: so many pieces of so many bytes are put into the browser's store, and read again.
const storedPieces, storedBytes = 8, 1 << 20

// storingKernel returns the bytes and the check value, of one word in each kilobyte of each piece.
func storingKernel() (bytes int, check uint32) {
	check = foldStart
	for p := range uint32(storedPieces) {
		for i := uint32(0); i < storedBytes/4; i += 256 {
			check = fold(check, word(i+p<<20))
		}
	}
	return storedPieces * storedBytes, check
}
