package clip

import (
	"bytes"
	"context"
	"crypto/sha256"
	"encoding/binary"
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"math"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"rundown/devices/hosttest"
)

// tools makes sure of ffmpeg, which CI has.
func tools(t *testing.T) {
	t.Helper()
	for _, tool := range []string{"ffmpeg", "ffprobe"} {
		hosttest.Program(t, tool)
	}
}

// decode runs ffmpeg over a file and returns what it decoded.
func decode(t *testing.T, path string, args ...string) []byte {
	t.Helper()
	cmd := exec.CommandContext(t.Context(), "ffmpeg", append(append([]string{"-v", "error", "-nostdin", "-i", path}, args...), "pipe:1")...)
	var said bytes.Buffer
	cmd.Stderr = &said
	out, err := cmd.Output()
	if err != nil || said.Len() > 0 {
		t.Fatalf("decoding %s: %v: %s", path, err, said.String())
	}
	return out
}

func mean(p []byte) float64 {
	var sum float64
	for _, v := range p {
		sum += float64(v)
	}
	return sum / float64(len(p))
}

func difference(a, b []byte) float64 {
	var sum float64
	for i := range a {
		sum += math.Abs(float64(a[i]) - float64(b[i]))
	}
	return sum / float64(len(a))
}

// The recipe on a short variant, read back by ffprobe and decoded by ffmpeg: codec, size,
// rate, duration, average level of every picture, movement, both seams, sound.
func TestRecipeOnAShortVariant(t *testing.T) {
	tools(t)
	for _, r := range []Recipe{
		{Codec: HEVC, FPS: 30, Length: 15 * time.Second, Width: 320, Height: 180},
		{Codec: H264, FPS: 60, Length: 20 * time.Second, Width: 640, Height: 360},
	} {
		t.Run(r.Codec, func(t *testing.T) {
			t.Parallel()
			dir := t.TempDir()
			path := filepath.Join(dir, r.Name())
			last := 0.0
			info, err := Make(t.Context(), path, r, func(done float64, what string) {
				if done < last || done > 1 || what == "" {
					t.Errorf("progress %g %q after %g", done, what, last)
				}
				last = done
			})
			if err != nil {
				t.Fatal(err)
			}
			if last != 1 {
				t.Errorf("progress ended at %g", last)
			}
			if left, _ := filepath.Glob(filepath.Join(dir, "*")); len(left) != 1 {
				t.Errorf("files left: %v", left)
			}
			if hidden, _ := filepath.Glob(filepath.Join(dir, ".*")); len(hidden) != 0 {
				t.Errorf("hidden files left: %v", hidden)
			}
			if sum, n, err := Hash(t.Context(), path); err != nil || sum != info.SHA256 || n != info.Bytes || len(sum) != 64 {
				t.Errorf("Hash = %q, %d, %v; the clip's is %q, %d", sum, n, err, info.SHA256, info.Bytes)
			}

			// ffprobe counts every packet and looks at their times.
			out, err := exec.CommandContext(t.Context(), "ffprobe", "-v", "error", "-of", "json", "-select_streams", "v:0", "-count_packets",
				"-show_entries", "stream=codec_name,width,height,r_frame_rate,nb_read_packets,color_range,color_space:packet=dts_time,flags:format=duration", path).Output()
			if err != nil {
				t.Fatal(err)
			}
			var p struct {
				Streams []struct {
					Codec   string `json:"codec_name"`
					Width   int    `json:"width"`
					Height  int    `json:"height"`
					Rate    string `json:"r_frame_rate"`
					Packets string `json:"nb_read_packets"`
					Range   string `json:"color_range"`
					Space   string `json:"color_space"`
				} `json:"streams"`
				Packets []struct {
					DTS   string `json:"dts_time"`
					Flags string `json:"flags"`
				} `json:"packets"`
				Format struct {
					Duration string `json:"duration"`
				} `json:"format"`
			}
			if err := json.Unmarshal(out, &p); err != nil {
				t.Fatal(err)
			}
			frames := 20 * r.FPS
			v := p.Streams[0]
			want := []any{r.Codec, r.Width, r.Height, map[int]string{30: "30/1", 60: "60/1"}[r.FPS], frames, "tv", "bt709"}
			got := []any{v.Codec, v.Width, v.Height, v.Rate, len(p.Packets), v.Range, v.Space}
			if !slices.Equal(got, want) {
				t.Errorf("ffprobe: got %v, want %v", got, want)
			}
			if !strings.HasPrefix(p.Format.Duration, "20.0") {
				t.Errorf("duration %s, want 20 s", p.Format.Duration)
			}
			keys := 0
			for i, packet := range p.Packets {
				if strings.HasPrefix(packet.Flags, "K") {
					keys++
					if i%(2*r.FPS) != 0 {
						t.Errorf("a key frame at packet %d", i)
					}
				}
			}
			if keys != 10 {
				t.Errorf("%d key frames in 20 s, want one each 2 s", keys)
			}

			size := r.Width * r.Height
			raw := decode(t, path, "-map", "0:v:0", "-f", "rawvideo", "-pix_fmt", "gray", "-vf", "format=yuv420p,extractplanes=y")
			if len(raw) != frames*size {
				t.Fatalf("decoded %d bytes, want %d pictures of %d", len(raw), frames, size)
			}
			picture := func(i int) []byte { return raw[i%frames*size:][:size] }
			var steps []float64
			for i := range frames {
				// Luma codes of limited range: 16 is black, 235 white (ITU-R BT.709-6, 5.5).
				if level := 100 * (mean(picture(i)) - 16) / 219; math.Abs(level-AverageLevelPct) > 1 {
					t.Errorf("picture %d has an average level of %.2f %%, want %d", i, level, AverageLevelPct)
				}
				if i+1 < frames {
					steps = append(steps, difference(picture(i), picture(i+1)))
				}
			}
			ordered := slices.Clone(steps)
			slices.Sort(ordered)
			median := ordered[len(ordered)/2]
			if median < 0.8 || ordered[len(ordered)/10] < 0.2 {
				t.Errorf("pictures hardly move: steps of %.2f codes, a tenth below %.2f", median, ordered[len(ordered)/10])
			}
			// The seam between two periods, and the one where a player begins again, are
			// steps as those at other key frames, where the encoder begins anew; a jump in
			// the texture would be a dozen codes.
			period := int(Period.Seconds()) * r.FPS
			atKeys := 0.0
			for i := 2 * r.FPS; i < period; i += 2 * r.FPS {
				atKeys = max(atKeys, steps[i-1])
			}
			for name, step := range map[string]float64{"between periods": steps[period-1], "at the end": difference(picture(frames-1), picture(0))} {
				if step > 1.5*max(atKeys, median) {
					t.Errorf("the seam %s jumps by %.2f codes, other key frames by up to %.2f, the median step is %.2f", name, step, atKeys, median)
				}
			}
			if far := difference(picture(0), picture(period/2)); far < 4*median {
				t.Errorf("half a period away pictures differ by %.2f codes only", far)
			}
			if same := difference(picture(7), picture(7+period)); same > 0 {
				t.Errorf("a period later the picture differs by %.2f codes", same)
			}

			pcm := decode(t, path, "-map", "0:a:0", "-f", "s16le")
			var power float64
			for i := 0; i+1 < len(pcm); i += 2 {
				x := float64(int16(binary.LittleEndian.Uint16(pcm[i:]))) / 32768
				power += x * x
			}
			if db := 10 * math.Log10(power/float64(len(pcm)/2)); db < -26 || db > -20 {
				t.Errorf("sound at %.1f dB of full scale, want about -23", db)
			}
			if seconds := float64(len(pcm)) / 4 / 48000; math.Abs(seconds-20) > 0.1 {
				t.Errorf("%.2f s of sound", seconds)
			}
		})
	}
}

func TestStandardIsWhatIsStated(t *testing.T) {
	for _, codec := range []string{HEVC, H264} {
		for _, fps := range []int{30, 60} {
			r := Standard(codec, fps)
			if err := r.Check(); err != nil || r.Width != 3840 || r.Height != 2160 || r.Length < 10*time.Minute || time.Duration(r.periods())*Period != r.Length {
				t.Errorf("%s: %+v, %v", r.Name(), r, err)
			}
		}
	}
	if got := Standard(HEVC, 30).Name(); got != "rundown-clip-1-hevc-2160p30.mp4" {
		t.Errorf("Name = %q", got)
	}
}

// The pictures are the same on every host, whatever ffmpeg it has; a change of them is a
// change of the recipe's Version.
func TestPicturesStay(t *testing.T) {
	s := newScene(64, 64)
	frame := make([]byte, 64*64*3/2)
	var sums []float64
	for i := range 300 {
		s.draw(frame, i, 300)
		sums = append(sums, mean(frame[:64*64]))
	}
	for i, m := range sums {
		if math.Abs(m-(16+219*AverageLevelPct/100.0)) > 0.5 {
			t.Errorf("picture %d: mean luma %.2f", i, m)
		}
	}
	first, last := make([]byte, len(frame)), make([]byte, len(frame))
	s.draw(first, 0, 300)
	s.draw(last, 300, 300)
	if !bytes.Equal(first, last) {
		t.Error("after a period the picture is another")
	}
	again := make([]byte, len(frame))
	newScene(64, 64).draw(again, 0, 300)
	if !bytes.Equal(first, again) {
		t.Error("a second scene of the same size differs")
	}
}

func TestBadRecipes(t *testing.T) {
	for want, r := range map[string]Recipe{
		"codec":  {Codec: "av1", FPS: 30, Length: time.Minute, Width: 640, Height: 360},
		"rate":   {Codec: HEVC, FPS: 50, Length: time.Minute, Width: 640, Height: 360},
		"length": {Codec: HEVC, FPS: 30, Width: 640, Height: 360},
		"size":   {Codec: HEVC, FPS: 30, Length: time.Minute, Width: 641, Height: 360},
	} {
		if _, err := Make(t.Context(), filepath.Join(t.TempDir(), "x.mp4"), r, nil); err == nil || !strings.Contains(err.Error(), "clip: "+want) {
			t.Errorf("Make(%+v) = %v, want a refusal of its %s", r, err, want)
		}
	}
}

// What stands in the way is said before anything is done.
func TestNotMade(t *testing.T) {
	dir := t.TempDir()
	small := Recipe{Codec: H264, FPS: 30, Length: 10 * time.Second, Width: 64, Height: 64}
	taken := filepath.Join(dir, "taken.mp4")
	if err := os.WriteFile(taken, []byte("mine"), 0o600); err != nil {
		t.Fatal(err)
	}
	if _, err := Make(t.Context(), taken, small, nil); !errors.Is(err, fs.ErrExist) || !strings.Contains(err.Error(), taken) {
		t.Errorf("Make over a file = %v, want fs.ErrExist", err)
	}
	if b, _ := os.ReadFile(taken); string(b) != "mine" {
		t.Errorf("the file that was there holds %q", b)
	}
	if _, err := Make(t.Context(), filepath.Join(dir, "none", "x.mp4"), small, nil); !errors.Is(err, fs.ErrNotExist) {
		t.Errorf("Make in a folder that is not there = %v", err)
	}
	if free, ok := room(dir); ok {
		// Four hours of 60 pictures of 7680 x 4320 are 180 GB; many disks have the room.
		huge := Recipe{Codec: H264, FPS: 60, Length: 4 * time.Hour, Width: 7680, Height: 4320}
		if huge.needs() < 250e9 || huge.needs() > 400e9 {
			t.Errorf("needs %d bytes, want about 310e9", huge.needs())
		}
		if free < huge.needs() {
			if _, err := Make(t.Context(), filepath.Join(dir, "x.mp4"), huge, nil); !errors.Is(err, ErrNoRoom) || !strings.Contains(err.Error(), "MB are free") {
				t.Errorf("Make without room = %v, want ErrNoRoom", err)
			}
		}
	}
	t.Setenv("PATH", dir)
	if _, err := Make(t.Context(), filepath.Join(dir, "x.mp4"), small, nil); !errors.Is(err, ErrNoFFmpeg) {
		t.Errorf("Make without ffmpeg = %v, want ErrNoFFmpeg", err)
	}
	if left, _ := os.ReadDir(dir); len(left) != 1 {
		t.Errorf("left behind: %v", left)
	}
}

func TestSums(t *testing.T) {
	path := filepath.Join(t.TempDir(), "f")
	// The one-block message of FIPS 180-4's examples (NIST, "Examples with Intermediate
	// Values", SHA-256): "abc".
	const abc = "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"
	for content, want := range map[string][]string{"": nil, "abc": {abc}, "abcabc": {abc, abc}, "abcab": {abc, hashOf("ab")}} {
		if err := os.WriteFile(path, []byte(content), 0o600); err != nil {
			t.Fatal(err)
		}
		got, err := Sums(t.Context(), path, 3)
		if err != nil || !slices.Equal(got.Pieces, want) || got.Bytes != int64(len(content)) || got.SHA256 != hashOf(content) {
			t.Errorf("Sums(%q) = %+v, %v; want pieces %v", content, got, err, want)
		}
	}
}

func hashOf(s string) string { return fmt.Sprintf("%x", sha256.Sum256([]byte(s))) }

func TestStoppedInTheMiddle(t *testing.T) {
	tools(t)
	dir := t.TempDir()
	ctx, cancel := context.WithCancel(t.Context())
	_, err := Make(ctx, filepath.Join(dir, "x.mp4"), Recipe{Codec: H264, FPS: 30, Length: 10 * time.Second, Width: 320, Height: 180}, func(done float64, _ string) {
		if done > 0.2 {
			cancel()
		}
	})
	cancel()
	if !errors.Is(err, context.Canceled) {
		t.Errorf("Make = %v, want context.Canceled", err)
	}
	if left, _ := os.ReadDir(dir); len(left) != 0 {
		t.Errorf("left behind: %v", left)
	}
}

func TestAnotherFilmIsToldApart(t *testing.T) {
	tools(t)
	dir := t.TempDir()
	path := filepath.Join(dir, "-own clip.mp4")
	if out, err := exec.Command("ffmpeg", "-v", "error", "-f", "lavfi", "-i", "testsrc2=size=320x180:rate=25:duration=2", "-c:v", "libx264", "file:"+path).CombinedOutput(); err != nil {
		t.Fatalf("%v: %s", err, out)
	}
	info, err := Probe(t.Context(), path)
	if err != nil || info.Codec != H264 || info.FPS != 25 || info.Frames != 50 || info.Sound != "" || info.Length != 2*time.Second {
		t.Errorf("Probe = %+v, %v", info, err)
	}
	err = info.Matches(Recipe{Codec: H264, FPS: 30, Length: 10 * time.Second, Width: 320, Height: 180})
	var bad *MismatchError
	if !errors.As(err, &bad) {
		t.Fatalf("Matches = %v", err)
	}
	for _, want := range []string{"frames per second: want 30.000, got 25.000", "sound: want aac, got ", "length: want 10s, got 2s"} {
		if !strings.Contains(err.Error(), want) {
			t.Errorf("Matches = %v, want %q in it", err, want)
		}
	}
	for name, content := range map[string]string{"text.mp4": "no film", "empty.mp4": ""} {
		if err := os.WriteFile(filepath.Join(dir, name), []byte(content), 0o600); err != nil {
			t.Fatal(err)
		}
		if info, err := Probe(t.Context(), filepath.Join(dir, name)); err == nil {
			t.Errorf("Probe(%s) = %+v", name, info)
		}
	}
}

func FuzzParseProbe(f *testing.F) {
	f.Add([]byte(`{"streams":[{"codec_type":"video","codec_name":"hevc","width":3840,"height":2160,"avg_frame_rate":"30/1","nb_frames":"18000"},{"codec_type":"audio","codec_name":"aac","channels":2}],"format":{"duration":"600.0"}}`))
	f.Add([]byte(`{"streams":[{"codec_type":"video","avg_frame_rate":"0/0"}],"format":{"duration":"N/A"}}`))
	f.Fuzz(func(t *testing.T, b []byte) {
		info, err := parseProbe(b)
		if err == nil && (info.Length <= 0 || math.IsNaN(info.FPS) || math.IsInf(info.FPS, 0)) {
			t.Errorf("parseProbe(%q) = %+v", b, info)
		}
	})
}
