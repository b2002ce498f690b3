// Lanes of the night: one tab stop a lane; arrows go through its blocks, a pointer too,
// and the line below the lanes says what a block was.
export function lanes(root) {
  const say = (text) => {
    const line = document.getElementById("tip");
    if (line && line.textContent !== text) line.textContent = text;
  };
  const mark = (lane, block) => {
    for (const b of document.querySelectorAll(".blk.at")) b.classList.remove("at");
    block?.classList.add("at");
    const name = lane?.closest("tr")?.querySelector(".nm")?.textContent ?? "";
    say(block ? `${name}: ${block.dataset.tip}` : "");
  };
  // In the order of time, which is that of their left edges.
  const blocks = (lane) => [...lane.querySelectorAll(".blk")].sort((a, b) => a.getBBox().x - b.getBBox().x);
  root.addEventListener("keydown", (e) => {
    const lane = e.target.closest?.("svg.ln");
    if (!lane || !["ArrowLeft", "ArrowRight", "Home", "End"].includes(e.key)) return;
    e.preventDefault();
    const list = blocks(lane);
    if (!list.length) return;
    const at = list.findIndex((b) => b.classList.contains("at"));
    const to = { ArrowLeft: at < 0 ? list.length - 1 : Math.max(0, at - 1), ArrowRight: Math.min(list.length - 1, at + 1), Home: 0, End: list.length - 1 }[e.key];
    mark(lane, list[to]);
  });
  root.addEventListener("pointerover", (e) => {
    const block = e.target.closest?.(".blk");
    if (block) mark(block.closest("svg.ln"), block);
  });
  root.addEventListener("focusout", (e) => {
    if (e.target.closest?.("svg.ln")) mark(null, null);
  });
}
