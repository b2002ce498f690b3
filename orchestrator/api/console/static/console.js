// Live values for pages that are whole without it. The daemon is the only one that makes
// a page: this fetches the same page again when something has moved, and changes in place
// what differs.
import { morph } from "./morph.js";
import { lanes, remark } from "./lanes.js";
import { readout } from "./readout.js";

const heard = document.getElementById("heard");
const main = () => document.getElementById("main");
const tell = document.getElementById("tell");

// The daemon's clock: where it stood when it was last heard, and how fast it goes (the
// demo's is faster than the wall's).
const clock = { at: performance.now(), now: Date.parse(heard?.dataset.now ?? ""), pace: 1 };
function hear(now) {
  const t = performance.now(), then = Date.parse(now);
  if (t - clock.at > 500) clock.pace = Math.max(0.5, (then - clock.now) / (t - clock.at));
  clock.at = t;
  clock.now = then;
}
const daemonNow = () => clock.now + (performance.now() - clock.at) * clock.pace;

const thin = "\u202f";
function span(ms) {
  const s = Math.max(0, Math.round(ms / 1000));
  if (s < 100) return `${s}${thin}s`;
  const m = Math.round(s / 60);
  if (m < 100) return `${m}${thin}min`;
  if (m < 48 * 60) return `${Math.floor(m / 60)}${thin}h ${String(m % 60).padStart(2, "0")}${thin}min`;
  return `${Math.floor(m / 1440)} days`;
}
const hhmmss = (t) => new Date(t).toTimeString().slice(0, 8);

let lastHeard = performance.now();
function ages() {
  const silent = performance.now() - lastHeard;
  const lost = silent > 10_000;
  document.body.classList.toggle("silent", lost);
  if (heard) {
    heard.classList.toggle("late", lost);
    heard.textContent = lost ? `daemon last heard ${hhmmss(clock.now)}` : `daemon heard ${span(silent)} ago`;
  }
  if (lost) return;
  for (const t of document.querySelectorAll("time[data-age]")) {
    const text = span(daemonNow() - Date.parse(t.dateTime)) + " ago";
    if (t.textContent !== text) t.textContent = text;
  }
}

// Take a page over into this one. Rows do not change places under a pointer or a focus.
function take(html, mayMove) {
  const fresh = new DOMParser().parseFromString(html, "text/html");
  const next = fresh.getElementById("main");
  if (!next) return false;
  const keys = (root) => [...root.querySelectorAll("tr[data-key]")].map((r) => r.dataset.key).join("\n");
  if (!mayMove && keys(next) !== keys(main()) && main().querySelector("tbody tr:hover, tbody tr:focus-within")) return true;
  const before = main().querySelector("h1")?.textContent;
  morph(main(), next);
  remark();
  document.title = fresh.title;
  const after = main().querySelector("h1")?.textContent;
  if (tell && after && after !== before) tell.textContent = after;
  const stamp = fresh.getElementById("heard")?.dataset.now;
  if (stamp) hear(stamp);
  ages();
  return true;
}

let busy = false, again = false, pressing = false, tag = "";
async function refresh() {
  if (still()) {
    again = false;
    return;
  }
  if (busy || pressing || document.hidden) { // a press may move on to another page
    again = true;
    return;
  }
  busy = true;
  again = false;
  try {
    const headers = tag ? { "If-None-Match": tag } : {};
    const answer = await fetch(location.href, { headers, cache: "no-store" });
    const html = await answer.text();
    if (answer.status === 200 && !pressing && !still()) { // else a press has answered meanwhile
      tag = answer.headers.get("ETag") ?? "";
      take(html, false);
    }
  } catch {
    // The daemon is away: the line at the top says since when.
  }
  setTimeout(() => {
    busy = false;
    if (again) refresh();
  }, 1000);
}

// A page that was made for a press stands until the next one; it is not fetched again.
const still = () => main().dataset.still === "1";

function listen() {
  const source = new EventSource("/v1/events");
  const alive = (e) => {
    lastHeard = performance.now();
    if (e.type === "beat") hear(JSON.parse(e.data).now);
  };
  for (const kind of ["beat", "bench", "gap", "state", "segment", "queue", "link", "night", "annotation", "set aside", "collected", "prompt", "notice", "power", "level"]) {
    source.addEventListener(kind, (e) => {
      alive(e);
      if (kind !== "beat") refresh();
    });
  }
  addEventListener("pagehide", () => source.close(), { once: true });
}

// A form answers in place.
async function press(form, button) {
  const data = new URLSearchParams(new FormData(form, button));
  const get = (button?.getAttribute("formmethod") ?? form.method) === "get";
  const action = button?.hasAttribute("formaction") ? button.formAction : form.action;
  const url = get ? `${action}?${data}` : action;
  button?.setAttribute("aria-busy", "true");
  pressing = true;
  try {
    const answer = await fetch(url, get ? {} : { method: "POST", body: data });
    const html = await answer.text();
    if (!answer.headers.get("Content-Type")?.startsWith("text/html") || !take(html, true)) {
      location.assign(url);
      return;
    }
    tag = "";
    // What a press answered without moving on has no address of its own.
    main().dataset.still = answer.redirected || get ? "" : "1";
    if (answer.redirected || get) {
      history.pushState(null, "", answer.redirected ? answer.url : url);
      nav();
    }
    const said = main().querySelector(".said");
    (said ?? main()).setAttribute("tabindex", "-1");
    (said ?? main()).focus({ preventScroll: !said });
  } catch {
    form.submit();
  } finally {
    button?.removeAttribute("aria-busy");
    pressing = false;
    if (again) refresh();
  }
}

function nav() {
  const here = "/" + location.pathname.split("/")[1].replace(/^runs$/, "run");
  for (const a of document.querySelectorAll("nav a")) {
    if (new URL(a.href).pathname === here) a.setAttribute("aria-current", "page");
    else a.removeAttribute("aria-current");
  }
}

document.addEventListener("submit", (e) => {
  const form = e.target;
  if (e.submitter?.getAttribute("aria-disabled") === "true") {
    e.preventDefault();
    return;
  }
  if (form.action.endsWith("/leave")) return;
  e.preventDefault();
  press(form, e.submitter);
});
addEventListener("popstate", () => location.reload());
document.addEventListener("visibilitychange", () => {
  if (!document.hidden && again) refresh();
});

lanes(document);
readout(document);
setInterval(ages, 1000);
listen();
