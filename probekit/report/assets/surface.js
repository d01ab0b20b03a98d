
"use strict";
// The surface: its colours, its limit lines, its faces on and off, a coarse stand-in while the view is turned.
// Everything is unlit: the shaders write the sRGB colours of the legend as they are.
globalThis.probekitSurface = (T, scene, data, shared, whole) => {
  const { mesh, arrays } = data, UNKNOWN = -32768;
  const count = arrays.position.length / 3, index = arrays.facets;
  const position = new Float32Array(arrays.position.length);
  for (let i = 0; i < position.length; i++) position[i] = mesh.low[i % 3] + arrays.position[i] * mesh.step[i % 3];
  const field = (name, step) => {
    const known = new Uint8Array(count), value = new Float32Array(count);
    for (let i = 0; i < count; i++) {
      known[i] = arrays[name][i] === UNKNOWN ? 0 : 1;
      value[i] = known[i] ? arrays[name][i] * step : 0;
    }
    return { known, value };
  };
  const { known, value: judged } = field("value", mesh.valueStep);
  const limits = new Float32Array(2 * count), faceOf = new Uint16Array(count);
  let from = 0;
  mesh.faceCounts.forEach((n, face) => {
    const zone = mesh.faceLimits[face] ?? [null, null];
    for (let i = from; i < from + n; i++) {
      limits[2 * i] = zone[0] ?? -1e9;
      limits[2 * i + 1] = zone[1] ?? 1e9;
      faceOf[i] = face;
    }
    from += n;
  });

  const geometry = new T.BufferGeometry();
  const value = Float32Array.from(judged), none = new Uint8Array(count);
  geometry.setAttribute("position", new T.BufferAttribute(position, 3));
  geometry.setAttribute("value", new T.BufferAttribute(value, 1));
  geometry.setAttribute("known", new T.BufferAttribute(known, 1));
  geometry.setAttribute("limits", new T.BufferAttribute(limits, 2));
  geometry.setIndex(new T.BufferAttribute(index, 1));
  geometry.computeVertexNormals();
  geometry.boundingSphere = whole;
  const normal = geometry.getAttribute("normal").array;
  const doubt = arrays.doubt ? field("doubt", mesh.doubtStep) : null;
  geometry.setAttribute("doubt", new T.BufferAttribute(doubt ? doubt.value : none, 1));
  geometry.setAttribute("told", new T.BufferAttribute(doubt ? doubt.known : none, 1));

  const rgb = (hex) => [1, 3, 5].map((k) => parseInt(hex.slice(k, k + 2), 16));
  const stops = data.plain ? [data.unknown] : data.stops;
  const ramp = new Uint8Array(stops.flatMap((hex) => [...rgb(hex), 255]));
  const colours = new T.DataTexture(ramp, stops.length, 1, T.RGBAFormat, T.UnsignedByteType);
  colours.minFilter = colours.magFilter = T.LinearFilter;
  colours.needsUpdate = true;
  const doubts = ["#f2f2f7", "#b3abc3", "#735f98", "#45296b"]; // one hue, four steps of lightness: read in grey, too
  const largest = doubt ? doubt.value.reduce((a, b) => Math.max(a, b), 1e-9) : 1;
  const nice = (v) => { const p = 10 ** Math.floor(Math.log10(v)); return [1, 2, 5, 10].map((s) => s * p).find((s) => s >= v * (1 - 1e-9)); };
  const doubtStep = nice(largest / 4);

  const material = new T.ShaderMaterial({
    side: T.DoubleSide, polygonOffset: true, polygonOffsetFactor: 1, polygonOffsetUnits: 2,
    uniforms: {
      ...shared, colours: { value: colours }, span: { value: data.span }, stops: { value: stops.length },
      unknown: { value: new T.Vector3(...rgb(data.unknown).map((c) => c / 255)) }, shade: { value: 0 },
      plain: { value: data.plain ? 1 : 0 }, lines: { value: 1 }, mode: { value: 0 }, doubtStep: { value: doubtStep },
      doubts: { value: doubts.map((hex) => new T.Vector3(...rgb(hex).map((c) => c / 255))) },
    },
    vertexShader: `
      attribute float value; attribute float known; attribute vec2 limits; attribute float doubt; attribute float told;
      uniform float factor; uniform float mode;
      varying float vValue; varying float vKnown; varying vec2 vLimits; varying vec3 vNormal;
      void main() {
        vKnown = mode > 0.5 ? told : known;
        vValue = (mode > 0.5 ? doubt : value) * vKnown; vLimits = limits; vNormal = normalMatrix * normal;
        gl_Position = projectionMatrix * modelViewMatrix * vec4(position + normal * value * known * factor, 1.0);
      }`,
    fragmentShader: `
      uniform sampler2D colours; uniform float span; uniform float stops; uniform float shade; uniform float lines;
      uniform float ratio; uniform vec3 unknown; uniform float plain; uniform float mode; uniform float doubtStep; uniform vec3 doubts[4];
      varying float vValue; varying float vKnown; varying vec2 vLimits; varying vec3 vNormal;
      float crossed(float value, float limit) {
        return 1.0 - smoothstep(0.7 * ratio, 1.5 * ratio, abs(value - limit) / max(fwidth(value), 1e-9));
      }
      void main() {
        float value = vValue / max(vKnown, 1e-3);
        float along = (clamp(value / span, -1.0, 1.0) * 0.5 + 0.5) * (stops - 1.0);
        vec3 ink = texture2D(colours, vec2((along + 0.5) / stops, 0.5)).rgb;
        float line = lines * max(crossed(value, vLimits.x), crossed(value, vLimits.y));
        ink = mix(ink, vec3(0.1, 0.13, 0.18), 0.85 * line);
        if (mode > 0.5) {
          float level = clamp(floor(value / doubtStep), 0.0, 3.0);
          ink = level < 0.5 ? doubts[0] : level < 1.5 ? doubts[1] : level < 2.5 ? doubts[2] : doubts[3];
          float edge = 0.0;
          for (int k = 1; k < 4; k++) edge = max(edge, crossed(value, float(k) * doubtStep));
          ink = mix(ink, vec3(0.1, 0.13, 0.18), 0.7 * edge);
          vec2 cell = mod(gl_FragCoord.xy, 7.0 * ratio) - 3.5 * ratio;
          if (level > 2.5 && dot(cell, cell) < 1.7 * ratio * ratio) ink = vec3(0.95);
        }
        float stripe = step(mod(gl_FragCoord.x - gl_FragCoord.y, 7.0 * ratio), 2.0 * ratio);
        ink = vKnown < 0.5 ? unknown * (1.0 - 0.09 * stripe) : ink;
        float facing = abs(normalize(vNormal).z);
        ink *= mix(0.72, 1.0, smoothstep(0.0, 0.22, facing));
        ink *= mix(1.0, 0.55 + 0.45 * facing, shade);
        if (plain > 0.5) ink = unknown * (0.7 + 0.3 * facing); // of a plan: nothing is measured, the form alone shows
        if (!gl_FrontFacing) ink = vec3(0.36, 0.39, 0.44) * (1.0 - 0.2 * stripe);
        gl_FragColor = vec4(ink, 1.0);
      }`,
  });
  const lines = new T.BufferGeometry();
  for (const name of ["position", "value", "known", "normal"]) lines.setAttribute(name, geometry.getAttribute(name));
  lines.setIndex(new T.BufferAttribute(arrays.edges, 1));
  lines.boundingSphere = whole;
  const outline = new T.LineSegments(lines, new T.ShaderMaterial({
    uniforms: shared,
    vertexShader: `
      attribute float value; attribute float known; uniform float factor;
      void main() {
        gl_Position = projectionMatrix * modelViewMatrix * vec4(position + normal * value * known * factor, 1.0);
      }`,
    fragmentShader: "void main() { gl_FragColor = vec4(0.2, 0.23, 0.28, 1.0); }",
  }));
  scene.add(new T.Mesh(geometry, material), outline);

  // ---- faces on and off, and a coarse stand-in of the same vertices ----
  const hidden = new Set();
  let shownIndex = index, coarseIndex = null, coarse = false;
  const chosen = (all, size) => {
    if (!hidden.size) return all;
    const left = [];
    for (let i = 0; i < all.length; i += size) if (!hidden.has(faceOf[all[i]])) for (let k = 0; k < size; k++) left.push(all[i + k]);
    return Uint32Array.from(left);
  };
  const put = () => { geometry.setIndex(new T.BufferAttribute(coarse && coarseIndex ? coarseIndex : shownIndex, 1)); };
  const thin = (wanted = 10000) => {
    if (shownIndex.length / 3 < 2 * wanted) { coarseIndex = null; return; }
    let area = 0;
    for (let i = 0; i < index.length; i += 3) {
      const [a, b, c] = [3 * index[i], 3 * index[i + 1], 3 * index[i + 2]];
      const e = [0, 1, 2].map((k) => position[b + k] - position[a + k]), f = [0, 1, 2].map((k) => position[c + k] - position[a + k]);
      area += Math.hypot(e[1] * f[2] - e[2] * f[1], e[2] * f[0] - e[0] * f[2], e[0] * f[1] - e[1] * f[0]) / 2;
    }
    const cell = Math.sqrt((2 * area) / wanted), first = new Map(), of = new Uint32Array(count);
    for (let i = 0; i < count; i++) {
      const key = [0, 1, 2].reduce((sum, k) => sum * 2048 + Math.round((position[3 * i + k] - mesh.low[k]) / cell), faceOf[i]);
      const known_ = first.get(key);
      if (known_ === undefined) { first.set(key, i); of[i] = i; } else of[i] = known_;
    }
    const left = [];
    for (let i = 0; i < shownIndex.length; i += 3) {
      const a = of[shownIndex[i]], b = of[shownIndex[i + 1]], c = of[shownIndex[i + 2]];
      if (a !== b && b !== c && a !== c) left.push(a, b, c);
    }
    coarseIndex = Uint32Array.from(left);
  };

  // ---- states ----
  const fieldOf = (state) => {
    if (!state) return judged;
    const out = new Float32Array(count), m = state.motion;
    for (let i = 0; i < count; i++) {
      if (!known[i]) continue;
      let moved = 0;
      if (m) {
        const n = 3 * i, p = [0, 1, 2].map((k) => position[n + k] + normal[n + k] * judged[i]);
        for (let k = 0; k < 3; k++) moved += normal[n + k] * (m[k][0] * p[0] + m[k][1] * p[1] + m[k][2] * p[2] + m[k][3] - p[k]);
      }
      out[i] = judged[i] + moved - (state.offsets[faceOf[i]] ?? 0);
    }
    return out;
  };
  return {
    index, position, normal, known, value, faceOf, mesh, doubts, doubtStep, hasDoubt: Boolean(doubt),
    facets: index.length / 3,
    faceOfFacet: (facet) => faceOf[index[3 * facet]],
    isShown: (facet) => !hidden.has(faceOf[index[3 * facet]]),
    /** Where the vertices stand as drawn. */
    places() {
      const n = shared.factor.value, out = new Float32Array(position.length);
      for (let i = 0; i < out.length; i++) { const v = Math.floor(i / 3); out[i] = position[i] + normal[i] * value[v] * known[v] * n; }
      return out;
    },
    setShade(on) { material.uniforms.shade.value = on ? 1 : 0; },
    setDoubt(on) { material.uniforms.mode.value = on ? 1 : 0; },
    setState(state) {
      value.set(fieldOf(state));
      geometry.getAttribute("value").needsUpdate = true;
      material.uniforms.lines.value = state ? 0 : 1; // a limit line judges
    },
    setFaces(off) {
      hidden.clear();
      for (const face of off) hidden.add(face);
      shownIndex = chosen(index, 3);
      lines.setIndex(new T.BufferAttribute(chosen(arrays.edges, 2), 1));
      thin();
      put();
    },
    thin,
    setCoarse(on) { if (coarse !== on && coarseIndex) { coarse = on; put(); } },
    canCoarse: () => Boolean(coarseIndex),
  };
};
