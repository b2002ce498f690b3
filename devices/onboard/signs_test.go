package onboard

import (
	"fmt"
	"os"
	"strings"
	"testing"
)

// A look is one call of a function of workload.sh on a handset in a state, and what came
// of it: whether it succeeded, and what it wrote, as "kind value detail"; a value of *
// stands for any above 0.
type look struct {
	name string
	set  map[string]string // dumps that change before the call
	call string            // shell text
	want string
	ok   bool
	did  string // what was asked of the handset besides
}

// looks makes each call in turn under every shell, within one run of the workload, so
// that a call has the one before to compare with.
func looks(t *testing.T, table []look) {
	everyShell(t, func(t *testing.T, ph phone) {
		ph.set("battery", dump(60, 300, false))
		w := begin(t, ph, Segment{Key: "looks", Workload: Program{
			Loop: `if [ -e "$_dir/step.sh" ]; then . "$_dir/step.sh"; ev said $?; rm "$_dir/step.sh"; ev done 1; fi; rest 0.1`,
		}})
		from, did := 0, ""
		for i, l := range table {
			for name, text := range l.set {
				ph.set(name, text)
			}
			if err := ph.Push(t.Context(), strings.NewReader(l.call+"\n"), dir("looks")+"/step.sh", 0o644); err != nil {
				t.Fatal(err)
			}
			w.evidence("done", i+1)
			var got []string
			code := int64(-1)
			for ; from < len(w.acts); from++ {
				switch a := w.acts[from]; a.Kind {
				case "started", "done":
				case "said":
					code = a.Value
				default:
					value := fmt.Sprint(a.Value)
					if a.Value > 0 && strings.Contains(l.want, a.Kind+" *") {
						value = "*"
					}
					got = append(got, strings.TrimSpace(a.Kind+" "+value+" "+a.Detail))
				}
			}
			if said := strings.Join(got, "; "); said != l.want || (code == 0) != l.ok {
				t.Errorf("%s: wrote %q, returned %d; want %q, success %t", l.name, said, code, l.want, l.ok)
			}
			now := strings.TrimPrefix(ph.calls(), did)
			did = ph.calls()
			if got := strings.TrimSpace(now); got != l.did {
				t.Errorf("%s: did %q, want %q", l.name, got, l.did)
			}
		}
		if s := said(t.Context(), ph, "looks"); s != "" {
			t.Errorf("the workload complained%s", s)
		}
	})
}

// audio is `dumpsys audio` with one track of the uid, in the form of AOSP's
// AudioPlaybackConfiguration (frameworks/base).
func audio(uid int, state string) string {
	return fmt.Sprintf("\n  players:\n  AudioPlaybackConfiguration piid:15 type:android.media.SoundPool u/pid:1000/1700 state:idle attr:AudioAttributes: usage=USAGE_ASSISTANCE_SONIFICATION\n"+
		"  AudioPlaybackConfiguration piid:1239 type:android.media.AudioTrack u/pid:%d/4000 state:%s attr:AudioAttributes: usage=USAGE_MEDIA content=CONTENT_TYPE_MOVIE\n", uid, state)
}

// A player that tells its position at changes of state only says "playing, at 0 ms as of
// the start" for as long as it plays, and goes on saying so when it hangs or has ended.
func TestPlayingByASecondSign(t *testing.T) {
	const head = "MEDIA SESSION SERVICE (dumpsys media_session)\n"
	// Told two seconds after boot: any phone here has been up for longer than the short
	// clip, and for less than the eleven days of the long one.
	told := head + session("org.example.player", true, "3", 0, 2000)
	const (
		playing = "playing org.example.player"
		short   = playing + " 1"
		long    = playing + " 999999"
		proof   = "playback * org.example.player"
		stands  = "playback 0 org.example.player"
	)
	looks(t, []look{
		{name: "first look", set: map[string]string{"media_session": told, "audio": audio(10100, "started")}, call: playing},
		{name: "its track is started", call: playing, ok: true, want: proof},
		{name: "still", call: playing, ok: true, want: proof},
		{name: "its track is started, the clip repeats", call: short, ok: true, want: proof},
		{name: "its track is paused", set: map[string]string{"audio": audio(10100, "paused")}, call: long, want: stands},
		{name: "its track is stopped", set: map[string]string{"audio": audio(10100, "stopped")}, call: long, want: stands},
		{name: "another app's track", set: map[string]string{"audio": audio(10101, "started")}, call: playing, want: stands},
		{name: "no track, length unknown", set: map[string]string{"audio": "\n  players:\n"}, call: playing, want: stands},
		{name: "no track, within the clip", call: long, ok: true, want: proof},
		{name: "no track, beyond the clip: it has ended", call: short, want: stands},
		{name: "paused", set: map[string]string{"media_session": strings.Replace(told, "{state=3,", "{state=2,", 1), "audio": audio(10100, "started")}, call: long, want: stands},
		{name: "first look after it", set: map[string]string{"media_session": told}, call: long},
		{name: "speed 0", set: map[string]string{"media_session": strings.Replace(told, "speed=1.0", "speed=0.0", 1)}, call: long, want: stands},
		{name: "first look after that", set: map[string]string{"media_session": told}, call: long},
		{name: "told in the future: moved, once", set: map[string]string{"media_session": head + session("org.example.player", true, "3", 7, 900_000_000_000)}, call: long, ok: true, want: "playback 7 org.example.player"},
		{name: "told in the future still", call: long, want: stands},
		{name: "no instant", set: map[string]string{"media_session": strings.Replace(told, "updated=2000", "updated=", 1)}, call: long, ok: true, want: "playback 0 org.example.player"},
		{name: "no instant still", call: long, want: stands},
	})
}

// A film that its player does not repeat is to be begun anew as soon as it has ended: the
// rest before that is cut short by what the film has left.
func TestRestWithinAFilm(t *testing.T) {
	film := func(at int64) string {
		return "MEDIA SESSION SERVICE (dumpsys media_session)\n" + session("org.example.player", true, "3", at, 2000)
	}
	// How long a rest would be, without resting.
	rests := func(call string) string { return "(nap() { ev napped \"${1%%.*}\"; }; " + call + ")" }
	looks(t, []look{
		{name: "nothing is known of the film", call: rests("restfilm 30 600"), ok: true, want: "napped 30"},
		{name: "it was begun just now", call: rests("begun; restfilm 30 600"), ok: true, want: "napped 30"},
		{name: "a short one", call: rests("begun; restfilm 30.5 20"), ok: true, want: "napped 21"},
		{name: "it ends now", call: rests("begun; _film=600; restfilm 30 600"), ok: true, want: "napped 2"},
		{name: "it should have ended long ago", call: rests("begun; _film=6000; restfilm 30 600"), ok: true, want: "napped 2"},
		{name: "a rest that is shorter than what is left", call: rests("begun; _film=590; restfilm 5 600"), ok: true, want: "napped 5"},
		{name: "it was looked for and does not play", set: map[string]string{"media_session": ""}, call: rests("playing org.example.player; restfilm 30 600"), ok: true, want: "playback 0 org.example.player; napped 30"},
		{name: "a look right after it was begun says nothing", call: rests("begun; _film=590; playing org.example.player; restfilm 30 600"), ok: true, want: "napped 11"},
		{name: "and the next one does", call: rests("begun; playing org.example.player; playing org.example.player; restfilm 30 600"), ok: true, want: "playback 0 org.example.player; napped 30"},
		{name: "a film that is begun again and again", call: rests("begun; playing org.example.player; begun; playing org.example.player; restfilm 30 600"), ok: true, want: "playback 0 org.example.player; napped 30"},
		{name: "a film that plays, right after it was begun", set: map[string]string{"media_session": film(100), "audio": ""}, call: rests("begun; playing org.example.player; restfilm 30 600"), ok: true, want: "napped 30"},
	})
}

func TestDrawn(t *testing.T) {
	stats := func(n int) string {
		return fmt.Sprintf("Applications Graphics Acceleration Info:\nUptime: 1 Realtime: 1\n\n** Graphics info for pid 1200 [org.example.chess] **\n\nStats since: 1ns\nTotal frames rendered: %d\nJanky frames: 3 (1.00%%)\n", n)
	}
	list := "com.example.launcher/.HomeActivity#0\norg.example.chess/.Main#1\nSurfaceView[org.example.chess/.Main](BLAST)#2\nStatusBar#3\n"
	rows := func(at string) string {
		return "16666666\n0\t0\t0\n100\t150\t120\n" + at + "\n9223372036854775807\t9223372036854775807\t170\n"
	}
	const surface = "SurfaceFlinger --list"
	const latency = "SurfaceFlinger --latency"
	looks(t, []look{
		{name: "first look", set: map[string]string{"gfxinfo": stats(100)}, call: "drawn org.example.chess"},
		{name: "none since", call: "drawn org.example.chess", want: "drawn 0 org.example.chess"},
		{name: "forty more", set: map[string]string{"gfxinfo": stats(140)}, call: "drawn org.example.chess", ok: true, want: "drawn 140 org.example.chess"},
		{name: "started again", set: map[string]string{"gfxinfo": stats(5)}, call: "drawn org.example.chess", want: "drawn 0 org.example.chess"},
		{name: "and drawing", set: map[string]string{"gfxinfo": stats(6)}, call: "drawn org.example.chess", ok: true, want: "drawn 6 org.example.chess"},
		{name: "not running", set: map[string]string{"gfxinfo": "No process found for: org.example.chess\n"}, call: "drawn org.example.chess", want: "drawn 0 org.example.chess"},
		{name: "a surface of its own, first look", set: map[string]string{surface: list, latency: rows("200\t211222333444555\t205")}, call: "drawn org.example.chess"},
		{name: "nothing new on it", call: "drawn org.example.chess", want: "drawn 0 org.example.chess"},
		{name: "a frame on it", set: map[string]string{latency: rows("300\t211222333999999\t305")}, call: "drawn org.example.chess", ok: true, want: "drawn 1 org.example.chess"},
		{name: "another app's surface", set: map[string]string{surface: strings.ReplaceAll(list, "chess/", "go/"), latency: rows("400\t5\t405")}, call: "drawn org.example.chess", want: "drawn 0 org.example.chess"},
		{name: "an empty history", set: map[string]string{surface: list, latency: "16666666\n0\t0\t0\n0\t0\t0\n"}, call: "drawn org.example.chess", want: "drawn 0 org.example.chess"},
	})
}

// registry is the part of `dumpsys telephony.registry` about two SIMs, as AOSP's
// TelephonyRegistry.dump prints it; the state of the call in front from Android 10 on.
func registry(state, other int, front string) string {
	if front != "" {
		front = "    mForegroundCallState=" + front + "\n"
	}
	return fmt.Sprintf("last known state:\n  Phone Id=0\n    mCallState=%d\n    mRingingCallState=0\n%s  Phone Id=1\n    mCallState=%d\n", state, front, other)
}

func TestCalls(t *testing.T) {
	const number = "+491520000000"
	calls := func(text string) map[string]string { return map[string]string{"telephony.registry": text} }
	start := "am start -a android.intent.action.CALL -d tel:" + number
	looks(t, []look{
		{name: "no telephony", call: "incall", want: "incall 0"},
		{name: "nothing is dialled where nothing is known", call: "dial " + number, ok: true},
		{name: "idle", set: calls(registry(0, 0, "0")), call: "incall", want: "incall 0"},
		{name: "answering nothing", call: "answer"},
		{name: "hanging up nothing", call: "hangup", ok: true},
		{name: "dial", call: "dial " + number, ok: true, want: "dialled 1", did: start},
		{name: "it rings there", set: calls(registry(2, 0, "4")), call: "incall", want: "incall 0"},
		{name: "a second dial leaves it alone", call: "dial " + number, ok: true},
		{name: "answered", set: calls(registry(2, 0, "1")), call: "incall", ok: true, want: "incall 1"},
		{name: "the version does not tell", set: calls(registry(2, 0, "")), call: "incall", ok: true, want: "incall 1"},
		{name: "on the other SIM", set: calls(registry(0, 2, "")), call: "incall", ok: true, want: "incall 1"},
		{name: "hang up", call: "hangup", ok: true, did: "input keyevent 6"},
		{name: "it rings here", set: calls(registry(0, 1, "0")), call: "incall", want: "incall 0"},
		{name: "answer", call: "answer", ok: true, want: "answered 1", did: "input keyevent 5"},
		{name: "up here", set: calls(registry(0, 2, "1")), call: "answer", ok: true, want: "incall 1"},
		// The last guard, whatever the host let pass.
		{name: "emergency", set: calls(registry(0, 0, "0")), call: "dial 112", want: "failed 1 a number that is not in international form is not dialled"},
		{name: "short", call: "dial +491234", want: "failed 1 a number that is not in international form is not dialled"},
		{name: "pause", call: "dial '+491520000000,112'", want: "failed 1 a number that is not digits only is not dialled"},
		{name: "code", call: "dial '*31#+491520000000'", want: "failed 1 a number that is not in international form is not dialled"},
		{name: "percent", call: "dial '+49152%31%31%32'", want: "failed 1 a number that is not digits only is not dialled"},
		{name: "too long", call: "dial +4915200000000000", want: "failed 1 a number that is not digits only is not dialled"},
		{name: "empty", call: "dial ''", want: "failed 1 a number that is not in international form is not dialled"},
		{name: "refused", set: map[string]string{"am": "Starting: Intent { act=CALL }\nError: Activity not started\n"}, call: "dial " + number,
			want: "failed 1 am start: Starting: Intent { act=CALL } Error: Activity not started", did: start},
	})
}

func TestCharging(t *testing.T) {
	looks(t, []look{
		{name: "off the charger", call: "charging", want: "charging 0"},
		{name: "on it", set: map[string]string{"battery": dump(60, 300, true)}, call: "charging", ok: true, want: "charging 1"},
	})
}

// The dump of a real handset (testdata/dumps/thermal.txt), then forms of it: the service's
// text is AOSP's (frameworks/base, ThermalManagerService).
func TestThermal(t *testing.T) {
	real, err := os.ReadFile("../../testdata/dumps/thermal.txt")
	if err != nil {
		t.Fatal(err)
	}
	service := func(text string) map[string]string { return map[string]string{"thermalservice": text} }
	skin := func(values ...string) string {
		text := "Thermal Status: 2\nCached temperatures:\n"
		for _, v := range values {
			text += "\tTemperature{mValue=" + v + ", mType=3, mName=skin, mStatus=2}\n"
		}
		return text
	}
	looks(t, []look{
		{name: "before Android 10", set: service("Can't find service: thermalservice\n"), call: "thermal"},
		{name: "as a handset prints it", set: service(string(real)), call: "thermal", ok: true, want: "thermal 0 skin_c=30.147001"},
		{name: "without a skin sensor", set: service("Thermal Status: 3\n"), call: "thermal", ok: true, want: "thermal 3"},
		{name: "the hottest of several", set: service(skin("39.9", "41.25", "41.3", "8.0")), call: "thermal", ok: true, want: "thermal 2 skin_c=41.3"},
		{name: "whole degrees", set: service(skin("41", "42")), call: "thermal", ok: true, want: "thermal 2 skin_c=42"},
		{name: "not a number", set: service(skin("NaN", "36.5")), call: "thermal", ok: true, want: "thermal 2 skin_c=36.5"},
		{name: "no status that there is", set: service("Thermal Status: 9\n"), call: "thermal"},
	})
}

// node is one element of a UI dump, its attributes in the order in which uiautomator
// writes them.
func node(text, description, bounds string) string {
	return fmt.Sprintf(`<node index="0" text="%s" resource-id="org.example.web:id/positive_button" class="android.widget.Button" package="org.example.web" content-desc="%s" checkable="false" enabled="true" bounds="%s" />`, text, description, bounds)
}

func TestTapText(t *testing.T) {
	ui := func(nodes ...string) map[string]string {
		return map[string]string{"ui": `<?xml version='1.0' encoding='UTF-8' standalone='yes' ?><hierarchy rotation="0">` + strings.Join(nodes, "") + `</hierarchy>`}
	}
	looks(t, []look{
		{name: "a screen that moves", call: "taptext 1 Allow"},
		{name: "nothing of the kind", set: ui(node("Block", "", "[0,0][100,100]")), call: "taptext 2 Allow"},
		{name: "by its text", set: ui(node("Block", "", "[0,0][100,100]"), node("Allow", "", "[100,2000][501,2101]")), call: "taptext 1 Allow", ok: true, did: "input tap 300 2050"},
		{name: "the whole text only", set: ui(node("Allow all", "", "[0,0][100,100]"), node("Do not Allow", "", "[0,0][100,100]")), call: "taptext 1 Allow"},
		{name: "by its description", set: ui(node("", "Close tab", "[10,20][30,40]")), call: "taptext 1 'Close tab'", ok: true, did: "input tap 20 30"},
		{name: "the first of several wishes", set: ui(node("Later", "", "[0,0][2,2]"), node("Allow this time", "", "[4,4][6,6]")), call: "taptext 1 Allow 'Allow this time' Later", ok: true, did: "input tap 5 5"},
		{name: "one of no size is passed over", set: ui(node("OK", "", "[0,0][0,0]"), node("OK", "", "[8,8][12,12]")), call: "taptext 1 OK", ok: true, did: "input tap 10 10"},
		{name: "only one of no size", set: ui(node("OK", "", "[0,0][0,0]")), call: "taptext 1 OK"},
		{name: "entities", set: ui(node("Search &amp; &quot;go&quot; $HOME * \\", "", "[2,2][4,4]")), call: `taptext 1 'Search &amp; &quot;go&quot; $HOME * \'`, ok: true, did: "input tap 3 3"},
		{name: "a pattern is text", set: ui(node("abc", "", "[2,2][4,4]")), call: `taptext 1 'a*'`},
		{name: "not ASCII", set: ui(node("Zulassen für immer", "", "[2,2][4,4]")), call: `taptext 1 'Zulassen für immer'`, ok: true, did: "input tap 3 3"},
		{name: "bounds that are none", set: ui(node("OK", "", "[x,1][2"), node("Back", "", "[2,2][4,4]")), call: "taptext 1 OK Back", ok: true, did: "input tap 3 3"},
	})
}
