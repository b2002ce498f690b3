// Kernels of the speed activity for the GPU, drawn out of sight with WebGL2; as in speedpage.js.
const onGPU = (width, height, vertex, fragment, draw) => {
  const canvas = document.createElement('canvas'), gl = canvas.getContext('webgl2', {powerPreference: 'high-performance', antialias: false});
  need(gl, 'this browser has no WebGL2');
  const shader = (kind, text) => {
    const s = gl.createShader(kind);
    gl.shaderSource(s, '#version 300 es\nprecision highp float;precision highp int;\n' + text);
    gl.compileShader(s);
    need(gl.getShaderParameter(s, gl.COMPILE_STATUS), 'the GPU takes no such program: ' + gl.getShaderInfoLog(s));
    return s;
  };
  const program = gl.createProgram();
  gl.attachShader(program, shader(gl.VERTEX_SHADER, vertex));
  gl.attachShader(program, shader(gl.FRAGMENT_SHADER, fragment));
  gl.linkProgram(program);
  need(gl.getProgramParameter(program, gl.LINK_STATUS), 'the GPU takes no such program: ' + gl.getProgramInfoLog(program));
  gl.useProgram(program);
  const target = gl.createTexture();
  gl.bindTexture(gl.TEXTURE_2D, target);
  gl.texStorage2D(gl.TEXTURE_2D, 1, gl.RGBA8, width, height);
  gl.bindFramebuffer(gl.FRAMEBUFFER, gl.createFramebuffer());
  gl.framebufferTexture2D(gl.FRAMEBUFFER, gl.COLOR_ATTACHMENT0, gl.TEXTURE_2D, target, 0);
  need(gl.checkFramebufferStatus(gl.FRAMEBUFFER) === gl.FRAMEBUFFER_COMPLETE, 'the GPU draws into no texture');
  gl.viewport(0, 0, width, height);
  gl.bindVertexArray(gl.createVertexArray());
  gl.disable(gl.DITHER);
  const pixel = new Uint8Array(4), about = gl.getExtension('WEBGL_debug_renderer_info');
  return {
    gl,
    run: calls => {
      for (let n = 0; n < calls; n++) {
        draw(gl);
        gl.flush(); // no heap of work that a driver takes for one that hangs
      }
      gl.readPixels(0, 0, 1, 1, gl.RGBA, gl.UNSIGNED_BYTE, pixel); // until it is done
      need(!gl.isContextLost(), 'the GPU was taken away while it drew');
    },
    picture: () => {
      const data = new Uint8Array(width * height * 4);
      gl.readPixels(0, 0, width, height, gl.RGBA, gl.UNSIGNED_BYTE, data);
      return data;
    },
    end: () => {
      const lose = gl.getExtension('WEBGL_lose_context');
      if (lose) lose.loseContext();
    },
    how: 'WebGL2, ' + (about ? gl.getParameter(about.UNMASKED_RENDERER_WEBGL) : gl.getParameter(gl.RENDERER)),
  };
};
// covered is a triangle that covers all of a target.
const covered = 'void main(){gl_Position=vec4(gl_VertexID==1?3.:-1.,gl_VertexID==2?3.:-1.,0.,1.);}';
const layered = 'out vec4 c;void main(){c=vec4(1./255.);}';
const added = gl => {
  gl.clearColor(0, 0, 0, 0);
  gl.clear(gl.COLOR_BUFFER_BIT);
  gl.enable(gl.BLEND);
  gl.blendFunc(gl.ONE, gl.ONE);
};
// same is the red that all pixels have, or what is wrong with them.
const same = data => {
  for (let i = 0; i < data.length; i += 4) {
    if (data[i] !== data[0]) return data[0] + ' and ' + data[i] + ' beside each other';
  }
  return String(data[0]);
};
const gpuKernels = {
  fill: () => {
    const g = onGPU(512, 512, covered, layered, gl => {
      added(gl);
      gl.drawArraysInstanced(gl.TRIANGLES, 0, 3, 200);
    });
    return {...g, result: () => same(g.picture())};
  },
  geometry: () => {
    const grid = 128, vertex = `void main(){int square=gl_VertexID/6,corner=gl_VertexID%6;
      ivec2 at=ivec2(square%128,square/128)+ivec2(corner==1||corner==2||corner==4?1:0,corner==2||corner==4||corner==5?1:0);
      gl_Position=vec4(vec2(at)/64.-1.,0.,1.);}`;
    const g = onGPU(256, 256, vertex, layered, gl => {
      added(gl);
      gl.drawArraysInstanced(gl.TRIANGLES, 0, 6 * grid * grid, 64);
    });
    return {...g, result: () => same(g.picture())};
  },
  shading: () => {
    const g = onGPU(512, 512, covered, `out vec4 c;void main(){uint h=uint(gl_FragCoord.x)*1973u+uint(gl_FragCoord.y)*9277u+26699u;
      for(int i=0;i<64;i++){h^=h<<13;h^=h>>17;h^=h<<5;}c=vec4(float(h&255u)/255.,0.,0.,1.);}`, gl => gl.drawArrays(gl.TRIANGLES, 0, 3));
    return {...g, result: () => {
      const data = g.picture();
      let h = startValue;
      for (let y = 17; y < 512; y += 64) {
        for (let x = 0; x < 512; x++) h = fold(h, data[4 * (y * 512 + x)]);
      }
      return String(h >>> 0);
    }};
  },
  marching: () => {
    const g = onGPU(256, 256, covered, `out vec4 c;void main(){vec3 ray=normalize(vec3(gl_FragCoord.xy/128.-1.,1.5));float t=0.,light=0.;
      for(int i=0;i<96;i++){vec3 p=mod(ray*t,2.)-1.;float d=length(p)-.3;if(d<.002){light=1.-float(i)/96.;break;}t+=d;if(t>40.)break;}c=vec4(vec3(light),1.);}`, gl => gl.drawArrays(gl.TRIANGLES, 0, 3));
    return {...g, result: () => {
      const data = g.picture();
      let sum = 0;
      for (let i = 0; i < data.length; i += 4) sum += data[i];
      return (sum / (data.length / 4)).toFixed(3);
    }};
  },
};
