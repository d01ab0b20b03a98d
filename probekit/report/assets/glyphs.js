
"use strict";
// The touches: one shape a word, drawn once for each place and direction.
globalThis.probekitGlyphs = (T, scene, data, shared, whole) => {
  const { anchor, direction } = data, words = data.touches.word, count = words.length;
  const deviation = data.touches.deviation ?? new Array(count).fill(null);
  const size = { value: 1 }, lift = { value: 0 };
  const vertex = (rim) => `
    attribute vec3 place; attribute vec3 outward; attribute float value; attribute float state; attribute float bright;
    uniform float factor; uniform float size; uniform float base; uniform float lift; uniform vec3 centre;
    varying float vBright;
    void main() {
      vBright = bright;
      vec3 side = abs(outward.z) < 0.9 ? vec3(0.0, 0.0, 1.0) : vec3(1.0, 0.0, 0.0);
      vec3 one = normalize(cross(side, outward)), two = cross(outward, one);
      vec3 shape = ${rim ? "mix(centre, position, 1.3)" : "position"} * base * size * state;
      vec3 at = place + outward * value * factor + one * shape.x + two * shape.y + outward * shape.z;
      gl_Position = state == 0.0 ? vec4(2.0, 2.0, 2.0, 1.0) : projectionMatrix * modelViewMatrix * vec4(at, 1.0);
      ${rim ? "if ((normalMatrix * outward).z > 0.0) gl_Position.z -= lift * state;" : ""}
    }`; // the rim of a glyph that faces the viewer is not cut off by the surface it stands on
  const rgb = (hex) => new T.Vector3(...[1, 3, 5].map((k) => parseInt(hex.slice(k, k + 2), 16) / 255));
  const sets = [];
  const set = (rows, shape, judged) => {
    const corners = shape.corners.length / 3, position = Float32Array.from(shape.corners, (v) => v / 1000);
    const bright = new Float32Array(corners);
    for (let i = 0; i < corners; i++) bright[i] = shape.bright[Math.floor(i / 3)] / 100;
    const centre = [0, 1, 2].map((k) => { let sum = 0; for (let i = k; i < position.length; i += 3) sum += position[i]; return sum / corners; });
    const geometry = new T.InstancedBufferGeometry();
    geometry.setAttribute("position", new T.BufferAttribute(position, 3));
    geometry.setAttribute("bright", new T.BufferAttribute(bright, 1));
    const place = new Float32Array(3 * rows.length), outward = new Float32Array(3 * rows.length);
    const value = new Float32Array(rows.length), state = new Float32Array(rows.length).fill(1);
    rows.forEach((row, i) => {
      place.set(anchor.subarray(3 * row, 3 * row + 3), 3 * i);
      outward.set(direction.subarray(3 * row, 3 * row + 3), 3 * i);
      value[i] = deviation[row] ?? 0;
    });
    for (const [name, array, width] of [["place", place, 3], ["outward", outward, 3], ["value", value, 1], ["state", state, 1]]) {
      geometry.setAttribute(name, new T.InstancedBufferAttribute(array, width));
    }
    geometry.instanceCount = rows.length;
    geometry.boundingSphere = whole;
    const uniforms = { factor: shared.factor, size, lift, base: { value: data.glyphs.size }, centre: { value: new T.Vector3(...centre) }, ink: { value: rgb(shape.colour) } };
    const bodies = new T.Mesh(geometry, new T.ShaderMaterial({
      side: T.DoubleSide, uniforms, vertexShader: vertex(false),
      fragmentShader: "uniform vec3 ink; varying float vBright; void main() { gl_FragColor = vec4(ink * vBright, 1.0); }",
    }));
    // a pale rim sets every glyph off from a surface of its own colour: its body, larger about its centre, inside out
    const rims = new T.Mesh(geometry, new T.ShaderMaterial({
      side: T.BackSide, depthWrite: false, uniforms, vertexShader: vertex(true),
      fragmentShader: "void main() { gl_FragColor = vec4(1.0); }",
    }));
    rims.renderOrder = 1; // over the surface, under the bodies
    bodies.renderOrder = 2;
    for (const mesh of [rims, bodies]) { mesh.frustumCulled = false; scene.add(mesh); }
    sets.push({ rows, state, value, geometry, judged, meshes: [rims, bodies] });
  };
  const placed = [...Array(count).keys()].filter((row) => Number.isFinite(anchor[3 * row]));
  for (const [word, shape] of Object.entries(data.glyphs.shapes)) {
    const rows = placed.filter((row) => words[row] === word);
    if (rows.length) set(rows, shape, true);
  }
  if (data.states.length) set(placed.filter((row) => deviation[row] !== null), data.glyphs.shapes.unjudged, false);
  const judge = (on) => { for (const one of sets) for (const mesh of one.meshes) mesh.visible = one.judged === on; };
  judge(true);
  return {
    placed,
    size,
    lift,
    /** How far a glyph reaches out from its place [mm]. */
    height: (row) => data.glyphs.size * size.value * (words[row] === "high" || words[row] === "low" ? 2.6 : 0.9),
    setStates(states) {
      for (const { rows, state, geometry } of sets) {
        rows.forEach((row, i) => { state[i] = states[row]; });
        geometry.getAttribute("state").needsUpdate = true;
      }
    },
    /** Deviations of another state; only those of the verdict carry its signs. */
    setValues(values, judged) {
      for (const { rows, value, geometry } of sets) {
        rows.forEach((row, i) => { value[i] = values[row] ?? 0; });
        geometry.getAttribute("value").needsUpdate = true;
      }
      judge(judged);
    },
  };
};
