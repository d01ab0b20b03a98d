
"use strict";
// Reads the data block of a page: arrays of numbers that Python packed (differences, planes of bytes, deflate, base64).
globalThis.probekitUnpack = async (data) => {
  const raw = atob(data.packed), packed = new Uint8Array(raw.length);
  for (let i = 0; i < packed.length; i++) packed[i] = raw.charCodeAt(i);
  const stream = new Blob([packed]).stream().pipeThrough(new DecompressionStream("deflate"));
  const all = new Uint8Array(await new Response(stream).arrayBuffer());
  const Whole = { 1: Uint8Array, 2: Uint16Array, 4: Uint32Array };
  const Kinds = { i2: Int16Array, i4: Int32Array, f4: Float32Array };
  const arrays = {};
  let at = 0;
  for (const [name, [kind, rows, columns, how]] of Object.entries(data.entries)) {
    const width = Number(kind[1]), total = rows * columns, whole = new Whole[width](total);
    for (let column = 0; column < columns; column++) {
      for (let byte = 0; byte < width; byte++) {
        const shift = 8 * byte;
        for (let i = column; i < total; i += columns) whole[i] |= all[at++] << shift;
      }
      if (how !== "d") continue;
      let sum = 0;
      for (let i = column; i < total; i += columns) {
        sum = (sum + ((whole[i] >>> 1) ^ -(whole[i] & 1))) | 0;
        whole[i] = sum;
      }
    }
    if (how === "h") {
      let highest = -1;
      for (let i = 0; i < total; i++) {
        const value = (highest + 1 - whole[i]) | 0;
        whole[i] = value;
        if (value > highest) highest = value;
      }
    }
    arrays[name] = Kinds[kind] ? new Kinds[kind](whole.buffer) : whole;
  }
  const MISSING = -2147483648, touches = { touch: data.touches.touch };
  const numbers = (array, step) => Array.from(array, (value) => (value === MISSING ? null : Number((value * step).toPrecision(12))));
  for (const [name, texts] of Object.entries(data.touches.texts)) touches[name] = Array.from(arrays[`text:${name}`], (k) => texts[k]);
  for (const [name, step] of Object.entries(data.touches.steps)) touches[name] = numbers(arrays[`number:${name}`], step);
  const anchor = new Float32Array(arrays.anchor.length), low = data.mesh.low;
  for (let i = 0; i < anchor.length; i++) anchor[i] = arrays.anchor[i] === MISSING ? NaN : low[i % 3] + arrays.anchor[i] * 1e-4;
  const direction = Float32Array.from(arrays.direction, (value) => value / 32767);
  for (let i = 0; i < anchor.length; i++) if (Number.isNaN(anchor[i])) direction[i] = NaN;
  const states = data.states.map((state, k) => ({ ...state, deviation: numbers(arrays[`state:${k}`], 1e-6) }));
  return { ...data, packed: "", arrays, touches, anchor, direction, states };
};
