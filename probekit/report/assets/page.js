
"use strict";
// Units, filters, table, reading, links: joins the page that was written by Python with the view.
(() => {
  const root = document.documentElement;
  root.classList.add("js");
  const $ = (selector, of = document) => of.querySelector(selector);
  const $$ = (selector, of = document) => [...of.querySelectorAll(selector)];
  const make = (tag, text, kind) => {
    const element = document.createElement(tag);
    if (text !== undefined) element.textContent = text;
    if (kind) element.className = kind;
    return element;
  };
  const data = JSON.parse($("#data").textContent);
  $("#data").textContent = "";
  const touches = data.touches, ids = touches.touch, count = ids.length;
  const rowOf = new Map(ids.map((id, row) => [id, row]));

  // ---- numbers ----
  let unit = "mm";
  const MINUS = "\u2212";
  const format = (mm, digits, signed) => {
    // an inch figure gets one more decimal than the millimetre figure: the last place then means 0.25 of it or less
    const shown = (unit === "in" ? mm / 25.4 : mm).toFixed(unit === "in" ? digits + 1 : digits);
    if (Number(shown) === 0) return shown.replace("-", "");
    return mm < 0 ? MINUS + shown.slice(1) : (signed ? "+" : "") + shown;
  };
  const length = (mm, digits = 4, signed = false) => (mm === null || mm === undefined ? "\u2013" : `${format(mm, digits, signed)} ${unit}`);
  const quantities = $$(".q").map((element) => [element, Number(element.dataset.mm), Number(element.dataset.n), element.textContent[0] === "+" || element.textContent[0] === MINUS]);
  const setUnit = (name) => {
    unit = name;
    for (const [element, mm, digits, signed] of quantities) element.textContent = format(mm, digits, signed);
    for (const element of $$(".unit")) element.textContent = unit;
    $("#inch").hidden = unit !== "in";
    read();
  };
  for (const radio of $$("input[name=unit]")) radio.addEventListener("change", () => setUnit(radio.value));

  // ---- view ----
  const canvas = $("canvas"), marker = $(".marker"), warning = $(".exaggerated");
  let view = null;
  const withoutView = () => {
    view = null;
    root.classList.add("no3d");
    $(".nogl[hidden]")?.removeAttribute("hidden");
  };
  try { view = globalThis.probekitView(canvas, data); } catch (error) { console.warn("The 3D view did not start.", error); }
  if (!view) withoutView();
  canvas.addEventListener("webglcontextlost", (event) => { event.preventDefault(); withoutView(); });

  // ---- which touches are shown ----
  const wordBoxes = $$("input[data-verdict]");
  const pickers = [["feature", $("#feature")], ["pose", $("#pose")]].filter(([, box]) => box);
  const namesOf = Object.fromEntries(pickers.map(([column]) => [column, [...new Set(touches[column])]]));
  const body = $("#touches tbody"), rows = new Map($$("tr[data-row]", body).map((tr) => [Number(tr.dataset.row), tr]));
  for (const tr of rows.values()) tr.removeAttribute("id"); // links are followed by the script now
  const marks = new Map();
  let shown = new Array(count).fill(true), selected = -1;
  const states = () => shown.map((on, row) => (row === selected && on ? 1.7 : on ? 1 : 0));
  const filter = () => {
    const words = new Set(wordBoxes.filter((box) => box.checked).map((box) => box.dataset.verdict));
    const wanted = pickers.filter(([, box]) => box.value !== "").map(([column, box]) => [column, namesOf[column][Number(box.value)]]);
    shown = touches.word.map((word, row) => words.has(word) && wanted.every(([column, name]) => touches[column][row] === name));
    for (const [row, tr] of rows) tr.hidden = !shown[row];
    for (const [row, list] of marks) for (const a of list) a.toggleAttribute("hidden", !shown[row]);
    const left = shown.filter(Boolean).length;
    $("#shown").textContent = left === count ? "" : `Filter on: ${left} of ${count} touches shown.`;
    $("#shown").classList.toggle("filtered", left !== count);
    if (selected >= 0 && !shown[selected]) select(-1);
    view?.setStates(states());
  };
  for (const box of [...wordBoxes, ...pickers.map(([, box]) => box)]) box.addEventListener("change", filter);
  $("#all").addEventListener("click", () => {
    for (const box of wordBoxes) box.checked = true;
    for (const [, box] of pickers) box.value = "";
    filter();
  });

  // ---- the reading ----
  const reading = $("#reading"), hint = $(".hint", reading);
  const symbol = (word, size) => {
    const space = "http://www.w3.org/2000/svg";
    const svg = document.createElementNS(space, "svg"), use = document.createElementNS(space, "use");
    for (const [name, value] of [["width", size], ["height", size], ["class", "symbol"], ["aria-hidden", "true"]]) svg.setAttribute(name, value);
    use.setAttribute("href", `#s-${word.replaceAll(" ", "_")}`);
    svg.append(use);
    return svg;
  };
  const kind = globalThis.probekitKind({ touches, wordOrder: data.wordOrder, ids, make, symbol, format, length, unit: () => unit });
  const read = () => {
    reading.replaceChildren();
    marker.hidden = true;
    if (selected < 0) { reading.append(make("h2", "Touch"), hint, ...kind.idle()); return; }
    reading.append(...kind.read(selected));
    place();
  };
  const place = () => {
    const at = view && selected >= 0 ? view.place(selected) : null;
    marker.hidden = !at;
    if (!at) return;
    marker.style.transform = `translate(${at.x.toFixed(1)}px, ${at.y.toFixed(1)}px)`;
    marker.classList.toggle("left", at.x > canvas.clientWidth * 0.6);
    marker.firstElementChild.textContent = `${ids[selected]}: ${kind.label(selected)}`;
  };
  view?.onDraw(place);

  // ---- selecting, from anywhere ----
  const select = (row, { turn = false, link = true } = {}) => {
    rows.get(selected)?.classList.remove("on");
    rows.get(selected)?.removeAttribute("aria-current");
    selected = row;
    const tr = rows.get(row);
    if (tr) {
      tr.classList.add("on");
      tr.setAttribute("aria-current", "true");
      const box = $("#touches"), headHeight = $("thead", box).offsetHeight;
      const above = tr.getBoundingClientRect().top - box.getBoundingClientRect().top - headHeight;
      const below = tr.getBoundingClientRect().bottom - box.getBoundingClientRect().bottom;
      if (above < 0 || below > 0) box.scrollTop += above - (box.clientHeight - headHeight) / 2;
    }
    for (const a of $$("a.on")) a.classList.remove("on");
    for (const a of marks.get(row) ?? []) {
      a.classList.add("on");
      a.parentNode.append(a); // last is drawn on top
    }
    read();
    view?.setStates(states());
    view?.choose(row);
    if (row >= 0 && turn) view?.turnTo(row);
    if (link) {
      const hash = row < 0 ? " " : `#touch=${encodeURIComponent(ids[row])}`;
      try { history.replaceState(null, "", hash.trim() || location.pathname + location.search); } catch { /* some viewers forbid it */ }
    }
  };
  const fromLink = (hash) => {
    const match = /^#touch=(.+)$/.exec(hash);
    if (!match) return -1;
    try { return rowOf.get(decodeURIComponent(match[1])) ?? -1; } catch { return -1; }
  };
  for (const a of $$(".ruler a, .stills a")) {
    const row = fromLink(a.getAttribute("href"));
    marks.set(row, [...(marks.get(row) ?? []), a]);
  }
  const follow = () => {
    const row = fromLink(location.hash);
    if (row < 0) return false;
    if (!shown[row]) $("#all").click();
    select(row, { turn: true, link: false });
    return true;
  };
  addEventListener("hashchange", () => { if (follow()) $(view ? ".stage" : ".stills").scrollIntoView({ block: "nearest" }); });
  document.addEventListener("click", (event) => {
    const a = event.target.closest?.("a[href^='#touch=']"), tr = event.target.closest?.("#touches tbody tr");
    const row = a ? fromLink(a.getAttribute("href")) : tr ? Number(tr.dataset.row) : -1;
    if (row < 0) return;
    event.preventDefault();
    select(row, { turn: true });
  });

  // ---- order of the table, steps along it ----
  let order = [...Array(count).keys()];
  for (const button of $$(".sort")) {
    button.addEventListener("click", () => {
      const th = button.parentElement, up = th.getAttribute("aria-sort") !== "ascending", name = kind.columns[Number(button.dataset.column)];
      for (const other of $$("#touches thead th")) other.setAttribute("aria-sort", "none");
      th.setAttribute("aria-sort", up ? "ascending" : "descending");
      const list = name === "word" ? touches.word.map((w) => kind.wordOrder.indexOf(w)) : touches[name] ?? [];
      order.sort((a, b) => {
        const x = list[a] ?? null, y = list[b] ?? null;
        if (x === null || y === null) return (x === null) - (y === null);
        const c = typeof x === "number" ? x - y : x.localeCompare(y, "en", { numeric: true });
        return up ? c : -c;
      });
      body.append(...order.filter((row) => rows.has(row)).map((row) => rows.get(row)));
    });
  }
  const step = (by) => {
    const list = order.filter((row) => shown[row]);
    if (!list.length) return;
    const at = list.indexOf(selected);
    select(list[at < 0 ? (by > 0 ? 0 : list.length - 1) : (at + by + list.length) % list.length], { turn: true });
  };
  const whole = () => { select(-1); view?.showWhole(); };
  $("#previous").addEventListener("click", () => step(-1));
  $("#next-touch").addEventListener("click", () => step(1));
  $("#whole").addEventListener("click", whole);
  canvas.addEventListener("keydown", (event) => {
    const act = {
      ArrowRight: () => step(1), ArrowDown: () => step(1), ArrowLeft: () => step(-1), ArrowUp: () => step(-1),
      Escape: whole, "+": () => view?.zoomBy(1.25), "=": () => view?.zoomBy(1.25), "-": () => view?.zoomBy(0.8),
    }[event.key];
    if (!act || event.ctrlKey || event.metaKey || event.altKey) return;
    event.preventDefault();
    act();
  });

  // ---- a tap picks, a drag does not ----
  let down = null;
  canvas.addEventListener("pointerdown", (event) => {
    down = down || !event.isPrimary ? { cancelled: true } : { x: event.clientX, y: event.clientY, id: event.pointerId };
  });
  const release = (event) => {
    const began = down;
    down = null;
    if (event.type === "pointercancel" || !began || began.cancelled || began.id !== event.pointerId || !view) return;
    if (Math.hypot(event.clientX - began.x, event.clientY - began.y) > 5) return;
    const box = canvas.getBoundingClientRect();
    const row = view.pickAt(event.clientX - box.left, event.clientY - box.top, event.pointerType === "touch" ? 18 : 8);
    select(row >= 0 ? row : -1);
  };
  canvas.addEventListener("pointerup", release);
  canvas.addEventListener("pointercancel", release);

  // ---- what is drawn, and how ----
  for (const box of $$("input[data-layer]")) box.addEventListener("change", () => view?.setLayer(box.dataset.layer, box.checked));
  const slider = $("#exaggeration"), told = $("output[for=exaggeration]");
  if (view && slider) {
    const largest = Math.max(1e-9, ...touches.deviation.map((d) => Math.abs(d ?? 0)));
    const factors = [0, 1, 2, 5, 10, 20, 50, 100, 200, 500, 1000].filter((n) => n <= 1 || n * largest <= 0.12 * view.radius);
    slider.max = factors.length - 1;
    const exaggerate = () => {
      const n = factors[Number(slider.value)];
      const text = n === 0 ? "nominal shape" : n === 1 ? "true shape" : `exaggerated \u00d7 ${n}`;
      told.textContent = text;
      slider.setAttribute("aria-valuetext", text);
      warning.hidden = n === 1;
      warning.textContent = n === 0 ? "Nominal shape: deviations not drawn" : `Shape exaggerated \u00d7 ${n}`;
      view?.setFactor(n);
    };
    slider.addEventListener("input", exaggerate);
    exaggerate();
    $("#shade").addEventListener("change", (event) => view?.setShade(event.target.checked));
  }

  globalThis.probekit = { place: (id) => view?.place(rowOf.get(String(id))) ?? null, selected: () => (selected < 0 ? null : ids[selected]) };
  read();
  if (follow()) $(view ? ".stage" : ".stills").scrollIntoView({ block: "nearest" });
})();
