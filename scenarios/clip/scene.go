package clip

import (
	"math"
	"math/rand/v2"
)

// A scene is two layers of clouded texture, each with detail of every size as landscapes
// have, that move across each other in different directions; a picture is their mean.
// Both wrap around at the edges, so that every picture has the same average level, and
// after one period everything is back in its place.
type scene struct {
	w, h   int
	layers [2]layer
}

// A layer is one texture, planar 4:2:0, limited range.
type layer struct {
	y, u, v []byte
	// across and down are how often the layer goes around in one period.
	across, down int
}

// The seed and the shades; Version stands for both.
const seed = 20300514

func newScene(w, h int) *scene {
	s := &scene{w: w, h: h}
	for i := range s.layers {
		random := rand.New(rand.NewPCG(seed, uint64(i)))
		l := &s.layers[i]
		// Mean luma of the average level, in limited range: 16 to 235.
		l.y = texture(random, w, h, 9, 16+219*AverageLevelPct/100.0, 58, 20, 230)
		l.u = texture(random, w/2, h/2, 5, 128, 26, 40, 216)
		l.v = texture(random, w/2, h/2, 5, 128, 26, 40, 216)
	}
	s.layers[0].across, s.layers[0].down = 1, 0
	s.layers[1].across, s.layers[1].down = -1, 1
	return s
}

// texture is noise of several octaves that wraps around, with the mean given and about
// the standard deviation given, kept between least and most. The mean holds to a small
// part of one code.
func texture(random *rand.Rand, w, h, octaves int, mean, sd float64, least, most byte) []byte {
	sum := make([]float32, w*h)
	amplitude := float32(1)
	for o := range octaves {
		nx, ny := min(w, 3<<o), min(h, 2<<o)
		lattice := make([]float32, nx*ny)
		for i := range lattice {
			lattice[i] = amplitude * float32(random.NormFloat64())
		}
		spread(sum, w, h, lattice, nx, ny)
		amplitude *= 0.62
	}
	var m, q float64
	for _, v := range sum {
		m += float64(v)
	}
	m /= float64(len(sum))
	for _, v := range sum {
		q += (float64(v) - m) * (float64(v) - m)
	}
	scale := sd
	if q > 0 {
		scale = sd / math.Sqrt(q/float64(len(sum)))
	}
	out := make([]byte, len(sum))
	// Rounding errors are carried on to the next pixel, and what the limits cut off is
	// made good by a second look.
	shift := 0.0
	for range 3 {
		var total, carry float64
		for i, v := range sum {
			want := mean + shift + (float64(v)-m)*scale + carry
			got := min(max(int(want+0.5), int(least)), int(most))
			carry = min(max(want-float64(got), -0.5), 0.5)
			out[i] = byte(got)
			total += float64(got)
		}
		shift += mean - total/float64(len(out))
	}
	return out
}

// spread adds a lattice to a plane, straight between its points, wrapping around.
func spread(plane []float32, w, h int, lattice []float32, nx, ny int) {
	type at struct {
		a, b int
		f    float32
	}
	columns := make([]at, w)
	for x := range w {
		p := float32(x) * float32(nx) / float32(w)
		i := int(p)
		columns[x] = at{i % nx, (i + 1) % nx, p - float32(i)}
	}
	for y := range h {
		p := float32(y) * float32(ny) / float32(h)
		i := int(p)
		f := p - float32(i)
		top, bottom := lattice[i%ny*nx:][:nx], lattice[(i+1)%ny*nx:][:nx]
		row := plane[y*w:][:w]
		for x, c := range columns {
			a := top[c.a] + (top[c.b]-top[c.a])*c.f
			b := bottom[c.a] + (bottom[c.b]-bottom[c.a])*c.f
			row[x] += a + (b-a)*f
		}
	}
}

// draw writes picture i of n of a period into frame, planar 4:2:0.
func (s *scene) draw(frame []byte, i, n int) {
	luma := s.w * s.h
	var dx, dy, hx, hy [2]int
	for k, l := range s.layers {
		dx[k], dy[k] = floorDiv(i*l.across*s.w, n), floorDiv(i*l.down*s.h, n)
		hx[k], hy[k] = floorDiv(i*l.across*s.w/2, n), floorDiv(i*l.down*s.h/2, n)
	}
	a, b := &s.layers[0], &s.layers[1]
	mix(frame[:luma], a.y, b.y, s.w, s.h, dx, dy)
	mix(frame[luma:luma+luma/4], a.u, b.u, s.w/2, s.h/2, hx, hy)
	mix(frame[luma+luma/4:], a.v, b.v, s.w/2, s.h/2, hx, hy)
}

// mix writes the mean of two planes, each moved by its steps.
func mix(out, a, b []byte, w, h int, dx, dy [2]int) {
	for y := range h {
		ra, rb := a[wrap(y+dy[0], h)*w:][:w], b[wrap(y+dy[1], h)*w:][:w]
		xa, xb := wrap(dx[0], w), wrap(dx[1], w)
		row := out[y*w:][:w]
		for x := range row {
			// Rounded up and down in turn: the mean stays what it is.
			row[x] = byte((int(ra[xa]) + int(rb[xb]) + (x+y)&1) >> 1)
			if xa++; xa == w {
				xa = 0
			}
			if xb++; xb == w {
				xb = 0
			}
		}
	}
}

func wrap(i, n int) int {
	if i %= n; i < 0 {
		i += n
	}
	return i
}

func floorDiv(a, b int) int {
	q := a / b
	if a%b != 0 && (a < 0) != (b < 0) {
		q--
	}
	return q
}
