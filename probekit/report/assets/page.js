
"use strict";
// Units, language, filters, table, reading, links: joins the page that was written by Python with the view.
(async () => {
  const root = document.documentElement;
  root.classList.remove("no3d");
  root.classList.add("js");
  const $ = (selector, of = document) => of.querySelector(selector);
  const $$ = (selector, of = document) => [...of.querySelectorAll(selector)];
  const make = (tag, text, kind) => {
    const element = document.createElement(tag);
    if (text !== undefined) element.textContent = text;
    if (kind) element.className = kind;
    return element;
  };
  const packed = JSON.parse($("#data").textContent), words = packed.words;
  let data;
  try { data = await globalThis.probekitUnpack(packed); } catch (error) {
    console.warn("This browser cannot read the numbers of the view.", error);
    root.classList.remove("js"); // what was written for readers without scripts remains
    return;
  }
  const touches = data.touches, ids = touches.touch, count = ids.length;
  const rowOf = new Map(ids.map((id, row) => [id, row]));
  const listeners = [], page = {}; // page: what the rest builds on, filled below
  const changed = () => { for (const call of listeners) call(); };

  // ---- numbers and words ----
  const saying = globalThis.probekitSaying(words), { say, decimals, format, length, unit, rewrite } = saying;
  let state = null;

  // ---- view ----
  const canvas = $("canvas"), over = $(".over");
  over.replaceChildren();
  let view = null, overlay = null;
  const withoutView = () => {
    view = overlay = null;
    root.classList.add("no3d");
    const told = $(".nogl");
    told?.removeAttribute("hidden");
    const reads = $(".panel .reads");
    if (reads) told.after(reads); // language, decimals and print need no 3D
  };
  try { view = globalThis.probekitView(canvas, data); } catch (error) { console.warn("The 3D view did not start.", error); }
  if (!view) withoutView();
  canvas.addEventListener("webglcontextlost", (event) => { event.preventDefault(); withoutView(); });

  // ---- which touches are shown ----
  const wordBoxes = $$("input[data-verdict]");
  const pickers = [["feature", $("#feature")], ["pose", $("#pose")]].filter(([, box]) => box);
  const namesOf = Object.fromEntries(pickers.map(([column]) => [column, [...new Set(touches[column])]]));
  const table = $("#touches table"), body = $("#touches tbody"), rows = new Map($$("tr[data-row]", body).map((tr) => [Number(tr.dataset.row), tr]));
  for (const tr of rows.values()) { // links are followed by the script now
    tr.removeAttribute("id");
    tr.classList.remove("on");
    tr.removeAttribute("aria-current");
  }
  for (const th of $$("#touches thead th")) th.setAttribute("aria-sort", "none");
  const marks = new Map();
  let order = [...Array(count).keys()], shown = new Array(count).fill(true), selected = -1;
  const states = () => shown.map((on, row) => (row === selected && on ? 1.7 : on ? 1 : 0));
  const filter = () => {
    const wanted = pickers.filter(([, box]) => box.value !== "").map(([column, box]) => [column, namesOf[column][Number(box.value)]]);
    const kinds = new Set(wordBoxes.filter((box) => box.checked).map((box) => box.dataset.verdict));
    shown = touches.word.map((word, row) => kinds.has(word) && wanted.every(([column, name]) => touches[column][row] === name));
    for (const [row, tr] of rows) tr.hidden = !shown[row];
    for (const [row, all] of marks) for (const a of all) a.toggleAttribute("hidden", !shown[row]);
    const left = shown.filter(Boolean).length;
    $("#shown").textContent = left === count ? "" : `${say("filtered")}: ${left} ${say("of")} ${count} ${say("shown")}.`;
    $("#shown").classList.toggle("filtered", left !== count);
    if (selected >= 0 && !shown[selected]) select(-1);
    list?.fill(true);
    view?.setStates(states());
    changed();
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
  const stateNow = () => state;
  stateNow.all = [];
  const kind = globalThis.probekitKind({ touches, wordOrder: data.wordOrder, ids, make, symbol, format, length, unit, say, state: stateNow });
  const read = () => {
    reading.replaceChildren(...(selected >= 0 ? kind.read(selected, (by) => step(by, kind.ranked)) : hint ? [make("h2", "Touch"), hint, ...kind.idle()] : []));
    overlay?.select(selected);
  };
  if (view) {
    overlay = globalThis.probekitOverlay(over, view, {
      ids, text: (row) => kind.label(row), word: (row) => kind.sign(row), unit, decimals,
      colours: () => page.colours?.() ?? { colours: [], ends: ["", ""], says: "" },
    });
    overlay.setRows(data.labels);
  }

  // ---- a long table: only the rows in sight are made ----
  let list = null;
  if (rows.size < count && $("#listed")) {
    for (const old of $$("tbody.live", table)) old.remove();
    body.className = "static";
    const live = make("tbody", undefined, "live"), box = $("#touches");
    table.append(live);
    table.setAttribute("aria-rowcount", String(count + 1));
    let high = 34, drawn = "";
    const cells = (row, n) => {
      const tr = make("tr", undefined, "row"), th = make("th"), a = make("a", ids[row]), text = (v) => make("td", v);
      tr.dataset.row = row;
      tr.setAttribute("aria-rowindex", String(n + 2));
      a.href = `#touch=${encodeURIComponent(ids[row])}`;
      th.scope = "row";
      th.append(a);
      const verdict = make("td", undefined, "v"), number = (v, digits, signed, bare) => make("td", v === null || v === undefined ? "\u2013" : format(v, digits, signed, bare), "n");
      verdict.append(symbol(touches.word[row], 14), ` ${say(`word.${touches.word[row]}`)}`);
      tr.append(th, verdict, ...["deviation", "lower", "upper"].map((name) => number(touches[name]?.[row], 4, true)),
        text(touches.feature[row]), text(touches.face?.[row] ?? ""), text(touches.tolerance?.[row] ?? ""), number(touches.p_conform?.[row], 3, false, true),
        text([touches.flag?.[row], touches.doubt?.[row], touches.reason?.[row]].filter(Boolean).join(" ")));
      if (row === selected) { tr.classList.add("on"); tr.setAttribute("aria-current", "true"); }
      return tr;
    };
    const pad = (height) => {
      const tr = make("tr", undefined, "pad"), td = make("td");
      td.colSpan = 10;
      td.setAttribute("height", String(Math.max(0, height)));
      tr.setAttribute("aria-hidden", "true");
      tr.append(td);
      return tr;
    };
    list = {
      fill(anew) {
        const all = order.filter((row) => shown[row]);
        const begin = Math.max(0, Math.floor(box.scrollTop / high) - 10), end = Math.min(all.length, begin + Math.ceil(box.clientHeight / high) + 22);
        if (!anew && drawn === `${begin} ${end}`) return;
        drawn = `${begin} ${end}`;
        live.replaceChildren(pad(begin * high), ...all.slice(begin, end).map((row, k) => cells(row, begin + k)), pad((all.length - end) * high));
        high = live.children[1]?.offsetHeight || high;
      },
      show(row) {
        const at = order.filter((one) => shown[one]).indexOf(row) * high;
        if (at >= 0 && (at < box.scrollTop || at + 2 * high > box.scrollTop + box.clientHeight - 40)) box.scrollTop = at - box.clientHeight / 2;
        this.fill(true);
      },
    };
    box.addEventListener("scroll", () => list.fill(false));
  }

  // ---- selecting, from anywhere ----
  const select = (row, { turn = false, link = true } = {}) => {
    rows.get(selected)?.classList.remove("on");
    rows.get(selected)?.removeAttribute("aria-current");
    const before = selected;
    selected = row;
    const tr = rows.get(row);
    if (list) list.show(row);
    else if (tr) {
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
    page.onSelect?.(row, before);
    if (row !== before) page.onChosen?.();
    if (row >= 0 && turn) view?.turnTo(row);
    if (link) {
      const hash = row < 0 ? " " : `#touch=${encodeURIComponent(ids[row])}`;
      try { history.replaceState(null, "", hash.trim() || location.pathname + location.search); } catch { /* some viewers forbid it */ }
    }
  };
  /** Choose a touch from elsewhere and turn to it, whatever the filters hide. */
  const pick = (row, link = true) => {
    if (row >= 0 && !shown[row]) $("#all").click();
    select(row, { turn: true, link });
  };
  const fromLink = (hash) => {
    const match = /^#touch=(.+)$/.exec(hash);
    if (!match) return -1;
    try { return rowOf.get(decodeURIComponent(match[1])) ?? -1; } catch { return -1; }
  };
  for (const a of $$("#ruler a, .stills a, .section a")) {
    const row = fromLink(a.getAttribute("href"));
    marks.set(row, [...(marks.get(row) ?? []), a]);
  }
  const follow = () => {
    const row = fromLink(location.hash);
    if (row < 0) return false;
    pick(row, false);
    return true;
  };
  const toView = () => $(view ? ".stage" : ".stills").scrollIntoView({ block: "nearest" });
  addEventListener("hashchange", () => { if (follow()) toView(); });
  document.addEventListener("click", (event) => {
    const a = event.target.closest?.("a[href^='#touch=']"), tr = event.target.closest?.("#touches tbody tr[data-row]"), name = event.target.closest?.(".over .name");
    const row = a ? fromLink(a.getAttribute("href")) : tr ? Number(tr.dataset.row) : name ? Number(name.dataset.row) : -1;
    if (row < 0) return;
    event.preventDefault();
    pick(row);
  });

  // ---- order of the table, steps along it ----
  for (const button of $$(".sort")) {
    button.addEventListener("click", () => {
      const th = button.parentElement, up = th.getAttribute("aria-sort") !== "ascending", name = kind.columns[Number(button.dataset.column)];
      for (const other of $$("#touches thead th")) other.setAttribute("aria-sort", "none");
      th.setAttribute("aria-sort", up ? "ascending" : "descending");
      const values = name === "word" ? touches.word.map((w) => kind.wordOrder.indexOf(w)) : touches[name] ?? [];
      order.sort((a, b) => {
        const x = values[a] ?? null, y = values[b] ?? null;
        if (x === null || y === null) return (x === null) - (y === null);
        const c = typeof x === "number" ? x - y : x.localeCompare(y, "en", { numeric: true });
        return up ? c : -c;
      });
      if (list) list.fill(true);
      else body.append(...order.filter((row) => rows.has(row)).map((row) => rows.get(row)));
    });
  }
  const step = (by, along = order) => {
    const all = along.filter((row) => shown[row]);
    if (!all.length) return;
    const at = all.indexOf(selected);
    select(all[at < 0 ? (by > 0 ? 0 : all.length - 1) : (at + by + all.length) % all.length], { turn: true });
  };
  const whole = () => { select(-1); view?.showWhole(); };
  $("#previous")?.addEventListener("click", () => step(-1));
  $("#next-touch")?.addEventListener("click", () => step(1));
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
  for (const box of $$("input[data-layer]")) box.addEventListener("change", () => view?.setLayer(box.dataset.layer, box.checked));

  Object.assign(page, {
    $, $$, make, data, touches, ids, view, overlay, kind, say, format, length, symbol, select, pick, read,
    unit, decimals, isShown: (row) => shown[row], selected: () => selected,
    setState(next) { state = next; view?.setState(next); read(); changed(); },
    state: stateNow,
    onChange(call) { listeners.push(call); },
  });
  globalThis.probekit = { place: (id) => view?.place(rowOf.get(String(id))) ?? null, selected: () => (selected < 0 ? null : ids[selected]), view, overlay };
  globalThis.probekitProofs?.(page);
  globalThis.probekitReport?.(page);
  rewrite();
  read();
  filter();
  saying.onRewrite(() => { // not the first time: the filter has just filled the table
    list?.fill(true);
    read();
    changed();
    view?.redraw();
  });
  if (follow()) toView();
  globalThis.probekitFramed?.(page);
})();
