
"use strict";
// What a plan shows beside part and targets: ways as lines of two pixels, fixtures, and the probe at the chosen target.
// Positions, colours and the motion of the probe at each target were computed by Python; here they are applied.
globalThis.probekitExtras = (scene, data, shared, numbers, whole) => {
  const T = globalThis.three3d;
  const size = { value: new T.Vector2(1, 1) };
  const layers = new Map([["ways", []], ["probe", []], ["fixtures", []]]);
  const hidden = new Set();
  const movers = [], ribbons = [];
  const rgb = (hex) => new T.Vector3(...[1, 3, 5].map((k) => parseInt(hex.slice(k, k + 2), 16) / 255));
  const put = (layer, object) => { layers.get(layer).push(object); scene.add(object); return object; };

  // ---- lines: each piece is a thin rectangle that always faces the viewer ----
  for (const line of data.lines) {
    const points = numbers(Float32Array, line.points), rows = numbers(Uint32Array, line.rows), count = rows.length;
    const position = new Float32Array(12 * count), other = new Float32Array(12 * count);
    const side = new Float32Array(4 * count), state = new Float32Array(4 * count).fill(1), index = new Uint32Array(6 * count);
    for (let i = 0; i < count; i++) {
      for (let corner = 0; corner < 4; corner++) {
        const end = corner >> 1, at = 4 * i + corner;
        for (let k = 0; k < 3; k++) {
          position[3 * at + k] = points[6 * i + 3 * end + k];
          other[3 * at + k] = points[6 * i + 3 * (1 - end) + k];
        }
        side[at] = (corner & 1 ? 1 : -1) * (end ? -1 : 1);
      }
      index.set([0, 1, 2, 1, 3, 2].map((k) => 4 * i + k), 6 * i);
    }
    const geometry = new T.BufferGeometry();
    for (const [name, array, width] of [["position", position, 3], ["other", other, 3], ["side", side, 1], ["state", state, 1]]) {
      geometry.setAttribute(name, new T.BufferAttribute(array, width));
    }
    geometry.setIndex(new T.BufferAttribute(index, 1));
    geometry.boundingSphere = whole;
    const material = new T.ShaderMaterial({
      side: T.DoubleSide,
      uniforms: { size, fade: { value: 0 }, ink: { value: rgb(line.colour) } },
      vertexShader: `
        attribute vec3 other; attribute float side; attribute float state;
        uniform vec2 size;
        void main() {
          vec4 here = projectionMatrix * modelViewMatrix * vec4(position, 1.0);
          vec4 there = projectionMatrix * modelViewMatrix * vec4(other, 1.0);
          vec2 along = (there.xy / there.w - here.xy / here.w) * size;
          vec2 across = vec2(-along.y, along.x) / max(length(along), 1e-6);
          here.xy += across * side * (state > 1.0 ? 2.2 : 1.0) * 1.9 / size * here.w;
          gl_Position = state == 0.0 ? vec4(2.0, 2.0, 2.0, 1.0) : here;
        }`,
      fragmentShader: "uniform vec3 ink; uniform float fade; void main() { gl_FragColor = vec4(mix(ink, vec3(0.9), fade), 1.0); }",
    });
    ribbons.push({ rows: [...rows], state, geometry, fade: material.uniforms.fade });
    put("ways", new T.Mesh(geometry, material));
  }

  // ---- solids ----
  for (const solid of data.solids) {
    const geometry = new T.BufferGeometry(), edges = new T.BufferGeometry();
    geometry.setAttribute("position", new T.BufferAttribute(numbers(Float32Array, solid.position), 3));
    geometry.setAttribute("colour", new T.BufferAttribute(numbers(Uint8Array, solid.colours), 3, true));
    edges.setAttribute("position", new T.BufferAttribute(numbers(Float32Array, solid.edges), 3));
    const through = solid.opacity < 1;
    const body = new T.Mesh(geometry, new T.ShaderMaterial({
      side: through ? 0 : T.DoubleSide, transparent: through, // 0: the front alone
      depthWrite: !through,
      polygonOffset: true, polygonOffsetFactor: 1, polygonOffsetUnits: 2,
      uniforms: { pick: shared.pick, opacity: { value: solid.opacity } },
      vertexShader: `
        attribute vec3 colour; varying vec3 vColour;
        void main() { vColour = colour; gl_Position = projectionMatrix * modelViewMatrix * vec4(position, 1.0); }`,
      fragmentShader: `
        uniform float pick; uniform float opacity; varying vec3 vColour;
        void main() { gl_FragColor = pick > 0.5 ? vec4(0.0, 0.0, 0.0, 1.0) : vec4(vColour, opacity); }`,
    }));
    const outline = new T.LineSegments(edges, new T.ShaderMaterial({
      vertexShader: "void main() { gl_Position = projectionMatrix * modelViewMatrix * vec4(position, 1.0); }",
      fragmentShader: "void main() { gl_FragColor = vec4(0.2, 0.23, 0.28, 1.0); }",
    }));
    const motions = solid.motions ? numbers(Float64Array, solid.motions) : null; // sixteen numbers per touch
    const layer = motions ? "probe" : "fixtures";
    for (const object of [body, outline]) {
      object.frustumCulled = false;
      object.matrixAutoUpdate = false;
      object.userData.through = through || object === outline;
      put(layer, object);
      if (motions) movers.push([object, motions]);
    }
  }

  const show = () => {
    for (const [name, objects] of layers) for (const object of objects) object.visible = !hidden.has(name) && !object.userData.away;
  };
  const motionAt = (motions, row) => {
    const motion = row === null ? [NaN] : motions.subarray(16 * row, 16 * row + 16);
    return Number.isFinite(motion[0]) ? motion : null;
  };
  const choose = (row) => {
    const at = row >= 0 ? row : data.at;
    for (const [object, motions] of movers) {
      const motion = motionAt(motions, at);
      object.userData.away = !motion;
      if (motion) {
        object.matrix.fromArray(motion);
        object.matrixWorldNeedsUpdate = true;
      }
    }
    for (const { rows, fade } of ribbons) fade.value = row < 0 || rows.includes(row) ? 0 : 0.7; // its own pose stands out
    show();
  };
  choose(-1);

  return {
    choose,
    /** Axis of the probe at a touch, or undefined. */
    axisAt(row) {
      const motion = movers.length ? motionAt(movers[0][1], row) : null;
      return motion ? new T.Vector3(...motion.slice(8, 11)) : undefined;
    },
    resize(width, height) { size.value.set(width, height); },
    setLayer(name, on) {
      if (on) hidden.delete(name); else hidden.add(name);
      show();
    },
    setStates(states) {
      for (const { rows, state, geometry } of ribbons) {
        for (let i = 0; i < rows.length; i++) state.fill(states[rows[i]], 4 * i, 4 * i + 4);
        geometry.getAttribute("state").needsUpdate = true;
      }
    },
    /** While ids are drawn for picking, only bodies that hide what is behind them count. */
    picking(on) {
      if (!on) { show(); return; }
      for (const [name, objects] of layers) for (const object of objects) if (name === "ways" || object.userData.through) object.visible = false;
    },
  };
};
