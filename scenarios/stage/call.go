package stage

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net"
	"net/http"
	"strconv"
	"strings"
	"sync"
	"sync/atomic"
	"time"

	"github.com/pion/ice/v4"
	"github.com/pion/interceptor"
	"github.com/pion/rtp"
	"github.com/pion/rtp/codecs"
	"github.com/pion/webrtc/v4"
	"github.com/pion/webrtc/v4/pkg/media"
)

// callsMost bounds the calls at once; one costs about 3 % of a core and 5 MB.
const callsMost = 64

// setUpWithin bounds how long an offer may take to be answered.
const setUpWithin = 10 * time.Second

// A farEnd is the other side of every handset's call. Media comes over UDP from whichever
// of the host's addresses the handset reaches, or over TCP on the stage's own port.
type farEnd struct {
	api  *webrtc.API
	mux  *ice.TCPMuxDefault
	port int // the stage's own

	mu     sync.Mutex
	calls  map[*call]struct{}
	closed bool
}

func newFarEnd(l net.Listener) (*farEnd, error) {
	if _, err := clips(); err != nil {
		return nil, err
	}
	at, ok := l.Addr().(*net.TCPAddr)
	if !ok {
		return nil, fmt.Errorf("want a TCP listener, got %s", l.Addr())
	}
	// Only what the clips are in, so that both directions agree on it.
	engine := &webrtc.MediaEngine{}
	feedback := []webrtc.RTCPFeedback{{Type: "goog-remb"}, {Type: "ccm", Parameter: "fir"}, {Type: "nack"}, {Type: "nack", Parameter: "pli"}}
	err := errors.Join(
		engine.RegisterCodec(webrtc.RTPCodecParameters{
			RTPCodecCapability: webrtc.RTPCodecCapability{MimeType: webrtc.MimeTypeVP8, ClockRate: 90000, RTCPFeedback: feedback}, PayloadType: 96,
		}, webrtc.RTPCodecTypeVideo),
		engine.RegisterCodec(webrtc.RTPCodecParameters{
			RTPCodecCapability: webrtc.RTPCodecCapability{MimeType: webrtc.MimeTypeOpus, ClockRate: 48000, Channels: 2, SDPFmtpLine: "minptime=10;useinbandfec=1"}, PayloadType: 111,
		}, webrtc.RTPCodecTypeAudio),
	)
	// The defaults give the handset's rate control its feedback; without, its picture stays small.
	registry := &interceptor.Registry{}
	if err = errors.Join(err, webrtc.RegisterDefaultInterceptors(engine, registry)); err != nil {
		return nil, err
	}
	f := &farEnd{port: at.Port, calls: map[*call]struct{}{}}
	f.mux = ice.NewTCPMuxDefault(ice.TCPMuxParams{Listener: l, ReadBufferSize: 64, WriteBufferSize: 4 << 20, FirstStunBindTimeout: 10 * time.Second})
	var settings webrtc.SettingEngine
	settings.SetICETCPMux(f.mux)
	settings.SetNetworkTypes([]webrtc.NetworkType{webrtc.NetworkTypeUDP4, webrtc.NetworkTypeTCP4})
	settings.SetICEMulticastDNSMode(ice.MulticastDNSModeDisabled) // a page with a camera gives its real addresses
	settings.SetIncludeLoopbackCandidate(at.IP.IsLoopback() || at.IP.IsUnspecified())
	settings.SetICETimeouts(5*time.Second, 15*time.Second, 2*time.Second)
	f.api = webrtc.NewAPI(webrtc.WithMediaEngine(engine), webrtc.WithInterceptorRegistry(registry), webrtc.WithSettingEngine(settings))
	return f, nil
}

// hangUp ends all calls; there are none from then on.
func (f *farEnd) hangUp() {
	f.mu.Lock()
	f.closed = true
	var list []*call
	for c := range f.calls {
		list = append(list, c)
	}
	f.mu.Unlock()
	for _, c := range list {
		c.end()
	}
}

// close ends what hangUp leaves. The connections that are no call's must have ended.
func (f *farEnd) close() error { return f.mux.Close() }

// An offer is what the page of a call sends to begin it.
type offer struct {
	SDP  string `json:"sdp"`
	Over string `json:"over"` // udp, tcp, or empty for whichever the browser prefers
}

// offer answers a page's offer: the call begins. One that the session had before ends.
func (s *Stage) offer(w http.ResponseWriter, r *http.Request) {
	session := s.live(r, "call")
	if session == nil {
		http.NotFound(w, r)
		return
	}
	var o offer
	text, err := io.ReadAll(http.MaxBytesReader(w, r.Body, maxOffer))
	if err == nil {
		err = json.Unmarshal(text, &o)
	}
	if err == nil && (o.SDP == "" || o.Over != "" && o.Over != "udp" && o.Over != "tcp") {
		err = errors.New("want sdp, and over udp, tcp or nothing")
	}
	if err != nil {
		http.Error(w, "this offer cannot be read: "+err.Error(), http.StatusBadRequest)
		return
	}
	session.hangUp()
	ctx, cancel := context.WithTimeout(r.Context(), setUpWithin)
	defer cancel()
	c, answer, err := s.calls.answer(ctx, o)
	switch {
	case errors.Is(err, errNoRoom):
		http.Error(w, err.Error(), http.StatusServiceUnavailable)
		return
	case err != nil:
		http.Error(w, "this offer cannot be answered: "+err.Error(), http.StatusBadRequest)
		return
	}
	s.mu.Lock()
	kept := s.sessions[session.key] == session // or it was closed meanwhile
	var before *call
	if kept {
		before, session.call = session.call, c
	}
	s.mu.Unlock()
	if before != nil {
		before.end()
	}
	if !kept {
		c.end()
		http.NotFound(w, r)
		return
	}
	w.Header().Set("Content-Type", "application/json")
	_ = json.NewEncoder(w).Encode(map[string]string{"call": c.id, "sdp": forwarded(onlyOver(answer, o.Over), s.calls.port, r.Host)})
}

// onlyOver leaves out the addresses that are not of the wanted transport.
func onlyOver(sdp, over string) string {
	if over == "" {
		return sdp
	}
	lines := strings.SplitAfter(sdp, "\n")
	kept := lines[:0]
	for _, line := range lines {
		// a=candidate:FOUNDATION COMPONENT TRANSPORT ... (RFC 8839, 2021, section 5.1)
		if f := strings.Fields(line); strings.HasPrefix(line, "a=candidate:") && len(f) > 2 && !strings.EqualFold(f[2], over) {
			continue
		}
		kept = append(kept, line)
	}
	return strings.Join(kept, "")
}

// forwarded puts the port at which the handset reached the stage into its loopback
// address: behind a port forward the handset's port is another than the stage's.
func forwarded(sdp string, port int, host string) string {
	name, at, err := net.SplitHostPort(host)
	if err != nil || at == strconv.Itoa(port) || name != "localhost" && name != "127.0.0.1" {
		return sdp
	}
	if n, err := strconv.Atoi(at); err != nil || n < 1 || n > 65535 {
		return sdp
	}
	lines := strings.SplitAfter(sdp, "\n")
	for i, line := range lines {
		if strings.HasPrefix(line, "a=candidate:") && strings.Contains(line, " tcp ") {
			lines[i] = strings.Replace(line, fmt.Sprintf(" 127.0.0.1 %d ", port), " 127.0.0.1 "+at+" ", 1)
		}
	}
	return strings.Join(lines, "")
}

var errNoRoom = fmt.Errorf("no more than %d calls at once", callsMost)

// A call is one connection to a handset's page.
type call struct {
	id     string
	far    *farEnd
	pc     *webrtc.PeerConnection
	ctx    context.Context
	cancel context.CancelFunc
	begin  sync.Once
	ended  sync.Once
	wg     sync.WaitGroup

	framesOut, bytesOut, packetsOut      atomic.Int64 // packets: of sound
	framesIn, bytesIn, packetsIn, lostIn atomic.Int64
	width, height                        atomic.Int64
	state                                atomic.Value // string
	pair                                 atomic.Value // string
	told                                 int64        // framesIn at the last proof; under the stage's lock
}

// answer takes up a call.
func (f *farEnd) answer(ctx context.Context, o offer) (*call, string, error) {
	c := &call{id: randomHex(6), far: f}
	c.ctx, c.cancel = context.WithCancel(context.Background())
	f.mu.Lock()
	full := f.closed || len(f.calls) >= callsMost
	if !full {
		f.calls[c] = struct{}{}
	}
	f.mu.Unlock()
	if full {
		c.cancel()
		return nil, "", errNoRoom
	}
	answer, err := c.setUp(ctx, o)
	if err != nil {
		c.end()
		return nil, "", err
	}
	return c, answer, nil
}

// setUp goes through one offer and answer, with all addresses in the answer.
func (c *call) setUp(ctx context.Context, o offer) (string, error) {
	pc, err := c.far.api.NewPeerConnection(webrtc.Configuration{})
	if err != nil {
		return "", err
	}
	c.pc = pc
	c.state.Store("new")
	clips, err := clips()
	if err != nil {
		return "", err
	}
	picture, err := webrtc.NewTrackLocalStaticSample(webrtc.RTPCodecCapability{MimeType: webrtc.MimeTypeVP8, ClockRate: 90000}, "picture", "stage")
	if err != nil {
		return "", err
	}
	sound, err := webrtc.NewTrackLocalStaticSample(webrtc.RTPCodecCapability{MimeType: webrtc.MimeTypeOpus, ClockRate: 48000, Channels: 2}, "sound", "stage")
	if err != nil {
		return "", err
	}
	for _, track := range []webrtc.TrackLocal{picture, sound} {
		sender, err := pc.AddTrack(track)
		if err != nil {
			return "", err
		}
		c.wg.Go(func() { // reading is what works the feedback
			b := make([]byte, 1500)
			for {
				if _, _, err := sender.Read(b); err != nil {
					return
				}
			}
		})
	}
	pc.OnTrack(func(track *webrtc.TrackRemote, _ *webrtc.RTPReceiver) { c.receive(track) })
	pc.OnConnectionStateChange(func(state webrtc.PeerConnectionState) {
		c.state.Store(state.String())
		switch state {
		case webrtc.PeerConnectionStateConnected:
			c.begin.Do(func() {
				c.wg.Go(func() { c.send(picture, clips.picture, &c.framesOut) })
				c.wg.Go(func() { c.send(sound, clips.sound, &c.packetsOut) })
			})
		case webrtc.PeerConnectionStateFailed:
			go c.end() // not from here: the connection waits for its own callbacks
		}
	})
	if err := pc.SetRemoteDescription(webrtc.SessionDescription{Type: webrtc.SDPTypeOffer, SDP: onlyOver(o.SDP, o.Over)}); err != nil {
		return "", err
	}
	answer, err := pc.CreateAnswer(nil)
	if err != nil {
		return "", err
	}
	gathered := webrtc.GatheringCompletePromise(pc)
	if err := pc.SetLocalDescription(answer); err != nil {
		return "", err
	}
	select {
	case <-gathered:
		return pc.LocalDescription().SDP, nil
	case <-ctx.Done():
		return "", ctx.Err()
	}
}

// send sends a clip from its first frame, over and over, paced from a fixed start.
func (c *call) send(track *webrtc.TrackLocalStaticSample, clip clip, sent *atomic.Int64) {
	start := time.Now()
	timer := time.NewTimer(0)
	defer timer.Stop()
	for n := 0; ; n++ {
		timer.Reset(time.Until(start.Add(time.Duration(n) * clip.every)))
		select {
		case <-timer.C:
		case <-c.ctx.Done():
			return
		}
		frame := clip.frames[n%len(clip.frames)]
		if err := track.WriteSample(media.Sample{Data: frame, Duration: clip.every}); err != nil {
			return
		}
		sent.Add(1)
		c.bytesOut.Add(int64(len(frame)))
	}
}

// receive counts what comes from the handset until its track ends.
func (c *call) receive(track *webrtc.TrackRemote) {
	video := track.Kind() == webrtc.RTPCodecTypeVideo
	b := make([]byte, 1500)
	var order ordered
	var lostBefore int64
	for {
		n, _, err := track.Read(b)
		if err != nil {
			return
		}
		var p rtp.Packet
		if p.Unmarshal(b[:n]) != nil {
			continue
		}
		c.bytesIn.Add(int64(n))
		if !video {
			c.packetsIn.Add(1)
			continue
		}
		lost := order.saw(p.SequenceNumber)
		c.lostIn.Add(lost - lostBefore)
		lostBefore = lost
		if p.Marker { // the last packet of a frame (RFC 7741, 2016, section 4.1)
			c.framesIn.Add(1)
		}
		if w, h, ok := keyframeSize(p.Payload); ok {
			c.width.Store(int64(w))
			c.height.Store(int64(h))
		}
	}
}

// ordered counts lost packets by their numbers, as RFC 3550 (2003), appendix A.3 does:
// expected less received, late and repeated ones taken as received.
type ordered struct {
	begun          bool
	first, highest int64
	received       int64
}

func (o *ordered) saw(seq uint16) (lost int64) {
	if !o.begun {
		o.begun, o.first, o.highest = true, int64(seq), int64(seq)
	}
	if ahead := int64(int16(seq - uint16(o.highest))); ahead > 0 {
		o.highest += ahead
	}
	o.received++
	return o.highest - o.first + 1 - o.received
}

// keyframeSize reads the size of the picture off the first packet of a VP8 keyframe (RFC
// 6386, 2011, section 9.1).
func keyframeSize(payload []byte) (width, height int, ok bool) {
	var v codecs.VP8Packet
	frame, err := v.Unmarshal(payload)
	if err != nil || v.S != 1 || v.PID != 0 || len(frame) < 10 || frame[0]&1 != 0 {
		return 0, 0, false
	}
	if frame[3] != 0x9d || frame[4] != 0x01 || frame[5] != 0x2a {
		return 0, 0, false
	}
	return int(frame[6]) | int(frame[7]&0x3f)<<8, int(frame[8]) | int(frame[9]&0x3f)<<8, true
}

// witness holds a page's word on its call against the far end's own count. The value
// becomes the smaller of both: frames must have arrived in both directions. A page that
// names no call of ours is taken at its word.
func (c *call) witness(value float64, detail json.RawMessage) (float64, json.RawMessage) {
	var d struct {
		Call string `json:"call"`
	}
	if len(detail) == 0 || json.Unmarshal(detail, &d) != nil || d.Call == "" {
		return value, detail
	}
	if c == nil || c.id != d.Call {
		return 0, addField(detail, "far", map[string]any{"state": "no such call"})
	}
	frames := c.framesIn.Load()
	since := frames - c.told
	c.told = frames
	text := func(v *atomic.Value) string { s, _ := v.Load().(string); return s }
	if pair := c.selected(); pair != "" {
		c.pair.Store(pair)
	}
	return min(value, float64(since)), addField(detail, "far", map[string]any{
		"state": text(&c.state), "pair": text(&c.pair), "frames_out": c.framesOut.Load(), "frames_in": frames,
		"bytes_out": c.bytesOut.Load(), "bytes_in": c.bytesIn.Load(), "sound_out": c.packetsOut.Load(), "sound_in": c.packetsIn.Load(),
		"lost_in": c.lostIn.Load(), "width_in": c.width.Load(), "height_in": c.height.Load(),
	})
}

// selected is the pair of addresses in use, as "udp near - far", or "".
func (c *call) selected() string {
	for _, sender := range c.pc.GetSenders() {
		transport := sender.Transport()
		if transport == nil || transport.ICETransport() == nil {
			continue
		}
		pair, err := transport.ICETransport().GetSelectedCandidatePair()
		if err != nil || pair == nil {
			continue
		}
		return fmt.Sprintf("%s %s %s:%d - %s %s:%d", pair.Local.Protocol, pair.Local.Typ, pair.Local.Address, pair.Local.Port, pair.Remote.Typ, pair.Remote.Address, pair.Remote.Port)
	}
	return ""
}

// end hangs up and waits until everything of the call is gone.
func (c *call) end() {
	c.ended.Do(func() {
		c.cancel()
		if c.pc != nil {
			_ = c.pc.GracefulClose()
		}
		c.wg.Wait()
		c.far.mu.Lock()
		delete(c.far.calls, c)
		c.far.mu.Unlock()
	})
}
