// Kernels one after the other with rests between them: each is prepared, called until it takes long enough for the
// browser's clock, and repeated until the middle of its times is known or a limit is met. A repeat during which the
// page was not shown is not counted: browsers give such pages less time, or none. Each kernel is told when it begins
// and when it has ended; one that cannot be measured says why, and the next follows.
const plan = stage.speed, nowLine = document.getElementById('now'), list = document.getElementById('rates');
atEnd.push(() => { for (const w of alive) w.terminate(); });
const threads = stage.workers || navigator.hardwareConcurrency || 4, pause = ms => new Promise(d => setTimeout(d, ms));
let hides = 0;
document.addEventListener('visibilitychange', () => {
  if (!shown()) hides++;
});
const whenShown = () => new Promise(done => {
  const look = () => {
    if (!shown()) return;
    document.removeEventListener('visibilitychange', look);
    done();
  };
  document.addEventListener('visibilitychange', look);
  look();
});
// step is how finely the browser's clock goes, ms: the least step seen.
const clockStep = () => {
  let least = Infinity, seen = 0, before = performance.now();
  const until = before + 600;
  while (seen < 30 && before < until) {
    const now = performance.now();
    if (now > before) {
      least = Math.min(least, now - before);
      seen++;
    }
    before = now;
  }
  return least === Infinity ? 1000 : least;
};
// Which browser it is: the last product of its name that says more than what it is compatible with.
const browser = () => {
  const brand = (navigator.userAgentData ? navigator.userAgentData.brands : []).filter(b => !/not.?a.?brand/i.test(b.brand.replace(/[^a-z]/gi, '')));
  const products = [...navigator.userAgent.matchAll(/([A-Za-z]+)\/([\d.]+)/g)].map(m => [m[1], m[2]]);
  const common = ['Mozilla', 'AppleWebKit', 'Gecko', 'Safari', 'Mobile', 'Version', 'Chrome'];
  const own = products.filter(p => !common.includes(p[0])).pop() || products.filter(p => ['Chrome', 'Version', 'Gecko'].includes(p[0])).pop() || products[0];
  if (own) return own;
  return brand.length ? [brand[0].brand, brand[0].version] : ['not known', ''];
};
const alive = []; // threads of the kernel at hand
// ask gives a thread a message and waits for its answer.
const ask = (w, message) => new Promise((done, failed) => {
  w.onmessage = e => e.data.failed ? failed(new Error(e.data.failed)) : done(e.data);
  w.onerror = e => failed(new Error('a thread ended: ' + (e.message || 'it does not say why')));
  w.postMessage(message);
});
// threaded is a kernel of speedwork.js on n threads. Calls are handed out a few at a time: threads on slow cores take fewer.
const threaded = async (name, n) => {
  need(window.Worker, 'this browser has no threads for pages (Worker)');
  const workers = Array.from({length: n}, () => new Worker(plan.work_script));
  alive.push(...workers);
  let result = null, odd = null;
  const heard = d => {
    const wrong = d.odd !== null ? d.odd : result !== null && d.result !== result ? d.result : null;
    if (wrong !== null && odd === null) odd = wrong;
    if (result === null) result = d.result;
    return d.ms;
  };
  await Promise.all(workers.map(w => ask(w, {prepare: name})));
  return {
    run: async calls => {
      if (n === 1) return heard(await ask(workers[0], {calls}));
      let left = calls * n;
      const some = Math.max(1, Math.floor(calls / 32));
      await Promise.all(workers.map(async w => {
        while (left > 0) {
          const take = Math.min(some, left);
          left -= take;
          heard(await ask(w, {calls: take}));
        }
      }));
    },
    result: () => String(odd === null ? result : odd),
  };
};
const prepare = k => {
  if (pageKernels[k.name]) return pageKernels[k.name]();
  if (gpuKernels[k.name]) return gpuKernels[k.name]();
  return threaded(k.name.replace(/, all threads$/, ''), k.all ? threads : 1);
};
// bounded ends the wait for what never comes. Seconds in which the page is not shown do not count: it may stand still then.
const bounded = (promise, seconds) => {
  let timer, left = seconds;
  const late = new Promise((_, failed) => {
    timer = setInterval(() => {
      if (shown() && --left < 0) failed(new Error('it did not end within ' + seconds + ' s'));
    }, 1000);
  });
  return Promise.race([promise, late]).finally(() => clearInterval(timer));
};
// within is the half width of the 95 % interval of the middle of times, as a part of it: between two of them in order,
// whatever their distribution (David and Nagaraja, Order Statistics, 2003, section 7.1).
const within = times => {
  const n = times.length, sorted = [...times].sort((a, b) => a - b);
  let rank = 0, below = 0.5 ** n, term = below;
  while (2 * below <= 0.05) {
    rank++;
    term *= (n - rank + 1) / rank;
    below += term;
  }
  rank = Math.max(rank, 1);
  return (sorted[n - rank] - sorted[rank - 1]) / 2 / middle(sorted);
};
const middle = sorted => (sorted[sorted.length - 1 >> 1] + sorted[sorted.length >> 1]) / 2;

const measure = async (k, step) => {
  const longEnough = Math.max(plan.repeat_ms, Math.min(plan.steps_least * step, 5000)), detail = {kernel: k.name, threads: k.all ? threads : 1};
  let work = null;
  try {
    work = await bounded(prepare(k), 60);
    let calls = 1, hidden = 0, result = '';
    const repeat = async () => {
      for (;;) {
        await whenShown();
        const before = hides, began = performance.now();
        const own = await bounded(work.run(calls), 60), ms = own || performance.now() - began;
        if (hides === before && shown()) return ms;
        if (++hidden > 20) throw new Error('the page was not shown while it was to be measured');
      }
    };
    // Until it takes long enough: these calls also warm it up, as a browser translates what is called often.
    for (let ms = await repeat(), n = 0; n < 24 && (ms < longEnough || n < 2); n++) {
      if (ms < longEnough) calls = Math.ceil(calls * Math.min(16, Math.max(1.1, 1.15 * longEnough / Math.max(ms, step, 0.001))));
      ms = await repeat();
    }
    const times = [], until = performance.now() + plan.kernel_s * 1000;
    while (times.length < plan.repeats_most && (performance.now() < until || times.length < 3)) {
      times.push(round(Math.max(await repeat(), step), 3));
      const came = await work.result();
      if (result === '' || came !== result && !k.near) result = came;
      if (k.near ? Math.abs(came - k.want) > k.near : came !== k.want) {
        result = came;
        break;
      }
      if (times.length >= 6 && within(times) <= plan.within_pct / 100) break;
      await pause(0);
    }
    while (times.length < 3) times.push(times[0]); // of a wrong result, which is no rate
    Object.assign(detail, {calls, ms: times, result, hidden, how: work.how || ''});
  } catch (e) {
    detail.reason = String(e.message || e).slice(0, 280);
  }
  try {
    if (work && work.end) work.end();
  } catch (e) { /* what it used is gone already */ }
  for (const w of alive.splice(0)) w.terminate();
  return detail;
};
const show = (k, text) => {
  const row = document.createElement('div');
  for (const t of [k.name, text]) row.appendChild(document.createElement('span')).textContent = t;
  list.append(row);
  if (list.scrollHeight > list.clientHeight) list.firstChild.remove();
};
// deliver posts until the stage has taken it: a rate is told once, and a link may be away.
const deliver = async (value, detail) => {
  const body = () => JSON.stringify({load: stage.load, seq: ++seq, kind: 'kernel', value, detail});
  for (let wait = 1000; !over; wait = Math.min(2 * wait, 15000)) {
    try {
      const r = await fetch(stage.post, {method: 'POST', body: body(), cache: 'no-store'});
      if (r.status === 404 || r.status === 410) {
        over = true;
        for (const f of atEnd) f();
      }
      if (r.status !== 429 && r.status < 500) return;
    } catch (e) { /* the link is away */ }
    await pause(wait);
  }
};
(async () => {
  await whenShown();
  const step = clockStep(), [name, version] = browser();
  const about = {browser: name, browser_version: version, cores: navigator.hardwareConcurrency || 0, clock_ms: round(step, 4), isolated: window.crossOriginIsolated === true, secure: isSecureContext, agent: navigator.userAgent.slice(0, 300)};
  let n = 0;
  for (const k of plan.measure) {
    n++;
    if (over || (plan.done || []).includes(k.name)) continue;
    const at = {number: n, of: plan.measure.length};
    if ((plan.skip || []).includes(k.name)) {
      await deliver(0, {kernel: k.name, ...at, ...about, reason: 'the page ended twice while it was measured: the browser may have closed it for memory'});
      continue;
    }
    nowLine.textContent = n + ' of ' + plan.measure.length + ': ' + k.name;
    await deliver(0, {kernel: k.name, begun: true});
    const detail = await measure(k, step), times = detail.ms ? [...detail.ms].sort((a, b) => a - b) : [];
    const rate = times.length ? k.work * detail.calls * detail.threads * 1000 / middle(times) : 0;
    const wrong = !detail.reason && (k.near ? !(Math.abs(detail.result - k.want) <= k.near) : detail.result !== k.want);
    show(k, detail.reason || (wrong ? 'wrong result' : rate.toPrecision(4) + ' ' + k.unit));
    await deliver(rate, {...detail, ...at, ...about});
    if (n < plan.measure.length) await pause(plan.pause_s * 1000);
  }
  nowLine.textContent = 'Done';
  over = true;
})();
