// How every page says what it has done. A page that the stage knows no more stops.
const stage = JSON.parse(document.getElementById('stage').textContent);
let seq = 0, over = false;
const atEnd = [];
const post = async (kind, value, detail) => {
  if (over) return;
  const body = JSON.stringify({load: stage.load, seq: ++seq, kind, value, detail});
  try {
    const r = await fetch(stage.post, {method: 'POST', body, keepalive: true, cache: 'no-store'});
    if (r.status === 404 || r.status === 410) {
      over = true;
      for (const f of atEnd) f();
    }
  } catch (e) { /* the link is away; the next post says more */ }
};
const say = text => {
  const note = document.getElementById('note');
  if (note) {
    note.textContent = text;
    note.hidden = !text;
  }
};
// fail shows and reports why the activity cannot be done.
const fail = text => {
  say(text);
  post('problem', 0, {problem: String(text).slice(0, 280)});
};
const round = (x, digits = 0) => Math.round(x * 10 ** digits) / 10 ** digits;
const shown = () => document.visibilityState === 'visible';
addEventListener('error', e => fail('script error: ' + e.message));
addEventListener('unhandledrejection', e => fail('script error: ' + e.reason));
