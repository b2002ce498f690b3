// Lanes of the night: one tab stop a lane; arrows go through its blocks, a pointer too,
// and the line below the lanes says what a block was.

let now = null; // the lane's handset and the number of its block

const keyOf = (lane) => lane?.closest("tr")?.dataset.key ?? "";
const laneOf = (key) => [...document.querySelectorAll("svg.ln")].find((l) => keyOf(l) === key);
// In the order of time, which is that of their left edges.
const blocks = (lane) => [...lane.querySelectorAll(".blk")].sort((a, b) => a.getBBox().x - b.getBBox().x);

function show() {
  const lane = now && laneOf(now.key);
  const block = lane && blocks(lane)[now.at];
  for (const b of document.querySelectorAll(".blk.at")) if (b !== block) b.classList.remove("at");
  block?.classList.add("at");
  const line = document.getElementById("tip");
  if (!line) return;
  const text = block ? `${now.key}: ${block.dataset.tip}` : "";
  if (block) line.dataset.hold = "";
  else delete line.dataset.hold;
  if (line.textContent !== text) line.textContent = text;
}

// remark marks the block at hand again after the page has changed in place.
export function remark() {
  if (now) show();
}

export function lanes(root) {
  root.addEventListener("keydown", (e) => {
    const lane = e.target.closest?.("svg.ln");
    if (!lane || !["ArrowLeft", "ArrowRight", "Home", "End"].includes(e.key)) return;
    e.preventDefault();
    const list = blocks(lane), key = keyOf(lane), last = list.length - 1;
    if (last < 0) return;
    const at = now?.key === key ? now.at : -1;
    now = { key, at: { ArrowLeft: at < 0 ? last : Math.max(0, at - 1), ArrowRight: Math.min(last, at + 1), Home: 0, End: last }[e.key] };
    show();
  });
  root.addEventListener("pointerover", (e) => {
    const block = e.target.closest?.(".blk"), lane = block?.closest("svg.ln");
    if (!lane) return;
    now = { key: keyOf(lane), at: blocks(lane).indexOf(block) };
    show();
  });
  root.addEventListener("focusout", (e) => {
    if (!e.target.closest?.("svg.ln")) return;
    now = null;
    show();
  });
}
