// A call with the stage: the camera's picture and sound go there, its clip comes here.
// What is posted is what arrived, so a call that has frozen proves nothing.
const far = document.getElementById('far'), mirror = document.getElementById('self');
let pc = null, call = '', media = null, told = 0, upSince = 0, attempts = 0;
const wait = ms => new Promise(done => setTimeout(done, ms));
const gathered = pc => new Promise(done => {
  const look = () => { if (pc.iceGatheringState === 'complete') done(); };
  pc.addEventListener('icegatheringstatechange', look);
  look();
  setTimeout(done, 3000);
});
const hangUp = () => {
  if (pc) pc.close();
  pc = null;
};
const dial = async () => {
  hangUp();
  const mine = pc = new RTCPeerConnection();
  told = 0;
  mine.addEventListener('track', e => {
    far.srcObject = e.streams[0];
    far.play().catch(() => {});
  });
  for (const t of media.getTracks()) mine.addTrack(t, media);
  await mine.setLocalDescription();
  await gathered(mine);
  const r = await fetch(stage.offer, {method: 'POST', body: JSON.stringify({sdp: mine.localDescription.sdp, over: stage.over}), cache: 'no-store'});
  if (!r.ok) throw new Error('the stage answered ' + r.status + ': ' + (await r.text()).slice(0, 120));
  const answer = await r.json();
  call = answer.call;
  // Without it the browser takes half a minute to send its full picture.
  const sdp = answer.sdp.replace(/(a=rtpmap:(\d+) VP8\/90000\r\n)/, '$1a=fmtp:$2 x-google-start-bitrate=2500\r\n');
  await mine.setRemoteDescription({type: 'answer', sdp});
  for (let i = 0; i < 100 && mine.connectionState !== 'connected' && mine.connectionState !== 'failed'; i++) await wait(100);
  if (mine.connectionState !== 'connected') throw new Error('no way to the stage was found (' + mine.connectionState + ')');
  upSince = performance.now();
  say('');
};
const tell = async () => {
  const d = {call, state: pc.connectionState, up_s: round((performance.now() - upSince) / 1000), paused: far.paused, attempts, visibility: document.visibilityState};
  const codecs = {}, all = await pc.getStats();
  all.forEach(s => { if (s.type === 'codec') codecs[s.id] = s.mimeType; });
  all.forEach(s => {
    if (s.type === 'inbound-rtp' && s.kind === 'video') Object.assign(d, {frames_received: s.framesDecoded, dropped: s.framesDropped, freezes: s.freezeCount, bytes_received: s.bytesReceived, lost: s.packetsLost, width: s.frameWidth, height: s.frameHeight, fps: s.framesPerSecond, codec: codecs[s.codecId], decoder: s.decoderImplementation});
    if (s.type === 'inbound-rtp' && s.kind === 'audio') d.sound_energy = round(s.totalAudioEnergy || 0, 4);
    if (s.type === 'outbound-rtp' && s.kind === 'video') Object.assign(d, {frames_sent: s.framesSent, bytes_sent: s.bytesSent, width_sent: s.frameWidth, height_sent: s.frameHeight, fps_sent: s.framesPerSecond, held_by: s.qualityLimitationReason, encoder: s.encoderImplementation});
    if (s.type === 'candidate-pair' && s.nominated && s.state === 'succeeded') {
      const near = all.get(s.localCandidateId), there = all.get(s.remoteCandidateId);
      Object.assign(d, {rtt_ms: round((s.currentRoundTripTime || 0) * 1000, 1), transport: near && near.protocol, near: near && near.candidateType, there: there && there.candidateType});
    }
  });
  const fresh = Math.max(0, (d.frames_received || 0) - told);
  told = d.frames_received || 0;
  await post('call', fresh, d);
};
atEnd.push(() => {
  hangUp();
  if (media) for (const t of media.getTracks()) t.stop();
  say('The call is over.');
});
(async () => {
  if (!navigator.mediaDevices || !window.RTCPeerConnection) {
    fail('This browser gives a page no camera here: the page must come from http://localhost (adb reverse) or over https.');
    return;
  }
  say('Asking for camera and microphone');
  try {
    media = await navigator.mediaDevices.getUserMedia({
      video: {width: {ideal: 1280}, height: {ideal: 720}, frameRate: {ideal: 30}, facingMode: 'user'},
      audio: {echoCancellation: true, noiseSuppression: true},
    });
  } catch (e) {
    fail('Camera and microphone: ' + e.name + '. Allow both for this page in the browser, once, by hand.');
    return;
  }
  mirror.srcObject = media;
  mirror.play().catch(() => {});
  for (let next = 0; !over; ) { // as long as the page lives: a call that broke off is made again
    if (!pc || pc.connectionState === 'failed' || pc.connectionState === 'closed') {
      attempts++;
      try {
        say('Calling');
        await dial();
        next = performance.now() + stage.every_s * 1000;
      } catch (e) {
        hangUp();
        fail('No call: ' + e.message);
        await wait(4000);
        continue;
      }
    }
    await wait(250);
    if (over || !pc || performance.now() < next) continue;
    next = performance.now() + stage.every_s * 1000;
    if (shown()) await tell();
  }
})();
