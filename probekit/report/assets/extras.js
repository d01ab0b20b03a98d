
"use strict";
// What a plan shows beside part and targets: ways as lines of two pixels, fixtures, and the probe at the chosen target.
// Positions, colours and the motion of the probe at each target were computed by Python; here they are applied.
globalThis.probekitExtras = (T, scene, data, whole, ribbons) => {
  const numbers = (Kind, text) => {
    const raw = atob(text), out = new Uint8Array(raw.length);
    for (let i = 0; i < out.length; i++) out[i] = raw.charCodeAt(i);
    return new Kind(out.buffer);
  };
  const layers = new Map([["ways", []], ["probe", []], ["fixtures", []]]);
  const hidden = new Set();
  const movers = [], ways = [], bodies = [];
  const put = (layer, object) => { layers.get(layer).push(object); scene.add(object); return object; };

  for (const line of data.lines) {
    const ribbon = ribbons.make(line.colour);
    ribbon.set(numbers(Float32Array, line.points), numbers(Uint32Array, line.rows));
    scene.remove(ribbon.mesh);
    put("ways", ribbon.mesh);
    ways.push(ribbon);
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
      uniforms: { opacity: { value: solid.opacity } },
      vertexShader: `
        attribute vec3 colour; varying vec3 vColour;
        void main() { vColour = colour; gl_Position = projectionMatrix * modelViewMatrix * vec4(position, 1.0); }`,
      fragmentShader: `
        uniform float opacity; varying vec3 vColour;
        void main() { gl_FragColor = vec4(vColour, opacity); }`,
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
      put(layer, object);
      if (motions) movers.push([object, motions]);
    }
    body.userData.moves = Boolean(motions);
    if (!through) bodies.push(body);
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
    for (const one of ways) one.fade.value = row < 0 || one.rows().includes(row) ? 0 : 0.7; // its own pose stands out
    show();
  };
  choose(-1);
  /** Solids that move stand by this motion, sixteen numbers column by column, until a touch is chosen. */
  const stand = (motion) => {
    for (const [object] of movers) {
      object.userData.away = false;
      object.matrix.fromArray(motion);
      object.matrixWorldNeedsUpdate = true;
    }
    show();
  };

  return {
    choose, stand, numbers,
    /** Axis of the probe at a touch, or undefined. */
    axisAt(row) {
      const motion = movers.length ? motionAt(movers[0][1], row) : null;
      return motion ? new T.Vector3(...motion.slice(8, 11)) : undefined;
    },
    setLayer(name, on) {
      if (on) hidden.delete(name); else hidden.add(name);
      show();
    },
    setStates(states) { for (const one of ways) one.setStates(states); },
    /** Whether a body that is shown stands in the way of a ray, perhaps one that moves along. */
    blocks(origin, toward, moving) {
      return bodies.some((body) => {
        if (!body.visible || (body.userData.moves && !moving)) return false;
        const turned = body.matrix.elements, back = [0, 1, 2].map((k) => [0, 1, 2].map((i) => turned[4 * k + i])); // its inverse turn
        const off = origin.toArray().map((v, k) => v - turned[12 + k]), way = toward.toArray();
        const into = (v) => back.map((row) => row[0] * v[0] + row[1] * v[1] + row[2] * v[2]);
        body.userData.tree ??= globalThis.probekitTree(body.geometry.getAttribute("position").array, Uint32Array.from({ length: body.geometry.getAttribute("position").count }, (_, k) => k));
        return body.userData.tree.cast(into(off), into(way)) !== null;
      });
    },
  };
};
