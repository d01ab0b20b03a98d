
"use strict";
// What the page of a verdict says of a touch.
globalThis.probekitKind = ({ touches, wordOrder, ids, make, symbol, format, length, unit, say, state }) => {
  const SPACE = "http://www.w3.org/2000/svg";
  const triple = (names, row) => (touches[names[0]]?.[row] == null ? null : names.map((n) => format(touches[n][row], 3)).join(", ") + ` ${unit()}`);
  const share = (row) => touches.share?.[row] ?? null;
  const percent = (row) => `${Math.round(100 * share(row))} %`;
  const ranked = [...ids.keys()].filter((row) => share(row) !== null).sort((a, b) => share(b) - share(a));
  const place = new Map(ranked.map((row, k) => [row, k]));
  const value = (row) => (state() ? state().deviation[row] : touches.deviation[row]);
  const draw = (tag, attributes, text) => {
    const element = document.createElementNS(SPACE, tag);
    for (const [name, v] of Object.entries(attributes)) element.setAttribute(name, v);
    if (text !== undefined) element.textContent = text;
    return element;
  };
  const bar = (row) => {
    const [lower, upper, d] = [touches.lower?.[row] ?? null, touches.upper?.[row] ?? null, value(row)];
    if (d === null || (lower === null && upper === null)) return [];
    const W = 340, U = 2 * (touches.u_judged?.[row] ?? 0);
    const ends = [lower, upper, d - U, d + U].filter((v) => v !== null), [least, most] = [Math.min(...ends), Math.max(...ends)];
    const rim = 0.14 * (most - least || 1), x = (v) => ((v - least + rim) / (most - least + 2 * rim)) * W;
    const svg = draw("svg", { class: "zonebar", viewBox: `0 0 ${W} 36`, "aria-hidden": "true" });
    const [a, b] = [lower === null ? 0 : x(lower), upper === null ? W : x(upper)];
    svg.append(draw("rect", { class: "out", x: 0, y: 8, width: W, height: 10 }), draw("rect", { class: "in", x: a, y: 8, width: b - a, height: 10 }));
    for (const v of [lower, upper]) {
      if (v === null) continue;
      svg.append(draw("line", { class: "edge", x1: x(v), x2: x(v), y1: 4, y2: 22 }));
      svg.append(draw("text", { x: Math.min(Math.max(x(v), 22), W - 22), y: 34, "text-anchor": "middle" }, format(v, 3, true)));
    }
    if (U) svg.append(draw("line", { class: "U", x1: x(d - U), x2: x(d + U), y1: 13, y2: 13 }));
    svg.append(state() ? draw("circle", { cx: x(d), cy: 13, r: 6, fill: "#a0a3a8", stroke: "#1b2330" }) : draw("use", { href: `#s-${touches.word[row]}`, x: x(d) - 8, y: 5, width: 16, height: 16 }));
    return [svg];
  };
  const steps = (row, go) => {
    const at = place.get(row), row_ = make("div", undefined, "row");
    const button = (sign, name, by) => {
      const one = make("button", sign);
      one.type = "button";
      one.setAttribute("aria-label", name);
      one.addEventListener("click", () => go(by));
      return one;
    };
    row_.append(button("\u25c0", say("previous"), -1), make("span", at === undefined ? "" : `${at + 1} ${say("of")} ${ranked.length}, ${say("rank")}`), button("\u25b6", say("following"), 1));
    return row_;
  };
  const read = (row, go) => {
    const parts = [], word = touches.word[row], d = value(row), judged = !state();
    const head = make("h2");
    if (judged) head.append(symbol(word, 20));
    head.append(`${say("touch")} ${ids[row]}${judged ? `: ${say(`word.${word}`)}` : ""}`, make("span", d === null ? "\u2013" : length(d, 4, true), "big dev"));
    parts.push(head, ...bar(row));
    const lower = touches.lower?.[row] ?? null, upper = touches.upper?.[row] ?? null, margin = touches.margin?.[row] ?? null;
    const said = make("p");
    if (d === null) said.append(say("not.measured"));
    else {
      said.append(`${say(d > 0 ? "left.on" : d < 0 ? "missing" : "on.nominal")}`);
      if (judged && margin !== null && margin < 0) said.append(", ", make("b", `${length(-margin)} ${say("beyond.short")}`));
      else if (judged && share(row) !== null) said.append(`, ${percent(row)} ${say("share")}`);
    }
    parts.push(said);
    if (judged) parts.push(make("p", say(`do.${word}`), "do"));
    else parts.push(make("p", state().said, "do"));
    parts.push(steps(row, go));
    const limits = lower !== null || upper !== null;
    const datum = touches.datum_residual?.[row] ?? null, ratio = touches.datum_ratio?.[row] ?? null;
    const facts = [
      [say("fact.limits"), limits ? `${lower === null ? say("none") : format(lower, 4, true)} ${say("to")} ${upper === null ? say("none") : format(upper, 4, true)} ${unit()}` : null],
      [say("fact.by"), touches.tolerance?.[row]],
      [say("fact.u"), touches.u_judged?.[row] == null ? null : length(touches.u_judged[row])],
      [say("fact.p"), touches.p_conform?.[row] == null ? null : `${format(touches.p_conform[row], 3, false, true)} ${say("fact.p.tail")}`],
      ...state.all.map((one) => [one.title, one.deviation[row] === null ? null : length(one.deviation[row], 4, true)]),
      [say("fact.datum"), datum === null ? null : `${length(datum, 4, true)}${ratio === null ? "" : `, ${format(ratio, 1, false, true)} ${say("fact.datum.tail")}`}`],
      [say("fact.feature"), touches.feature[row]],
      [say("fact.face"), touches.face?.[row]],
      [say("fact.contact"), triple(["cx", "cy", "cz"], row)],
      [say("fact.target"), triple(["x0", "y0", "z0"], row)],
      [say("fact.flag"), touches.flag?.[row]],
      [say("fact.doubt"), touches.doubt?.[row]],
      [say("fact.reason"), touches.reason?.[row]],
    ];
    const list = make("dl");
    for (const [label, text] of facts) if (text) list.append(make("dt", label), make("dd", text));
    parts.push(list);
    return parts;
  };
  return {
    columns: ["touch", "word", "deviation", "lower", "upper", "feature", "face", "tolerance", "p_conform", "reason"],
    wordOrder, ranked, value, percent, share,
    label: (row) => (value(row) === null ? say(`word.${touches.word[row]}`) : format(value(row), 3, true)),
    sign: (row) => (state() ? "" : touches.word[row]),
    idle: () => [],
    read,
  };
};
