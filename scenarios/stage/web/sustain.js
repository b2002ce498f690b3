// Work with no limit but the handset's own: kernels on all cores, frames without waiting for the screen, or
// both at once. Continuous work posts once for each lot, a fixed amount of it, so that the time between two
// posts says how fast the handset is; with cycle_s it works for so long, rests for rest_s, and posts once a cycle.
const bars = document.getElementById('bars'), now = document.getElementById('now'), cpu = stage.work !== 'gpu', gpu = stage.work !== 'cpu';
const workers = [], canvas = document.getElementById('scene');
let scene = null, frames = 0, frame = 0, lost = 0, rates = [], resting = false, drawn = () => {};
const cycleMS = stage.cycle_s * 1000, turn = new MessageChannel(), pixel = new Uint8Array(4);
if (cpu) {
  const n = stage.workers || navigator.hardwareConcurrency || 4;
  for (let i = 0; i < n; i++) workers.push(new Worker(stage.kernels));
}
if (gpu) {
  scene = makeScene(canvas, stage);
  if (!scene) fail('This browser has no WebGL2, so there is no work for the GPU.');
  canvas.addEventListener('webglcontextlost', e => {
    e.preventDefault();
    lost++;
  });
  canvas.addEventListener('webglcontextrestored', () => scene.build());
}
// draw draws one frame, waits until it is done, and comes again at once.
turn.port1.onmessage = () => {
  if (over) return;
  if (resting) {
    setTimeout(() => turn.port2.postMessage(0), 50);
    return;
  }
  if (!scene.gl.isContextLost()) {
    scene.draw(frame++);
    scene.gl.readPixels(0, 0, 1, 1, scene.gl.RGBA, scene.gl.UNSIGNED_BYTE, pixel);
    frames++;
    drawn();
  }
  turn.port2.postMessage(0);
};
const work = w => new Promise((done, failed) => {
  w.onmessage = e => done(e.data);
  w.onerror = e => failed(new Error('worker: ' + e.message));
  w.postMessage({cycle_ms: cycleMS});
});
const show = (what, n, of, rate) => {
  rates = [...rates, rate].slice(-40);
  now.textContent = what + ' ' + n + (of ? ' of ' + of : '') + ': ' + round(rate) + (cpu ? ' units/s' : ' frames/s');
  bars.replaceChildren(...rates.map(r => {
    const bar = document.createElement('i');
    bar.style.height = round(100 * r / Math.max(...rates, 1e-9)) + '%';
    return bar;
  }));
};
const sceneDetail = (drawn, ms) => scene ? {frames: drawn, fps: round(drawn * 1000 / ms, 2), lost, width_px: canvas.width, height_px: canvas.height, renderer: scene.renderer()} : {};
const cycle = async n => {
  const start = performance.now(), from = frames;
  const done = cpu ? await Promise.all(workers.map(work)) : await new Promise(d => setTimeout(() => d([]), cycleMS));
  const ms = round(performance.now() - start, 1), drawn = frames - from, units = done.reduce((n, d) => n + d.units, 0);
  const rate = round((cpu ? units : drawn) * 1000 / ms, 2);
  const detail = {cycle: n, ms, work: stage.work, visibility: document.visibilityState, ...sceneDetail(drawn, ms)};
  if (cpu) detail.workers = done.map(d => ({units: d.units, digest: d.digest, ms: round(d.ms)}));
  show('Cycle', n, stage.cycles, rate);
  await post('cycle', rate, detail);
  if (stage.rest_s) {
    resting = true;
    await new Promise(d => setTimeout(d, stage.rest_s * 1000));
    resting = false;
  }
};
// onLots lets the workers work on and on, and posts whenever a lot is complete. What is posted counts from
// the beginning, so that a post that is lost loses nothing.
const onLots = () => {
  const start = performance.now(), come = workers.map(() => ({units: 0, before: 0, digest: 0}));
  let n = 0, before = 0, at = start, framesBefore = 0;
  const look = () => {
    const total = cpu ? come.reduce((n, w) => n + w.before + w.units, 0) : frames;
    if (over || total - before < stage.lot) return;
    const t = performance.now(), ms = round(t - at, 1), units = total - before, rate = round(units * 1000 / ms, 2);
    const detail = {lot: ++n, ms, done_ms: round(t - start, 1), units, total, work: stage.work, visibility: document.visibilityState, ...sceneDetail(frames - framesBefore, ms)};
    if (cpu) detail.workers = come.filter(w => w.units > 0).map(w => ({...w}));
    [at, before, framesBefore] = [t, total, frames];
    show('Lot', n, 0, rate);
    post('lot', rate, detail);
  };
  if (!cpu) drawn = look;
  workers.forEach((w, i) => {
    w.onmessage = e => {
      come[i] = e.data;
      look();
    };
    w.onerror = e => fail('worker: ' + e.message);
    w.postMessage({every_ms: 100, round: 1 << 23});
  });
};
atEnd.push(() => { for (const w of workers) w.terminate(); });
(async () => {
  if (gpu && !scene) return;
  if (scene) turn.port2.postMessage(0);
  if (stage.lot) return onLots();
  for (let n = 1; !over && (!stage.cycles || n <= stage.cycles); n++) await cycle(n);
  over = true;
  for (const w of workers) w.terminate();
})();
