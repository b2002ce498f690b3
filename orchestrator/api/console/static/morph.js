// morph changes a tree so that it equals another, touching only what differs: focus,
// what somebody has typed or ticked, and what somebody has opened stay.
// What another module writes into holds its content while it bears data-hold.
export function morph(have, want) {
  if (have.dataset && "hold" in have.dataset) return;
  attributes(have, want);
  const next = [...want.childNodes];
  const keyed = new Map();
  for (const c of have.children) if (keyOf(c)) keyed.set(keyOf(c), c);
  let at = have.firstChild;
  for (const w of next) {
    const key = w.nodeType === Node.ELEMENT_NODE ? keyOf(w) : "";
    let h = key ? keyed.get(key) : at;
    if (!key && h && h.nodeType === Node.ELEMENT_NODE && keyOf(h)) h = null; // somebody else's place
    if (!h || !alike(h, w)) {
      have.insertBefore(document.importNode(w, true), at);
      continue;
    }
    if (h !== at) have.insertBefore(h, at);
    else at = at.nextSibling;
    if (h.nodeType === Node.ELEMENT_NODE) morph(h, w);
    else if (h.data !== w.data) h.data = w.data;
  }
  while (at) {
    const after = at.nextSibling;
    at.remove();
    at = after;
  }
}

const keyOf = (e) => e.id || e.dataset?.key || "";

function alike(h, w) {
  return h.nodeType === w.nodeType && h.nodeName === w.nodeName && keyOf(h) === keyOf(w);
}

// What belongs to the person in front of the page.
const theirs = new Set(["open", "value", "checked", "selected", "tabindex"]);

function attributes(have, want) {
  if (have.nodeType !== Node.ELEMENT_NODE) return;
  for (const a of want.attributes) {
    if (have.getAttribute(a.name) !== a.value && !(theirs.has(a.name) && mine(have))) have.setAttribute(a.name, a.value);
  }
  for (const a of [...have.attributes]) {
    if (!want.hasAttribute(a.name) && !theirs.has(a.name)) have.removeAttribute(a.name);
  }
}

const mine = (e) => ["DETAILS", "INPUT", "SELECT", "OPTION", "TEXTAREA"].includes(e.nodeName) && e.type !== "hidden";
