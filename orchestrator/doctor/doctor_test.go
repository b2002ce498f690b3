package doctor

import (
	"context"
	"errors"
	"fmt"
	"io"
	"net"
	"net/http"
	"net/http/httptest"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"rundown/devices/simulated"
	"rundown/scenarios"
)

const planText = `
bench:
  name: test bench
  adb_servers: [%s]
  stage: {listen: "127.0.0.1:8781"}
  clip: %s
  handsets:
    - {name: Alder, serial: TB-ALDER}
    - {name: Birch, serial: TB-BIRCH, packages: {player: org.example.films}}
    - {name: Cedar, serial: TB-CEDAR}
    - {name: Larch, serial: "192.0.2.23:5555", connect: "192.0.2.23:5555"}
plans:
  everyday:
    segments: [browse, video, camera]
nights:
  weekday: {starts: "0 22 * * 1-5", ends: "07:30", plan: everyday, handsets: [Alder]}
`

func plan(t *testing.T, server, clip string) scenarios.File {
	t.Helper()
	f, err := scenarios.Parse("bench.yaml", []byte(fmt.Sprintf(planText, server, clip)))
	if err != nil {
		t.Fatal(err)
	}
	return f
}

// tree makes files below a folder of its own.
func tree(t *testing.T, files map[string]string) string {
	t.Helper()
	root := t.TempDir()
	for name, text := range files {
		path := filepath.Join(root, name)
		if err := os.MkdirAll(filepath.Dir(path), 0o755); err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(path, []byte(text), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	return root
}

// usbTree is a made-up sysfs tree with one device at 1-1.3, in the kernel's layout
// (Documentation/ABI/testing/sysfs-bus-usb and Documentation/ABI/stable/sysfs-bus-usb).
func usbTree(serial, class, sub, protocol string, node bool) map[string]string {
	const at = "sys/bus/usb/devices/1-1.3/"
	files := map[string]string{
		at + "serial": serial + "\n", at + "busnum": "1\n", at + "devnum": "7\n", at + "bDeviceClass": "00\n",
		at + "1-1.3:1.0/bInterfaceClass": class + "\n", at + "1-1.3:1.0/bInterfaceSubClass": sub + "\n", at + "1-1.3:1.0/bInterfaceProtocol": protocol + "\n",
	}
	if node {
		files["dev/bus/usb/001/007"] = ""
	}
	return files
}

// programs stand in for what is installed: what each prints, by its command line.
func programs(printed map[string]string) func(context.Context, string, ...string) (string, error) {
	return func(_ context.Context, name string, args ...string) (string, error) {
		if text, ok := printed[strings.Join(append([]string{name}, args...), " ")]; ok {
			return text, nil
		}
		return "", fmt.Errorf("%s: %w", name, exec.ErrNotFound)
	}
}

// installed is a whole host. The shapes of the lines are those that adb 29 and ffmpeg 5.1 print.
var installed = map[string]string{
	"adb version":                   "Android Debug Bridge version 1.0.41\nVersion 29.0.6-debian\nInstalled as /usr/bin/adb\n",
	"ffmpeg -version":               "ffmpeg version 5.1.9 Copyright (c) 2000-2026 the developers\nbuilt with gcc\n",
	"ffprobe -version":              "ffprobe version 5.1.9 Copyright (c) 2007-2026 the developers\n",
	"ffmpeg -hide_banner -encoders": "Encoders:\n V..... = Video\n ------\n V....D libx264              H.264 / AVC (codec h264)\n V....D libx265              HEVC (codec hevc)\n",
}

func host(t *testing.T, files map[string]string) Host {
	return Host{
		Root: tree(t, files), UID: 1000, Groups: []string{"users"}, Command: programs(installed),
		Listen: func(string) error { return nil }, Room: func(string) (int64, bool) { return 50 << 30, true },
		Synchronised: func() (bool, time.Duration, bool) { return true, 1500 * time.Microsecond, true },
	}
}

// listing serves an adb server that answers its version and one list, by adb's own
// protocol (SERVICES.TXT and OVERVIEW.TXT of the Android Open Source Project, from memory).
func listing(t *testing.T, rows string) string {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = l.Close() })
	go func() {
		for {
			c, err := l.Accept()
			if err != nil {
				return
			}
			go func() {
				defer c.Close()
				head := make([]byte, 4)
				if _, err := io.ReadFull(c, head); err != nil {
					return
				}
				n, _ := strconv.ParseUint(string(head), 16, 16)
				request := make([]byte, n)
				if _, err := io.ReadFull(c, request); err != nil {
					return
				}
				answer := rows
				if string(request) == "host:version" {
					answer = "0029"
				}
				fmt.Fprintf(c, "OKAY%04x%s", len(answer), answer)
			}()
		}
	}()
	return l.Addr().String()
}

// one returns the finding of an area and name.
func one(t *testing.T, r Report, area, name string) Finding {
	t.Helper()
	i := slices.IndexFunc(r.Findings, func(f Finding) bool { return f.Area == area && f.Name == name })
	if i < 0 {
		t.Fatalf("nothing was said of %s, %s in %+v", area, name, r.Findings)
	}
	return r.Findings[i]
}

func expect(t *testing.T, f Finding, verdict Verdict, required bool, found, mend string) {
	t.Helper()
	if f.Verdict != verdict || f.Required != required || !strings.Contains(f.Found, found) || !strings.Contains(f.Mend, mend) {
		t.Errorf("%s, %s: %s (required %t), found %q, mend %q; want %s (%t), %q, %q", f.Area, f.Name, f.Verdict, f.Required, f.Found, f.Mend, verdict, required, found, mend)
	}
	if (f.Verdict == Fine) != (f.Mend == "") {
		t.Errorf("%s, %s is %s and says what to do: %q", f.Area, f.Name, f.Verdict, f.Mend)
	}
}

// A whole bench of simulated handsets, in several states.
func TestBench(t *testing.T) {
	clock := simulated.NewScaledClock(time.Date(2030, 5, 14, 21, 0, 0, 0, time.UTC), 1)
	var phones []*simulated.Handset
	for i, serial := range []string{"TB-ALDER", "TB-BIRCH", "TB-CEDAR", "TB-MAPLE"} {
		h := simulated.New(simulated.Options{Serial: serial, Model: "TB " + serial[3:], Seed: int64(i + 1), LevelPct: 90, CapacityMAh: 4500, Clock: clock})
		t.Cleanup(h.Close)
		phones = append(phones, h)
	}
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(simulated.ServeServer(l, phones...))
	phones[0].JumpWallClock(time.Hour)
	phones[2].RevokeAuthorisation()
	film := filepath.Join("..", "demo", "clip.mp4")
	r := Examine(t.Context(), Options{
		File: plan(t, l.Addr().String(), film), DataDir: t.TempDir(), API: "127.0.0.1:8780", Now: clock.Now,
		Host: host(t, map[string]string{"etc/udev/rules.d/51-lab.rules": "# handsets\nENV{ID_USB_INTERFACES}==\"*:ff4201:*\", TAG+=\"uaccess\"\n"}),
	})
	if r.Well || r.Bench != "test bench" {
		t.Errorf("bench %q is well: %t", r.Bench, r.Well)
	}
	expect(t, one(t, r, "adb", "program"), Fine, false, "1.0.41, 29.0.6-debian", "")
	expect(t, one(t, r, "adb", "server "+l.Addr().String()), Fine, true, "protocol 41, 4 handsets", "")
	expect(t, one(t, r, "usb", "udev rule"), Fine, false, "/etc/udev/rules.d/51-lab.rules", "")
	expect(t, one(t, r, "handset", "Alder"), Fine, true, "ready, TB ALDER", "")
	expect(t, one(t, r, "handset", "Alder, clock"), Look, false, "+3600 s", "automatic date")
	expect(t, one(t, r, "handset", "Birch, clock"), Fine, false, "s from the bench's", "")
	expect(t, one(t, r, "handset", "Alder, browser"), Fine, true, "for browse", "")
	expect(t, one(t, r, "handset", "Alder, camera"), Fine, true, "for camera", "")
	expect(t, one(t, r, "handset", "Birch, player"), Wrong, true, "org.example.films, which the plan file names, is not installed", "correct packages")
	expect(t, one(t, r, "handset", "Cedar"), Wrong, true, "unauthor", "accept")
	expect(t, one(t, r, "handset", "Larch"), Wrong, true, "not listed", "adb connect 192.0.2.23:5555")
	expect(t, one(t, r, "gate", "Alder"), Look, false, "none", "charge it")
	expect(t, one(t, r, "port", "stage 127.0.0.1:8781"), Fine, true, "free", "")
	expect(t, one(t, r, "clip", "file "+film), Fine, true, "for video", "")
	expect(t, one(t, r, "clip", "ffmpeg"), Fine, false, "makes HEVC and H.264", "")
	expect(t, one(t, r, "clock", "kept right"), Fine, false, "within 1.5ms", "")
	for _, f := range r.Unwell() {
		if f.Verdict == Fine || !f.Required {
			t.Errorf("unwell for %+v", f)
		}
	}

	// A handset in a run is asked nothing: this one hangs on whatever it is asked.
	phones[0].HangOn("e")
	r = Examine(t.Context(), Options{
		File: plan(t, l.Addr().String(), film), Running: true, Host: host(t, nil), Now: clock.Now,
		Busy: func(handset string) string { return map[string]string{"Alder": "r1", "Birch": "r2"}[handset] },
	})
	expect(t, one(t, r, "handset", "Alder"), Fine, true, "in run r1, so that it was asked nothing", "")
	if slices.ContainsFunc(r.Findings, func(f Finding) bool { return strings.HasPrefix(f.Name, "Alder, ") }) {
		t.Errorf("a handset in a run was asked: %+v", r.Findings)
	}
}

func TestUSB(t *testing.T) {
	rule := map[string]string{"usr/lib/udev/rules.d/51-handsets.rules": `SUBSYSTEM=="usb", ATTR{idVendor}=="0000", ENV{adb_user}="yes"` + "\n"}
	with := func(maps ...map[string]string) map[string]string {
		all := map[string]string{}
		for _, m := range maps {
			for k, v := range m {
				all[k] = v
			}
		}
		return all
	}
	const denied = "TB-ALDER no permissions (user in plugdev group; are your udev rules wrong?); see [http://developer.example] usb:1-1.3 transport_id:1\n"
	const ready = "TB-ALDER device usb:1-1.3 product:p model:TB_Alder device:d transport_id:1\n"
	tests := []struct {
		name, rows string
		files      map[string]string
		uid        int
		looked     string
		verdict    Verdict
		required   bool
		found      string
		mend       string
	}{
		{"no rule, nothing refused", ready, nil, 1000, "udev rule", Look, false, "none that names", "android-sdk-platform-tools-common"},
		{"no rule, as root", ready, nil, 0, "udev rule", Fine, false, "root needs none", ""},
		{"a rule in a comment is none", ready, map[string]string{"etc/udev/rules.d/1.rules": "# adb_user\n"}, 1000, "udev rule", Look, false, "none", "apt-get"},
		{"no rule, a handset refused", denied, nil, 1000, "udev rule", Look, true, "none", "apt-get"},
		{"a rule, not in its group", denied, rule, 1000, "udev rule", Wrong, true, "not in the group plugdev", "usermod -aG plugdev"},
		{"attached and listed", ready, with(rule, usbTree("TB-ALDER", "ff", "42", "01", true)), 1000, "Alder at 1-1.3", Fine, true, "listed", ""},
		{"debugging off", "", with(rule, usbTree("TB-ALDER", "06", "01", "01", true)), 1000, "Alder at 1-1.3", Wrong, true, "offers no adb", "USB debugging on"},
		{"may not be opened", denied, with(rule, usbTree("TB-ALDER", "ff", "42", "01", false)), 1000, "Alder at 1-1.3", Wrong, true, "may not open", "plugdev"},
		{"not listed", "", with(rule, usbTree("TB-ALDER", "ff", "42", "01", true)), 1000, "Alder at 1-1.3", Look, true, "no adb server lists it", "restart adb's server"},
		{"a stranger is no fault", "", with(rule, usbTree("TB-OTHER", "ff", "42", "01", true)), 1000, "at 1-1.3", Look, false, "no adb server lists it", "replug"},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			t.Parallel() // each waits a moment for the clock
			h := host(t, tt.files)
			h.UID = tt.uid
			r := Examine(t.Context(), Options{File: plan(t, listing(t, tt.rows), "none.mp4"), Host: h, Busy: func(string) string { return "r1" }})
			expect(t, one(t, r, "usb", tt.looked), tt.verdict, tt.required, tt.found, tt.mend)
		})
	}
	t.Run("a keyboard is passed over", func(t *testing.T) {
		r := Examine(t.Context(), Options{File: plan(t, listing(t, ""), "none.mp4"), Host: host(t, usbTree("K1", "03", "01", "01", true))})
		if slices.ContainsFunc(r.Findings, func(f Finding) bool { return strings.Contains(f.Name, "1-1.3") }) {
			t.Errorf("a keyboard is looked at: %+v", r.Findings)
		}
	})
	t.Run("a mistyped serial number", func(t *testing.T) {
		r := Examine(t.Context(), Options{File: plan(t, listing(t, "TB-ADLER device transport_id:1\n"), "none.mp4"), Host: host(t, nil)})
		expect(t, one(t, r, "handset", "Alder"), Wrong, true, "not listed", "not named there: TB-ADLER")
	})
}

func TestHost(t *testing.T) {
	taken, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = taken.Close() })
	daemon := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, _ *http.Request) { _, _ = w.Write([]byte("well\n")) }))
	t.Cleanup(daemon.Close)
	running := strings.TrimPrefix(daemon.URL, "http://")
	file := filepath.Join(t.TempDir(), "file")
	if err := os.WriteFile(file, []byte("no film"), 0o600); err != nil {
		t.Fatal(err)
	}
	without := func(names ...string) func(context.Context, string, ...string) (string, error) {
		kept := map[string]string{}
		for line, text := range installed {
			name, _, _ := strings.Cut(line, " ")
			if !slices.Contains(names, name) {
				kept[line] = text
			}
		}
		return programs(kept)
	}
	tests := []struct {
		name     string
		change   func(*Options)
		area     string
		looked   string
		verdict  Verdict
		required bool
		found    string
		mend     string
	}{
		{"no adb server", func(o *Options) { o.File.Bench.Servers = []string{"127.0.0.1:1"} }, "adb", "server 127.0.0.1:1", Wrong, true, "no server answers", "adb start-server"},
		{"no adb", func(o *Options) { o.Host.Command = without("adb") }, "adb", "program", Look, false, "not installed", "apt-get install adb"},
		{"port taken", func(o *Options) { o.API, o.Host.Listen = taken.Addr().String(), listen }, "port", "API and console " + taken.Addr().String(), Wrong, true, "another program", "ss -ltnp"},
		{"a daemon runs", func(o *Options) { o.API, o.Host.Listen = running, listen }, "port", "API and console " + running, Look, false, "a Rundown daemon answers", "without --file"},
		{"port of the system", func(o *Options) {
			o.API = "127.0.0.1:80"
			o.Host.Listen = func(string) error {
				return &net.OpError{Op: "listen", Err: os.NewSyscallError("bind", os.ErrPermission)}
			}
		}, "port", "API and console 127.0.0.1:80", Wrong, true, "", "address"},
		{"stage elsewhere", func(o *Options) { o.File.Bench.Stage.Address = "192.0.2.9:8781" }, "port", "stage 192.0.2.9:8781", Look, false, "no address of this host", "bench.stage.address"},
		{"data folder to be made", func(o *Options) { o.DataDir = filepath.Join(o.Host.Root, "new", "data") }, "disk", "data folder *", Fine, true, "can be made in", ""},
		{"data folder is a file", func(o *Options) { o.DataDir = file }, "disk", "data folder *", Wrong, true, "no folder", "--data"},
		{"no room", func(o *Options) { o.Host.Room = func(string) (int64, bool) { return 20 << 20, true } }, "disk", "room", Wrong, true, "20 MiB free", "make room"},
		{"little room", func(o *Options) { o.Host.Room = func(string) (int64, bool) { return 500 << 20, true } }, "disk", "room", Look, false, "500 MiB free", "soon"},
		{"clock never set", func(o *Options) { o.Host.Now = func() time.Time { return time.Unix(86400, 0) } }, "clock", "date", Wrong, true, "1970-01-02", "set the clock"},
		{"clock stands", func(o *Options) { o.Host.Now = func() time.Time { return time.Unix(1_900_000_000, 0) } }, "clock", "steady", Look, false, "moved 0s", "sets the clock"},
		{"nobody keeps the clock", func(o *Options) { o.Host.Synchronised = func() (bool, time.Duration, bool) { return false, 0, true } }, "clock", "kept right", Look, false, "nothing", "timedatectl"},
		{"nobody tells", func(o *Options) { o.Host.Synchronised = func() (bool, time.Duration, bool) { return false, 0, false } }, "clock", "kept right", Unread, false, "does not tell", ""},
		{"a night in UTC", func(o *Options) { o.Host.Now = func() time.Time { return time.Now().UTC() } }, "clock", "time zone", Look, false, "+0.0 h", "night weekday"},
		{"clip not there", func(o *Options) { o.File.Bench.Clip = "none.mp4" }, "clip", "file none.mp4", Wrong, true, "no such file", "rundown workload clip"},
		{"no clip named", func(o *Options) { o.File.Bench.Clip = "" }, "clip", "file", Wrong, true, "names none", "rundown workload clip"},
		{"no ffmpeg, and no clip", func(o *Options) { o.File.Bench.Clip, o.Host.Command = "", without("ffmpeg") }, "clip", "ffmpeg", Wrong, true, "not installed", "apt-get install ffmpeg"},
		{"no ffprobe, and a clip", func(o *Options) { o.Host.Command = without("ffprobe") }, "clip", "ffprobe", Look, false, "not installed", "apt-get install ffmpeg"},
		{"an ffmpeg that can little", func(o *Options) {
			lines := map[string]string{"ffmpeg -version": "ffmpeg version 4", "ffmpeg -hide_banner -encoders": " V..... mpeg4  libx265 is not here\n V....D libx264   H.264\n"}
			o.Host.Command = programs(lines)
		}, "clip", "ffmpeg", Look, false, "cannot make HEVC (libx265)", "encoders"},
		{"a USB gate without a port", func(o *Options) { o.File.Bench.Handsets[0].Gate = scenarios.Gate{USBPort: "1-1.3"} }, "gate", "Alder", Wrong, true, "no such USB port", "gate"},
		{"a gate's command missing", func(o *Options) {
			o.File.Bench.Handsets[0].Gate = scenarios.Gate{Open: []string{"rundown-no-such-command"}, Close: []string{"true"}}
		}, "gate", "Alder", Wrong, true, "not found", "gate"},
		{"a person's gate", func(o *Options) { o.File.Bench.Handsets[0].Gate = scenarios.Gate{ByHand: true} }, "gate", "Alder", Fine, true, "a person", ""},
		{"a gate from elsewhere", func(o *Options) { o.Gate = func(string) string { return "a relay" } }, "gate", "Alder", Fine, true, "a relay", ""},
	}
	server := listing(t, "")
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			t.Parallel() // each waits a moment for the clock
			o := Options{File: plan(t, server, filepath.Join("..", "demo", "clip.mp4")), DataDir: t.TempDir(), API: "127.0.0.1:8780", Host: host(t, nil)}
			tt.change(&o)
			r := Examine(t.Context(), o)
			f := one(t, r, tt.area, strings.ReplaceAll(tt.looked, "*", o.DataDir))
			if tt.verdict == Unread { // what to do about it is not always known
				f.Mend, f.Verdict = "", Fine
				tt.verdict = Fine
			}
			expect(t, f, tt.verdict, tt.required, tt.found, tt.mend)
			if f.Required && f.Verdict != Fine && r.Well {
				t.Error("the report says that all is well")
			}
		})
	}
}

// With neither a plan file nor a handset there is still something to say.
func TestNewcomer(t *testing.T) {
	r := Examine(t.Context(), Options{DataDir: t.TempDir(), API: "127.0.0.1:0", Host: host(t, nil)})
	f := one(t, r, "handset", "any")
	expect(t, f, Look, false, "no handset is seen", "USB debugging on")
}

// This host's own clock and disk can be read where the tests run.
func TestThisHost(t *testing.T) {
	h := Host{}.orThisOne()
	if free, ok := h.Room(t.TempDir()); !ok || free <= 0 {
		t.Errorf("room: %d bytes, %t", free, ok)
	}
	if _, _, ok := h.Synchronised(); !ok {
		t.Log("this kernel does not tell whether its clock is kept right")
	}
	if _, err := h.Command(t.Context(), "rundown-no-such-program"); !errors.Is(err, exec.ErrNotFound) {
		t.Errorf("a program that is missing: %v", err)
	}
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	if err := h.Listen(l.Addr().String()); err == nil {
		t.Error("an address that is taken could be opened")
	}
}
