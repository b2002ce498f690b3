package report

import (
	"bytes"
	"fmt"
	"html"
	"image/color"
	"io"
	"math"
	"regexp"
	"strconv"
	"strings"
	"time"

	stdfont "golang.org/x/image/font"
	"gonum.org/v1/plot/font"
	"gonum.org/v1/plot/text"
	"gonum.org/v1/plot/vg"
	"gonum.org/v1/plot/vg/draw"
	"gonum.org/v1/plot/vg/vgimg"
	"gonum.org/v1/plot/vg/vgsvg"

	_ "gonum.org/v1/plot" // registers the fonts
)

// The colours. Base hues are Okabe and Ito's, which the colour-blind can tell apart; text and fills are shades
// of them, and what is told apart differs in lightness too.
var (
	ground = hex(0xfcfcfa)
	ink    = hex(0x1b1f23)
	ink2   = hex(0x565d64)
	line1  = hex(0xdcdfe1)
	line2  = hex(0x868d94)
	blue   = hex(0x0072b2)
	drain  = hex(0xa3cbe5)
	rest   = hex(0xe1e3e4)
)

func hex(v uint32) color.NRGBA {
	return color.NRGBA{uint8(v >> 16), uint8(v >> 8), uint8(v), 255}
}

// A Picture is one drawing, with the sentence that stands for it where it cannot be seen, and the
// table that its numbers are in.
type Picture struct {
	Name  string // file name without its end
	Title string
	Alt   string
	Table string // exported table
	// Width and Height in points, the margin aside; a point is a pixel in SVG.
	Width, Height float64
	draw          func(*sheet)
}

// fontFamily is told to SVG readers: the fonts that the widths were computed with, then one of the same
// widths, then any.
const fontFamily = `font-family:'Liberation Sans',Arimo,Arial,Helvetica,sans-serif`

var (
	family = regexp.MustCompile(`font-family:[^;"]*`)
	medium = regexp.MustCompile(`;?font-(variant|style|weight):(none|normal)`)
)

// WriteSVG writes the picture as a stand-alone SVG file.
func (p Picture) WriteSVG(w io.Writer) error {
	w0, h0 := p.Width+2*margin, p.Height+2*margin
	c := vgsvg.New(vg.Length(w0), vg.Length(h0))
	p.draw(newSheet(c, p))
	var b bytes.Buffer
	if _, err := c.WriteTo(&b); err != nil {
		return fmt.Errorf("picture %s: %w", p.Name, err)
	}
	out := family.ReplaceAllString(b.String(), fontFamily)
	out = medium.ReplaceAllString(out, "")
	_, rest, _ := strings.Cut(out, "<svg ")
	// One pixel a point, wide as it may be, and a name for those who cannot see it.
	head, body, _ := strings.Cut(rest, ">\n")
	_, box, _ := strings.Cut(head, "viewBox=")
	_, err := fmt.Fprintf(w, "<svg role=\"img\" aria-label=\"%s\" width=\"%g\" height=\"%g\" viewBox=%s>\n%s", html.EscapeString(p.Alt), w0, h0, box, body)
	return err
}

// WritePNG writes the picture as PNG with so many dots an inch; 0 is 192, twice a screen's.
func (p Picture) WritePNG(w io.Writer, dpi int) error {
	if dpi <= 0 {
		dpi = 192
	}
	// A point of the drawing is a pixel at 96 dots an inch, so it is scaled from 72.
	c := vgimg.NewWith(vgimg.UseWH(vg.Length(p.Width+2*margin), vg.Length(p.Height+2*margin)), vgimg.UseDPI(dpi*72/96), vgimg.UseBackgroundColor(ground))
	s := newSheet(c, p)
	s.apart = true
	p.draw(s)
	if _, err := (vgimg.PngCanvas{Canvas: c}).WriteTo(w); err != nil {
		return fmt.Errorf("picture %s: %w", p.Name, err)
	}
	return nil
}

// margin is the empty edge around a picture, points.
const margin = 16.0

// A sheet is a canvas measured from the upper left corner inside its margin, in points.
type sheet struct {
	c     draw.Canvas
	h     float64
	apart bool // figures are set one by one: the font kerns them, and columns would not align
}

func newSheet(c vg.CanvasSizer, p Picture) *sheet {
	s := &sheet{c: draw.New(c), h: p.Height}
	s.rect(-margin, -margin, p.Width+2*margin, p.Height+2*margin, ground)
	return s
}

func (s *sheet) pt(x, y float64) vg.Point {
	return vg.Point{X: vg.Length(margin + x), Y: vg.Length(margin + s.h - y)}
}

type align int

const (
	left align = iota
	center
	right
)

// Sizes of type, points.
const (
	small  = 11.0
	normal = 12.5
	large  = 14.0
)

// style is the type of a text.
func style(size float64, bold bool, c color.Color) text.Style {
	f := font.Font{Typeface: "Liberation", Variant: "Sans", Size: vg.Length(size)}
	if bold {
		f.Weight = stdfont.WeightBold
	}
	return text.Style{Color: c, Font: f, Handler: text.Plain{Fonts: font.DefaultCache}}
}

// text writes on a baseline.
func (s *sheet) text(x, y float64, a align, size float64, bold bool, c color.Color, words string) {
	st := style(size, bold, c)
	parts := []string{words}
	if s.apart && strings.ContainsAny(words, "0123456789") {
		parts = strings.Split(words, "")
	}
	w := 0.0
	for _, p := range parts {
		w += float64(st.Width(p))
	}
	switch a {
	case center:
		x -= w / 2
	case right:
		x -= w
	}
	face := font.DefaultCache.Lookup(st.Font, st.Font.Size)
	s.c.SetColor(c)
	for _, p := range parts {
		s.c.FillString(face, s.pt(x, y), p)
		x += float64(st.Width(p))
	}
}

func width(size float64, bold bool, words string) float64 {
	return float64(style(size, bold, ink).Width(words))
}

// fit shortens words to a width, so that a long name runs into nothing.
func fit(size float64, bold bool, words string, most float64) string {
	if width(size, bold, words) <= most {
		return words
	}
	r := []rune(words)
	for len(r) > 1 && width(size, bold, string(r)+"…") > most {
		r = r[:len(r)-1]
	}
	return strings.TrimRight(string(r), " ") + "…"
}

func (s *sheet) rect(x, y, w, h float64, c color.Color) {
	s.c.FillPolygon(c, []vg.Point{s.pt(x, y), s.pt(x+w, y), s.pt(x+w, y+h), s.pt(x, y+h)})
}

func (s *sheet) line(x1, y1, x2, y2, thick float64, c color.Color) {
	s.c.StrokeLines(draw.LineStyle{Color: c, Width: vg.Length(thick)}, []vg.Point{s.pt(x1, y1), s.pt(x2, y2)})
}

func (s *sheet) lines(points [][2]float64, thick float64, c color.Color) {
	s.dashed(points, thick, c, nil)
}

// dashed draws a line of strokes and gaps of so many points; none: without gaps.
func (s *sheet) dashed(points [][2]float64, thick float64, c color.Color, dashes []vg.Length) {
	if len(points) < 2 {
		return
	}
	list := make([]vg.Point, len(points))
	for i, p := range points {
		list[i] = s.pt(p[0], p[1])
	}
	s.c.StrokeLines(draw.LineStyle{Color: c, Width: vg.Length(thick), Dashes: dashes}, list)
}

// hatch is a field of slanted strokes in a box, for what is not a plain measurement.
func (s *sheet) hatch(x, y, w, h float64, c color.Color) {
	for d := -h; d < w; d += 5 {
		x1, y1, x2, y2 := x+d, y+h, x+d+h, y
		if x1 < x {
			x1, y1 = x, y+h+d
		}
		if x2 > x+w {
			x2, y2 = x+w, y+(d+h-w)
		}
		s.line(x1, y1, x2, y2, 0.8, c)
	}
}

// A mark tells a handset from others without colour.
type mark struct {
	corners int     // 0 is a circle
	turn    float64 // of the first corner, rad
	color   color.NRGBA
}

// marks are those of the handsets in their order. They differ in form and in lightness.
var marks = []mark{
	{0, 0, ink}, {4, math.Pi / 4, blue}, {3, math.Pi / 2, line2}, {4, 0, hex(0x009e73)}, {3, -math.Pi / 2, ink2}, {6, 0, hex(0x8c6d1f)},
}

func markOf(i int) mark { return marks[i%len(marks)] }

func (s *sheet) mark(m mark, x, y, r float64, hollow bool, c color.Color) {
	var path vg.Path
	if m.corners == 0 {
		path.Move(s.pt(x+r, y))
		path.Arc(s.pt(x, y), vg.Length(r), 0, 2*math.Pi)
	} else {
		if m.corners == 3 {
			r *= 1.25 // a triangle looks smaller than a circle of its radius
		}
		for i := range m.corners {
			a := m.turn + 2*math.Pi*float64(i)/float64(m.corners)
			p := s.pt(x+1.12*r*math.Cos(a), y-1.12*r*math.Sin(a))
			if i == 0 {
				path.Move(p)
			} else {
				path.Line(p)
			}
		}
	}
	path.Close()
	if hollow {
		s.c.SetColor(ground)
		s.c.Fill(path)
		s.c.SetLineStyle(draw.LineStyle{Color: c, Width: 1.2})
		s.c.Stroke(path)
		return
	}
	s.c.SetColor(c)
	s.c.Fill(path)
}

// A scale takes values to places on the sheet.
type scale struct {
	lo, hi   float64 // values
	from, to float64 // places
	log      bool
}

func (a scale) at(v float64) float64 {
	if a.log {
		return a.from + (math.Log(v)-math.Log(a.lo))/(math.Log(a.hi)-math.Log(a.lo))*(a.to-a.from)
	}
	return a.from + (v-a.lo)/(a.hi-a.lo)*(a.to-a.from)
}

// niceStep is a step of 1, 2, 2.5 or 5 times a power of ten that parts a range into at most n.
func niceStep(span float64, n int) float64 {
	least := span / float64(n)
	power := math.Pow(10, math.Floor(math.Log10(least)))
	for _, m := range []float64{1, 2, 2.5, 5, 10} {
		if m*power >= least*(1-1e-9) {
			return m * power
		}
	}
	return 10 * power
}

// ticks are the round values in a range, the range widened to them.
func ticks(lo, hi float64, n int) (values []float64) {
	if !(hi > lo) {
		hi = lo + 1
	}
	step := niceStep(hi-lo, n)
	lo, hi = math.Floor(lo/step+1e-9)*step, math.Ceil(hi/step-1e-9)*step
	for i := 0; i <= int(math.Round((hi-lo)/step)); i++ {
		values = append(values, math.Round((lo+float64(i)*step)/step*1e6)/1e6*step)
	}
	return values
}

// tickText is a tick's value with no more digits than its step needs.
func tickText(v, step float64) string {
	digits := 0
	for d := step; digits < 6 && math.Abs(d-math.Round(d)) > 1e-6*math.Max(1, math.Abs(d)); d *= 10 {
		digits++
	}
	return strconv.FormatFloat(v, 'f', digits, 64)
}

// timeTicks are round times in a span from 0, in s, with the unit in which they read best.
func timeTicks(spanS float64, n int) (values []float64, unit string, divisor float64) {
	unit, divisor = "min", 60
	steps := []float64{10, 20, 30, 60, 120, 300, 600, 900, 1800, 3600, 7200, 10800, 14400, 21600, 43200, 86400}
	switch {
	case spanS > 5*3600:
		unit, divisor = "h", 3600
		steps = steps[8:]
	case spanS < 180:
		unit, divisor = "s", 1
	default:
		steps = steps[3:]
	}
	step := steps[len(steps)-1]
	for _, s := range steps {
		if spanS/s <= float64(n) {
			step = s
			break
		}
	}
	for v := 0.0; v <= spanS*(1+1e-9); v += step {
		values = append(values, v)
	}
	return values, unit, divisor
}

func number(v float64, digits int) string {
	s := strconv.FormatFloat(v, 'f', digits, 64)
	if strings.Trim(s, "-0.") == "" {
		s = strings.TrimPrefix(s, "-")
	}
	return s
}

func timeOf(at time.Time) string { return at.UTC().Format("2 Jan 2006 15:04") + " UTC" }
