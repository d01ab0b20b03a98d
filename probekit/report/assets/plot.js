
"use strict";
// Deviation along a section: the zone as a band, the surface as a line, the touches near the plane where they are.
globalThis.probekitPlot = ({ line, limits, touches, states, say, format, length, width }) => {
  const SPACE = "http://www.w3.org/2000/svg";
  const draw = (tag, attributes, text) => {
    const element = document.createElementNS(SPACE, tag);
    for (const [name, value] of Object.entries(attributes)) element.setAttribute(name, value);
    if (text !== undefined) element.textContent = text;
    return element;
  };
  const W = Math.max(260, width), H = 150, left = 50, right = 8, top = 12, low = 26;
  const values = [...line.points.map((p) => p[1]).filter((v) => !Number.isNaN(v)), ...touches.map((t) => t.value), ...(limits ?? []).filter((v) => v !== null)];
  const most = Math.max(1e-6, ...values.map(Math.abs)) * 1.15;
  const x = (s) => left + (s / Math.max(line.length, 1e-9)) * (W - left - right), y = (v) => top + ((most - v) / (2 * most)) * (H - top - low);
  const svg = draw("svg", { class: "plot", viewBox: `0 0 ${W} ${H}`, role: "img", "aria-label": `${say("plot.label")}: ${touches.map((t) => `${t.id} ${length(t.value, 4, true)}`).join("; ")}` });
  const text = (at, up, said, anchor = "middle", kind = "") => svg.append(draw("text", { x: at.toFixed(1), y: up.toFixed(1), "text-anchor": anchor, class: kind }, said));
  if (limits) {
    const [lower, upper] = [limits[0] ?? -most, limits[1] ?? most];
    svg.append(draw("rect", { x: left, width: W - left - right, y: y(upper).toFixed(1), height: (y(lower) - y(upper)).toFixed(1), class: "band" }));
    for (const v of limits) if (v !== null) svg.append(draw("line", { x1: left, x2: W - right, y1: y(v).toFixed(1), y2: y(v).toFixed(1), class: "limit" }));
  }
  svg.append(draw("line", { x1: left, x2: W - right, y1: y(0), y2: y(0), class: "null" }));
  const ticks = limits?.every((v) => v !== null) ? [...new Set([limits[0], 0, limits[1]])] : [-most / 1.15, 0, most / 1.15];
  for (const v of ticks) text(left - 5, y(v) + 4, format(v, 3, true), "end");
  let d = "", pen = false;
  for (const [s, v] of line.points) {
    if (Number.isNaN(v)) { pen = false; continue; }
    d += `${pen ? "L" : "M"}${x(s).toFixed(1)} ${y(v).toFixed(1)}`;
    pen = true;
  }
  svg.append(draw("path", { d, class: "curve" }));
  const named = [];
  for (const t of [...touches].sort((a, b) => a.s - b.s)) {
    if (t.U) svg.append(draw("line", { x1: x(t.s).toFixed(1), x2: x(t.s).toFixed(1), y1: y(t.value + t.U).toFixed(1), y2: y(t.value - t.U).toFixed(1), class: "whisker" }));
    if (states) svg.append(draw("circle", { cx: x(t.s).toFixed(1), cy: y(t.value).toFixed(1), r: 4, class: "plainmark" }));
    else svg.append(draw("use", { href: `#s-${t.word}`, x: (x(t.s) - 6).toFixed(1), y: (y(t.value) - 6).toFixed(1), width: 12, height: 12 }));
    if (t.word === "within" || states) continue;
    let up = y(t.value) + (t.value > 0 ? -9 : 18);
    while (named.some(([a, b]) => Math.abs(a - x(t.s)) < 24 && Math.abs(b - up) < 11)) up += t.value > 0 ? -11 : 11;
    up = Math.min(Math.max(up, 9), H - low);
    named.push([x(t.s), up]);
    text(x(t.s), up, t.id, "middle", "id");
  }
  text(left, H - 6, format(0, 0), "start");
  text((left + W - right) / 2, H - 6, `${say("plot.arc")}, ${say("unit")}`);
  text(W - right, H - 6, format(line.length, 1), "end");
  return svg;
};
