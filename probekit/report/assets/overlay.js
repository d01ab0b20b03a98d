
"use strict";
// What is drawn over the 3D view in the plane of the screen: names of touches with leaders, axes, scale, colours.
// `of` says what it needs to know: text(row), word(row) or "" for no sign, ids, unit(), number(mm, digits).
globalThis.probekitOverlay = (svg, view, of) => {
  const SPACE = "http://www.w3.org/2000/svg";
  const draw = (tag, attributes = {}, text) => {
    const element = document.createElementNS(SPACE, tag);
    for (const [name, value] of Object.entries(attributes)) element.setAttribute(name, value);
    if (text !== undefined) element.textContent = text;
    return element;
  };
  const HIGH = 24, GAP = 4;
  let rows = [], selected = -1, top = 6, bottom = 44, more = () => [];

  // ---- names in two columns at the edges; leaders that would cross change places ----
  const cross = (a, b) => {
    const side = (p, q, r) => (q.x - p.x) * (r.y - p.y) - (q.y - p.y) * (r.x - p.x);
    return side(a.from, a.at, b.from) * side(a.from, a.at, b.at) < 0 && side(b.from, b.at, a.from) * side(b.from, b.at, a.at) < 0;
  };
  const column = (items, left, width, height) => {
    items.sort((a, b) => a.at.y - b.at.y);
    let y = top;
    const covers = (item, { at }) => {
      const x = left ? 6 : width - 6 - item.wide;
      return at.x > x - 9 && at.x < x + item.wide + 9 && at.y > item.y - 9 && at.y < item.y + HIGH + 9;
    };
    for (const item of items) {
      item.y = Math.max(y, item.at.y - HIGH - 26);
      for (const other of items) if (covers(item, other)) item.y = other.at.y + 12; // a name hides no touch that is named
      y = item.y + HIGH + GAP;
    }
    let floor = height - bottom;
    for (const item of [...items].reverse()) { item.y = Math.max(top, Math.min(item.y, floor - HIGH)); floor = item.y - GAP; }
    const stand = () => {
      for (const item of items) {
        item.x = left ? 6 : width - 6 - item.wide;
        item.end = { x: left ? item.x + item.wide : item.x, y: item.y + HIGH / 2 };
        item.from = { x: item.end.x + (left ? 8 : -8), y: item.end.y };
        if (left ? item.at.x > item.from.x : item.at.x < item.from.x) continue;
        // the touch lies above or below its name: the leader begins there, and does not run behind it
        item.end = { x: Math.max(item.x + 8, Math.min(item.at.x, item.x + item.wide - 8)), y: item.y + (item.at.y > item.end.y ? HIGH : 0) };
        item.from = item.end;
      }
    };
    stand();
    for (let round = 0; round < items.length * items.length; round++) {
      const pair = items.flatMap((a, i) => items.slice(i + 1).map((b) => [a, b])).find(([a, b]) => cross(a, b));
      if (!pair) break;
      [pair[0].y, pair[1].y] = [pair[1].y, pair[0].y]; // the sum of their lengths gets less, so this ends
      stand();
    }
  };
  const place = (width, height) => {
    const wanted = rows.slice(0, width < 600 ? 3 : 7);
    if (selected >= 0 && !wanted.includes(selected)) wanted.push(selected);
    const items = [];
    for (const row of wanted) {
      const at = view.place(row);
      if (!at || at.x < -20 || at.x > width + 20 || at.y < -20 || at.y > height + 20) continue;
      const text = `${of.ids[row]}: ${of.text(row)}`;
      items.push({ row, at, text, wide: Math.min(text.length * 7.7 + (of.word(row) ? 30 : 14), width - 60), far: view.isHidden(row) });
    }
    items.sort((a, b) => a.at.x - b.at.x);
    const half = Math.ceil(items.length / 2);
    items.forEach((item, n) => { item.left = items.length < 2 ? item.at.x < width / 2 : n < half; });
    for (const left of [true, false]) column(items.filter((item) => item.left === left), left, width, height);
    return items;
  };
  const name = (item) => {
    const on = item.row === selected, dash = item.far ? { "stroke-dasharray": "4 3" } : {};
    const box = draw("g", { class: `name${on ? " on" : ""}${item.far ? " far" : ""}`, "data-row": item.row });
    const word = of.word(item.row);
    box.append(draw("rect", { x: item.x, y: item.y, width: item.wide, height: HIGH, rx: 5, class: word ? `w-${word}` : "", ...dash }));
    if (word) box.append(draw("use", { href: `#s-${word.replaceAll(" ", "_")}`, x: item.x + 5, y: item.y + 5, width: 14, height: 14 }));
    box.append(draw("text", { x: item.x + (word ? 23 : 8), y: item.y + 16.5 }, item.text));
    return box;
  };
  const leader = (item) => {
    const d = `M${item.end.x.toFixed(1)} ${item.end.y.toFixed(1)}H${item.from.x.toFixed(1)}L${item.at.x.toFixed(1)} ${item.at.y.toFixed(1)}`;
    return [draw("path", { class: "case", d }), draw("path", { class: `lead${item.far ? " far" : ""}`, d })];
  };
  const ring = (item) => draw("circle", { cx: item.at.x.toFixed(1), cy: item.at.y.toFixed(1), r: item.row === selected ? 12 : 7, class: `ring${item.far ? " far" : ""}` });

  // ---- axes of the part, scale ----
  const axes = (width, height) => {
    const group = draw("g", { class: "triad" }), at = [width - 36, height - 34], letters = [];
    for (const axis of view.axes()) {
      const tip = [at[0] + 20 * axis.x, at[1] + 20 * axis.y], long = Math.hypot(axis.x, axis.y);
      group.append(draw("line", { x1: at[0], y1: at[1], x2: tip[0].toFixed(1), y2: tip[1].toFixed(1), class: `axis-${axis.name}` }));
      // an axis that points at the viewer has its letter beside the middle, where no other letter stands
      let spot = long > 0.25 ? [at[0] + 27 * axis.x / Math.max(long, 0.7), at[1] + 27 * axis.y / Math.max(long, 0.7)] : [at[0] - 12, at[1] + 12];
      for (let k = 0; k < 4 && letters.some((p) => Math.hypot(p[0] - spot[0], p[1] - spot[1]) < 11); k++) spot = [spot[0] - 11, spot[1] + 2];
      letters.push(spot);
      group.append(draw("text", { x: spot[0].toFixed(1), y: (spot[1] + 4).toFixed(1), "text-anchor": "middle" }, axis.name));
    }
    return group;
  };
  const scale = (width, height) => {
    const inch = of.unit() === "in", per = view.scale() * (inch ? 25.4 : 1);
    const room = Math.min(110, width / 4), power = 10 ** Math.floor(Math.log10(room / per));
    const length = [5, 2, 1].map((n) => n * power).find((n) => n * per <= room) ?? power, x = 10 + length * per, y = height - 12;
    const group = draw("g", { class: "scale" });
    group.append(draw("path", { d: `M10 ${y - 5}V${y + 5}M10 ${y}H${x.toFixed(1)}M${x.toFixed(1)} ${y - 5}V${y + 5}` }));
    group.append(draw("text", { x: 12, y: y - 8 }, `${of.decimals(Number(length.toPrecision(2)))} ${of.unit()}`));
    return group;
  };
  const strip = (width, height) => {
    const { colours, ends, says } = of.colours();
    if (!colours.length) return draw("g");
    const wide = Math.min(150, width / 2.6), x = (width - wide) / 2, y = height - 18;
    const group = draw("g", { class: "strip" });
    colours.forEach((colour, k) => group.append(draw("rect", { x: (x + (wide / colours.length) * k).toFixed(2), y, width: (wide / colours.length + 0.6).toFixed(2), height: 10, fill: colour })));
    group.append(draw("rect", { x, y, width: wide, height: 10, class: "frame" }));
    group.append(draw("text", { x, y: y - 4, "text-anchor": "start" }, ends[0]), draw("text", { x: x + wide, y: y - 4, "text-anchor": "end" }, ends[1]));
    group.append(draw("text", { x: x + wide / 2, y: y - 4, "text-anchor": "middle" }, says));
    return group;
  };
  const redraw = () => {
    const width = svg.clientWidth, height = svg.clientHeight;
    if (!width || !height || !view.isSeen()) return;
    svg.setAttribute("viewBox", `0 0 ${width} ${height}`);
    const items = place(width, height);
    svg.replaceChildren(
      ...items.flatMap(leader), ...items.map(ring), axes(width, height), scale(width, height), strip(width, height), ...items.map(name), ...more(draw, width, height),
    );
  };
  view.onDraw(redraw);
  return {
    redraw, draw,
    setRows(list) { rows = list; redraw(); },
    select(row) { selected = row; redraw(); },
    /** Room kept free above and below [px]. */
    setRoom(above, below) { top = above; bottom = below; redraw(); },
    onTop(call) { more = call; redraw(); },
  };
};
