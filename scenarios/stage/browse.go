package stage

import (
	"bytes"
	"embed"
	"fmt"
	"html/template"
	"image"
	"path"
	"strings"
	"sync"

	"golang.org/x/image/font/gofont/gobold"
	"golang.org/x/image/font/gofont/goitalic"
	"golang.org/x/image/font/gofont/gomedium"
	"golang.org/x/image/font/gofont/gomono"
	"golang.org/x/image/font/gofont/goregular"
	"golang.org/x/image/font/gofont/gosmallcaps"
)

// Pages is how many distinct pages the browse activity has.
const Pages = 12

// contentSeed and contentVersion name the content. Who changes what a page shows, or how
// it is made, counts the version up: the hash then changes with it, and results of both
// are not compared silently.
const (
	contentSeed    = 20
	contentVersion = "2"
)

// A part is a picture or a font of a page.
type part struct {
	kind string // content type
	data []byte
}

// A document is one page of the browse activity, ready to be served: a text in pieces,
// between which stand what differs from visit to visit.
type document struct {
	title string
	text  filled
	parts map[string]part
	order []string // names of parts, as the page first names them
}

// bytes is what a visit transfers when all parts are fetched once.
func (d *document) bytes() int64 {
	n := int64(d.text.size())
	for _, p := range d.parts {
		n += int64(len(p.data))
	}
	return n
}

// filled is a text with places to fill: pieces[i] is followed by the value of holes[i].
type filled struct {
	pieces [][]byte
	holes  []hole
}

type hole int

const (
	visitHole hole = iota // the page load's name, in every address and in the policy's nonce
	blockHole             // the stage block
)

const visitMark, blockMark = "VISIT-GOES-HERE", "BLOCK-GOES-HERE"

// cut takes a text apart at its marks.
func cut(text []byte) filled {
	var f filled
	for {
		v, b := bytes.Index(text, []byte(visitMark)), bytes.Index(text, []byte(blockMark))
		switch {
		case v < 0 && b < 0:
			f.pieces = append(f.pieces, bytes.Clone(text))
			return f
		case b < 0 || v >= 0 && v < b:
			f.pieces, f.holes = append(f.pieces, bytes.Clone(text[:v])), append(f.holes, visitHole)
			text = text[v+len(visitMark):]
		default:
			f.pieces, f.holes = append(f.pieces, bytes.Clone(text[:b])), append(f.holes, blockHole)
			text = text[b+len(blockMark):]
		}
	}
}

func (f filled) size() int {
	n := 0
	for _, p := range f.pieces {
		n += len(p)
	}
	return n
}

// fill writes the text with its values.
func (f filled) fill(visit string, block []byte) []byte {
	b := make([]byte, 0, f.size()+len(f.holes)*(len(visit)+1)+len(block))
	for i, p := range f.pieces {
		b = append(b, p...)
		if i < len(f.holes) {
			if f.holes[i] == visitHole {
				b = append(b, visit...)
			} else {
				b = append(b, block...)
			}
		}
	}
	return b
}

//go:embed web
var web embed.FS

var templates = sync.OnceValue(func() *template.Template {
	return template.Must(template.New("").Funcs(template.FuncMap{
		// part is the address of a picture, new at each visit.
		"part": func(name string) template.URL {
			return template.URL("../part/" + partPage + "/" + name + "?v=" + visitMark)
		},
		"visit":  func() template.HTMLAttr { return template.HTMLAttr(`nonce="` + visitMark + `"`) },
		"about":  func() template.JS { return blockMark },
		"script": func(name string) template.JS { return template.JS(webFile(name)) },
	}).ParseFS(web, "web/*.html"))
})

// partPage stands for the page's number in an address, until the page is put together.
const partPage = "PAGE-NUMBER"

func webFile(name string) string {
	b, err := web.ReadFile("web/" + name)
	must(err)
	return string(b)
}

func execute(name string, data any) []byte {
	var b bytes.Buffer
	must(templates().ExecuteTemplate(&b, name, data))
	return b.Bytes()
}

// content is all pages, made once in a process: about 9 MB that stay.
var content = sync.OnceValue(newContent)

func newContent() []*document {
	masters := parallel(len(masterKinds), func(i int) *image.YCbCr { return masterKinds[i](contentSeed + uint32(i)) })
	return parallel(Pages, func(i int) *document {
		b := &builder{number: i + 1, dice: &dice{seed: contentSeed + 100 + uint32(i)}, masters: masters, parts: map[string]part{}}
		return b.build(layouts[i])
	})
}

// parallel makes n things at once and returns them in order.
func parallel[T any](n int, make1 func(i int) T) []T {
	list := make([]T, n)
	var wg sync.WaitGroup
	for i := range list {
		wg.Go(func() { list[i] = make1(i) })
	}
	wg.Wait()
	return list
}

// masterKinds are the large pictures from which those of the pages are cut.
var masterKinds = []func(seed uint32) *image.YCbCr{
	scenery, scenery, scenery, scenery, scenery, scenery, scenery, stone,
}

const masterW, masterH = 960, 640

func scenery(seed uint32) *image.YCbCr { return landscape(seed, masterW, masterH, 26) }
func stone(seed uint32) *image.YCbCr   { return marble(seed, masterW, masterH, 18) }

// A builder puts one page together.
type builder struct {
	number  int
	dice    *dice
	masters []*image.YCbCr
	parts   map[string]part
	order   []string
}

// A layout makes the content of one kind of page and names its template.
type layout struct {
	template string
	fonts    []string // the first is the text's, the second the headings'
	make     func(b *builder) map[string]any
}

var fontFiles = map[string][]byte{
	"regular": goregular.TTF, "bold": gobold.TTF, "medium": gomedium.TTF,
	"italic": goitalic.TTF, "mono": gomono.TTF, "smallcaps": gosmallcaps.TTF,
}

var layouts = [Pages]layout{
	{"article", []string{"regular", "bold", "italic"}, (*builder).article},
	{"wall", []string{"regular", "medium"}, func(b *builder) map[string]any { return b.wall(24, 320, 320, "squares") }},
	{"table", []string{"mono", "bold"}, (*builder).table},
	{"front", []string{"regular", "bold"}, (*builder).front},
	{"map", []string{"medium", "smallcaps"}, (*builder).country},
	{"shop", []string{"regular", "medium"}, (*builder).shop},
	{"thread", []string{"regular", "medium"}, (*builder).thread},
	{"lists", []string{"mono", "medium"}, (*builder).lists},
	{"guide", []string{"regular", "smallcaps", "italic"}, (*builder).guide},
	{"wall", []string{"regular", "italic"}, func(b *builder) map[string]any { return b.wall(9, 800, 500, "strips") }},
	{"times", []string{"medium", "smallcaps"}, (*builder).timetable},
	{"item", []string{"regular", "bold", "italic"}, (*builder).item},
}

func (b *builder) build(l layout) *document {
	data := l.make(b)
	var faces strings.Builder
	for i, name := range l.fonts {
		file := b.add(name+".ttf", "font/ttf", fontFiles[name])
		fmt.Fprintf(&faces, "@font-face{font-family:f%d;src:url(\"../part/%d/%s?v=%s\")}", i+1, b.number, file, visitMark)
	}
	title, _ := data["Title"].(string)
	if title == "" {
		title = headline(b.dice)
		data["Title"] = title
	}
	data["Faces"], data["Number"] = template.CSS(faces.String()), b.number
	data["Next"] = b.number%Pages + 1
	data["Body"] = template.HTML(execute("browse-"+l.template+".html", data))
	text := bytes.ReplaceAll(execute("browse.html", data), []byte(partPage), []byte(fmt.Sprint(b.number)))
	return &document{title: title, text: cut(text), parts: b.parts, order: b.order}
}

// add keeps a part under a name and returns the name.
func (b *builder) add(name, kind string, data []byte) string {
	if _, ok := b.parts[name]; !ok {
		b.order = append(b.order, name)
	}
	b.parts[name] = part{kind, data}
	return name
}

func (b *builder) next(suffix string) string { return fmt.Sprintf("%02d%s", len(b.order)+1, suffix) }

// photo cuts a picture out of a master.
func (b *builder) photo(w, h, quality int) string {
	m := b.masters[b.dice.roll(len(b.masters))]
	x, y := b.dice.roll((masterW-w)/2+1)*2, b.dice.roll((masterH-h)/2+1)*2
	return b.add(b.next(".jpg"), "image/jpeg", asJPEG(m.SubImage(image.Rect(x, y, x+w, y+h)), quality))
}

func (b *builder) seed() uint32 {
	return scatter(contentSeed, uint32(b.number), uint32(b.dice.roll(1<<30)))
}

func (b *builder) ware(size int) string {
	return b.add(b.next(".webp"), "image/webp", asWebP(ware(b.seed(), size)))
}

func (b *builder) chart(w, h int) string {
	return b.add(b.next(".png"), "image/png", asPNG(chart(b.seed(), w, h)))
}

func (b *builder) paragraphs(n, sentences int) []string {
	list := make([]string, n)
	for i := range list {
		list[i] = paragraph(b.dice, sentences)
	}
	return list
}

// A block of text with a picture, a price or a name where the layout has one.
type entry struct {
	Head, Text, Picture, Name, Price, When string
	Paragraphs                             []string
	X, Y, Count                            int
}

func (b *builder) article() map[string]any {
	d := map[string]any{"Hero": b.photo(masterW, 540, 86), "Lead": paragraph(b.dice, 3)}
	var list []entry
	for range 7 {
		list = append(list, entry{Head: headline(b.dice), Picture: b.photo(640, 400, 82), Text: sentence(b.dice), Paragraphs: b.paragraphs(4, 7)})
	}
	d["Sections"] = list
	return d
}

func (b *builder) wall(n, w, h int, class string) map[string]any {
	var list []entry
	for range n {
		list = append(list, entry{Picture: b.photo(w, h, 88), Text: pick(b.dice, places), Count: b.dice.between(3, 900)})
	}
	return map[string]any{"Pictures": list, "Class": class, "W": w, "H": h}
}

func (b *builder) table() map[string]any {
	cols := []string{"Station", "Height m", "Min °C", "Mean °C", "Max °C", "Rain mm", "Wind m/s", "Gust m/s", "Sun h"}
	var rows [][]string
	for i := range 420 {
		low := b.dice.between(-80, 120)
		mean := low + b.dice.between(20, 80)
		tenth := func(v int) string { return fmt.Sprintf("%.1f", float64(v)/10) }
		rows = append(rows, []string{
			fmt.Sprintf("%s %d", capital(pick(b.dice, places)), i+1), fmt.Sprint(b.dice.between(0, 900)), tenth(low), tenth(mean), tenth(mean + b.dice.between(10, 90)),
			tenth(b.dice.roll(400)), tenth(b.dice.roll(120)), tenth(120 + b.dice.roll(160)), tenth(b.dice.roll(150)),
		})
	}
	return map[string]any{"Title": "Readings of the coast's weather masts", "Columns": cols, "Rows": rows, "Chart": b.chart(720, 240), "Lead": paragraph(b.dice, 4)}
}

func (b *builder) front() map[string]any {
	d := map[string]any{"Title": "The shore today", "Hero": entry{Head: headline(b.dice), Text: paragraph(b.dice, 3), Picture: b.photo(800, 500, 84)}}
	var list []entry
	for range 16 {
		list = append(list, entry{Head: headline(b.dice), Text: paragraph(b.dice, 2), Picture: b.photo(320, 220, 82), When: fmt.Sprintf("%d:%02d", b.dice.between(5, 11), b.dice.roll(60)), Name: pick(b.dice, things)})
	}
	d["Stories"] = list
	return d
}

func (b *builder) country() map[string]any {
	const cols, rows = 5, 7
	var tiles []string
	for _, t := range mapTiles(b.seed(), cols, rows) {
		tiles = append(tiles, b.add(b.next(".png"), "image/png", asPNG(t)))
	}
	var names []entry
	for i, p := range places {
		names = append(names, entry{Head: capital(p), X: (i*37 + b.dice.roll(20)) % 86, Y: 3 + i*6})
	}
	return map[string]any{"Title": "The coast, sheet 5", "Tiles": tiles, "Names": names, "Cols": cols, "Lead": paragraph(b.dice, 2)}
}

func (b *builder) goods(n, size int) []entry {
	var list []entry
	for range n {
		list = append(list, entry{
			Head: fmt.Sprintf("%s %s in %s", capital(pick(b.dice, looks)), pick(b.dice, goods), pick(b.dice, stuffs)), Picture: b.ware(size),
			Text: sentence(b.dice), Price: fmt.Sprintf("%d.%d0", b.dice.between(9, 140), b.dice.roll(10)), Count: b.dice.between(0, 60),
		})
	}
	return list
}

func (b *builder) shop() map[string]any {
	return map[string]any{"Title": "Turned and fired", "Goods": b.goods(14, 320)}
}

func (b *builder) posts(n int) []entry {
	badges := map[string]string{}
	var list []entry
	for i := range n {
		name := pick(b.dice, writers)
		if badges[name] == "" {
			badges[name] = b.add(b.next(".png"), "image/png", asPNG(badge(b.seed(), 96)))
		}
		e := entry{Name: name, Picture: badges[name], When: fmt.Sprintf("day %d, %d:%02d", 1+i/6, b.dice.between(6, 22), b.dice.roll(60)), Paragraphs: b.paragraphs(b.dice.between(1, 3), b.dice.between(1, 4)), Count: b.dice.roll(40)}
		if i%3 == 2 {
			e.Text = list[b.dice.roll(len(list))].Paragraphs[0]
		}
		list = append(list, e)
	}
	return list
}

func (b *builder) thread() map[string]any {
	return map[string]any{"Title": "Which way round the lake?", "Posts": b.posts(64), "Photos": []string{b.photo(640, 420, 84), b.photo(640, 420, 84), b.photo(640, 420, 84)}}
}

func (b *builder) lists() map[string]any {
	var rows []string
	for i := range 900 {
		rows = append(rows, fmt.Sprintf("[%d,%q,%q,%q,%d,%d]", i+1, capital(pick(b.dice, places)), pick(b.dice, things), pick(b.dice, looks), b.dice.roll(1000), b.dice.between(10, 99)))
	}
	return map[string]any{"Title": "What is where", "Rows": template.JS("[" + strings.Join(rows, ",\n") + "]"), "Photo": b.photo(640, 300, 82)}
}

func (b *builder) guide() map[string]any {
	d := map[string]any{"Hero": b.photo(masterW, 420, 86), "Lead": paragraph(b.dice, 3)}
	var list []entry
	for range 12 {
		e := entry{Head: headline(b.dice), Paragraphs: b.paragraphs(2, 4), When: fmt.Sprintf("%d min", b.dice.between(3, 40)), Count: len(list) + 1}
		if len(list)%2 == 0 {
			e.Picture = b.photo(520, 340, 84)
		}
		list = append(list, e)
	}
	d["Steps"] = list
	return d
}

func (b *builder) timetable() map[string]any {
	type line struct {
		Name  string
		Chart string
		Stops []string
		Times [][]string
	}
	var lines []line
	for i := range 5 {
		l := line{Name: fmt.Sprintf("Line %d: %s to %s", i+1, pick(b.dice, places), pick(b.dice, places)), Chart: b.chart(560, 160)}
		for range 12 {
			l.Stops = append(l.Stops, capital(pick(b.dice, places)))
		}
		start := b.dice.between(280, 340)
		for range 12 {
			t, row := start, []string{}
			for range l.Stops {
				row = append(row, fmt.Sprintf("%d:%02d", t/60%24, t%60))
				t += b.dice.between(2, 9)
			}
			l.Times = append(l.Times, row)
			start += b.dice.between(20, 60)
		}
		lines = append(lines, l)
	}
	return map[string]any{"Title": "Boats and trams, summer table", "Lines": lines, "Lead": paragraph(b.dice, 3)}
}

func (b *builder) item() map[string]any {
	return map[string]any{
		"Title": "Wide bowl in red clay", "Large": b.ware(560), "Others": b.goods(6, 240), "Paragraphs": b.paragraphs(3, 5), "Posts": b.posts(16),
		"Room": b.photo(800, 480, 86),
	}
}

// partOf finds a part of a page by its name; ok is false for anything that is not one.
func partOf(number int, name string) (p part, ok bool) {
	if number < 1 || number > Pages || name != path.Base(name) {
		return part{}, false
	}
	p, ok = content()[number-1].parts[name]
	return p, ok
}
