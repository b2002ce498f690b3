// Package clip makes the local video that video scenarios play, by a fixed recipe, with
// ffmpeg: for labs that have none of their own. Pictures are computed here, from a fixed
// seed, so that they are the same on every host; ffmpeg encodes them. The encoded bytes
// depend on its version: what a segment played is told by the file's SHA-256.
//
// It knows files and ffmpeg, no handsets. Errors that leave it: ErrNoFFmpeg, ErrNoRoom,
// fs.ErrExist for a file that is there already, and *MismatchError for one that is not
// what its recipe says.
package clip

import (
	"bytes"
	"context"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"time"
)

// Version names the recipe. It changes whenever the pictures, the sound or the encoder's
// settings do: clips of different versions are different loads.
const Version = "1"

// AverageLevelPct is the average level of every picture, as a share of video's range from
// black to white (luma code 16 to 235), %. Chosen: near what films and broadcasts show on
// average; common practice, no source.
const AverageLevelPct = 40

// Period is the time after which pictures come again. The pictures move on across the
// seam, so that neither there nor where a player begins anew anything jumps.
const Period = 10 * time.Second

// ErrNoFFmpeg means that ffmpeg or ffprobe is not installed on this host.
var ErrNoFFmpeg = errors.New("ffmpeg and ffprobe are needed and not installed (on Debian: apt-get install ffmpeg)")

// ErrNoRoom means that the clip would not fit on the disk.
var ErrNoRoom = errors.New("not enough room on the disk")

// The codecs.
const (
	HEVC = "hevc"
	H264 = "h264"
)

// A Recipe is what clip is made.
type Recipe struct {
	Codec         string        // HEVC or H264
	FPS           int           // 30 or 60
	Length        time.Duration // whole periods; Make rounds up
	Width, Height int           // px, even
}

// Standard is the recipe at its full size: 3840 x 2160, ten minutes.
func Standard(codec string, fps int) Recipe {
	return Recipe{Codec: codec, FPS: fps, Length: 10 * time.Minute, Width: 3840, Height: 2160}
}

// Name is a file name that tells the recipe: "rundown-clip-1-hevc-2160p30.mp4".
func (r Recipe) Name() string {
	return fmt.Sprintf("rundown-clip-%s-%s-%dp%d.mp4", Version, r.Codec, r.Height, r.FPS)
}

// Check says what is wrong with a recipe.
func (r Recipe) Check() error {
	switch {
	case r.Codec != HEVC && r.Codec != H264:
		return fmt.Errorf("clip: codec: want %s or %s, got %q", HEVC, H264, r.Codec)
	case r.FPS != 30 && r.FPS != 60:
		return fmt.Errorf("clip: rate: want 30 or 60 frames per second, got %d", r.FPS)
	case r.Length < time.Second || r.Length > 4*time.Hour:
		return fmt.Errorf("clip: length: want 1 s to 4 h, got %v", r.Length)
	case r.Width < 64 || r.Height < 64 || r.Width > 7680 || r.Height > 4320 || r.Width%2 != 0 || r.Height%2 != 0:
		return fmt.Errorf("clip: size: want even numbers of 64 x 64 to 7680 x 4320, got %d x %d", r.Width, r.Height)
	}
	return nil
}

// periods is how often the pictures come.
func (r Recipe) periods() int { return max(1, int((r.Length+Period-1)/Period)) }

// kbps is the video's mean bit rate, kbit/s: of the size in which 3840 x 2160 is filmed by
// handsets and sent by services, less in proportion for smaller pictures and half as much
// again for 60 frames per second. Common practice, no source.
func (r Recipe) kbps() int {
	full := map[string]float64{HEVC: 16_000, H264: 26_000}[r.Codec]
	if r.FPS == 60 {
		full *= 1.5
	}
	return max(200, int(full*float64(r.Width*r.Height)/(3840*2160)))
}

// Estimate is about how large the clip will be, bytes.
func (r Recipe) Estimate() int64 { return r.bytes(time.Duration(r.periods()) * Period) }

func (r Recipe) bytes(length time.Duration) int64 {
	const soundKbps = 128
	return int64(float64(r.kbps()+soundKbps) * 1000 / 8 * length.Seconds())
}

// needs is the room that making the clip takes at its widest, bytes: the clip and the
// period that it is put together from, and a tenth for what the encoder misses its rate by.
func (r Recipe) needs() int64 { return (r.Estimate() + r.bytes(Period)) * 11 / 10 }

// encoder is the encoder's part of ffmpeg's command line. Two seconds between key frames,
// groups closed, so that a period can be put behind itself without decoding it.
func (r Recipe) encoder() []string {
	key := strconv.Itoa(2 * r.FPS)
	rate := strconv.Itoa(r.kbps())
	args := []string{
		"-pix_fmt", "yuv420p", "-b:v", rate + "k", "-maxrate", strconv.Itoa(r.kbps()*5/4) + "k", "-bufsize", strconv.Itoa(r.kbps()*2) + "k",
		"-color_range", "tv", "-colorspace", "bt709", "-color_primaries", "bt709", "-color_trc", "bt709",
	}
	if r.Codec == HEVC {
		return append(args, "-c:v", "libx265", "-preset", "superfast", "-profile:v", "main", "-tag:v", "hvc1",
			"-x265-params", "log-level=error:keyint="+key+":min-keyint="+key+":scenecut=0:open-gop=0:vbv-maxrate="+strconv.Itoa(r.kbps()*5/4)+":vbv-bufsize="+strconv.Itoa(r.kbps()*2))
	}
	return append(args, "-c:v", "libx264", "-preset", "veryfast", "-profile:v", "high", "-g", key, "-keyint_min", key, "-sc_threshold", "0", "-flags", "+cgop")
}

// sound is a chord that swells every five seconds, in stereo, at about -23 dB of full
// scale on average.
const sound = "aevalsrc=exprs=0.09*(0.6+0.4*sin(2*PI*t/5))*(sin(2*PI*220*t)+sin(2*PI*277.18*t)+0.5*sin(2*PI*329.63*t))|0.09*(0.6+0.4*cos(2*PI*t/5))*(sin(2*PI*220*t)+sin(2*PI*277.18*t)+0.5*sin(2*PI*329.63*t)):sample_rate=48000"

// Progress is told how far a clip is: done from 0 to 1.
type Progress func(done float64, what string)

// Make makes a clip and puts it at path when it is whole and verified; until then there is
// a folder beside it, which goes in any case. It takes minutes to an hour at full size, on
// all processors. A file that is there already stays as it is: fs.ErrExist.
func Make(ctx context.Context, path string, r Recipe, report Progress) (Info, error) {
	if err := r.Check(); err != nil {
		return Info{}, err
	}
	if report == nil {
		report = func(float64, string) {}
	}
	if _, err := os.Lstat(path); err == nil {
		return Info{}, fmt.Errorf("clip: %s: %w: choose another name, or remove it", path, fs.ErrExist)
	}
	if _, err := os.Stat(filepath.Dir(path)); err != nil {
		return Info{}, fmt.Errorf("clip: the folder for it: %w", err)
	}
	if free, ok := room(filepath.Dir(path)); ok && free < r.needs() {
		return Info{}, fmt.Errorf("clip: %s: %w: about %d MB are needed, %d MB are free", filepath.Dir(path), ErrNoRoom, r.needs()/1e6, free/1e6)
	}
	for _, tool := range []string{"ffmpeg", "ffprobe"} {
		if _, err := exec.LookPath(tool); err != nil {
			return Info{}, ErrNoFFmpeg
		}
	}
	dir, err := os.MkdirTemp(filepath.Dir(path), ".rundown-clip-")
	if err != nil {
		return Info{}, fmt.Errorf("clip: %w", err)
	}
	defer os.RemoveAll(dir)
	period, whole := filepath.Join(dir, "period.mp4"), filepath.Join(dir, "clip.mp4")
	if err := r.encode(ctx, period, func(done float64) { report(0.85*done, "encoding pictures") }); err != nil {
		return Info{}, err
	}
	if err := r.repeat(ctx, period, whole, func(done float64) { report(0.85+0.12*done, "adding sound") }); err != nil {
		return Info{}, err
	}
	report(0.97, "verifying")
	info, err := Probe(ctx, whole)
	if err != nil {
		return Info{}, err
	}
	if err := info.Matches(r); err != nil {
		return Info{}, err
	}
	if err := settle(whole, path); err != nil {
		return Info{}, fmt.Errorf("clip: %w", err)
	}
	report(1, "done")
	return info, nil
}

// settle gives a file its name without overwriting one that came meanwhile, where the
// file system can tell.
func settle(whole, path string) error {
	err := os.Link(whole, path)
	if err == nil || errors.Is(err, fs.ErrExist) {
		return err
	}
	return os.Rename(whole, path)
}

// encode writes one period of pictures to ffmpeg.
func (r Recipe) encode(ctx context.Context, to string, report func(float64)) error {
	args := append([]string{
		"-hide_banner", "-loglevel", "error", "-nostdin", "-y",
		"-f", "rawvideo", "-pix_fmt", "yuv420p", "-s", fmt.Sprintf("%dx%d", r.Width, r.Height), "-r", strconv.Itoa(r.FPS), "-i", "pipe:0", "-an",
	}, r.encoder()...)
	cmd := exec.CommandContext(ctx, "ffmpeg", append(args, to)...)
	var said bytes.Buffer
	cmd.Stderr = &said
	in, err := cmd.StdinPipe()
	if err != nil {
		return fmt.Errorf("clip: %w", err)
	}
	if err := cmd.Start(); err != nil {
		return fmt.Errorf("clip: ffmpeg: %w", err)
	}
	writes := func() error {
		defer in.Close()
		scene := newScene(r.Width, r.Height)
		frames := int(Period.Seconds()) * r.FPS
		frame := make([]byte, r.Width*r.Height*3/2)
		for i := range frames {
			scene.draw(frame, i, frames)
			if _, err := in.Write(frame); err != nil {
				return err
			}
			report(float64(i+1) / float64(frames))
		}
		return nil
	}()
	if err := cmd.Wait(); err != nil {
		return failed(ctx, err, said.String())
	}
	if writes != nil {
		return failed(ctx, writes, said.String())
	}
	return nil
}

// repeat puts the period behind itself as often as it takes, without encoding it again,
// and adds the sound.
func (r Recipe) repeat(ctx context.Context, period, to string, report func(float64)) error {
	length := time.Duration(r.periods()) * Period
	seconds := strconv.FormatFloat(length.Seconds(), 'f', -1, 64)
	cmd := exec.CommandContext(ctx, "ffmpeg", "-hide_banner", "-loglevel", "error", "-nostdin", "-y", "-progress", "pipe:1",
		"-stream_loop", strconv.Itoa(r.periods()-1), "-i", period, "-f", "lavfi", "-t", seconds, "-i", sound,
		"-map", "0:v:0", "-map", "1:a:0", "-c:v", "copy", "-c:a", "aac", "-b:a", "128k", "-t", seconds,
		"-tag:v", map[string]string{HEVC: "hvc1", H264: "avc1"}[r.Codec], "-movflags", "+faststart",
		"-metadata", "title=Rundown clip "+Version, "-metadata", "comment=Generated pictures and sound; fixed recipe "+Version, to)
	var said bytes.Buffer
	cmd.Stderr = &said
	cmd.Stdout = lineWriter(func(line string) {
		if us, ok := strings.CutPrefix(line, "out_time_us="); ok {
			if n, err := strconv.ParseInt(us, 10, 64); err == nil && n > 0 {
				report(min(1, float64(n)/1e6/length.Seconds()))
			}
		}
	})
	if err := cmd.Run(); err != nil {
		return failed(ctx, err, said.String())
	}
	return nil
}

func failed(ctx context.Context, err error, said string) error {
	if ctx.Err() != nil {
		return ctx.Err()
	}
	if said = strings.TrimSpace(said); said != "" {
		lines := strings.Split(said, "\n")
		return fmt.Errorf("clip: ffmpeg: %w: %s", err, lines[len(lines)-1])
	}
	return fmt.Errorf("clip: ffmpeg: %w", err)
}

// lineWriter calls itself for each whole line written.
type lineWriter func(line string)

func (f lineWriter) Write(p []byte) (int, error) {
	for line := range strings.Lines(string(p)) {
		f(strings.TrimSpace(line))
	}
	return len(p), nil
}

// Info is what a film is, as ffprobe reads it.
type Info struct {
	Codec         string        `json:"codec"`
	Profile       string        `json:"profile"`
	PixelFormat   string        `json:"pixel_format"`
	Width, Height int           `json:"-"`
	FPS           float64       `json:"fps"`
	Frames        int           `json:"frames"` // 0: the file does not say
	Length        time.Duration `json:"-"`
	Sound         string        `json:"sound"` // codec; empty: none
	Channels      int           `json:"channels"`
	Bytes         int64         `json:"bytes"`
	SHA256        string        `json:"sha256"`
}

// Probe reads what a film is, and its SHA-256. It serves for a lab's own as well.
func Probe(ctx context.Context, path string) (Info, error) {
	info, err := look(ctx, path)
	if err != nil {
		return Info{}, err
	}
	info.SHA256, info.Bytes, err = Hash(ctx, path)
	return info, err
}

// look reads what a film is, without its hash.
func look(ctx context.Context, path string) (Info, error) {
	if _, err := exec.LookPath("ffprobe"); err != nil {
		return Info{}, ErrNoFFmpeg
	}
	// A name that begins with a hyphen or names a protocol is still a file.
	full, err := filepath.Abs(path)
	if err != nil {
		return Info{}, fmt.Errorf("clip %s: %w", path, err)
	}
	var said bytes.Buffer
	cmd := exec.CommandContext(ctx, "ffprobe", "-v", "error", "-of", "json", "-show_streams", "-show_format", "file:"+full)
	cmd.Stderr = &said
	out, err := cmd.Output()
	if err != nil {
		return Info{}, fmt.Errorf("clip %s: ffprobe: %w: %s", path, err, strings.TrimSpace(said.String()))
	}
	info, err := parseProbe(out)
	if err != nil {
		return Info{}, fmt.Errorf("clip %s: %w", path, err)
	}
	return info, nil
}

// stream is one stream of a film in ffprobe's answer.
type stream struct {
	Type        string `json:"codec_type"`
	Codec       string `json:"codec_name"`
	Profile     string `json:"profile"`
	PixelFormat string `json:"pix_fmt"`
	Width       int    `json:"width"`
	Height      int    `json:"height"`
	Rate        string `json:"avg_frame_rate"`
	Frames      string `json:"nb_frames"`
	Channels    int    `json:"channels"`
}

func parseProbe(out []byte) (Info, error) {
	var p struct {
		Streams []stream `json:"streams"`
		Format  struct {
			Duration string `json:"duration"`
		} `json:"format"`
	}
	if err := json.Unmarshal(out, &p); err != nil {
		return Info{}, fmt.Errorf("ffprobe's answer cannot be read: %w", err)
	}
	var info Info
	video := slices.IndexFunc(p.Streams, func(s stream) bool { return s.Type == "video" })
	if video < 0 {
		return Info{}, errors.New("there are no moving pictures in it")
	}
	v := p.Streams[video]
	info.Codec, info.Profile, info.PixelFormat, info.Width, info.Height = v.Codec, v.Profile, v.PixelFormat, v.Width, v.Height
	a, b, _ := strings.Cut(v.Rate, "/")
	n, err1 := strconv.ParseFloat(a, 64)
	d, err2 := strconv.ParseFloat(b, 64)
	if err1 == nil && err2 == nil && d > 0 {
		info.FPS = n / d
	}
	info.Frames, _ = strconv.Atoi(v.Frames) // not every format counts them
	seconds, err := strconv.ParseFloat(p.Format.Duration, 64)
	if err != nil || !(seconds > 0 && seconds < 1e6) {
		return Info{}, fmt.Errorf("its length is %q", p.Format.Duration)
	}
	info.Length = time.Duration(seconds * float64(time.Second))
	for _, s := range p.Streams {
		if s.Type == "audio" && info.Sound == "" {
			info.Sound, info.Channels = s.Codec, s.Channels
		}
	}
	return info, nil
}

// A MismatchError is a film that is not what its recipe says.
type MismatchError struct{ What, Want, Got string }

func (e *MismatchError) Error() string {
	return fmt.Sprintf("clip: %s: want %s, got %s", e.What, e.Want, e.Got)
}

// Matches says whether a film is what a recipe makes; the errors are *MismatchError, all
// of them joined.
func (i Info) Matches(r Recipe) error {
	var errs []error
	differ := func(what string, want, got any) {
		if fmt.Sprint(want) != fmt.Sprint(got) {
			errs = append(errs, &MismatchError{what, fmt.Sprint(want), fmt.Sprint(got)})
		}
	}
	length := time.Duration(r.periods()) * Period
	differ("codec", r.Codec, i.Codec)
	differ("size", fmt.Sprintf("%d x %d", r.Width, r.Height), fmt.Sprintf("%d x %d", i.Width, i.Height))
	differ("frames per second", fmt.Sprintf("%.3f", float64(r.FPS)), fmt.Sprintf("%.3f", i.FPS))
	differ("frames", int(length.Seconds())*r.FPS, i.Frames)
	differ("pixel format", "yuv420p", i.PixelFormat)
	differ("sound", "aac", i.Sound)
	differ("channels", 2, i.Channels)
	if off := i.Length - length; off < -50*time.Millisecond || off > 100*time.Millisecond {
		errs = append(errs, &MismatchError{"length", length.String(), i.Length.String()})
	}
	return errors.Join(errs...)
}

// Hash is a file's SHA-256, in hex, and its size, bytes.
func Hash(ctx context.Context, path string) (string, int64, error) {
	s, err := Sums(ctx, path, 0)
	return s.SHA256, s.Bytes, err
}

// A Sum is a file's SHA-256, of the whole and of each of its pieces, in hex.
type Sum struct {
	SHA256 string
	Bytes  int64
	Pieces []string // in order; the last may be shorter
}

// Sums hashes a file in one reading, also piece by piece of so many bytes, for those who
// must check a copy of it in bounded steps; 0 is without pieces.
func Sums(ctx context.Context, path string, piece int64) (Sum, error) {
	f, err := os.Open(path)
	if err != nil {
		return Sum{}, fmt.Errorf("clip: %w", err)
	}
	defer f.Close()
	whole, sum, from := sha256.New(), Sum{}, io.Reader(reader{ctx, f})
	if piece <= 0 {
		sum.Bytes, err = io.Copy(whole, from)
	}
	for piece > 0 && err == nil {
		part, n := sha256.New(), int64(0)
		n, err = io.CopyN(io.MultiWriter(whole, part), from, piece)
		if sum.Bytes += n; n > 0 {
			sum.Pieces = append(sum.Pieces, hex.EncodeToString(part.Sum(nil)))
		}
	}
	if err != nil && err != io.EOF {
		return Sum{}, fmt.Errorf("clip %s: %w", path, err)
	}
	sum.SHA256 = hex.EncodeToString(whole.Sum(nil))
	return sum, nil
}

// reader ends with its context.
type reader struct {
	ctx context.Context
	r   io.Reader
}

func (r reader) Read(p []byte) (int, error) {
	if err := r.ctx.Err(); err != nil {
		return 0, err
	}
	return r.r.Read(p)
}
