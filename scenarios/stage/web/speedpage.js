// Kernels of the speed activity that need a page: layout, letters, pictures, coding, storage. speedkernels.go has the
// results. A kernel is prepared once; then run(calls) does so many calls, and result() says what the last came to,
// outside of the time that is measured. What is not there is thrown as a reason.
const startValue = 2166136261 | 0, fold = (h, word) => Math.imul(h ^ word, 16777619), word = i => Math.imul(i, 2654435761) ^ i >>> 7;
const need = (there, what) => {
  if (!there) throw new Error(what);
};
const canvasOf = (width, height) => {
  const c = document.createElement('canvas');
  c.width = width;
  c.height = height;
  const g = c.getContext('2d');
  need(g, 'this browser has no canvas to draw on');
  return [c, g];
};
const side = 512, pixelAt = (x, y) => (x + y & 255) << 16 | (x * 2 + 255 - y & 255) << 8 | (x ^ y) & 255;
const painted = colour => {
  const [c, g] = canvasOf(side, side), image = g.createImageData(side, side);
  for (let y = 0, at = 0; y < side; y++) {
    for (let x = 0; x < side; x++, at += 4) {
      const v = colour(x, y);
      image.data[at] = v >> 16;
      image.data[at + 1] = v >> 8 & 255;
      image.data[at + 2] = v & 255;
      image.data[at + 3] = 255;
    }
  }
  g.putImageData(image, 0, 0);
  return [c, g, image.data];
};
// A picture as cameras make them has few hard edges.
const smooth = (x, y) => 128 + 100 * Math.sin(x / 37) << 16 | 128 + 100 * Math.sin(y / 23) << 8 | 128 + 100 * Math.sin((x + y) / 51);
const difference = (a, b) => {
  let sum = 0;
  for (let i = 0; i < a.length; i++) sum += Math.abs(a[i] - b[i]);
  return sum / a.length * 4 / 3; // the fourth channel has no difference
};
const coded = canvas => new Promise((done, failed) => canvas.toBlob(b => b && b.type === 'image/jpeg' ? done(b) : failed(new Error('this browser codes no JPEG')), 'image/jpeg', 0.9));
const toPixels = async blob => {
  const bitmap = await createImageBitmap(blob), [, g] = canvasOf(side, side);
  g.drawImage(bitmap, 0, 0);
  bitmap.close();
  return g.getImageData(0, 0, side, side).data;
};

const pageKernels = {
  page: () => {
    const words = 'of the bench at night each handset lies by itself and shows what it was given until the morning comes with a table of hours'.split(' ');
    let markup = '<div class="boxes">' + '<i></i>'.repeat(300) + '</div>';
    for (let p = 0; p < 40; p++) {
      markup += '<p>';
      for (let w = 0; w < 60; w++) markup += (w % 9 === p % 9 ? '<b>' + words[(w * 7 + p) % words.length] + '</b>' : words[(w * 7 + p) % words.length]) + ' ';
      markup += '</p>';
    }
    markup += '<table>';
    for (let r = 0; r < 30; r++) markup += '<tr><td>' + r + '</td><td>' + words[r % words.length] + '</td><td>' + words[(r * 3) % words.length] + ' ' + words[(r * 5) % words.length] + '</td><td>' + r * r + '</td></tr>';
    markup += '</table>';
    let check = 0, odd = null;
    return {
      run: calls => {
        for (let n = 0; n < calls; n++) {
          const sheet = document.createElement('div');
          sheet.id = 'sheet';
          sheet.innerHTML = markup;
          document.body.append(sheet);
          let h = startValue;
          for (const width of [300, 360]) {
            sheet.style.width = width + 'px';
            if (sheet.offsetHeight < 1000) throw new Error('the page was not laid out');
            h = fold(h, sheet.firstChild.offsetHeight);
          }
          sheet.remove();
          if (n && h !== check) odd = h;
          check = h;
        }
      },
      result: () => String((odd === null ? check : odd) >>> 0),
    };
  },
  lettering: () => {
    const lines = 40, letters = 60, [, g] = canvasOf(900, 18 * lines), alphabet = 'abcdefghijklmnopqrstuvwxyz ABCDEFGHIJKLMNOPQRSTUVWXYZ.,';
    let turn = 0;
    return {
      run: calls => {
        for (let n = 0; n < calls; n++) {
          g.fillStyle = '#fff';
          g.fillRect(0, 0, 900, 18 * lines);
          g.fillStyle = '#000';
          turn++;
          for (let l = 0; l < lines; l++) {
            let text = '';
            for (let i = 0; i < letters; i++) text += alphabet[(i * (1 + turn % 13) + l * 5 + turn) % alphabet.length];
            g.font = 11 + l % 4 + 'px sans-serif';
            if (!(g.measureText(text).width > letters)) throw new Error('letters have no width');
            g.fillText(text, 4, 18 * l + 14);
          }
          g.getImageData(0, 0, 1, 1); // until they are drawn
        }
      },
      result: () => {
        let inked = 0;
        for (let l = 0; l < lines; l++) {
          const data = g.getImageData(0, 18 * l, 900, 18).data;
          for (let i = 0; i < data.length; i += 4) {
            if (data[i] < 128) {
              inked++;
              break;
            }
          }
        }
        return String(inked);
      },
    };
  },
  pictures: () => {
    const [from] = painted(pixelAt), [, g] = canvasOf(2 * side, 2 * side);
    g.imageSmoothingEnabled = false;
    return {
      run: calls => {
        for (let n = 0; n < calls; n++) {
          // By halves: what covers all of a canvas makes a browser forget what was to be drawn before.
          for (let i = 0; i < 16; i++) {
            g.drawImage(from, 0, 0, side / 2, side, 0, 0, side, 2 * side);
            g.drawImage(from, side / 2, 0, side / 2, side, side, 0, side, 2 * side);
          }
          g.getImageData(0, 0, 1, 1);
        }
      },
      result: () => {
        const data = g.getImageData(0, 154, 2 * side, 1).data;
        let h = startValue;
        for (let x = 0; x < 2 * side; x++) h = fold(h, data[4 * x] << 16 | data[4 * x + 1] << 8 | data[4 * x + 2]);
        return String(h >>> 0);
      },
    };
  },
  'picture coding': () => {
    const [c, g, before] = painted(smooth);
    let blob = null;
    return {
      run: async calls => {
        for (let n = 0; n < calls; n++) blob = await coded(c);
      },
      result: async () => difference(before, await toPixels(blob)).toFixed(2),
      how: 'JPEG at 0.9',
    };
  },
  'picture decoding': async () => {
    need(window.createImageBitmap, 'this browser decodes no pictures for scripts (createImageBitmap)');
    const [c, , before] = painted(smooth), blob = await coded(c), [, g] = canvasOf(side, side);
    return {
      run: async calls => {
        for (let n = 0; n < calls; n++) {
          const bitmap = await createImageBitmap(blob);
          g.drawImage(bitmap, 0, 0);
          bitmap.close();
          g.getImageData(0, 0, 1, 1);
        }
      },
      result: () => difference(before, g.getImageData(0, 0, side, side).data).toFixed(2),
      how: 'JPEG at 0.9',
    };
  },
  'film coding': () => filming(false),
  'film decoding': () => filming(true),
  storing: () => stored(false),
  fetching: () => stored(true),
};

// filming codes 30 frames of 1280 by 720, or decodes what it has coded.
const filming = async decode => {
  need(window.VideoEncoder && window.VideoDecoder, 'this browser codes no films for scripts (WebCodecs)' + (isSecureContext ? '' : ': it does so only for pages from the handset itself or over HTTPS'));
  const width = 1280, height = 720, frames = 30, config = {codec: 'vp8', width, height, bitrate: 4e6, framerate: 30};
  need((await VideoEncoder.isConfigSupported(config)).supported, 'this browser codes no VP8');
  const pictures = [];
  for (let p = 0; p < 6; p++) {
    const picture = new Uint8Array(width * height * 3 / 2).fill(128, width * height);
    for (let y = 0, at = 0; y < height; y++) {
      for (let x = 0; x < width; x++, at++) picture[at] = 128 + 60 * Math.sin((x + 8 * p) / 41) + 40 * Math.sin(y / 29);
    }
    pictures.push(picture);
  }
  let chunks = [], failed = null;
  const encoder = new VideoEncoder({output: c => chunks.push(c), error: e => { failed = e; }});
  encoder.configure(config);
  const code = async () => {
    chunks = [];
    for (let i = 0; i < frames; i++) {
      const frame = new VideoFrame(pictures[i % 6], {format: 'I420', codedWidth: width, codedHeight: height, timestamp: i * 33333});
      encoder.encode(frame, {keyFrame: i === 0});
      frame.close();
    }
    await encoder.flush();
    if (failed) throw failed;
  };
  if (!decode) return {run: async calls => { for (let n = 0; n < calls; n++) await code(); }, result: () => String(chunks.length), end: () => encoder.close(), how: 'VP8'};
  await code();
  encoder.close();
  let out = 0, last = null;
  const decoder = new VideoDecoder({
    output: f => {
      out++;
      if (last) last.close();
      last = f;
    },
    error: e => { failed = e; },
  });
  decoder.configure({codec: 'vp8'});
  return {
    run: async calls => {
      for (let n = 0; n < calls; n++) {
        out = 0;
        for (const c of chunks) decoder.decode(c);
        await decoder.flush();
        if (failed) throw failed;
      }
    },
    result: async () => {
      const image = new Uint8Array(last.allocationSize()), [plane] = await last.copyTo(image), picture = pictures[(frames - 1) % 6];
      let sum = 0;
      for (let y = 0; y < height; y += 8) {
        for (let x = 0; x < width; x += 8) sum += Math.abs(image[plane.offset + y * plane.stride + x] - picture[y * width + x]);
      }
      const off = sum / (width * height / 64);
      return off < 8 ? String(out) : out + ' frames, off by ' + off.toFixed(1) + ' of 255';
    },
    end: () => {
      if (last) last.close();
      decoder.close();
    },
    how: 'VP8',
  };
};

// stored puts 8 pieces of a megabyte (2^20 bytes) into the browser's store, or fetches them again.
const stored = async fetching => {
  need(window.indexedDB, 'this browser has no storage for pages (IndexedDB)');
  const asked = r => new Promise((done, failed) => {
    r.onsuccess = () => done(r.result);
    r.onerror = () => failed(new Error('storage: ' + r.error));
    r.onblocked = () => failed(new Error('storage: another page holds it'));
  });
  const name = 'speed', pieces = [];
  await asked(indexedDB.deleteDatabase(name));
  const opening = indexedDB.open(name, 1);
  opening.onupgradeneeded = () => opening.result.createObjectStore('pieces');
  const db = await asked(opening);
  for (let p = 0; p < 8; p++) {
    const words = new Int32Array(1 << 18);
    for (let i = 0; i < words.length; i++) words[i] = word(i + (p << 20));
    pieces.push(words);
  }
  const put = () => new Promise((done, failed) => {
    const t = db.transaction('pieces', 'readwrite', {durability: 'strict'});
    pieces.forEach((words, p) => t.objectStore('pieces').put(words, p));
    t.oncomplete = done;
    t.onerror = t.onabort = () => failed(new Error('storage: ' + t.error));
  });
  const get = () => Promise.all(pieces.map((_, p) => asked(db.transaction('pieces').objectStore('pieces').get(p))));
  let got = [];
  if (fetching) await put();
  return {
    run: async calls => {
      for (let n = 0; n < calls; n++) fetching ? got = await get() : await put();
    },
    result: async () => {
      let h = startValue;
      for (const words of fetching ? got : await get()) {
        for (let i = 0; i < words.length; i += 256) h = fold(h, words[i]);
      }
      return String(h >>> 0);
    },
    end: () => {
      db.close();
      indexedDB.deleteDatabase(name);
    },
    how: 'IndexedDB',
  };
};
