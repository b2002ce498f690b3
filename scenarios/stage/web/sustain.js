// Cycles of work with no limit but the handset's own: kernels on all cores, frames without
// waiting for the screen, or both at once. Each cycle ends with one post.
const bars = document.getElementById('bars'), now = document.getElementById('now'), cpu = stage.work !== 'gpu', gpu = stage.work !== 'cpu';
const workers = [], canvas = document.getElementById('scene');
let scene = null, frames = 0, frame = 0, lost = 0, scores = [];
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
  if (!scene.gl.isContextLost()) {
    scene.draw(frame++);
    scene.gl.readPixels(0, 0, 1, 1, scene.gl.RGBA, scene.gl.UNSIGNED_BYTE, pixel);
    frames++;
  }
  turn.port2.postMessage(0);
};
const work = w => new Promise((done, failed) => {
  w.onmessage = e => done(e.data);
  w.onerror = e => failed(new Error('worker: ' + e.message));
  w.postMessage({cycle_ms: cycleMS});
});
const cycle = async n => {
  const start = performance.now(), from = frames;
  const done = cpu ? await Promise.all(workers.map(work)) : await new Promise(d => setTimeout(() => d([]), cycleMS));
  const ms = round(performance.now() - start, 1), drawn = frames - from, units = done.reduce((n, d) => n + d.units, 0);
  const score = round((cpu ? units : drawn) * 1000 / ms, 2);
  const detail = {cycle: n, ms, work: stage.work, visibility: document.visibilityState};
  if (cpu) detail.workers = done.map(d => ({units: d.units, digest: d.digest, ms: round(d.ms)}));
  if (scene) Object.assign(detail, {frames: drawn, fps: round(drawn * 1000 / ms, 2), lost, width_px: canvas.width, height_px: canvas.height, renderer: scene.renderer()});
  scores = [...scores, score].slice(-40);
  now.textContent = 'Cycle ' + n + (stage.cycles ? ' of ' + stage.cycles : '') + ': ' + round(score) + (cpu ? ' units/s' : ' frames/s');
  bars.replaceChildren(...scores.map(s => {
    const bar = document.createElement('i');
    bar.style.height = round(100 * s / Math.max(...scores, 1e-9)) + '%';
    return bar;
  }));
  await post('cycle', score, detail);
};
(async () => {
  if (gpu && !scene) return;
  if (scene) turn.port2.postMessage(0);
  for (let n = 1; !over && (!stage.cycles || n <= stage.cycles); n++) await cycle(n);
  over = true;
  for (const w of workers) w.terminate();
})();
