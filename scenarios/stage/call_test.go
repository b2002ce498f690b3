package stage

import (
	"context"
	"encoding/json"
	"fmt"
	"io"
	"net"
	"net/http"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"github.com/pion/ice/v4"
	"github.com/pion/rtp/codecs"
	"github.com/pion/webrtc/v4"
	"github.com/pion/webrtc/v4/pkg/media"
)

// The clips are what their recipe says: 10 s at 30 frames and at 50 packets a second, and
// the picture's size stands in its first keyframe.
func TestClips(t *testing.T) {
	c, err := clips()
	if err != nil {
		t.Fatal(err)
	}
	if n := len(c.picture.frames); n != 300 {
		t.Errorf("%d frames, want 300", n)
	}
	if n := len(c.sound.frames); n < 500 || n > 502 { // the encoder's own lead-in adds one
		t.Errorf("%d packets of sound, want 500 to 502", n)
	}
	first := (&codecs.VP8Payloader{}).Payload(1200, c.picture.frames[0])[0]
	if w, h, ok := keyframeSize(first); !ok || w != 1280 || h != 720 {
		t.Errorf("size of the first frame: %d x %d, %v, want 1280 x 720", w, h, ok)
	}
	second := (&codecs.VP8Payloader{}).Payload(1200, c.picture.frames[1])[0]
	if _, _, ok := keyframeSize(second); ok {
		t.Error("frame 1 is taken for a keyframe")
	}
	for n := 0; n < 300; n += 60 {
		if c.picture.frames[n][0]&1 != 0 { // RFC 6386, 2011, section 9.1: 0 is a keyframe
			t.Errorf("frame %d is no keyframe, want one every 2 s", n)
		}
	}
	if size := len(pictureClip) + len(soundClip); size > 2<<20 {
		t.Errorf("the clips have %d bytes, want at most 2 MB", size)
	}
}

func TestDamagedClipsAreToldFrom(t *testing.T) {
	for name, b := range map[string][]byte{"empty": nil, "header only": pictureClip[:32], "cut": pictureClip[:5000], "no clip": []byte(strings.Repeat("no clip at all ", 20))} {
		if frames, err := readPicture(b); err == nil && len(frames) >= 300 {
			t.Errorf("picture, %s: %d frames", name, len(frames))
		}
		if name == "cut" {
			continue
		}
		if _, err := readPicture(b); err == nil {
			t.Errorf("picture, %s: no error", name)
		}
		if _, err := readSound(b); err == nil {
			t.Errorf("sound, %s: no error", name)
		}
	}
}

// Loss is what RFC 3550 (2003) computes: packets expected less packets received
// (section 6.4.1 and appendix A.3). The rows are made up.
func TestLossIsCountedByNumbers(t *testing.T) {
	tests := []struct {
		name string
		seqs []uint16
		want int64
	}{
		{"none lost", []uint16{7, 8, 9}, 0},
		{"one lost", []uint16{7, 9}, 1},
		{"late, not lost", []uint16{7, 9, 8}, 0},
		{"over the end of 16 bits", []uint16{65534, 65535, 0, 1}, 0},
		{"lost over the end", []uint16{65534, 2}, 3},
		{"one twice hides one lost, as in the RFC", []uint16{7, 7, 9}, 0},
		{"two rounds", append(row(0, 65535), row(0, 65535)...), 0},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			var o ordered
			var got int64
			for _, s := range tt.seqs {
				got = o.saw(s)
			}
			if got != tt.want {
				t.Errorf("lost = %d, want %d", got, tt.want)
			}
		})
	}
}

func row(from, to int) (list []uint16) {
	for i := from; i <= to; i++ {
		list = append(list, uint16(i))
	}
	return list
}

func TestForwardedPort(t *testing.T) {
	const line = "a=candidate:1 1 tcp 1671430143 127.0.0.1 9001 typ host tcptype passive\r\n"
	const udp = "a=candidate:1 1 udp 2130706431 127.0.0.1 9001 typ host\r\n"
	for host, want := range map[string]string{
		"localhost:8790":  strings.Replace(line, "9001", "8790", 1),
		"127.0.0.1:8790":  strings.Replace(line, "9001", "8790", 1),
		"localhost:9001":  line,
		"localhost":       line,
		"192.0.2.7:8790":  line,
		"localhost:x":     line,
		"localhost:0":     line,
		"localhost:70000": line,
	} {
		if got := forwarded(line+udp, 9001, host); got != want+udp {
			t.Errorf("forwarded to %s: %q, want %q", host, got, want+udp)
		}
	}
}

// A phone is the other end of a call without a browser: pion on both ends.
type phone struct {
	pc       *webrtc.PeerConnection
	call     string
	frames   atomic.Int64
	sound    atomic.Int64
	up, stop chan struct{}
	done     chan struct{}
	ended    atomic.Bool
}

// dial calls the stage and sends its own clip back to it, 30 frames a second.
func dial(t testing.TB, s *Stage, session *Session, over, address string) *phone {
	t.Helper()
	var engine webrtc.MediaEngine
	if err := engine.RegisterDefaultCodecs(); err != nil {
		t.Fatal(err)
	}
	var settings webrtc.SettingEngine
	settings.SetIncludeLoopbackCandidate(true)
	settings.SetICETimeouts(2*time.Second, 5*time.Second, time.Second)
	settings.SetICEMulticastDNSMode(ice.MulticastDNSModeDisabled)
	settings.SetNetworkTypes([]webrtc.NetworkType{webrtc.NetworkTypeUDP4, webrtc.NetworkTypeTCP4})
	pc, err := webrtc.NewAPI(webrtc.WithMediaEngine(&engine), webrtc.WithSettingEngine(settings)).NewPeerConnection(webrtc.Configuration{})
	if err != nil {
		t.Fatal(err)
	}
	var once sync.Once
	p := &phone{pc: pc, up: make(chan struct{}), stop: make(chan struct{}), done: make(chan struct{})}
	picture, err := webrtc.NewTrackLocalStaticSample(webrtc.RTPCodecCapability{MimeType: webrtc.MimeTypeVP8}, "v", "phone")
	if err != nil {
		t.Fatal(err)
	}
	sound, err := webrtc.NewTrackLocalStaticSample(webrtc.RTPCodecCapability{MimeType: webrtc.MimeTypeOpus}, "a", "phone")
	if err != nil {
		t.Fatal(err)
	}
	for _, track := range []webrtc.TrackLocal{picture, sound} {
		if _, err := pc.AddTrack(track); err != nil {
			t.Fatal(err)
		}
	}
	pc.OnTrack(func(track *webrtc.TrackRemote, _ *webrtc.RTPReceiver) {
		for {
			packet, _, err := track.ReadRTP()
			if err != nil {
				return
			}
			if track.Kind() == webrtc.RTPCodecTypeAudio {
				p.sound.Add(1)
			} else if packet.Marker {
				p.frames.Add(1)
			}
		}
	})
	pc.OnConnectionStateChange(func(state webrtc.PeerConnectionState) {
		switch state {
		case webrtc.PeerConnectionStateConnected:
			once.Do(func() { close(p.up) }) // on a busy machine it may be lost and come back
		case webrtc.PeerConnectionStateClosed, webrtc.PeerConnectionStateFailed, webrtc.PeerConnectionStateDisconnected:
			p.ended.Store(true)
		}
	})
	o, err := pc.CreateOffer(nil)
	if err != nil {
		t.Fatal(err)
	}
	gathered := webrtc.GatheringCompletePromise(pc)
	if err := pc.SetLocalDescription(o); err != nil {
		t.Fatal(err)
	}
	<-gathered
	body, err := json.Marshal(offer{SDP: pc.LocalDescription().SDP, Over: over})
	if err != nil {
		t.Fatal(err)
	}
	a := ask(t, "POST", "http://"+address+"/s/"+session.Key()+"/call/offer", string(body))
	var reply struct{ Call, SDP string }
	if a.status != 200 || json.Unmarshal(a.body, &reply) != nil {
		t.Fatalf("offer: %d %s", a.status, a.body)
	}
	p.call = reply.Call
	if err := pc.SetRemoteDescription(webrtc.SessionDescription{Type: webrtc.SDPTypeAnswer, SDP: reply.SDP}); err != nil {
		t.Fatalf("answer %s: %v", reply.SDP, err)
	}
	c, err := clips()
	if err != nil {
		t.Fatal(err)
	}
	go func() {
		defer close(p.done)
		tick := time.NewTicker(frameTime)
		defer tick.Stop()
		for n := 0; ; n++ {
			select {
			case <-p.stop:
				return
			case <-tick.C:
			}
			_ = picture.WriteSample(media.Sample{Data: c.picture.frames[n%300], Duration: frameTime})
			_ = sound.WriteSample(media.Sample{Data: c.sound.frames[n%500], Duration: packetTime})
		}
	}()
	t.Cleanup(p.hangUp)
	return p
}

func (p *phone) hangUp() {
	select {
	case <-p.stop:
	default:
		close(p.stop)
	}
	<-p.done
	_ = p.pc.GracefulClose()
}

func TestCallWithoutABrowser(t *testing.T) {
	for _, over := range []string{"", "udp", "tcp"} {
		t.Run("over "+over, func(t *testing.T) {
			s := started(t)
			session := s.Open("call")
			b, _ := visit(t, s, session.Path())
			p := dial(t, s, session, over, s.Addr())
			until(t, 20*time.Second, "frames and sound", func() bool { return p.frames.Load() > 15 && p.sound.Load() > 15 })
			seq := 0
			tell := func(call string, value int64) (Proof, map[string]any) {
				seq++
				ask(t, "POST", at(s, b.Post), postBody(b.Load, seq, "call", value, fmt.Sprintf(`{"call":%q}`, call)))
				seen := session.Seen()
				if len(seen) != 1 {
					t.Fatalf("%d proofs, want 1", len(seen))
				}
				var d struct{ Far map[string]any }
				if err := json.Unmarshal([]byte(seen[0].Detail), &d); err != nil {
					t.Fatal(err)
				}
				return seen[0], d.Far
			}
			until(t, 20*time.Second, "frames at the far end", func() bool {
				proof, far := tell(p.call, 1000)
				return proof.Value > 0 && proof.Value < 1000 && number(far, "width_in") == 1280 && number(far, "height_in") == 720 && number(far, "sound_in") > 0 && number(far, "bytes_in") > 10000
			})
			_, far := tell(p.call, 1000)
			pair, _ := far["pair"].(string)
			if want := over; !strings.HasPrefix(pair, want) || pair == "" {
				t.Errorf("pair %q, want one over %q", pair, over)
			}
			if proof, _ := tell(p.call, 0); proof.Value != 0 {
				t.Errorf("a page to which nothing came: value %g, want 0", proof.Value)
			}
			if proof, far := tell("another", 1000); proof.Value != 0 || far["state"] != "no such call" {
				t.Errorf("a call that is not ours: value %g, far end %v, want 0 and no such call", proof.Value, far)
			}
			// The phone sends no more: no evidence, though it still hears the stage.
			close(p.stop)
			<-p.done
			until(t, 20*time.Second, "the far end to hear nothing", func() bool { proof, _ := tell(p.call, 1000); return proof.Value == 0 })
			session.Close()
			until(t, 20*time.Second, "the phone to notice the end", p.ended.Load)
		})
	}
}

// Behind a port forward the handset reaches the stage at another port than the stage's
// own, and the call must go the same way. The forward here stands for adb reverse.
func TestCallThroughAPortForward(t *testing.T) {
	s := started(t)
	forward, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	var carried atomic.Int64
	var both sync.WaitGroup
	both.Go(func() {
		for {
			c, err := forward.Accept()
			if err != nil {
				return
			}
			d, err := net.Dial("tcp", s.Addr())
			if err != nil {
				c.Close()
				return
			}
			both.Go(func() { n, _ := io.Copy(d, c); carried.Add(n); d.Close() })
			both.Go(func() { n, _ := io.Copy(c, d); carried.Add(n); c.Close() })
		}
	})
	session := s.Open("call")
	p := dial(t, s, session, "tcp", forward.Addr().String())
	until(t, 20*time.Second, "frames", func() bool { return p.frames.Load() > 15 })
	pair, err := p.pc.GetSenders()[0].Transport().ICETransport().GetSelectedCandidatePair()
	if err != nil || pair == nil {
		t.Fatalf("pair: %v, %v", pair, err)
	}
	if want := forward.Addr().(*net.TCPAddr).Port; int(pair.Remote.Port) != want {
		t.Errorf("the phone calls port %d, want the forward's %d", pair.Remote.Port, want)
	}
	until(t, 20*time.Second, "more frames", func() bool { return p.frames.Load() > 45 })
	session.Close()
	p.hangUp()
	http.DefaultClient.CloseIdleConnections()
	forward.Close()
	both.Wait()
	if n := carried.Load(); n < 100_000 {
		t.Errorf("the forward carried %d bytes, want both pictures", n)
	}
}

func TestOffersThatAreNone(t *testing.T) {
	s := started(t)
	call, game := s.Open("call"), s.Open("game")
	for _, tt := range []struct {
		name, path, body string
		want             int
	}{
		{"another activity", "/s/" + game.Key() + "/call/offer", `{"sdp":"v=0"}`, 404},
		{"a foreign key", "/s/00/call/offer", `{"sdp":"v=0"}`, 404},
		{"no JSON", "/s/" + call.Key() + "/call/offer", `v=0`, 400},
		{"no sdp", "/s/" + call.Key() + "/call/offer", `{}`, 400},
		{"an sdp that is none", "/s/" + call.Key() + "/call/offer", `{"sdp":"hello"}`, 400},
		{"without media", "/s/" + call.Key() + "/call/offer", `{"sdp":"v=0\r\no=- 1 1 IN IP4 0.0.0.0\r\ns=-\r\nt=0 0\r\n"}`, 400},
		{"over nothing known", "/s/" + call.Key() + "/call/offer", `{"sdp":"v=0","over":"sctp"}`, 400},
		{"too large", "/s/" + call.Key() + "/call/offer", `{"sdp":"` + strings.Repeat("a", maxOffer) + `"}`, 400},
	} {
		t.Run(tt.name, func(t *testing.T) {
			if a := ask(t, "POST", at(s, tt.path), tt.body); a.status != tt.want {
				t.Errorf("offer %.60s: %d %s, want %d", tt.body, a.status, a.body, tt.want)
			}
		})
	}
	s.calls.mu.Lock()
	defer s.calls.mu.Unlock()
	if n := len(s.calls.calls); n != 0 {
		t.Errorf("%d calls left of offers that were none", n)
	}
}

// A page that calls again takes the place of its call before, and Stop ends all calls.
func TestSecondCallTakesTheFirstsPlaceAndStopEndsIt(t *testing.T) {
	s := started(t)
	session := s.Open("call")
	first := dial(t, s, session, "", s.Addr())
	<-first.up
	second := dial(t, s, session, "", s.Addr())
	<-second.up
	until(t, 20*time.Second, "the first call to end", first.ended.Load)
	until(t, 20*time.Second, "one call to be left", func() bool {
		s.calls.mu.Lock()
		defer s.calls.mu.Unlock()
		return len(s.calls.calls) == 1
	})
	http.DefaultClient.CloseIdleConnections()
	ctx, cancel := context.WithTimeout(t.Context(), 10*time.Second)
	defer cancel()
	if err := s.Stop(ctx); err != nil {
		t.Errorf("Stop: %v", err)
	}
	until(t, 20*time.Second, "the second call to end", second.ended.Load)
}
