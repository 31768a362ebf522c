/* The read-out: where the pointer (or an arrow key) is on a chart, what each line shows there. It reads the drawn lines
   themselves; without it nothing on the page is missing. This file holds no ampersand and no less-than sign, so that the
   page is well-formed XML too. */
"use strict";
document.querySelectorAll("svg[data-x]").forEach(svg => {
  const scale = text => { const p = text.split(" "), n = p.slice(0, 4).map(Number), log = p[4] === "log";
    const f = log ? Math.log : v => v, g = log ? Math.exp : v => v;
    return { from: n[0], to: n[1], value: px => g(f(n[2]) + (px - n[0]) / (n[1] - n[0]) * (f(n[3]) - f(n[2]))) }; };
  const x = scale(svg.dataset.x), y = scale(svg.dataset.y);
  const lines = [...svg.querySelectorAll("polyline[data-n]")].map(l => ({ name: l.dataset.n, unit: l.dataset.u,
    points: l.getAttribute("points").split(" ").map(p => p.split(",").map(Number)) }));
  if (lines.length === 0) return;
  const show = v => { const a = Math.abs(v); return a >= 1000 ? String(Math.round(v)) : String(Number(v.toPrecision(3))); };
  const time = s => { const a = Math.abs(s); return a >= 5400 ? show(s / 3600) + " h" : a >= 100 ? show(s / 60) + " min" : a >= 1 ? show(s) + " s" : show(s * 1000) + " ms"; };
  const isTime = svg.dataset.label === "time";
  const across = px => isTime ? time(x.value(px)) : svg.dataset.label + " " + show(x.value(px)) + " " + svg.dataset.unit;
  const up = (px, unit) => unit === "" ? time(y.value(px)) : show(y.value(px)) + " " + unit;
  const at = (points, px) => {
    let low = Infinity, high = -Infinity, i = 0;
    const take = v => { low = Math.min(low, v); high = Math.max(high, v); };
    for (const p of points) {
      if (0.6 > Math.abs(p[0] - px)) take(p[1]);
      const b = points[i += 1];
      if (b === undefined) break;
      if (px >= p[0] ? b[0] >= px : false) if (b[0] > p[0]) take(p[1] + (b[1] - p[1]) * (px - p[0]) / (b[0] - p[0]));
    }
    return low > high ? null : [high, low];
  };
  const box = svg.viewBox.baseVal, cursor = document.createElementNS("http://www.w3.org/2000/svg", "line");
  cursor.setAttribute("class", "cursor");
  const read = document.createElement("p");
  read.className = "read";
  svg.parentNode.append(read);
  let now = null;
  const tell = px => {
    now = Math.max(x.from, Math.min(x.to, px));
    for (const k of ["x1", "x2"]) cursor.setAttribute(k, now);
    cursor.setAttribute("y1", y.to); cursor.setAttribute("y2", y.from);
    svg.append(cursor);
    const seen = new Map();
    lines.forEach(l => { const v = at(l.points, now); if (v) seen.set(l.name, [l, v]); });
    const texts = [across(now)];
    seen.forEach(([l, v]) => { const a = up(v[0], l.unit), b = up(v[1], l.unit); texts.push(l.name + " " + (a === b ? a : b + " to " + a)); });
    read.textContent = texts.join(" · ");
  };
  const clear = () => { cursor.remove(); read.textContent = ""; now = null; };
  svg.addEventListener("pointermove", e => { const r = svg.getBoundingClientRect(); tell((e.clientX - r.left) * box.width / r.width); });
  svg.addEventListener("pointerleave", e => { if (e.pointerType === "mouse") clear(); });
  svg.setAttribute("tabindex", "0");
  svg.addEventListener("focus", () => { if (now === null) tell((x.from + x.to) / 2); });
  svg.addEventListener("blur", clear);
  svg.addEventListener("keydown", e => {
    const by = { ArrowLeft: -4, ArrowRight: 4, Home: -1e4, End: 1e4 }[e.key];
    if (by === undefined) return;
    e.preventDefault();
    tell((now === null ? x.from : now) + by);
  });
});
