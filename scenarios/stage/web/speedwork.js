// Processor and memory of the speed activity, step for step what speedkernels.go does, which names the sources:
// see there. One worker is one thread. Each kernel is prepared once and then called; a call returns its check value.
'use strict';
const start = 2166136261 | 0, fold = (h, word) => Math.imul(h ^ word, 16777619);
const xorshift = seed => () => {
  seed ^= seed << 13;
  seed ^= seed >>> 17;
  seed ^= seed << 5;
  return seed >>> 0;
};
const memoryWords = 1 << 22, walkedCells = 1 << 21, word = i => Math.imul(i, 2654435761) ^ i >>> 7;
const one = new Float64Array(1), halves = new Uint32Array(one.buffer);
const foldFloat = (h, v) => {
  one[0] = v;
  return fold(fold(h, halves[0]), halves[1]);
};
const floats = (n, next) => {
  const a = new Float64Array(n), b = new Float64Array(n);
  for (let i = 0; i < n; i++) {
    a[i] = (next() | 0) / 2147483648;
    b[i] = (next() | 0) / 2147483648;
  }
  return [a, b];
};
const rounds = new Int32Array([
  0x428a2f98, 0x71374491, 0xb5c0fbcf, 0xe9b5dba5, 0x3956c25b, 0x59f111f1, 0x923f82a4, 0xab1c5ed5,
  0xd807aa98, 0x12835b01, 0x243185be, 0x550c7dc3, 0x72be5d74, 0x80deb1fe, 0x9bdc06a7, 0xc19bf174,
  0xe49b69c1, 0xefbe4786, 0x0fc19dc6, 0x240ca1cc, 0x2de92c6f, 0x4a7484aa, 0x5cb0a9dc, 0x76f988da,
  0x983e5152, 0xa831c66d, 0xb00327c8, 0xbf597fc7, 0xc6e00bf3, 0xd5a79147, 0x06ca6351, 0x14292967,
  0x27b70a85, 0x2e1b2138, 0x4d2c6dfc, 0x53380d13, 0x650a7354, 0x766a0abb, 0x81c2c92e, 0x92722c85,
  0xa2bfe8a1, 0xa81a664b, 0xc24b8b70, 0xc76c51a3, 0xd192e819, 0xd6990624, 0xf40e3585, 0x106aa070,
  0x19a4c116, 0x1e376c08, 0x2748774c, 0x34b0bcb5, 0x391c0cb3, 0x4ed8aa4a, 0x5b9cca4f, 0x682e6ff3,
  0x748f82ee, 0x78a5636f, 0x84c87814, 0x8cc70208, 0x90befffa, 0xa4506ceb, 0xbef9a3f7, 0xc67178f2]);
const digestStart = [0x6a09e667, 0xbb67ae85, 0x3c6ef372, 0xa54ff53a, 0x510e527f, 0x9b05688c, 0x1f83d9ab, 0x5be0cd19];

const kernels = {
  primes: () => {
    const below = 1 << 20, gone = new Uint8Array(below);
    return () => {
      gone.fill(0);
      let primes = 0, crossed = 0;
      for (let i = 2; i < below; i++) {
        if (gone[i]) continue;
        primes++;
        if (i > below / i) continue;
        for (let j = i * i; j < below; j += i) {
          gone[j] = 1;
          crossed++;
        }
      }
      return fold(fold(start, primes), crossed);
    };
  },
  sorting: () => {
    const length = 1 << 16, list = new Uint32Array(length), from = new Uint32Array(length), next = xorshift(0x2545f491);
    for (let i = 0; i < length; i++) from[i] = next();
    let compared = 0;
    const sink = (at, n) => {
      const v = list[at];
      for (;;) {
        let child = 2 * at + 1;
        if (child >= n) break;
        if (child + 1 < n) {
          compared++;
          if (list[child + 1] > list[child]) child++;
        }
        compared++;
        if (list[child] <= v) break;
        list[at] = list[child];
        at = child;
      }
      list[at] = v;
    };
    return () => {
      list.set(from);
      compared = 0;
      for (let at = length / 2 - 1; at >= 0; at--) sink(at, length);
      for (let n = length - 1; n > 0; n--) {
        const v = list[0];
        list[0] = list[n];
        list[n] = v;
        sink(0, n);
      }
      let check = start;
      for (let i = 0; i < length; i++) check = fold(check, list[i]);
      return fold(check, compared);
    };
  },
  distance: () => {
    const length = 1 << 10, a = new Uint8Array(length), b = new Uint8Array(length), row = new Int32Array(length + 1), next = xorshift(0x9e3779b9);
    for (let i = 0; i < length; i++) {
      a[i] = next() >>> 28;
      b[i] = next() >>> 28;
    }
    return () => {
      for (let j = 0; j <= length; j++) row[j] = j;
      let check = start;
      for (let i = 0; i < length; i++) {
        let corner = row[0];
        row[0] = i + 1;
        for (let j = 0; j < length; j++) {
          let best = a[i] === b[j] ? corner : corner + 1;
          corner = row[j + 1];
          if (corner + 1 < best) best = corner + 1;
          if (row[j] + 1 < best) best = row[j] + 1;
          row[j + 1] = best;
        }
        check = fold(check, row[length]);
      }
      return check;
    };
  },
  digest: () => {
    const bytes = 1 << 18, text = new Uint8Array(bytes + 64), next = xorshift(0x12345679), w = new Int32Array(64), h = new Int32Array(8);
    for (let i = 0; i < bytes; i++) text[i] = next() >>> 24;
    text[bytes] = 0x80; // the padding: one bit, zeros, and the length in bits
    new DataView(text.buffer).setUint32(bytes + 60, bytes * 8);
    return () => {
      h.set(digestStart);
      for (let at = 0; at < text.length; at += 64) {
        for (let i = 0; i < 16; i++) {
          const p = at + 4 * i;
          w[i] = text[p] << 24 | text[p + 1] << 16 | text[p + 2] << 8 | text[p + 3];
        }
        for (let i = 16; i < 64; i++) {
          const x = w[i - 15], y = w[i - 2];
          const s = (x >>> 7 | x << 25) ^ (x >>> 18 | x << 14) ^ x >>> 3, t = (y >>> 17 | y << 15) ^ (y >>> 19 | y << 13) ^ y >>> 10;
          w[i] = w[i - 16] + s + w[i - 7] + t | 0;
        }
        let a = h[0], b = h[1], c = h[2], d = h[3], e = h[4], f = h[5], g = h[6], k = h[7];
        for (let i = 0; i < 64; i++) {
          const s = (e >>> 6 | e << 26) ^ (e >>> 11 | e << 21) ^ (e >>> 25 | e << 7);
          const x = k + s + (e & f ^ ~e & g) + rounds[i] + w[i] | 0;
          const t = (a >>> 2 | a << 30) ^ (a >>> 13 | a << 19) ^ (a >>> 22 | a << 10);
          const y = t + (a & b ^ a & c ^ b & c) | 0;
          k = g;
          g = f;
          f = e;
          e = d + x | 0;
          d = c;
          c = b;
          b = a;
          a = x + y | 0;
        }
        h[0] += a;
        h[1] += b;
        h[2] += c;
        h[3] += d;
        h[4] += e;
        h[5] += f;
        h[6] += g;
        h[7] += k;
      }
      return h[0];
    };
  },
  product: () => {
    const n = 128, [a, b] = floats(n * n, xorshift(0x6c078965)), c = new Float64Array(n * n);
    return () => {
      c.fill(0);
      for (let i = 0; i < n; i++) {
        const at = i * n;
        for (let k = 0; k < n; k++) {
          const v = a[at + k], from = k * n;
          for (let j = 0; j < n; j++) c[at + j] += v * b[from + j];
        }
      }
      let check = start;
      for (let i = 0; i < c.length; i++) check = foldFloat(check, c[i]);
      return check;
    };
  },
  transform: () => {
    const bits = 13, n = 1 << bits, [fromRe, fromIm] = floats(n, xorshift(0x5bd1e995)), re = new Float64Array(n), im = new Float64Array(n);
    const half = n / 2, cos = new Float64Array(half), sin = new Float64Array(half);
    cos[0] = 1;
    let c = -1, s = 0;
    for (let step = half / 2; step >= 1; step /= 2) {
      [c, s] = [Math.sqrt((1 + c) / 2), Math.sqrt((1 - c) / 2)];
      if (step === half / 2) [c, s] = [0, 1];
      for (let at = 0; at + step < half; at += 2 * step) {
        cos[at + step] = cos[at] * c - sin[at] * s;
        sin[at + step] = sin[at] * c + cos[at] * s;
      }
    }
    return () => {
      re.set(fromRe);
      im.set(fromIm);
      for (let i = 1, j = 0; i < n; i++) {
        let bit = n >> 1;
        for (; j & bit; bit >>= 1) j ^= bit;
        j ^= bit;
        if (i < j) {
          let v = re[i];
          re[i] = re[j];
          re[j] = v;
          v = im[i];
          im[i] = im[j];
          im[j] = v;
        }
      }
      for (let size = 1; size < n; size *= 2) {
        const stride = n / (2 * size);
        for (let from = 0; from < n; from += 2 * size) {
          for (let k = 0; k < size; k++) {
            const c = cos[k * stride], s = -sin[k * stride], p = from + k, q = p + size;
            const u = re[q] * c - im[q] * s, v = re[q] * s + im[q] * c;
            re[q] = re[p] - u;
            im[q] = im[p] - v;
            re[p] = re[p] + u;
            im[p] = im[p] + v;
          }
        }
      }
      let check = start;
      for (let i = 0; i < n; i++) check = foldFloat(foldFloat(check, re[i]), im[i]);
      return check;
    };
  },
  reading: () => {
    const a = new Int32Array(memoryWords);
    for (let i = 0; i < memoryWords; i++) a[i] = word(i);
    return () => {
      let s = 0, t = 0, u = 0, v = 0;
      for (let i = 0; i < memoryWords; i += 4) {
        s = s + a[i] | 0;
        t = t + a[i + 1] | 0;
        u = u + a[i + 2] | 0;
        v = v + a[i + 3] | 0;
      }
      return s + t + u + v | 0;
    };
  },
  moving: () => {
    const a = new Int32Array(memoryWords), b = new Int32Array(memoryWords);
    for (let i = 0; i < memoryWords; i++) a[i] = word(i);
    return () => {
      b.set(a);
      let check = start;
      for (let i = 0; i < memoryWords; i += 256) {
        check = fold(check, b[i]);
        b[i] = 0; // so that the next call cannot have the right words without moving them
      }
      return check;
    };
  },
  walking: () => {
    const next = new Uint32Array(walkedCells), dice = xorshift(0x7f4a7c15);
    for (let i = 0; i < walkedCells; i++) next[i] = i;
    for (let i = walkedCells - 1; i > 0; i--) {
      const j = dice() % i, v = next[i];
      next[i] = next[j];
      next[j] = v;
    }
    return () => {
      let check = start, at = 0;
      for (let part = 0; part < 16; part++) {
        for (let i = 0; i < walkedCells / 16; i++) at = next[at];
        check = fold(check, at);
      }
      return check;
    };
  },
};

let call = null;
onmessage = e => { // {prepare: name}, then {calls: n}
  try {
    if (e.data.prepare) {
      call = kernels[e.data.prepare]();
      return postMessage({ready: true});
    }
    const began = performance.now();
    let result = call(), odd = null;
    for (let i = 1; i < e.data.calls; i++) {
      const again = call();
      if (again !== result && odd === null) odd = again;
    }
    postMessage({ms: performance.now() - began, result: result >>> 0, odd: odd === null ? null : odd >>> 0});
  } catch (err) {
    postMessage({failed: String(err)});
  }
};
