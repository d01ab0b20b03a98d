
"use strict";
// Which facet does a ray meet first: a tree of boxes over the facets, on the processor, so that no frame is drawn for it.
globalThis.probekitTree = (position, index) => {
  const LEAF = 12, count = index.length / 3;
  let place = position;
  const order = new Uint32Array(count), middle = new Float32Array(3 * count);
  for (let f = 0; f < count; f++) {
    order[f] = f;
    for (let k = 0; k < 3; k++) middle[3 * f + k] = place[3 * index[3 * f] + k] + place[3 * index[3 * f + 1] + k] + place[3 * index[3 * f + 2] + k];
  }
  const begin = [0], end = [count], left = [-1], right = [-1], open = [0];
  while (open.length) {
    const node = open.pop(), from = begin[node], to = end[node];
    if (to - from <= LEAF) continue;
    const low = [Infinity, Infinity, Infinity], high = [-Infinity, -Infinity, -Infinity];
    for (let i = from; i < to; i++) {
      for (let k = 0; k < 3; k++) {
        const value = middle[3 * order[i] + k];
        if (value < low[k]) low[k] = value;
        if (value > high[k]) high[k] = value;
      }
    }
    let axis = 0;
    for (let k = 1; k < 3; k++) if (high[k] - low[k] > high[axis] - low[axis]) axis = k;
    const split = (low[axis] + high[axis]) / 2;
    let i = from, j = to - 1;
    while (i <= j) {
      if (middle[3 * order[i] + axis] < split) i++;
      else { const other = order[i]; order[i] = order[j]; order[j] = other; j--; }
    }
    if (i === from || i === to) i = (from + to) >> 1;
    left[node] = begin.length;
    right[node] = begin.length + 1;
    for (const [a, b] of [[from, i], [i, to]]) {
      open.push(begin.length);
      begin.push(a);
      end.push(b);
      left.push(-1);
      right.push(-1);
    }
  }
  const nodes = begin.length, box = new Float32Array(6 * nodes);
  const fit = () => {
    for (let node = nodes - 1; node >= 0; node--) { // children come after their parent
      const at = 6 * node;
      for (let k = 0; k < 3; k++) { box[at + k] = Infinity; box[at + 3 + k] = -Infinity; }
      if (left[node] < 0) {
        for (let i = begin[node]; i < end[node]; i++) {
          for (let corner = 0; corner < 3; corner++) {
            const vertex = 3 * index[3 * order[i] + corner];
            for (let k = 0; k < 3; k++) {
              const value = place[vertex + k];
              if (value < box[at + k]) box[at + k] = value;
              if (value > box[at + 3 + k]) box[at + 3 + k] = value;
            }
          }
        }
      } else {
        for (const child of [6 * left[node], 6 * right[node]]) {
          for (let k = 0; k < 3; k++) {
            box[at + k] = Math.min(box[at + k], box[child + k]);
            box[at + 3 + k] = Math.max(box[at + 3 + k], box[child + 3 + k]);
          }
        }
      }
    }
  };
  fit();
  // way along the ray to a facet, or Infinity (T. Moeller, B. Trumbore, J. Graphics Tools 2 (1997) 21-28)
  const meet = (f, o, d) => {
    const a = 3 * index[3 * f], b = 3 * index[3 * f + 1], c = 3 * index[3 * f + 2];
    const ex = place[b] - place[a], ey = place[b + 1] - place[a + 1], ez = place[b + 2] - place[a + 2];
    const fx = place[c] - place[a], fy = place[c + 1] - place[a + 1], fz = place[c + 2] - place[a + 2];
    const px = d[1] * fz - d[2] * fy, py = d[2] * fx - d[0] * fz, pz = d[0] * fy - d[1] * fx;
    const det = ex * px + ey * py + ez * pz;
    if (Math.abs(det) < 1e-14) return Infinity;
    const sx = o[0] - place[a], sy = o[1] - place[a + 1], sz = o[2] - place[a + 2];
    const u = (sx * px + sy * py + sz * pz) / det;
    if (u < -1e-6 || u > 1 + 1e-6) return Infinity;
    const qx = sy * ez - sz * ey, qy = sz * ex - sx * ez, qz = sx * ey - sy * ex;
    const v = (d[0] * qx + d[1] * qy + d[2] * qz) / det;
    if (v < -1e-6 || u + v > 1 + 1e-6) return Infinity;
    const t = (fx * qx + fy * qy + fz * qz) / det;
    return t > 0 ? t : Infinity;
  };
  const stack = new Int32Array(256);
  return {
    /** First facet that a ray meets and how far away, or null; `counts` says which facets are there at all. */
    cast(o, d, counts = () => true) {
      let depth = 0, best = Infinity, facet = -1;
      stack[depth++] = 0;
      while (depth) {
        const node = stack[--depth], at = 6 * node;
        let near = 0, far = best;
        for (let k = 0; k < 3; k++) {
          if (Math.abs(d[k]) < 1e-12) {
            if (o[k] < box[at + k] - 1e-6 || o[k] > box[at + 3 + k] + 1e-6) far = -1;
            continue;
          }
          const s = (box[at + k] - o[k]) / d[k], t = (box[at + 3 + k] - o[k]) / d[k];
          near = Math.max(near, Math.min(s, t));
          far = Math.min(far, Math.max(s, t));
        }
        if (near > far + 1e-5) continue;
        if (left[node] >= 0) { stack[depth++] = left[node]; stack[depth++] = right[node]; continue; }
        for (let i = begin[node]; i < end[node]; i++) {
          const way = meet(order[i], o, d);
          if (way < best && counts(order[i])) { best = way; facet = order[i]; }
        }
      }
      return facet < 0 ? null : { way: best, facet };
    },
    /** The same facets with their corners elsewhere. */
    move(positions) { place = positions; fit(); },
  };
};
