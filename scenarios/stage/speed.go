package stage

import (
	"encoding/json"
	"errors"
	"fmt"
	"math"
	"slices"
	"strconv"
	"sync"
)

// A kernel is one fixed piece of work of the speed activity. A call of it does the same each time and comes to the
// same result, which the host knows; a rate is calls in a time.
type kernel struct {
	name      string
	group     string  // what kind of work it is
	all       bool    // on all threads at once, each doing whole calls; else on one
	unit      string  // of the rate
	work      float64 // of a call on one thread, in the unit times a second
	operation string  // what is counted
	source    string  // who described it where; titles and years without another word are from memory
	// want is what a call comes to: the text of a whole number, exact; with near, a number of which it may be off by so much.
	want func() string
	near float64
}

// Groups of kernels.
const (
	groupInteger = "integer"
	groupFloat   = "floating point"
	groupMemory  = "memory"
	groupPage    = "page"
	groupCoding  = "coding"
	groupGPU     = "GPU"
	groupStorage = "storage"
)

const (
	unitOperations = "million operations/s"
	unitGB         = "GB/s"
	unitMB         = "MB/s"
	unitPixels     = "Mpixel/s"
)

// exactly makes the result of a kernel's twin on the host.
func exactly(twin func() (int, uint32)) func() string {
	return func() string {
		_, check := twin()
		return strconv.FormatUint(uint64(check), 10)
	}
}

// Pixels of the pictures and films that are coded; a film's frame is 1280 by 720.
const (
	codedPixels  = pictureSide * pictureSide
	filmedFrames = 30
	filmedPixels = filmedFrames * 1280 * 720
)

const (
	aboutSHA  = "Secure Hash Standard, SHA-256, FIPS PUB 180-4, 2015"
	aboutGolu = "Golub and Van Loan, Matrix Computations, 1983: product of matrices by rows"
	aboutSort = "Williams, Algorithm 232: Heapsort, 1964"
)

// speedKernels are the kernels in the order in which they are measured: what is short and cool first.
var speedKernels = []kernel{
	{name: "primes", group: groupInteger, unit: unitOperations, work: 2.228881, operation: "a number crossed out", source: "the sieve of Eratosthenes; Nicomachus, Introduction to Arithmetic, about 100", want: exactly(primesKernel)},
	{name: "sorting", group: groupInteger, unit: unitOperations, work: 1.894479, operation: "a comparison", source: aboutSort, want: exactly(sortingKernel)},
	{name: "distance", group: groupInteger, unit: unitOperations, work: 1.048576, operation: "a cell of the table", source: "Wagner and Fischer, The String-to-String Correction Problem, 1974", want: exactly(distanceKernel)},
	{name: "digest", group: groupInteger, unit: unitMB, work: hashedBytes / 1e6, operation: "a byte", source: aboutSHA, want: exactly(digestKernel)},
	{name: "product", group: groupFloat, unit: unitOperations, work: 4.194304, operation: "a multiplication or addition", source: aboutGolu, want: exactly(productKernel)},
	{name: "transform", group: groupFloat, unit: unitOperations, work: 0.53248, operation: "a multiplication, addition or subtraction", source: "Cooley and Tukey, An Algorithm for the Machine Calculation of Complex Fourier Series, 1965", want: exactly(transformKernel)},
	{name: "reading", group: groupMemory, unit: unitGB, work: 4 * memoryWords / 1e9, operation: "a byte read in order", source: "textbook: a sum over memory", want: exactly(readingKernel)},
	{name: "moving", group: groupMemory, unit: unitGB, work: 8 * memoryWords / 1e9, operation: "a byte read, and one written", source: "textbook: memory moved to another place", want: exactly(movingKernel)},
	{name: "walking", group: groupMemory, unit: unitOperations, work: walkedCells / 1e6, operation: "a step to a place that the place before names", source: "Sattolo, An Algorithm to Generate a Random Cyclic Permutation, 1986", want: exactly(walkingKernel)},
	{name: "page", group: groupPage, unit: "pages/s", work: 1, operation: "a page of boxes, text and a table, read, laid out at two widths and removed", source: "W3C and WHATWG: HTML, CSS flexible boxes and tables", want: exactly(pageKernel)},
	{name: "lettering", group: groupPage, unit: "thousand letters/s", work: letteredLines * letteredLetters / 1e3, operation: "a letter measured and drawn", source: "WHATWG: HTML, canvas text", want: func() string { return strconv.Itoa(letteredLines) }},
	{name: "pictures", group: groupPage, unit: unitPixels, work: drawnTimes * 4 * pictureSide * pictureSide / 1e6, operation: "a pixel drawn of a picture made twice as large", source: "WHATWG: HTML, canvas images", want: exactly(picturesKernel)},
	{name: "picture coding", group: groupCoding, unit: unitPixels, work: codedPixels / 1e6, operation: "a pixel coded", source: "JPEG: ITU-T T.81, 1992, by the browser's own coder", want: func() string { return "0" }, near: pictureOff},
	{name: "picture decoding", group: groupCoding, unit: unitPixels, work: codedPixels / 1e6, operation: "a pixel decoded", source: "JPEG: ITU-T T.81, 1992, by the browser's own decoder", want: func() string { return "0" }, near: pictureOff},
	{name: "film coding", group: groupCoding, unit: unitPixels, work: filmedPixels / 1e6, operation: "a pixel coded, 30 frames of 1280 by 720", source: "VP8: RFC 6386, 2011, by the browser's coder (WebCodecs)", want: func() string { return strconv.Itoa(filmedFrames) }},
	{name: "film decoding", group: groupCoding, unit: unitPixels, work: filmedPixels / 1e6, operation: "a pixel decoded, 30 frames of 1280 by 720", source: "VP8: RFC 6386, 2011, by the browser's decoder (WebCodecs)", want: func() string { return strconv.Itoa(filmedFrames) }},
	{name: "fill", group: groupGPU, unit: unitPixels, work: fillSide * fillSide * fillLayers / 1e6, operation: "a pixel of a blended layer", source: "textbook: layers added (Porter and Duff, Compositing Digital Images, 1984: plus)", want: func() string { return strconv.Itoa(fillLayers) }},
	{name: "geometry", group: groupGPU, unit: "million triangles/s", work: 2 * gridSide * gridSide * gridTimes / 1e6, operation: "a triangle, of half a square of two by two pixels", source: "textbook: a grid of triangles that covers each pixel once", want: func() string { return strconv.Itoa(gridTimes) }},
	{name: "shading", group: groupGPU, unit: unitOperations, work: shadeSide * shadeSide * shadeTurns / 1e6, operation: "a turn of three shifts of a pixel", source: "Marsaglia, Xorshift RNGs, 2003", want: exactly(shadingKernel)},
	{name: "marching", group: groupGPU, unit: "million rays/s", work: marchSide * marchSide / 1e6, operation: "a ray", source: "Hart, Sphere Tracing, 1996", want: marchingWant, near: 1.5},
	{name: "storing", group: groupStorage, unit: unitMB, work: storedPieces * storedBytes / 1e6, operation: "a byte written", source: "W3C: Indexed Database API 2.0, 2018", want: exactly(storingKernel)},
	{name: "fetching", group: groupStorage, unit: unitMB, work: storedPieces * storedBytes / 1e6, operation: "a byte read", source: "W3C: Indexed Database API 2.0, 2018", want: exactly(storingKernel)},
	{name: "digest, all threads", group: groupInteger, all: true, unit: unitMB, work: hashedBytes / 1e6, operation: "a byte", source: aboutSHA, want: exactly(digestKernel)},
	{name: "sorting, all threads", group: groupInteger, all: true, unit: unitOperations, work: 1.894479, operation: "a comparison", source: aboutSort, want: exactly(sortingKernel)},
	{name: "product, all threads", group: groupFloat, all: true, unit: unitOperations, work: 4.194304, operation: "a multiplication or addition", source: aboutGolu, want: exactly(productKernel)},
	{name: "reading, all threads", group: groupMemory, all: true, unit: unitGB, work: 4 * memoryWords / 1e9, operation: "a byte read in order", source: "textbook: a sum over memory", want: exactly(readingKernel)},
}

// Lettering: so many lines of so many letters are drawn, each of which must leave ink.
const letteredLines, letteredLetters = 40, 60

// pictureOff is how far the mean difference of a coded picture from what it was may be, of 255: a coder at a quality of
// 0.9 is off by 2 to 4 (tried here); one that is off by more than 8 has drawn something else.
const pictureOff = 8

func marchingWant() string {
	_, mean := marchingKernel()
	return strconv.FormatFloat(mean, 'f', 3, 64)
}

// speedWants are the results of all kernels, worked out once in a process: about two seconds.
var speedWants = sync.OnceValue(func() map[string]string {
	list := parallel(len(speedKernels), func(i int) string { return speedKernels[i].want() })
	wants := map[string]string{}
	for i, k := range speedKernels {
		wants[k.name] = list[i]
	}
	return wants
})

// A kernelBlock is a kernel as the page is told of it.
type kernelBlock struct {
	Name string  `json:"name"`
	All  bool    `json:"all,omitempty"`
	Unit string  `json:"unit"`
	Work float64 `json:"work"`
	Want string  `json:"want"` // so that the page shows what is wrong at once; the stage judges by its own
	Near float64 `json:"near,omitempty"`
}

// speedBlock is what the speed activity adds to a page's block.
type speedBlock struct {
	Kernels []kernelBlock `json:"measure"`
	Done    []string      `json:"done,omitempty"` // told before: a page that was opened anew goes on
	Skip    []string      `json:"skip,omitempty"` // during which the page ended twice
	// A repeat takes RepeatMS at least, or StepsLeast steps of the browser's clock; there are at most RepeatsMost, and
	// they end when their middle is known to WithinPct or after KernelS.
	RepeatMS    float64 `json:"repeat_ms"`
	StepsLeast  float64 `json:"steps_least"`
	RepeatsMost int     `json:"repeats_most"`
	WithinPct   float64 `json:"within_pct"`
	KernelS     float64 `json:"kernel_s"`
	PauseS      float64 `json:"pause_s"` // rest between kernels, so that each begins as cool as the one before
	WorkScript  string  `json:"work_script"`
}

// endingsMost is how often a page may end while one kernel is measured before that is left out: a browser that
// closes a page for memory would do so each time.
const endingsMost = 2

// speedDone is what a session knows of its kernels, under the stage's lock.
type speedDone struct {
	told  []string
	begun map[string]int
}

func (d *speedDone) skipped() (list []string) {
	for _, k := range speedKernels {
		if d.begun[k.name] >= endingsMost && !slices.Contains(d.told, k.name) {
			list = append(list, k.name)
		}
	}
	return list
}

// speedBlockOf is what a page of the session is to do.
func speedBlockOf(p *Session, k *knobs) *speedBlock {
	b := &speedBlock{
		RepeatMS: k.number("repeat_ms", 250, 1, 10000), StepsLeast: 200, RepeatsMost: k.count("repeats_most", 30, 6, 200), WithinPct: k.number("within_pct", 2, 0.1, 50),
		KernelS: k.number("kernel_s", 12, 0.1, 120), PauseS: k.number("pause_s", 5, 0, 600), WorkScript: "/s/" + p.key + "/speed/work.js",
	}
	only, one := k.take("only") // for a look at one of them
	wants := speedWants()
	for _, kernel := range speedKernels {
		if !one || kernel.name == only || kernel.group == only {
			b.Kernels = append(b.Kernels, kernelBlock{kernel.name, kernel.all, kernel.unit, kernel.work, wants[kernel.name], kernel.near})
		}
	}
	if len(b.Kernels) == 0 {
		k.errs = append(k.errs, fmt.Errorf("only: no kernel and no group of kernels is named %q", only))
	}
	p.stage.mu.Lock()
	defer p.stage.mu.Unlock()
	b.Done, b.Skip = slices.Clone(p.speed.told), p.speed.skipped()
	return b
}

// speedDetail is what a page posts of a kernel, beside what it says of itself, which is kept as it is.
type speedDetail struct {
	Kernel  string    `json:"kernel"`
	Begun   bool      `json:"begun,omitempty"` // it begins now; nothing else is told
	Calls   float64   `json:"calls"`           // in each repeat, on each thread
	Threads float64   `json:"threads"`
	MS      []float64 `json:"ms"`     // of each repeat, in order
	Result  string    `json:"result"` // of a call; where two differ, the one that is not right
	Reason  string    `json:"reason"` // why there is no rate
}

// repeatsMost bounds the repeats of a post.
const repeatsMost = 200

// checkKernel holds a kernel's rate against the repeats it is made of, and its result against the host's. What is
// wrong with the post is an error; a kernel that came to a wrong result is none: its rate is 0, and the reason says so. What the host knows of the
// kernel goes into the detail, so that the record stands by itself.
func checkKernel(value float64, detail json.RawMessage) (rate float64, checked json.RawMessage, d speedDetail, err error) {
	if err := json.Unmarshal(detail, &d); err != nil {
		return 0, detail, d, fmt.Errorf("detail: %w", err)
	}
	i := slices.IndexFunc(speedKernels, func(k kernel) bool { return k.name == d.Kernel })
	if i < 0 {
		return 0, detail, d, fmt.Errorf("kernel: there is none named %q", cutProblem(d.Kernel))
	}
	if d.Begun {
		return 0, detail, d, nil
	}
	k := speedKernels[i]
	for name, v := range map[string]any{"group": k.group, "unit": k.unit, "work": k.work, "operation": k.operation, "source": k.source} {
		detail = addField(detail, name, v)
	}
	fail := func(reason string) (float64, json.RawMessage, speedDetail, error) {
		return 0, addField(detail, "reason", cutProblem(reason)), d, nil
	}
	if d.Reason != "" {
		return fail(d.Reason)
	}
	switch {
	case len(d.MS) < 3 || len(d.MS) > repeatsMost:
		return 0, detail, d, fmt.Errorf("ms: want 3 to %d repeats, got %d", repeatsMost, len(d.MS))
	case !(d.Calls >= 1) || d.Calls > 1e9 || d.Calls != math.Floor(d.Calls):
		return 0, detail, d, fmt.Errorf("calls: want a whole number of 1 or more, got %g", d.Calls)
	case !k.all && d.Threads != 1, !(d.Threads >= 1) || d.Threads > workersMost || d.Threads != math.Floor(d.Threads):
		return 0, detail, d, fmt.Errorf("threads: %g do not fit %s", d.Threads, k.name)
	case slices.ContainsFunc(d.MS, func(ms float64) bool { return !(ms > 0) || ms > 1e7 }):
		return 0, detail, d, errors.New("ms: want more than 0")
	}
	sorted := slices.Sorted(slices.Values(d.MS))
	middle := (sorted[(len(sorted)-1)/2] + sorted[len(sorted)/2]) / 2
	rate = k.work * d.Calls * d.Threads * 1000 / middle
	if math.Abs(rate-value) > rate*1e-3 {
		return 0, detail, d, fmt.Errorf("value: the repeats make %g %s, got %g", rate, k.unit, value)
	}
	if want := speedWants()[k.name]; !k.right(d.Result, want) {
		return fail(fmt.Sprintf("it came to %s, where %s is right: the handset computed wrongly, or its browser changes what pages read", cutProblem(d.Result), want))
	}
	return rate, detail, d, nil
}

// right says whether a result is the kernel's.
func (k kernel) right(result, want string) bool {
	if k.near == 0 {
		return result == want
	}
	got, err := strconv.ParseFloat(result, 64)
	w, _ := strconv.ParseFloat(want, 64)
	return err == nil && math.Abs(got-w) <= k.near
}

// took notes what a session was told of a kernel, under the stage's lock.
func (d *speedDone) took(of speedDetail) {
	if of.Begun {
		if d.begun == nil {
			d.begun = map[string]int{}
		}
		d.begun[of.Kernel]++
		return
	}
	if !slices.Contains(d.told, of.Kernel) {
		d.told = append(d.told, of.Kernel)
	}
}

var speedScript = []byte(webFile("speedwork.js"))
