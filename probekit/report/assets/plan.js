
"use strict";
// What the page of a plan says of a target.
globalThis.probekitKind = ({ touches, ids, make, symbol, format, length, unit }) => {
  const triple = (names, row, digits, end) => names.map((n) => format(touches[n][row], digits)).join(", ") + end;
  const degrees = (value) => (value == null ? null : `${value.toFixed(1)}\u00b0 from the tool axis`);
  const vector = (row) => ["i", "j", "k"].map((n) => (Number(touches[n][row].toFixed(4)) || 0).toFixed(4).replace("-", "\u2212")).join(", ");
  const read = (row) => {
    const word = touches.word[row], order = touches.order[row];
    const head = make("h2"), list = make("dl");
    head.append(symbol(word, 20), `Touch ${ids[row]}: ${word}`);
    const parts = [head];
    if (order != null) parts.push(make("p", `No. ${order}`, "dev"), make("p", "in the order of touching", "small"));
    else parts.push(make("p", touches.reason?.[row] || "It is not touched.", "why"));
    const facts = [
      ["pose", touches.pose[row]],
      ["tip", touches.tip_name?.[row]],
      ["normal", degrees(touches.approach_angle?.[row])],
      ["clearance", touches.clearance?.[row] == null ? null : `${length(touches.clearance[row], 3)} at least`],
      ["feature", touches.feature[row]],
      ["face", touches.face[row]],
      ["target", triple(["x0", "y0", "z0"], row, 3, ` ${unit()}`)],
      ["direction", `${vector(row)} (outward normal)`],
      ["remark", order != null ? touches.reason?.[row] : null],
    ];
    for (const [label, text] of facts) if (text) list.append(make("dt", label), make("dd", text));
    parts.push(list);
    return parts;
  };
  const leftOut = [...ids.keys()].filter((row) => touches.word[row] === "left out").slice(0, 5);
  const idle = () => {
    if (!leftOut.length) return [];
    const list = make("ol");
    for (const row of leftOut) {
      const a = make("a"), item = make("li");
      a.href = `#touch=${encodeURIComponent(ids[row])}`;
      a.append(symbol("left out", 14), `${ids[row]}: ${touches.reason?.[row] || "left out"}`);
      item.append(a);
      list.append(item);
    }
    return [make("p", "Left out:", "small"), list];
  };
  return {
    columns: ["order", "touch", "word", "feature", "x0", "y0", "z0", "pose", "approach_angle", "clearance", "reason"],
    wordOrder: ["left out", "critical", "planned"],
    ranked: [],
    sign: (row) => touches.word[row],
    label: (row) => (touches.order[row] == null ? "left out" : touches.pose[row] || touches.word[row]),
    idle,
    read,
  };
};
