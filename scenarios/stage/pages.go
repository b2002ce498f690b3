package stage

import (
	"bytes"
	"encoding/json"
	"fmt"
	"html/template"
	"image"
	"image/color"
	"image/jpeg"
	"math/rand/v2"
	"net/http"
	"strconv"
	"sync"
)

// Pages is how many distinct pages the browse activity has.
const Pages = 12

// everyS is how often a page posts what it has done, s.
const everyS = 15

// partsOf is how many pictures a browse page shows.
const partsOf = 6

// block is what a page says of itself to its script.
type block struct {
	Activity string `json:"activity"`
	Post     string `json:"post"`
	EveryS   int    `json:"every_s"`
	Page     int    `json:"page,omitempty"`
}

var pageTemplate = template.Must(template.New("page").Parse(`<!doctype html>
<html lang="en"><meta charset="utf-8"><meta name="viewport" content="width=device-width,initial-scale=1"><title>{{.Title}}</title>
<style>body{font:17px/1.5 sans-serif;margin:16px;color:#222;background:#fff}img{width:100%;height:auto;margin:12px 0}canvas,video{width:100%;height:70vh;display:block}</style>
<script type="application/json" id="stage">{{.Block}}</script>
<h1>{{.Title}}</h1>
{{if eq .Activity "browse"}}{{range .Sections}}<p>{{.Text}}</p><img src="{{.Picture}}" alt="generated picture">{{end}}
{{else}}<canvas id="scene"></canvas>{{end}}
<script>
const stage = JSON.parse(document.getElementById('stage').textContent);
const load = Math.random().toString(36).slice(2);
let seq = 0;
const post = (kind, value, detail) => navigator.sendBeacon(stage.post, JSON.stringify({load, seq: ++seq, kind, value, detail}));
if (stage.activity === 'browse') {
  addEventListener('load', () => setTimeout(() => {
    const parts = performance.getEntriesByType('resource');
    post('page', stage.page, {load_ms: Math.round(performance.now()), bytes: parts.reduce((n, p) => n + p.transferSize, 0), broken: [...document.images].filter(i => !i.naturalWidth).length});
  }));
} else {
  const canvas = document.getElementById('scene'), c = canvas.getContext('2d');
  let frames = 0;
  const draw = () => {
    canvas.width = canvas.clientWidth; canvas.height = canvas.clientHeight;
    for (let i = 0; i < 400; i++) {
      const a = i * 2.4 + frames / 60;
      c.fillStyle = 'hsl(' + (i + frames) % 360 + ' 60% 50%)';
      c.fillRect(canvas.width / 2 + Math.cos(a) * i * canvas.width / 900, canvas.height / 2 + Math.sin(a) * i * canvas.height / 900, 9, 9);
    }
    frames++;
    requestAnimationFrame(draw);
  };
  requestAnimationFrame(draw);
  setInterval(() => { if (document.visibilityState === 'visible') post(stage.activity === 'call' ? 'call' : 'frames', frames, {}); }, stage.every_s * 1000);
}
</script>
</html>
`))

type section struct {
	Text    string
	Picture string
}

// page serves one page of a session's activity. Nothing may come out of a cache.
func (s *Stage) page(w http.ResponseWriter, r *http.Request) {
	session := s.live(w, r)
	if session == nil {
		return
	}
	b := block{Activity: session.activity, Post: "/s/" + session.key + "/post", EveryS: everyS}
	title := session.activity
	var sections []section
	if session.activity == "browse" {
		n, err := strconv.Atoi(r.PathValue("page"))
		if err != nil || n < 1 || n > Pages {
			http.NotFound(w, r)
			return
		}
		b.Page, title = n, fmt.Sprintf("Page %d", n)
		for part := range partsOf {
			sections = append(sections, section{prose(n, part), fmt.Sprintf("/part/%d/%d?v=%s", n, part, r.URL.Query().Get("v"))})
		}
	}
	text, err := json.Marshal(b)
	if err != nil {
		http.Error(w, err.Error(), http.StatusInternalServerError)
		return
	}
	w.Header().Set("Content-Type", "text/html; charset=utf-8")
	w.Header().Set("Cache-Control", "no-store")
	_ = pageTemplate.Execute(w, map[string]any{"Title": title, "Activity": session.activity, "Block": template.JS(text), "Sections": sections})
}

// prose is made-up text, the same for the same place.
func prose(page, part int) string {
	words := []string{"harbour", "quiet", "evening", "paper", "river", "stone", "walks", "under", "the", "old", "bridge", "while", "light", "turns", "over", "a", "field", "and", "rests", "near", "windows"}
	random := rand.New(rand.NewPCG(uint64(page), uint64(part)))
	var b bytes.Buffer
	for i := range 220 {
		if i > 0 {
			b.WriteByte(' ')
		}
		b.WriteString(words[random.IntN(len(words))])
	}
	return b.String()
}

// part serves one picture of a browse page.
func (s *Stage) part(w http.ResponseWriter, r *http.Request) {
	page, err1 := strconv.Atoi(r.PathValue("page"))
	part, err2 := strconv.Atoi(r.PathValue("part"))
	if err1 != nil || err2 != nil || page < 1 || page > Pages || part < 0 || part >= partsOf {
		http.NotFound(w, r)
		return
	}
	w.Header().Set("Content-Type", "image/jpeg")
	w.Header().Set("Cache-Control", "no-store")
	_, _ = w.Write(picture(page, part))
}

var pictures sync.Map // [2]int to []byte

// picture is a generated photograph-like JPEG, the same for the same place.
func picture(page, part int) []byte {
	if b, ok := pictures.Load([2]int{page, part}); ok {
		return b.([]byte)
	}
	random := rand.New(rand.NewPCG(uint64(page), uint64(part)+1000))
	img := image.NewRGBA(image.Rect(0, 0, 320, 200))
	base := [3]float64{random.Float64() * 255, random.Float64() * 255, random.Float64() * 255}
	for y := range 200 {
		for x := range 320 {
			noise := random.Float64() * 60
			img.SetRGBA(x, y, color.RGBA{clip(base[0] + float64(x)/5 - noise), clip(base[1] + float64(y)/4 - noise), clip(base[2] - float64(x+y)/12 + noise), 255})
		}
	}
	var b bytes.Buffer
	_ = jpeg.Encode(&b, img, &jpeg.Options{Quality: 80}) // a buffer does not fail
	pictures.Store([2]int{page, part}, b.Bytes())
	return b.Bytes()
}

func clip(v float64) uint8 { return uint8(max(0, min(255, v))) }
