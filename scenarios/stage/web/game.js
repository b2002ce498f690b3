const canvas = document.getElementById('scene'), count = document.getElementById('count');
let frame = 0, drawn = 0, before = 0, times = [], touches = 0, lost = 0, away = false, warm = false, windowStart = performance.now();
const scene = makeScene(canvas, stage);
const percentile = (sorted, p) => sorted.length ? round(sorted[Math.min(sorted.length - 1, Math.floor(p / 100 * sorted.length))], 1) : 0;
const step = now => {
  if (over) return;
  requestAnimationFrame(step);
  if (away) return;
  scene.draw(frame++);
  drawn++;
  if (before && now - before < 5000) times.push(now - before); // longer ones: the page was not shown
  before = now;
};
const tell = () => {
  const sorted = times.sort((a, b) => a - b), ms = performance.now() - windowStart;
  post('frames', drawn, {
    frames: frame, window_ms: round(ms), fps: round(drawn * 1000 / ms, 1), p50_ms: percentile(sorted, 50), p90_ms: percentile(sorted, 90),
    p99_ms: percentile(sorted, 99), max_ms: percentile(sorted, 100), touches, lost, warm, visibility: document.visibilityState,
    width_px: canvas.width, height_px: canvas.height, cubes: stage.cubes, scale: stage.scale, loop: stage.loop, renderer: scene.renderer(),
  });
  count.textContent = round(drawn * 1000 / ms) + ' frames/s';
  warm = true; // the first window holds the compiling of shaders
  [drawn, times, windowStart] = [0, [], performance.now()];
};
if (!scene) fail('This browser has no WebGL2, so the scene cannot be drawn.');
else {
  canvas.addEventListener('webglcontextlost', e => {
    e.preventDefault(); // or it is never given back
    away = true;
    lost++;
    say('The graphics context was lost; waiting for it.');
  });
  canvas.addEventListener('webglcontextrestored', () => {
    scene.build();
    away = false;
    say('');
  });
  let from = null;
  canvas.addEventListener('pointerdown', e => {
    touches++;
    from = e.clientX;
    scene.tap(e.clientX / innerWidth, e.clientY / innerHeight);
  });
  canvas.addEventListener('pointermove', e => {
    if (from === null) return;
    scene.swipe((e.clientX - from) / innerWidth);
    from = e.clientX;
  });
  for (const name of ['pointerup', 'pointercancel']) canvas.addEventListener(name, () => from = null);
  requestAnimationFrame(step);
  const telling = setInterval(() => { if (shown()) tell(); }, stage.every_s * 1000);
  atEnd.push(() => clearInterval(telling));
}
