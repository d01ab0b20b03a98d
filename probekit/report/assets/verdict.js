
"use strict";
// What a report can do with its view: needles, cut, doubt, states, faces, measuring, and the card beside it.
globalThis.probekitReport = (page) => {
  const { $, $$, make, data, touches, ids, view, overlay, kind, say, format, length } = page;
  const sheet = $(".sheet"), note = $(".exaggerated"), tip = $(".tip"), places = $("#places");
  for (const button of $$(".chips [aria-pressed], #measure")) button.setAttribute("aria-pressed", "false");
  const pressed = (button, on) => { button.setAttribute("aria-pressed", String(on)); return on; };
  const toggle = (button) => pressed(button, button.getAttribute("aria-pressed") !== "true");

  // ---- the card: raised on a narrow screen, the part then moves into what is left ----
  const raise = (up) => {
    sheet.classList.toggle("up", up);
    $(".grip").setAttribute("aria-expanded", String(up));
    if (view && innerWidth <= 860) {
      const stage = $(".stage").getBoundingClientRect(), top = sheet.getBoundingClientRect().top;
      view.setCovered(up ? Math.max(0, Math.min(stage.bottom - top, stage.height - 120)) : 0);
    } else view?.setCovered(0);
  };
  raise(false);
  $(".grip").addEventListener("click", () => raise(!sheet.classList.contains("up")));
  addEventListener("resize", () => { if (innerWidth > 860) raise(false); });
  $("#brief").addEventListener("change", (event) => document.body.classList.toggle("brief", event.target.checked));
  let measuring = -1;
  page.onSelect = (row, before) => {
    places.hidden = row >= 0;
    sheet.scrollTop = 0;
    if (!view) return;
    if (measuring >= 0 && row >= 0 && row !== measuring) measured(measuring, row);
    if (row < 0) { measuring = -1; pressed($("#measure"), false); line?.set([]); view?.redraw(); }
    else if ($("#measure").getAttribute("aria-pressed") === "true" && measuring < 0) measuring = row;
    drawNeedles();
  };
  if (!view) return;

  // ---- what is said over the picture whenever it is not the plain deviation ----
  let factor = 1, needles = false, doubt = false, state = null, offered = [];
  const told = () => {
    const said = [
      state ? state.said : "",
      needles ? `${say("note.needles")} \u00d7 ${scale}` : "",
      doubt ? `${say("note.doubt")} ${length(view.surface.doubtStep, 3)}` : "",
      factor === 0 ? say("note.nominal") : factor !== 1 ? `${say("note.shape")} \u00d7 ${factor}` : "",
    ].filter(Boolean);
    note.textContent = said.join("; ");
    note.hidden = !said.length;
    const compare = $(".compare");
    overlay.setRoom(6 + (compare.hidden ? 0 : 46) + (note.hidden ? 0 : Math.max(note.offsetHeight, 30) + 6), 44);
  };
  page.colours = () => (doubt
    ? { colours: view.surface.doubts, ends: [format(0, 0), `> ${format(3 * view.surface.doubtStep, 3)}`], says: `${say("strip.doubt")} ${page.unit()}` }
    : { colours: data.stops, ends: [format(-data.span, 2, true), format(data.span, 2, true)], says: page.unit() });

  // ---- needles: the deviation as a length, so many times larger that half a zone is 6 % of the part ----
  const zones = data.limits.map(([, lower, upper]) => Math.max(Math.abs(lower ?? 0), Math.abs(upper ?? 0))).filter((v) => v > 0);
  const nice = (v) => { const p = 10 ** Math.floor(Math.log10(v)); return [5, 2, 1].map((s) => s * p).find((s) => s <= v * 1.0001) ?? p; };
  const scale = nice((0.12 * view.radius) / (zones.length ? Math.max(...zones) : data.span));
  const inks = Object.fromEntries(Object.entries(data.glyphs.shapes).map(([word, shape]) => [word, view.ribbons.make(word === "undecided" ? "#8a6a00" : shape.colour, { lift: 4e-4, order: 3 })]));
  const plainInk = view.ribbons.make("#566072", { lift: 4e-4, order: 3 }), ticks = view.ribbons.make("#1b2330", { width: 1.2, lift: 4e-4, order: 3 });
  const drawNeedles = () => {
    if (!view) return;
    const points = Object.fromEntries(Object.keys(inks).map((word) => [word, []])), bare = [], ends = [], most = 0.3 * view.radius;
    for (let row = 0; needles && row < ids.length; row++) {
      const d = kind.value(row), at = view.point(row);
      if (d === null || !at || !page.isShown(row)) continue;
      const n = view.outward(row), along = (v) => at.map((x, k) => x + n[k] * Math.max(-most, Math.min(most, v * scale)));
      (state ? bare : points[touches.word[row]]).push(...at, ...along(d));
      const [lower, upper] = [touches.lower?.[row] ?? null, touches.upper?.[row] ?? null];
      if (row !== page.selected() && !(touches.margin?.[row] < 0 && !state)) continue;
      const flat = Math.abs(n[2]) < 0.9 ? [-n[1], n[0], 0] : [0, -n[2], n[1]], long = Math.hypot(...flat), half = 1.2 * data.glyphs.size;
      for (const limit of [lower, upper]) {
        if (limit === null) continue;
        const z = along(limit);
        ends.push(...z.map((x, k) => x - (half * flat[k]) / long), ...z.map((x, k) => x + (half * flat[k]) / long));
      }
    }
    for (const [word, list] of Object.entries(points)) inks[word].set(list);
    plainInk.set(bare);
    ticks.set(ends);
    view.redraw();
  };
  $("#needles").addEventListener("click", (event) => { needles = toggle(event.currentTarget); drawNeedles(); told(); });
  page.onChange(() => { drawNeedles(); told(); });

  // ---- the cut ----
  const section = globalThis.probekitSection(view.surface), box = $("#cut"), [low, high] = data.frame;
  const curve = view.ribbons.make("#1b2330", { width: 2.6, lift: 6e-4, order: 4 }), edge = view.ribbons.make("#0b4f8a", { width: 1.2 });
  box.hidden = true; // in a copy of the live page it may stand open
  let cutting = false, axis = 2, at = [...low.keys()].map((k) => low[k] + 0.5 * (high[k] - low[k]));
  const AXES = ["x", "y", "z"];
  const plot = () => {
    const normal = AXES.map((_, k) => (k === axis ? 1 : 0)), found = section.cut(normal, at[axis]), points = [];
    for (let i = 0; i < found.pieces.length; i += 2) points.push(...found.pieces[i].slice(0, 3), ...found.pieces[i + 1].slice(0, 3));
    curve.set(points);
    const [p, q] = [0, 1, 2].filter((k) => k !== axis), corner = (a, b) => { const c = [0, 0, 0]; c[axis] = at[axis]; c[p] = a; c[q] = b; return c; };
    const frame = [corner(low[p], low[q]), corner(high[p], low[q]), corner(high[p], high[q]), corner(low[p], high[q])];
    edge.set(frame.flatMap((c, k) => [...c, ...frame[(k + 1) % 4]]));
    view.redraw();
    const line_ = section.longest(found), place = $(".curve-here", box);
    if (!line_ || !line_.known) { place.replaceChildren(make("p", say("cut.none"), "small")); return; }
    const near = [], reach = 0.012 * view.radius * 2, face = view.surface.mesh.faces[line_.face];
    for (let row = 0; row < ids.length; row++) {
      const where = view.point(row), value = kind.value(row);
      if (!where || value === null || touches.face?.[row] !== face || Math.abs(where[axis] - at[axis]) > reach || !page.isShown(row)) continue;
      let best = Infinity, s = 0;
      for (const one of line_.points) { const d = Math.hypot(one[2] - where[0], one[3] - where[1], one[4] - where[2]); if (d < best) { best = d; s = one[0]; } }
      if (best < 2 * reach) near.push({ id: ids[row], s, value, word: touches.word[row], U: state ? 0 : 2 * (touches.u_judged?.[row] ?? 0) });
    }
    const limits = view.surface.mesh.faceLimits[line_.face];
    place.replaceChildren(globalThis.probekitPlot({ line: line_, limits, touches: near, states: Boolean(state), say, format, length, width: sheet.clientWidth - 30 }), make("p", say("cut.says"), "small"));
  };
  const openCut = () => {
    box.hidden = !cutting;
    box.replaceChildren();
    if (!cutting) { curve.set([]); edge.set([]); view.redraw(); return; }
    const head = make("div", undefined, "cutting"), choice = make("select"), slider = make("input"), title = make("h2");
    AXES.forEach((name, k) => { const one = make("option", name); one.selected = k === axis; choice.append(one); });
    choice.setAttribute("aria-label", say("cut.across"));
    slider.type = "range";
    slider.setAttribute("aria-label", say("cut.at"));
    const set = () => {
      const step = (high[axis] - low[axis]) / 400 || 1;
      Object.assign(slider, { min: low[axis] + step, max: high[axis] - step, step });
      slider.value = at[axis];
      tell();
    };
    const tell = () => {
      title.textContent = `${say("cut.title")} ${AXES[axis]} = ${length(at[axis], 1)}`;
      slider.setAttribute("aria-valuetext", `${AXES[axis]} = ${length(at[axis], 1)}`);
    };
    choice.addEventListener("change", () => { axis = choice.selectedIndex; set(); plot(); });
    slider.addEventListener("input", () => { at[axis] = Number(slider.value); tell(); plot(); });
    head.append(title, choice, slider);
    box.append(head, make("div", undefined, "curve-here"));
    set();
    plot();
  };
  $("#section").addEventListener("click", (event) => {
    cutting = toggle(event.currentTarget);
    if (cutting && page.selected() >= 0) {
      const where = view.point(page.selected());
      if (where) at = [...where];
    } else if (cutting && data.labels.length) {
      const where = view.point(data.labels[0]);
      if (where) at = [...where];
    }
    openCut();
    sheet.scrollTop = 0;
  });
  page.onChange(() => { if (cutting) openCut(); });

  // ---- states ----
  const named = () => {
    const said = (one) => {
      if (one.name === "as clamped") return say("clamped.text");
      return `${say("offset.text")} ${page.decimals((/\(.*\)/.exec(one.text) ?? [""])[0])}`; // how much, of which tolerance
    };
    offered = data.states.map((one) => ({ ...one, title: say(`state.${one.name}`), said: said(one) }));
    page.state.all = offered;
    if (state) state = offered.find((one) => one.name === state.name);
    $(".compare").replaceChildren(...[null, ...offered].map((one) => {
      const button = make("button", one ? one.title : say("state.now"));
      button.type = "button";
      button.setAttribute("aria-pressed", String((one?.name ?? null) === (state?.name ?? null)));
      button.addEventListener("click", () => { state = one; named(); page.setState(one); });
      return button;
    }));
  };
  $("#compare").hidden = !data.states.length;
  $(".compare").hidden = true;
  $("#compare").addEventListener("click", (event) => {
    const on = toggle(event.currentTarget);
    $(".compare").hidden = !on;
    if (!on && state) { state = null; named(); page.setState(null); }
    told();
  });
  let spoken = "";
  page.onChange(() => { const now = `${say("state.now")} ${page.decimals("0.1")}`; if (spoken !== now) { spoken = now; named(); page.read(); } });

  // ---- doubt ----
  $("#doubt").hidden = !view.surface.hasDoubt;
  $("#doubt").addEventListener("click", (event) => { doubt = toggle(event.currentTarget); view.setDoubt(doubt); told(); });

  // ---- the panel ----
  const panel = $(".panel"), more = $("#more");
  const open = (on) => { panel.hidden = !on; more.setAttribute("aria-expanded", String(on)); };
  open(false);
  more.addEventListener("click", () => open(panel.hidden));
  panel.addEventListener("keydown", (event) => { if (event.key === "Escape") { open(false); more.focus(); } });
  $("#look").addEventListener("change", (event) => {
    const at_ = event.target.selectedIndex - 1;
    if (at_ < 0) { view.showWhole(); return; }
    view.lookFrom([0, 1, 2].map((k) => (k === at_ >> 1 ? (at_ % 2 ? -1 : 1) : 0)));
  });
  const slider = $("#exaggeration"), largest = Math.max(1e-9, ...touches.deviation.map((d) => Math.abs(d ?? 0)));
  const factors = [0, 1, 2, 5, 10, 20, 50, 100, 200, 500, 1000].filter((n) => n <= 1 || n * largest <= 0.12 * view.radius);
  slider.max = factors.length - 1;
  const exaggerate = () => {
    factor = factors[Number(slider.value)];
    const text = factor === 0 ? say("shape.nominal") : factor === 1 ? say("shape.true") : `${say("shape.by")} \u00d7 ${factor}`;
    $("output[for=exaggeration]").textContent = text;
    slider.setAttribute("aria-valuetext", text);
    view.setFactor(factor);
    drawNeedles();
    told();
  };
  slider.addEventListener("input", exaggerate);
  page.onChange(exaggerate);
  $("#shade").addEventListener("change", (event) => view.setShade(event.target.checked));
  for (const old of $$("#faces label")) old.remove();
  const boxes = data.mesh.faces.map((name, face) => {
    const label = make("label"), one = make("input");
    one.type = "checkbox";
    one.checked = true;
    one.addEventListener("change", () => { view.setFaces(boxes.flatMap((b, k) => (b.checked ? [] : [k]))); if (cutting) plot(); });
    label.append(one, name);
    if (data.mesh.faceCounts[face]) $("#faces").append(label);
    return one;
  });

  // ---- measuring between two touches ----
  const line = view.ribbons.make("#0b4f8a", { width: 1.6, lift: 8e-4, order: 5 });
  const names = [["cx", "cy", "cz"], ["x0", "y0", "z0"]];
  const between = (a, b, columns) => {
    const of = (row) => columns.map((n) => touches[n]?.[row] ?? null), [p, q] = [of(a), of(b)];
    return [...p, ...q].includes(null) ? null : q.map((v, k) => v - p[k]);
  };
  const measured = (a, b) => {
    const [real, wanted] = names.map((columns) => between(a, b, columns)), [p, q] = [view.point(a), view.point(b)];
    if (p && q) { line.set([...p, ...q]); view.redraw(); }
    const out = make("p", undefined, "measured");
    const three = (v) => v.map((x, k) => `${AXES[k]} ${format(x, 3, true)}`).join(", ");
    out.append(`${say("measure.between")} ${ids[a]}: `);
    if (real) out.append(make("b", `${say("measure.distance")} ${length(Math.hypot(...real), 4)}`), ` (${three(real)})`);
    else out.append("\u2013");
    if (wanted) out.append(`; ${say("measure.nominal")} ${length(Math.hypot(...wanted), 4)}`);
    $("#reading").querySelector("h2").after(out);
  };
  $("#measure").addEventListener("click", (event) => {
    const on = toggle(event.currentTarget);
    measuring = on ? page.selected() : -1;
    if (!on) { line.set([]); view.redraw(); }
  });

  // ---- under the pointer ----
  let asked = 0;
  const canvas = $("canvas");
  canvas.addEventListener("pointermove", (event) => {
    if (event.buttons || event.pointerType === "touch" || asked) return;
    const frame = canvas.getBoundingClientRect(), x = event.clientX - frame.left, y = event.clientY - frame.top;
    asked = requestAnimationFrame(() => {
      asked = 0;
      const row = view.pickAt(x, y, 8), found = row >= 0 ? null : view.surfaceAt(x, y);
      tip.textContent = row >= 0 ? `${ids[row]}: ${kind.label(row)}`
        : found ? `${found.face}: ${found.value === null ? say("tip.none") : `${length(found.value, 3, true)}, ${say("tip.between")}`}` : "";
      tip.hidden = !tip.textContent;
    });
  });
  canvas.addEventListener("pointerleave", () => { tip.hidden = true; });
  named();
};
