
"use strict";
// Two views of the same model: one camera for both, one chosen touch.
(async () => {
  const root = document.documentElement, $ = (selector) => document.querySelector(selector);
  root.classList.remove("no3d");
  root.classList.add("js");
  const saying = globalThis.probekitSaying(JSON.parse($("#data").textContent).words), { say, format, length, unit, decimals } = saying;
  const without = () => { root.classList.add("no3d"); $(".nogl").hidden = false; };
  let sides;
  try {
    sides = await Promise.all([["data", "left"], ["second", "right"]].map(async ([block, id]) => {
      const data = await globalThis.probekitUnpack(JSON.parse($(`#${block}`).textContent)), canvas = $(`#${id}`), touches = data.touches;
      const view = globalThis.probekitView(canvas, data);
      if (!view) throw new Error("no WebGL");
      const value = (row) => touches.deviation[row] ?? null;
      const overlay = globalThis.probekitOverlay(canvas.nextElementSibling, view, {
        ids: touches.touch, text: (row) => (value(row) === null ? say(`word.${touches.word[row]}`) : format(value(row), 3, true)), word: (row) => touches.word[row], unit, decimals,
        colours: () => ({ colours: data.stops, ends: [format(-data.span, 2, true), format(data.span, 2, true)], says: unit() }),
      });
      overlay.setRows(data.labels);
      canvas.addEventListener("webglcontextlost", (event) => { event.preventDefault(); without(); });
      return { canvas, view, overlay, touches, value, rows: new Map(touches.touch.map((one, row) => [one, row])) };
    }));
  } catch (error) {
    console.warn("The 3D view did not start.", error);
    without();
    return;
  }

  // ---- one camera: what one does the other follows, and not back ----
  let following = false;
  sides[1].view.setPose(sides[0].view.pose()); // each came with a direction of its own
  sides.forEach((side, k) => side.view.onTurn(() => {
    if (following) return;
    following = true;
    sides[1 - k].view.setPose(side.view.pose());
    following = false;
  }));

  const apart = new Set(JSON.parse($("main").dataset.apart)); // touches with one number at two places
  let selected = null;
  const select = (id, turn = false) => {
    selected = id;
    const said = [];
    sides.forEach(({ view, overlay, touches, value, rows }, k) => {
      const row = id === null ? -1 : rows.get(id) ?? -1;
      view.setStates(touches.touch.map((_, n) => (n === row ? 1.7 : 1)));
      overlay.select(row);
      if (row >= 0 && turn && !said.length) view.turnTo(row);
      if (row >= 0) said.push(`${say(["two.left", "two.right"][k]).toLowerCase()} ${say(`word.${touches.word[row]}`)}${value(row) === null ? "" : ` ${length(value(row), 4, true)}`}`);
    });
    const values = sides.map(({ value, rows }) => (rows.has(id) ? value(rows.get(id)) : null));
    if (apart.has(id)) said.push(say("two.places"));
    else if (values.every((v) => v !== null)) said.push(`${say("two.difference")} ${length(values[1] - values[0], 4, true)}`);
    $("#reading").removeAttribute("data-w"); // what stands there is no longer the hint
    $("#reading").textContent = id === null ? say("two.none") : `${say("touch")} ${id}: ${said.join("; ")}`;
    for (const tr of document.querySelectorAll("#touches tbody tr")) tr.classList.toggle("on", tr.querySelector("a")?.textContent === id);
  };
  saying.onRewrite(() => {
    if (!$("#reading").dataset.w) select(selected);
    for (const { view } of sides) view.redraw();
  });
  const whole = () => { select(null); sides[0].view.showWhole(); };
  $("#whole").addEventListener("click", whole);
  document.addEventListener("click", (event) => {
    const a = event.target.closest?.("a[href^='#touch=']") ?? event.target.closest?.("#touches tbody tr")?.querySelector("a");
    if (!a) return;
    event.preventDefault();
    select(decodeURIComponent(a.getAttribute("href").slice(7)), true);
    $("#view").scrollIntoView({ block: "nearest" });
  });
  for (const { canvas, view, touches } of sides) {
    let down = null;
    canvas.addEventListener("pointerdown", (event) => { down = [event.clientX, event.clientY]; });
    canvas.addEventListener("pointerup", (event) => {
      if (!down || Math.hypot(event.clientX - down[0], event.clientY - down[1]) > 5) return;
      const box = canvas.getBoundingClientRect(), row = view.pickAt(event.clientX - box.left, event.clientY - box.top, event.pointerType === "touch" ? 18 : 8);
      select(row < 0 ? null : touches.touch[row]);
    });
    canvas.addEventListener("keydown", (event) => {
      const act = {
        ArrowRight: () => view.turnBy(0.2, 0), ArrowLeft: () => view.turnBy(-0.2, 0), ArrowUp: () => view.turnBy(0, 0.2), ArrowDown: () => view.turnBy(0, -0.2),
        Escape: whole, "+": () => view.zoomBy(1.25), "=": () => view.zoomBy(1.25), "-": () => view.zoomBy(0.8),
      }[event.key];
      if (!act || event.ctrlKey || event.metaKey || event.altKey) return;
      event.preventDefault();
      act();
    });
  }
  globalThis.probekit = { sides, selected: () => selected, view: sides[0].view };
})();
