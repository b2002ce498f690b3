// The scene of the game and of the GPU's sustained work: a flight at dusk over a town of
// blocks that rises and sinks in waves. All of it follows from the seed, the frame's number
// and the touches, never from a clock, so frame n is the same picture in every run.
// Load: cubes is how many blocks, scale the drawn pixels per CSS pixel, loop the turns of
// extra work for each pixel.
const vertexText = `#version 300 es
layout(location=0) in vec3 corner; layout(location=1) in vec3 normal; layout(location=2) in vec4 block;
uniform mat4 view; uniform float travel, depth; uniform vec4 waves[8];
out vec3 at, face; out vec2 wall; out float far, tone;
void main() {
  float z = mod(block.y + travel, depth) - depth + 9.0; // a block that passes comes again at the far end, whole
  float high = 0.5 + block.z * block.z * 4.5;
  for (int i = 0; i < 8; i++) {
    float age = waves[i].z, off = distance(vec2(block.x, z), vec2(waves[i].x, waves[i].y + age * waves[i].w));
    high += age < 0.0 ? 0.0 : 2.2 * sin(off * 1.3 - age * 7.0) * exp(-off * 0.22 - age * 0.9);
  }
  high = max(high, 0.15);
  vec3 p = vec3(block.x + corner.x * 0.92, corner.y * high, z + corner.z * 0.92);
  at = p; face = normal; tone = block.w; wall = vec2(corner.x + corner.z, corner.y * high);
  gl_Position = view * vec4(p, 1.0);
  far = clamp(-z / depth * 1.25, 0.0, 1.0);
}`;
const fragmentText = `#version 300 es
precision highp float;
in vec3 at, face; in vec2 wall; in float far, tone; out vec4 colour;
uniform int turns; uniform float lit;
float grain(vec2 p) { return fract(sin(dot(p, vec2(41.3, 289.1))) * 43758.5); }
void main() {
  vec3 stone = mix(vec3(0.20, 0.26, 0.38), vec3(0.48, 0.36, 0.33), tone);
  float sun = max(dot(face, normalize(vec3(-0.5, 0.55, -0.35))), 0.0);
  vec3 c = stone * (0.35 + 0.5 * max(face.y, 0.0) + 0.9 * sun);
  if (face.y < 0.5) {
    vec2 cell = floor(vec2(wall.x * 3.0, wall.y * 2.6)), in01 = fract(vec2(wall.x * 3.0, wall.y * 2.6));
    float window = step(0.25, in01.x) * step(in01.x, 0.75) * step(0.25, in01.y) * step(in01.y, 0.8);
    c += window * step(1.0 - lit, grain(cell + floor(tone * 97.0))) * vec3(0.95, 0.66, 0.28);
  }
  vec2 q = at.xz * 0.21;
  float extra = 0.0;
  for (int i = 0; i < turns; i++) {
    q = abs(q) / max(dot(q, q), 0.04) - vec2(0.72, 0.61);
    extra += exp(-6.0 * abs(q.x * q.y));
  }
  c *= 1.0 + (turns > 0 ? 0.16 * (extra / float(turns) - 0.5) : 0.0);
  colour = vec4(mix(c, vec3(0.74, 0.49, 0.46), far * far), 1.0);
}`;
const skyText = [`#version 300 es
out vec2 p; void main() { p = vec2(gl_VertexID & 1, gl_VertexID >> 1) * 2.0; gl_Position = vec4(p * 2.0 - 1.0, 0.9999, 1.0); }`,
`#version 300 es
precision highp float; in vec2 p; out vec4 colour; uniform float aspect, horizon;
void main() {
  vec3 c = mix(vec3(0.78, 0.50, 0.44), vec3(0.16, 0.20, 0.40), clamp((p.y - 0.55) * 2.4, 0.0, 1.0));
  if (p.y < horizon) c = mix(vec3(0.74, 0.49, 0.46), vec3(0.17, 0.14, 0.20), clamp((horizon - p.y) * 7.0, 0.0, 1.0)); // the ground
  float d = distance(vec2(p.x * aspect, p.y), vec2(0.64 * aspect, 0.70));
  colour = vec4(c + step(horizon, p.y) * vec3(0.9, 0.6, 0.3) * (smoothstep(0.062, 0.055, d) + 0.35 * exp(-d * 7.0)), 1.0);
}`];

const scatter = (seed, n) => {
  let h = Math.imul(seed, 0x9e3779b1) ^ Math.imul(n + 1, 0x85ebca6b);
  h ^= h >>> 15;
  h = Math.imul(h, 0x2c1b3c6d);
  h ^= h >>> 12;
  h = Math.imul(h, 0x297a2d39);
  return ((h ^ h >>> 15) >>> 0) / 4294967296;
};

const pitch = 0.24, zoom = aspect => aspect < 1 ? 1.05 : 1.5;

// makeScene returns null where there is no WebGL2.
const makeScene = (canvas, {cubes, scale, loop, seed}) => {
  const gl = canvas.getContext('webgl2', {antialias: false, powerPreference: 'high-performance', preserveDrawingBuffer: false});
  if (!gl) return null;
  const waves = new Float32Array(32).fill(-1); // x, z, age s, drift per s
  let town, sky, places, steer = 0, turn = 0, lit = 0.25, depth = 0, next = 0;
  const program = (vertex, fragment) => {
    const p = gl.createProgram();
    for (const [kind, text] of [[gl.VERTEX_SHADER, vertex], [gl.FRAGMENT_SHADER, fragment]]) {
      const s = gl.createShader(kind);
      gl.shaderSource(s, text);
      gl.compileShader(s);
      gl.attachShader(p, s);
    }
    gl.linkProgram(p);
    if (!gl.getProgramParameter(p, gl.LINK_STATUS) && !gl.isContextLost()) throw new Error('shader: ' + gl.getProgramInfoLog(p));
    return p;
  };
  const buffer = (slot, size, data, each) => {
    gl.bindBuffer(gl.ARRAY_BUFFER, gl.createBuffer());
    gl.bufferData(gl.ARRAY_BUFFER, data, gl.STATIC_DRAW);
    gl.enableVertexAttribArray(slot);
    gl.vertexAttribPointer(slot, size, gl.FLOAT, false, 0, 0);
    gl.vertexAttribDivisor(slot, each);
  };
  // build makes everything that a lost context takes with it.
  const build = () => {
    town = program(vertexText, fragmentText);
    sky = program(...skyText);
    places = {};
    for (const name of ['view', 'travel', 'depth', 'waves', 'turns', 'lit']) places[name] = gl.getUniformLocation(town, name);
    places.aspect = gl.getUniformLocation(sky, 'aspect');
    places.horizon = gl.getUniformLocation(sky, 'horizon');
    const corners = [], normals = [];
    for (const [axis, side] of [[0, 0], [0, 1], [1, 1], [2, 0], [2, 1]]) { // no floor
      for (const [u, v] of [[0, 0], [1, 0], [1, 1], [0, 0], [1, 1], [0, 1]]) {
        const p = [0, 0, 0], n = [0, 0, 0];
        p[axis] = side;
        p[(axis + 1) % 3] = u;
        p[(axis + 2) % 3] = v;
        n[axis] = side * 2 - 1;
        corners.push(...p);
        normals.push(...n);
      }
    }
    const across = Math.max(8, Math.round(Math.sqrt(cubes / 2.2))), blocks = new Float32Array(cubes * 4);
    depth = Math.max(12, Math.ceil(cubes / across) * 1.15);
    for (let i = 0; i < cubes; i++) {
      blocks.set([(i % across - across / 2) * 1.15, Math.floor(i / across) * 1.15, scatter(seed, 2 * i), scatter(seed, 2 * i + 1)], 4 * i);
    }
    gl.bindVertexArray(gl.createVertexArray());
    buffer(0, 3, new Float32Array(corners), 0);
    buffer(1, 3, new Float32Array(normals), 0);
    buffer(2, 4, blocks, 1);
    gl.enable(gl.DEPTH_TEST);
  };
  build();
  const view = aspect => {
    const f = zoom(aspect), near = 0.3, far = depth + 30, c = Math.cos(turn), s = Math.sin(turn), t = Math.cos(pitch), u = Math.sin(pitch);
    // projection * pitch * yaw * translate(0, -7, -1), columns first
    const m = [[c, u * s, -t * s], [0, t, u], [s, -u * c, t * c]], o = [0, -7, -1];
    const shift = [0, 1, 2].map(r => m[0][r] * o[0] + m[1][r] * o[1] + m[2][r] * o[2]), out = new Float32Array(16);
    [...m, shift].forEach((col, i) => {
      out[4 * i] = col[0] * f / aspect;
      out[4 * i + 1] = col[1] * f;
      out[4 * i + 2] = col[2] * (far + near) / (near - far) + (i === 3 ? 2 * far * near / (near - far) : 0);
      out[4 * i + 3] = -col[2];
    });
    return out;
  };
  return {
    gl, build,
    // tap sends a wave out from where the ground was touched; x, y are 0 to 1.
    tap(x, y) {
      waves.set([(x - 0.5) * 16, -4 - (1 - y) * 20, 0, 3], 4 * (next++ % 8));
      lit = Math.min(0.7, lit + 0.06);
    },
    swipe(part) { steer = Math.max(-0.5, Math.min(0.5, steer + part * 0.5)); },
    draw(frame) {
      const w = Math.max(1, Math.round(canvas.clientWidth * scale)), h = Math.max(1, Math.round(canvas.clientHeight * scale));
      if (canvas.width !== w || canvas.height !== h) [canvas.width, canvas.height] = [w, h];
      turn += (steer - turn) * 0.06;
      steer *= 0.995;
      lit += (0.25 - lit) * 0.002;
      for (let i = 2; i < 32; i += 4) if (waves[i] >= 0 && (waves[i] += 1 / 60) > 6) waves[i] = -1;
      gl.viewport(0, 0, w, h);
      gl.clear(gl.DEPTH_BUFFER_BIT);
      gl.useProgram(town);
      gl.uniformMatrix4fv(places.view, false, view(w / h));
      gl.uniform1f(places.travel, frame / 60 * 3);
      gl.uniform1f(places.depth, depth);
      gl.uniform4fv(places.waves, waves);
      gl.uniform1i(places.turns, loop);
      gl.uniform1f(places.lit, lit);
      gl.drawArraysInstanced(gl.TRIANGLES, 0, 30, cubes);
      gl.useProgram(sky);
      gl.uniform1f(places.aspect, w / h);
      gl.uniform1f(places.horizon, 0.5 + zoom(w / h) * Math.tan(pitch) / 2);
      gl.drawArrays(gl.TRIANGLES, 0, 3);
    },
    renderer() {
      const info = gl.getExtension('WEBGL_debug_renderer_info');
      return String(gl.getParameter(info ? info.UNMASKED_RENDERER_WEBGL : gl.RENDERER)).slice(0, 120);
    },
  };
};
