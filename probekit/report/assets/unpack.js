
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
    for (let column = 0; column < columns; column++, at += rows * width) {
      let sum = 0;
      for (let row = 0, i = column; row < rows; row++, i += columns) {
        let value = all[at + row];
        for (let byte = 1; byte < width; byte++) value |= all[at + byte * rows + row] << (8 * byte);
        if (how === "d") value = sum = (sum + ((value >>> 1) ^ -(value & 1))) | 0;
        whole[i] = value;
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
  // a millionth is the usual step: a quotient of whole numbers is the double nearest to the decimal, without its text
  const numbers = (array, step) => {
    const out = new Array(array.length);
    for (let i = 0; i < out.length; i++) {
      const value = array[i];
      out[i] = value === MISSING ? null : step === 1e-6 ? value / 1e6 : Number((value * step).toPrecision(12));
    }
    return out;
  };
  for (const [name, texts] of Object.entries(data.touches.texts)) touches[name] = Array.from(arrays[`text:${name}`], (k) => texts[k]);
  for (const [name, step] of Object.entries(data.touches.steps)) touches[name] = numbers(arrays[`number:${name}`], step);
  const anchor = new Float32Array(arrays.anchor.length), low = data.mesh.low;
  for (let i = 0; i < anchor.length; i++) anchor[i] = arrays.anchor[i] === MISSING ? NaN : low[i % 3] + arrays.anchor[i] * 1e-4;
  const direction = Float32Array.from(arrays.direction, (value) => value / 32767);
  for (let i = 0; i < anchor.length; i++) if (Number.isNaN(anchor[i])) direction[i] = NaN;
  const states = data.states.map((state, k) => ({ ...state, deviation: numbers(arrays[`state:${k}`], 1e-6) }));
  return { ...data, packed: "", arrays, touches, anchor, direction, states };
};
