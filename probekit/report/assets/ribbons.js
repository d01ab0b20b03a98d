
"use strict";
// Straight pieces as thin rectangles that always face the viewer: lines of the same width at any distance.
globalThis.probekitRibbons = (T, scene, whole) => {
  const size = { value: new T.Vector2(1, 1) };
  const rgb = (hex) => new T.Vector3(...[1, 3, 5].map((k) => parseInt(hex.slice(k, k + 2), 16) / 255));
  const make = (ink, { width = 1.9, lift = 0, order = 0 } = {}) => {
    const geometry = new T.BufferGeometry();
    const material = new T.ShaderMaterial({
      side: T.DoubleSide,
      uniforms: { size, fade: { value: 0 }, ink: { value: rgb(ink) }, width: { value: width }, lift: { value: lift } },
      vertexShader: `
        attribute vec3 other; attribute float side; attribute float state;
        uniform vec2 size; uniform float width; uniform float lift;
        void main() {
          vec4 here = projectionMatrix * modelViewMatrix * vec4(position, 1.0);
          vec4 there = projectionMatrix * modelViewMatrix * vec4(other, 1.0);
          vec2 along = (there.xy / there.w - here.xy / here.w) * size;
          vec2 across = vec2(-along.y, along.x) / max(length(along), 1e-6);
          here.xy += across * side * (state > 1.0 ? 2.2 : 1.0) * width / size * here.w;
          here.z -= lift;
          gl_Position = state == 0.0 ? vec4(2.0, 2.0, 2.0, 1.0) : here;
        }`,
      fragmentShader: "uniform vec3 ink; uniform float fade; void main() { gl_FragColor = vec4(mix(ink, vec3(0.9), fade), 1.0); }",
    });
    const mesh = new T.Mesh(geometry, material);
    mesh.frustumCulled = false;
    mesh.renderOrder = order;
    mesh.visible = false;
    scene.add(mesh);
    let owners = [], state = new Float32Array(0);
    return {
      mesh,
      fade: material.uniforms.fade,
      rows: () => owners,
      /** Ends of the pieces, six numbers each, and the touch that each belongs to. */
      set(points, rows = []) {
        const count = points.length / 6;
        const position = new Float32Array(12 * count), other = new Float32Array(12 * count), side = new Float32Array(4 * count);
        const index = new Uint32Array(6 * count);
        state = new Float32Array(4 * count).fill(1);
        owners = [...rows];
        for (let i = 0; i < count; i++) {
          for (let corner = 0; corner < 4; corner++) {
            const end = corner >> 1, at = 4 * i + corner;
            for (let k = 0; k < 3; k++) {
              position[3 * at + k] = points[6 * i + 3 * end + k];
              other[3 * at + k] = points[6 * i + 3 * (1 - end) + k];
            }
            side[at] = (corner & 1 ? 1 : -1) * (end ? -1 : 1);
          }
          for (const [n, k] of [0, 1, 2, 1, 3, 2].entries()) index[6 * i + n] = 4 * i + k;
        }
        for (const [name, array, width_] of [["position", position, 3], ["other", other, 3], ["side", side, 1], ["state", state, 1]]) {
          geometry.setAttribute(name, new T.BufferAttribute(array, width_));
        }
        geometry.setIndex(new T.BufferAttribute(index, 1));
        geometry.boundingSphere = whole;
        mesh.visible = count > 0;
      },
      setStates(states) {
        if (!owners.length) return;
        for (let i = 0; i < owners.length; i++) state.fill(states[owners[i]], 4 * i, 4 * i + 4);
        geometry.getAttribute("state").needsUpdate = true;
      },
    };
  };
  return { make, resize: (width, height) => size.value.set(width, height) };
};
