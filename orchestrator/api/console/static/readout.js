// The curves of a run: a line under the pointer with the values there, and zoom by
// dragging. The values are the daemon's samples, fetched once for each segment.
const NS = "http://www.w3.org/2000/svg";
const cache = new Map();

async function samples(segment) {
  if (!cache.has(segment)) {
    cache.set(segment, fetch(`/v1/segments/${encodeURIComponent(segment)}/samples?most=600`).then((a) => (a.ok ? a.json() : [])).catch(() => []));
  }
  return cache.get(segment);
}

export function readout(root) {
  let from = null; // where a drag began, 0 to 1
  const place = (pane, e) => {
    const box = pane.getBoundingClientRect();
    return Math.min(1, Math.max(0, (e.clientX - box.left) / box.width));
  };
  const time = (figure, at) => {
    const a = Date.parse(figure.dataset.from), b = Date.parse(figure.dataset.to);
    return a + at * (b - a);
  };
  const draw = (figure, at) => {
    for (const pane of figure.querySelectorAll(".pane")) {
      let line = pane.querySelector(".cross");
      if (!line) {
        line = document.createElementNS(NS, "line");
        line.setAttribute("class", "cross");
        line.setAttribute("y2", "100%");
        pane.append(line);
      }
      line.setAttribute("x1", `${at * 100}%`);
      line.setAttribute("x2", `${at * 100}%`);
      let band = pane.querySelector(".zoom");
      if (from === null) {
        band?.remove();
        continue;
      }
      if (!band) {
        band = document.createElementNS(NS, "rect");
        band.setAttribute("class", "zoom");
        band.setAttribute("height", "100%");
        pane.append(band);
      }
      band.setAttribute("x", `${Math.min(at, from) * 100}%`);
      band.setAttribute("width", `${Math.abs(at - from) * 100}%`);
    }
  };
  const said = async (t) => {
    const line = document.getElementById("readout");
    if (!line) return;
    line.dataset.hold = "";
    for (const row of document.querySelectorAll(".sg tbody tr[id]")) {
      const list = await samples(row.id);
      if (!list.length || t < Date.parse(list[0].t_host_utc) || t > Date.parse(list.at(-1).t_host_utc)) continue;
      let near = list[0];
      for (const s of list) if (Math.abs(Date.parse(s.t_host_utc) - t) < Math.abs(Date.parse(near.t_host_utc) - t)) near = s;
      const parts = [new Date(near.t_host_utc).toTimeString().slice(0, 8), row.querySelector("th").textContent.trim(), `level ${near.level_pct} %`];
      if (near.battery_temp_c !== undefined) parts.push(`${near.battery_temp_c.toFixed(1)} °C`);
      if (near.voltage_mv !== undefined) parts.push(`${near.voltage_mv} mV`);
      line.textContent = parts.join(", ");
      return;
    }
    line.textContent = `${new Date(t).toTimeString().slice(0, 5)}, between segments`;
  };
  root.addEventListener("pointermove", (e) => {
    const pane = e.target.closest?.(".pane");
    if (!pane) return;
    const figure = pane.closest("figure"), at = place(pane, e);
    draw(figure, at);
    said(time(figure, at));
  });
  root.addEventListener("pointerout", (e) => {
    const figure = e.target.closest?.("figure.run");
    if (!figure || figure.contains(e.relatedTarget)) return;
    delete document.getElementById("readout")?.dataset.hold;
    for (const mark of figure.querySelectorAll(".cross, .zoom")) mark.remove();
  });
  root.addEventListener("pointerdown", (e) => {
    const pane = e.target.closest?.(".pane");
    if (pane && e.button === 0 && e.pointerType !== "touch") from = place(pane, e);
  });
  addEventListener("pointerup", (e) => {
    if (from === null) return;
    const pane = e.target.closest?.(".pane");
    const began = from;
    from = null;
    if (!pane) return;
    const figure = pane.closest("figure"), at = place(pane, e);
    if (Math.abs(at - began) < 0.01) return;
    const iso = (t) => new Date(t).toISOString().replace(/\.\d+Z/, "Z");
    const a = time(figure, Math.min(began, at)), b = time(figure, Math.max(began, at));
    if (b - a < 60_000) return;
    location.assign(`${location.pathname}?from=${iso(a)}&to=${iso(b)}`);
  });
}
