
"use strict";
// A plane through the part: where it cuts the facets, joined to lines, with the deviation along them.
globalThis.probekitSection = (surface) => {
  const { position, index } = surface, count = position.length / 3;
  const away = new Float32Array(count);
  /** Lines of places (x, y, z, deviation or NaN, face) where n . p = d; n a unit vector. */
  const cut = (n, d) => {
    const { value, known } = surface;
    for (let i = 0; i < count; i++) away[i] = position[3 * i] * n[0] + position[3 * i + 1] * n[1] + position[3 * i + 2] * n[2] - d;
    const at = [], keys = [];
    const add = (p, q) => {
      const s = away[p] / (away[p] - away[q]), point = [0, 1, 2].map((k) => position[3 * p + k] + s * (position[3 * q + k] - position[3 * p + k]));
      at.push([...point, known[p] && known[q] ? value[p] + s * (value[q] - value[p]) : NaN, surface.faceOf[p]]);
      keys.push(p < q ? p * count + q : q * count + p);
    };
    for (let f = 0; f < index.length; f += 3) {
      const a = index[f], b = index[f + 1], c = index[f + 2], sa = away[a] >= 0, sb = away[b] >= 0, sc = away[c] >= 0;
      if ((sa === sb && sb === sc) || !surface.isShown(f / 3)) continue;
      for (const [p, q] of sa === sb ? [[b, c], [c, a]] : sb === sc ? [[a, b], [c, a]] : [[a, b], [b, c]]) add(p, q);
    }
    const ends = new Map();
    keys.forEach((key, i) => { const list = ends.get(key); if (list) list.push(i); else ends.set(key, [i]); });
    const seen = new Uint8Array(keys.length), chains = [];
    const walk = (from) => {
      const out = [];
      for (let i = from; i !== undefined && !seen[i]; ) {
        const j = i ^ 1; // ends of one piece stand side by side
        seen[i] = seen[j] = 1;
        out.push(i, j);
        i = ends.get(keys[j]).find((other) => !seen[other]);
      }
      return out;
    };
    for (let start = 0; start < keys.length; start++) {
      if (seen[start]) continue;
      const on = walk(start), back = ends.get(keys[start]).find((other) => !seen[other]);
      chains.push((back === undefined ? on : [...walk(back).reverse(), ...on]).map((i) => at[i]));
    }
    return { chains, pieces: at };
  };
  /** The line with the longest known part, with its arc length: [length, deviation, x, y, z] and its face. */
  const longest = ({ chains }) => {
    let best = null;
    for (const chain of chains) {
      let known = 0, all = 0;
      const points = chain.map((p, i) => {
        const step = i ? Math.hypot(p[0] - chain[i - 1][0], p[1] - chain[i - 1][1], p[2] - chain[i - 1][2]) : 0;
        all += step;
        if (!Number.isNaN(p[3])) known += step;
        return [all, p[3], p[0], p[1], p[2]];
      });
      if (!best || known > best.known) best = { points, known, length: all, face: chain[Math.floor(chain.length / 2)][4] };
    }
    return best;
  };
  return { cut, longest };
};
