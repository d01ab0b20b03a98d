
"use strict";
// What the page of a verdict says of a touch.
globalThis.probekitKind = ({ touches, wordOrder, ids, make, symbol, format, length, unit }) => {
  const triple = (names, row) => (touches[names[0]]?.[row] == null ? null : names.map((n) => format(touches[n][row], 3)).join(", ") + ` ${unit()}`);
  const margin = (row) => touches.margin?.[row] ?? null;
  const share = (row) => touches.share?.[row] ?? null;
  const percent = (row) => `${Math.round(100 * share(row))} %`;
  const ranked = [...ids.keys()].filter((row) => share(row) !== null).sort((a, b) => share(b) - share(a)).slice(0, 5);
  const worst = () => {
    const list = make("ol");
    for (const row of ranked) {
      const a = make("a"), item = make("li");
      a.href = `#touch=${encodeURIComponent(ids[row])}`;
      a.append(symbol(touches.word[row], 14), `${ids[row]}: ${length(touches.deviation[row], 4, true)}, ${touches.word[row]}, ${percent(row)}`);
      item.append(a);
      list.append(item);
    }
    return list;
  };
  const read = (row) => {
    const parts = [], word = touches.word[row], d = touches.deviation[row];
    const head = make("h2");
    head.append(symbol(word, 20), `Touch ${ids[row]}: ${word}`);
    parts.push(head);
    if (d !== null) {
      const side = d > 0 ? "material left on" : d < 0 ? "material missing" : "on the nominal";
      parts.push(make("p", length(d, 4, true), "dev"), make("p", side, "small"));
    } else parts.push(make("p", "No deviation: nothing was measured.", "dev small"));
    const lower = touches.lower?.[row] ?? null, upper = touches.upper?.[row] ?? null;
    const judged = lower !== null || upper !== null;
    const facts = [
      ["limits", judged ? `${lower === null ? "none" : format(lower, 4, true)} to ${upper === null ? "none" : format(upper, 4, true)} ${unit()}` : null],
      ["outside by", margin(row) !== null && margin(row) < 0 ? length(-margin(row)) : null],
      ["of the zone", share(row) !== null ? `${percent(row)} (100 % is a limit)` : null],
      ["judged by", touches.tolerance?.[row]],
      ["u (standard)", touches.u_judged?.[row] == null ? null : length(touches.u_judged[row])],
      ["probability", touches.p_conform?.[row] == null ? null : `${touches.p_conform[row].toFixed(3)} that it conforms, by itself`],
      ["feature", touches.feature[row]],
      ["face", touches.face?.[row]],
      ["contact", triple(["cx", "cy", "cz"], row)],
      ["target", triple(["x0", "y0", "z0"], row)],
      ["flags", touches.flag?.[row]],
      ["in doubt", touches.doubt?.[row]],
      ["reason", touches.reason?.[row]],
    ];
    const list = make("dl");
    for (const [label, text] of facts) if (text) list.append(make("dt", label), make("dd", text));
    parts.push(list);
    return parts;
  };
  return {
    columns: ["touch", "word", "deviation", "lower", "upper", "feature", "face", "tolerance", "p_conform", "reason"],
    wordOrder,
    label: (row) => (touches.deviation[row] === null ? touches.word[row] : length(touches.deviation[row], 4, true)),
    idle: () => [make("p", "Nearest to a limit by share of its zone (100 % is a limit), or furthest beyond it:", "small"), worst()],
    read,
  };
};
