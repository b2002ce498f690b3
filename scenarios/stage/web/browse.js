// Says when all of the page is there, and later how far it was scrolled and by what: a
// finger's touches are trusted events, a script's scrolling is none.
let touches = 0, scrolls = 0, deepest = 0, distance = 0, last = 0, told = 0, painted = 0, timer = 0;
new PerformanceObserver(list => { for (const e of list.getEntries()) if (e.name === 'first-contentful-paint') painted = e.startTime; }).observe({type: 'paint', buffered: true});
addEventListener('touchstart', e => { if (e.isTrusted) touches++; }, {passive: true});
const reach = () => {
  const root = document.documentElement, room = root.scrollHeight - innerHeight;
  return room > 0 ? Math.min(100, 100 * scrollY / room) : 100;
};
const tell = () => {
  timer = 0;
  if (round(deepest) === told) return;
  told = round(deepest);
  post('page', stage.page, {event: 'scroll', reached_pct: told, distance_px: round(distance), scrolls, touches});
};
addEventListener('scroll', () => {
  scrolls++;
  distance += Math.abs(scrollY - last);
  last = scrollY;
  deepest = Math.max(deepest, reach());
  timer ||= setTimeout(tell, 3000);
}, {passive: true});
addEventListener('pagehide', tell);
addEventListener('load', async () => {
  await Promise.allSettled([...document.fonts].map(f => f.load()));
  await new Promise(done => setTimeout(done)); // loadEventEnd is 0 until the handler is over
  const nav = performance.getEntriesByType('navigation')[0], parts = performance.getEntriesByType('resource');
  const broken = [...document.images].filter(i => !i.naturalWidth).length + [...document.fonts].filter(f => f.status === 'error').length;
  post('page', broken ? 0 : stage.page, {
    event: 'load', ttfb_ms: round(nav.responseStart), dom_ms: round(nav.domContentLoadedEventEnd), load_ms: round(nav.loadEventEnd), paint_ms: round(painted),
    bytes: nav.transferSize + parts.reduce((n, p) => n + p.transferSize, 0), parts: parts.length, broken,
    height_px: document.documentElement.scrollHeight, width_px: innerWidth, ratio: devicePixelRatio, navigation: nav.type,
  });
  if (stage.scroll === 'script') roll();
});
// roll scrolls by itself, the same distance in the same time on every handset.
const roll = () => {
  const start = performance.now(), room = document.documentElement.scrollHeight - innerHeight;
  const step = now => {
    const y = Math.min(room, 220 * (now - start) / 1000);
    scrollTo(0, y);
    if (y < room && !over) requestAnimationFrame(step);
  };
  requestAnimationFrame(step);
};
