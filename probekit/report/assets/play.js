
"use strict";
// The player of a plan: the whole probe along the way of its program. Places, turns and times were computed by Python.
// Someone who wants less motion gets steps from place to place in place of a film.
globalThis.probekitReport = (page) => {
  const { $, make, data, view, ids, select } = page;
  const box = $("#player"), button = $("#play"), slider = $("#played"), choice = $("#way"), speed = $("#speed"), told = $("#doing");
  if (!box || !view || !data.plays?.length) return;
  const plays = data.plays.map((one) => ({
    name: one.name, kinds: one.kinds, lasts: one.lasts,
    seconds: view.numbers(Float32Array, one.seconds), place: view.numbers(Float32Array, one.place),
    frame: view.numbers(Uint32Array, one.frame), frames: view.numbers(Float32Array, one.frames),
    row: view.numbers(Int32Array, one.row), kind: view.numbers(Uint8Array, one.kind),
  }));
  plays.forEach((one, n) => {
    const option = make("option", one.name);
    option.value = String(n);
    choice.append(option);
  });
  choice.parentElement.toggleAttribute("hidden", plays.length < 2);
  box.removeAttribute("hidden");
  let now = plays[0], at = 0, playing = false, last = 0, standing = -1;
  const still = () => matchMedia("(prefers-reduced-motion: reduce)").matches;
  const clock = (s) => `${Math.floor(s / 60)}:${String(Math.floor(s % 60)).padStart(2, "0")}`;
  const until = () => now.seconds[now.seconds.length - 1];
  /** The place that the probe goes to at a time. */
  const next = (time) => {
    let [a, b] = [0, now.seconds.length - 1];
    while (a < b) {
      const middle = (a + b) >> 1;
      if (now.seconds[middle] < time) a = middle + 1; else b = middle;
    }
    return a;
  };
  const show = () => {
    const to = next(at), from = Math.max(0, to - 1), way = now.seconds[to] - now.seconds[from];
    const part = way > 0 ? Math.min(Math.max((at - now.seconds[from]) / way, 0), 1) : 1;
    const jumps = now.kinds[now.kind[to]] === "comes in";
    const spot = [0, 1, 2].map((k) => { const a = now.place[3 * from + k], b = now.place[3 * to + k]; return jumps ? b : a + part * (b - a); });
    const turn = now.frames.subarray(9 * now.frame[to], 9 * now.frame[to] + 9);
    view.standBy([...turn.subarray(0, 3), 0, ...turn.subarray(3, 6), 0, ...turn.subarray(6, 9), 0, ...spot, 1]);
    slider.value = String(at);
    const row = now.row[to], says = `${at < until() ? clock(at) : now.lasts} of ${now.lasts}: ${now.kinds[now.kind[to]]}${row >= 0 ? ` target ${ids[row]}` : ""}`;
    slider.setAttribute("aria-valuetext", says);
    if (to !== standing) { told.textContent = says; standing = to; }
  };
  const label = () => {
    button.textContent = playing ? "Pause" : "Play";
    button.setAttribute("aria-pressed", String(playing));
  };
  const stop = () => { playing = false; label(); };
  const tick = (time) => {
    if (!playing) return;
    const passed = Math.min((time - last) / 1000, 0.2) * Number(speed.value);
    if (still()) {
      if (time - last > 700) { // a step from place to place
        last = time;
        at = now.seconds[Math.min(next(at) + 1, now.seconds.length - 1)];
        show();
      }
    } else {
      last = time;
      at += passed;
      show();
    }
    if (at >= until()) { at = until(); show(); stop(); return; }
    requestAnimationFrame(tick);
  };
  const begin = () => {
    if (at >= until()) at = 0;
    if (page.selected() >= 0) select(-1);
    playing = true;
    last = performance.now();
    label();
    show();
    requestAnimationFrame(tick);
  };
  /** The probe stands elsewhere than at the time of the slider. */
  const idle = () => {
    standing = -1;
    told.textContent = `${clock(Math.round(until()))} at the feeds of the program, lifts and the way back included, acceleration not`;
  };
  const reset = () => {
    stop();
    now = plays[Number(choice.value)];
    at = 0;
    slider.max = String(until());
    slider.step = "0.05";
    slider.value = "0";
    slider.setAttribute("aria-valuetext", `${clock(0)} of ${clock(until())}`);
    idle();
  };
  const goTo = (time) => {
    stop();
    if (page.selected() >= 0) select(-1);
    at = time;
    show();
  };
  button.addEventListener("click", () => (playing ? stop() : begin()));
  choice.addEventListener("change", () => { reset(); show(); });
  slider.addEventListener("input", () => goTo(Number(slider.value)));
  slider.addEventListener("keydown", (event) => { // from place to place: the slider's own step would be too small to see
    const by = { ArrowRight: 1, ArrowUp: 1, ArrowLeft: -1, ArrowDown: -1 }[event.key];
    if (!by || event.ctrlKey || event.metaKey || event.altKey) return;
    event.preventDefault();
    const time = by > 0 ? now.seconds.find((one) => one > at) : now.seconds.findLast((one) => one < at);
    if (time !== undefined) goTo(time);
  });
  page.onSelect = (row) => {
    if (row >= 0) stop();
    if (!playing) idle();
  };
  reset();
  label();
};
