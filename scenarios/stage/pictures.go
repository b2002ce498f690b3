package stage

import (
	"bytes"
	"image"
	"image/color"
	"image/jpeg"
	"image/png"

	"github.com/HugoSmits86/nativewebp"
)

// The pictures of the browse pages are computed from a seed, in whole numbers throughout,
// so that every kind of processor makes the same ones.

// scatter spreads a place and a seed over 32 bits.
func scatter(seed, x, y uint32) uint32 {
	h := seed*0x9e3779b1 ^ x*0x85ebca6b ^ y*0xc2b2ae35
	h ^= h >> 15
	h *= 0x2c1b3c6d
	h ^= h >> 12
	h *= 0x297a2d39
	return h ^ h>>15
}

// A dice is a row of numbers from a seed.
type dice struct{ seed, n uint32 }

// roll returns a number from 0 up to below n.
func (d *dice) roll(n int) int {
	d.n++
	return int(uint64(scatter(d.seed, d.n, 77)) * uint64(n) >> 32)
}

// between returns a number from lo to hi.
func (d *dice) between(lo, hi int) int { return lo + d.roll(hi-lo+1) }

// A field is a plane of values from 0 to 255.
type field struct {
	w, h int
	v    []uint8
}

func (f field) at(x, y int) int { return int(f.v[y*f.w+x]) }

// clouds is smooth noise: octaves of it, each half as coarse and half as strong as the one
// before, the coarsest with a value each 2^shift pixels. Stretched is how many times wider
// than high its shapes are.
func clouds(seed uint32, w, h int, shift, octaves uint, stretched int) field {
	sum := make([]int32, w*h)
	var most int32
	for o := uint(0); o < octaves && shift > o; o++ {
		addOctave(sum, scatter(seed, uint32(o), 5), w, h, shift-o, stretched, 6-o)
		most += 255 << (6 - o) >> 1
	}
	f := field{w, h, make([]uint8, w*h)}
	for i, s := range sum {
		f.v[i] = uint8(min(255, max(0, s*127/most)))
	}
	return f
}

func addOctave(sum []int32, seed uint32, w, h int, shift uint, stretched int, gain uint) {
	size := 1 << shift
	ease := make([]int32, size) // 3t²-2t³, 0 to 256
	for i := range ease {
		t := int64(i) * 4096 / int64(size)
		ease[i] = int32(t * t * (3*4096 - 2*t) >> 28)
	}
	cols := w>>shift + 2
	row := make([]int32, cols)
	for y := range h {
		ys := y * stretched
		ly, fy := uint32(ys>>shift), ease[ys&(size-1)]
		for i := range row {
			above, below := int32(scatter(seed, uint32(i), ly)&255), int32(scatter(seed, uint32(i), ly+1)&255)
			row[i] = above<<8 + (below-above)*fy
		}
		line := sum[y*w : (y+1)*w]
		for x := range line {
			l, r := row[x>>shift], row[x>>shift+1]
			line[x] += (l<<8 + (r-l)*ease[x&(size-1)]) >> 16 << gain
		}
	}
}

// yuv is a colour as JPEG keeps it (ITU-R BT.601).
type yuv struct{ y, u, v int }

func fromRGB(c color.RGBA) yuv {
	y, u, v := color.RGBToYCbCr(c.R, c.G, c.B)
	return yuv{int(y), int(u), int(v)}
}

// towards goes part/256 of the way to another colour.
func (a yuv) towards(b yuv, part int) yuv {
	return yuv{a.y + (b.y-a.y)*part>>8, a.u + (b.u-a.u)*part>>8, a.v + (b.v-a.v)*part>>8}
}

func rgb(hex uint32) yuv {
	return fromRGB(color.RGBA{uint8(hex >> 16), uint8(hex >> 8), uint8(hex), 255})
}

// A light is the colours of a landscape at one time of day.
type light struct{ high, low, haze, land, water yuv }

var lights = []light{
	{rgb(0x3f6fa8), rgb(0xd8e4ea), rgb(0xb9c9d6), rgb(0x3d5a34), rgb(0x416a83)}, // a clear noon
	{rgb(0x2a3560), rgb(0xf2a566), rgb(0xc98a72), rgb(0x2f2c33), rgb(0x4c4a6b)}, // after sunset
	{rgb(0x8fa0ab), rgb(0xdfe3e2), rgb(0xc6cccb), rgb(0x55604f), rgb(0x74848a)}, // overcast
	{rgb(0x6f8fd0), rgb(0xf7dfc0), rgb(0xe5c9a8), rgb(0x7a6a3a), rgb(0x5d7f9d)}, // an early morning
	{rgb(0x4b8fc4), rgb(0xcfeaf2), rgb(0xa9cfd8), rgb(0x8a5a33), rgb(0x2f7f86)}, // autumn
	{rgb(0x101a33), rgb(0x43608f), rgb(0x34507c), rgb(0x0f1a1e), rgb(0x1b2f4d)}, // night falls
	{rgb(0x7db3d8), rgb(0xf4f4ee), rgb(0xdde6e8), rgb(0x6f8f3f), rgb(0x5aa0a8)}, // spring
}

// landscape is a photograph-like picture: sky with clouds, ridges one behind the other
// paling with distance, often water before them, and the grain of a sensor. Grain is its
// strength, 0 to 40; it is most of what makes a photograph's file large.
func landscape(seed uint32, w, h, grain int) *image.YCbCr {
	d := &dice{seed: seed}
	l := lights[d.roll(len(lights))]
	horizon := h * d.between(42, 62) / 100
	shore := h
	if d.roll(3) > 0 {
		shore = h * d.between(66, 80) / 100
	}
	shift := uint(5)
	for 1<<(shift+1) < w/3 {
		shift++
	}
	sky := clouds(seed+1, w, h, shift, 5, 3)
	ground := clouds(seed+2, w, h, shift-2, 5, 2)
	ripples := clouds(seed+3, w, h, shift-2, 3, 7)
	const ridgesMost = 5
	ridges := d.between(3, ridgesMost)
	tops := make([][]int, ridges) // nearest first
	for i := range tops {
		profile := clouds(seed+uint32(10+i), w, 1, shift, 6, 1)
		rise := h * d.between(16, 34) / 100 * (ridges - i + 1) / (ridges + 1)
		base := horizon + (h-horizon)*(ridges-1-i)/(2*ridges)
		tops[i] = make([]int, w)
		for x := range tops[i] {
			tops[i][x] = base - (profile.at(x, 0)-90)*rise/200
		}
	}
	sunX, sunY, sunR := w*d.between(15, 85)/100, horizon*d.between(20, 80)/100, w*d.between(3, 6)/100
	img := image.NewYCbCr(image.Rect(0, 0, w, h), image.YCbCrSubsampleRatio420)
	for y := range h {
		skyHere := l.high.towards(l.low, min(256, y*256/max(1, horizon)))
		for x := range w {
			var c yuv
			near := ridges
			for i := range tops {
				if y >= tops[i][x] {
					near = i
					break
				}
			}
			switch {
			case y >= shore && near < ridges:
				deep := min(256, (y-shore)*256/max(1, h-shore))
				c = l.low.towards(l.water, 110+deep*146/256)
				c.y += (ripples.at(x, y) - 128) * (60 + deep/4) / 128
			case near < ridges:
				c = l.land.towards(l.haze, near*230/ridges)
				shade := (ground.at(x, y) - 128) * (ridges - near) / ridges
				c.y += shade * 7 / 8
				c.u -= shade / 9
				c.v += shade / 7
				if depth := y - tops[near][x]; depth < h/60 {
					c.y += (h/60 - depth) * 24 * 60 / h
				}
			default:
				c = skyHere
				if v := sky.at(x, y) - 118; v > 0 {
					c = c.towards(rgb(0xf6f4f0), min(200, v*5)*(220-min(200, y*150/h))/256)
				}
				if r := (x-sunX)*(x-sunX) + (y-sunY)*(y-sunY); r < sunR*sunR*9 {
					c = c.towards(rgb(0xfff6dc), max(0, 255-255*r/(sunR*sunR*9)))
				}
			}
			put(img, x, y, c, int(scatter(seed, uint32(x), uint32(y))>>16&255)*grain/256-grain/2)
		}
	}
	return img
}

// put sets a pixel with some grain on its lightness.
func put(img *image.YCbCr, x, y int, c yuv, grain int) {
	img.Y[y*img.YStride+x] = uint8(min(255, max(0, c.y+grain)))
	if x&1 == 0 && y&1 == 0 {
		i := y/2*img.CStride + x/2
		img.Cb[i] = uint8(min(255, max(0, c.u+grain/6)))
		img.Cr[i] = uint8(min(255, max(0, c.v-grain/6)))
	}
}

// marble is a close picture of veined stone, paling downwards.
func marble(seed uint32, w, h, grain int) *image.YCbCr {
	d := &dice{seed: seed}
	tones := [][2]yuv{{rgb(0x1c3a18), rgb(0xa8c860)}, {rgb(0x3a1c14), rgb(0xe0a050)}, {rgb(0x142c30), rgb(0x80c0b0)}, {rgb(0x301828), rgb(0xe8a8c8)}}
	tone := tones[d.roll(len(tones))]
	shift := uint(4)
	for 1<<(shift+1) < w/6 {
		shift++
	}
	a, b, fine := clouds(seed+1, w, h, shift, 4, 1), clouds(seed+2, w, h, shift-1, 4, 2), clouds(seed+3, w, h, 4, 3, 1)
	img := image.NewYCbCr(image.Rect(0, 0, w, h), image.YCbCrSubsampleRatio420)
	for y := range h {
		for x := range w {
			// Bands of two noises are the veins; the fine one is the stone between.
			v := (a.at(x, y)*5 + b.at(x, y)*3) & 255
			if v > 127 {
				v = 255 - v
			}
			c := tone[0].towards(tone[1], min(256, v*2*(300-y*120/h)/300))
			c.y += (fine.at(x, y) - 128) / 4
			put(img, x, y, c, int(scatter(seed, uint32(x), uint32(y))>>16&255)*grain/256-grain/2)
		}
	}
	return img
}

// ware is a picture of a turned thing (a jar, a lamp, a bowl) on a plain ground, as a shop
// shows it.
func ware(seed uint32, size int) *image.NRGBA {
	d := &dice{seed: seed}
	colours := []uint32{0xb5533c, 0x3c6e71, 0x8d6a9f, 0xd9a441, 0x4a6fa5, 0x7a9e5f, 0xc2857a, 0x55606e}
	body, band := rgb(colours[d.roll(len(colours))]), rgb(colours[d.roll(len(colours))])
	top, bottom := size*d.between(12, 28)/100, size*86/100
	var half [6]int
	for i := range half {
		half[i] = size * d.between(8, 32) / 100
	}
	bandFrom := d.between(25, 55)
	bandTo := bandFrom + d.between(6, 18)
	img := image.NewNRGBA(image.Rect(0, 0, size, size))
	for y := range size {
		width, part := 0, 0
		if y >= top && y < bottom {
			part = (y - top) * 100 / (bottom - top)
			at := (y - top) * (len(half) - 1) * 256 / (bottom - top)
			t := at & 255
			t = t * t * (3*256 - 2*t) >> 16
			width = half[at>>8] + (half[at>>8+1]-half[at>>8])*t>>8
		}
		for x := range size {
			c := rgb(0xf1eee9).towards(rgb(0xd9d4cb), y*256/size)
			if dx, dy := (x-size/2)*100/size, (y-bottom)*100/size*4; dx*dx+dy*dy < 1400 {
				c = c.towards(rgb(0x6a645c), 130-(dx*dx+dy*dy)*130/1400)
			}
			if off := x - size/2; width > 0 && off > -width && off < width {
				c = body
				if part >= bandFrom && part < bandTo {
					c = band
				}
				turn := off * 256 / width // light from the left
				c.y += 34 - (turn+110)*(turn+110)/900 + int(scatter(seed, uint32(x), uint32(y))&7) - 3
			}
			r, g, b := color.YCbCrToRGB(uint8(min(255, max(0, c.y))), uint8(c.u), uint8(c.v))
			img.SetNRGBA(x, y, color.NRGBA{r, g, b, 255})
		}
	}
	return img
}

// tileSide is the side of a map's tile, pixels.
const tileSide = 256

var mapColours = color.Palette{
	color.RGBA{0xa9, 0xc9, 0xdd, 255}, // water
	color.RGBA{0x93, 0xb6, 0xcd, 255}, // deep water
	color.RGBA{0xee, 0xea, 0xdf, 255}, // open land
	color.RGBA{0xe3, 0xe3, 0xcf, 255}, // hills
	color.RGBA{0xd4, 0xd6, 0xbb, 255}, // high land
	color.RGBA{0xc3, 0xd8, 0xb1, 255}, // wood
	color.RGBA{0xc9, 0xb9, 0x9a, 255}, // contour
	color.RGBA{0xfb, 0xf6, 0xd8, 255}, // road
	color.RGBA{0xc8, 0x9b, 0x5a, 255}, // its edge
	color.RGBA{0xb0, 0xa5, 0x9d, 255}, // house
	color.RGBA{0x7f, 0xa0, 0xb5, 255}, // shore
}

// mapTiles draws a country nobody has been to and cuts it into tiles, row by row.
func mapTiles(seed uint32, cols, rows int) []*image.Paletted {
	w, h := cols*tileSide, rows*tileSide
	height, wood := clouds(seed, w, h, 9, 6, 1), clouds(seed+1, w, h, 7, 4, 1)
	road, lane := clouds(seed+2, w, h, 9, 2, 1), clouds(seed+3, w, h, 7, 2, 1)
	const sea = 101
	at := func(x, y int) uint8 {
		z := height.at(x, y)
		switch {
		case z < sea-14:
			return 1
		case z < sea-1:
			return 0
		case z < sea:
			return 10
		}
		switch r := max(road.at(x, y)-128, 128-road.at(x, y)); {
		case r < 1:
			return 7
		case r < 2:
			return 8
		}
		inTown := lane.at(x, y) > 150
		if l := lane.at(x, y); l == 150 || l == 161 || l == 172 {
			return 7
		}
		if inTown && z < 170 && scatter(seed, uint32(x/9), uint32(y/9))&3 == 0 && x%9 > 1 && y%9 > 2 {
			return 9
		}
		if z%16 == 0 && x > 0 && height.at(x-1, y) != z {
			return 6
		}
		z += int(scatter(seed, uint32(x), uint32(y)) & 7) // soft borders, as of a printed relief
		switch {
		case wood.at(x, y) > 146+int(scatter(seed+9, uint32(x), uint32(y))&7) && !inTown:
			return 5
		case z > 175:
			return 4
		case z > 148:
			return 3
		}
		return 2
	}
	var tiles []*image.Paletted
	for ty := range rows {
		for tx := range cols {
			t := image.NewPaletted(image.Rect(0, 0, tileSide, tileSide), mapColours)
			for y := range tileSide {
				for x := range tileSide {
					t.Pix[y*t.Stride+x] = at(tx*tileSide+x, ty*tileSide+y)
				}
			}
			tiles = append(tiles, t)
		}
	}
	return tiles
}

// chart is a line over filled ground, as a picture.
func chart(seed uint32, w, h int) *image.NRGBA {
	d := &dice{seed: seed}
	hues := []color.NRGBA{{0x2f, 0x6f, 0x9f, 255}, {0x9f, 0x5f, 0x2f, 255}, {0x4f, 0x7f, 0x3f, 255}}
	line := hues[d.roll(len(hues))]
	curve := clouds(seed, w, 1, 7, 6, 1)
	img := image.NewNRGBA(image.Rect(0, 0, w, h))
	for x := range w {
		level := h - 12 - curve.at(x, 0)*(h-30)/255
		for y := range h {
			c := color.NRGBA{0xfb, 0xfb, 0xf8, 255}
			switch {
			case y >= level-1 && y <= level+1:
				c = line
			case y%40 == 0 || x%80 == 0:
				c = color.NRGBA{0xdd, 0xdd, 0xd8, 255}
			case y > level:
				fade := uint8(max(0, 60-(y-level)*60/h))
				c = color.NRGBA{c.R - fade/2 - uint8(scatter(seed, uint32(x), uint32(y))&3), c.G - fade/3, c.B - fade/4, 255}
			}
			img.SetNRGBA(x, y, c)
		}
	}
	return img
}

// badge is a small sign for a writer in the forum.
func badge(seed uint32, size int) *image.NRGBA {
	d := &dice{seed: seed}
	colours := []uint32{0xe07a5f, 0x3d5a80, 0x81b29a, 0xf2cc8f, 0x6d597a, 0xb56576, 0x355070, 0x588157}
	ground, sign := rgb(colours[d.roll(len(colours))]), rgb(colours[d.roll(len(colours))])
	rings, shift := d.between(2, 5), d.roll(size/3)
	img := image.NewNRGBA(image.Rect(0, 0, size, size))
	for y := range size {
		for x := range size {
			c := ground
			if dx, dy := x-shift-size/4, y-size/2; (dx*dx+dy*dy)*rings/(size*size/4)%2 == 1 {
				c = sign
			}
			r, g, b := color.YCbCrToRGB(uint8(c.y), uint8(c.u), uint8(c.v))
			img.SetNRGBA(x, y, color.NRGBA{r, g, b, 255})
		}
	}
	return img
}

// Encoding into a buffer fails only for a picture without pixels, which none of these is.

func asJPEG(img image.Image, quality int) []byte {
	var b bytes.Buffer
	must(jpeg.Encode(&b, img, &jpeg.Options{Quality: quality}))
	return b.Bytes()
}

func asPNG(img image.Image) []byte {
	var b bytes.Buffer
	must(png.Encode(&b, img))
	return b.Bytes()
}

func asWebP(img image.Image) []byte {
	var b bytes.Buffer
	must(nativewebp.Encode(&b, img, nil))
	return b.Bytes()
}

func must(err error) {
	if err != nil {
		panic("stage: the content cannot be made: " + err.Error())
	}
}
