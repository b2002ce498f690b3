// The work of the sustain activity, step for step what kernels.go does: see there.
'use strict';
const inputs = 192, hashSteps = 1 << 16, side = 48, cells = 1 << 20, walkSteps = 1 << 14, streamCells = 1 << 16;
const table = new Uint32Array(cells), scratch = new Uint32Array(streamCells);
for (let i = 0; i < cells; i++) table[i] = (Math.imul(i, 1664525) + 1013904223 >>> 0) % cells;

const mix = (digest, result, n) => {
  digest ^= result;
  digest = Math.imul(digest << 7 | digest >>> 25, 0x85ebca6b) + n | 0;
  return (digest ^ digest >>> 16) >>> 0;
};

const hashUnit = input => {
  let h = 0x811c9dc5 ^ Math.imul(input, 0x9e3779b1);
  for (let i = 0; i < hashSteps; i++) {
    h ^= h >>> 13;
    h = Math.imul(h, 0x5bd1e995) + i | 0;
    h ^= h >>> 15;
  }
  return h >>> 0;
};

const a = new Float64Array(side * side), b = new Float64Array(side * side);
const one = new Float64Array(1), halves = new Uint32Array(one.buffer);
const matrixUnit = input => {
  let x = Math.imul(input, 0x9e3779b1) + 12345 | 0;
  const next = () => {
    x = Math.imul(x, 1664525) + 1013904223 | 0;
    return x / 2147483648;
  };
  for (let i = 0; i < a.length; i++) {
    a[i] = next();
    b[i] = next();
  }
  let h = 0;
  for (let i = 0; i < side; i++) {
    for (let j = 0; j < side; j++) {
      let sum = 0;
      for (let k = 0; k < side; k++) sum += a[i * side + k] * b[k * side + j];
      one[0] = sum + Math.sqrt(Math.abs(sum));
      h = mix(h, halves[0] ^ halves[1], j);
    }
  }
  return h;
};

const memoryUnit = input => {
  let at = (Math.imul(input, 0x9e3779b1) >>> 0) % cells, h = input;
  for (let i = 0; i < walkSteps; i++) {
    at = table[at];
    h = h + at | 0;
    h = h << 5 | h >>> 27;
  }
  const from = input * (cells / 64) % (cells - streamCells);
  for (let i = 0; i < streamCells; i++) scratch[i] = (table[from + i] ^ input) + i;
  for (let i = 0; i < streamCells; i++) h = h + scratch[i] | 0;
  return h >>> 0;
};

const kernels = [hashUnit, matrixUnit, memoryUnit];
const unit = n => kernels[n % 3](Math.floor(n % inputs / 3));

// onLots works without a pause and says every so often how far it has come. It begins anew with the units
// before they are more than the stage checks at once.
const onLots = (every, round) => {
  let n = 0, before = 0, digest = 0, told = performance.now();
  for (;;) {
    digest = mix(digest, unit(n), n);
    n++;
    const now = performance.now();
    if (now - told < every && n < round) continue;
    postMessage({units: n, before, digest});
    told = now;
    if (n === round) {
      before += n;
      n = digest = 0;
    }
  }
};

onmessage = e => { // {every_ms, round}: works on lots; {cycle_ms}: works that long and says how far it came
  if (e.data.every_ms) return onLots(e.data.every_ms, e.data.round);
  const start = performance.now();
  let n = 0, digest = 0, now = start;
  do {
    digest = mix(digest, unit(n), n);
    n++;
    now = performance.now();
  } while (now - start < e.data.cycle_ms);
  postMessage({units: n, digest, ms: now - start});
};
