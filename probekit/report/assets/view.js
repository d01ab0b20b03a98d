
"use strict";
// The 3D view: draws the surface and the glyphs, turns, picks. It knows nothing of the table or the units.
// Everything is unlit: the shaders write the sRGB colours of the legend as they are.
globalThis.probekitView = (canvas, data) => {
  const T = globalThis.three3d;
  const context = canvas.getContext("webgl2", { antialias: true, alpha: true });
  if (!context) return null;

  const bytes = (text) => {
    const raw = atob(text), out = new Uint8Array(raw.length);
    for (let i = 0; i < out.length; i++) out[i] = raw.charCodeAt(i);
    return out;
  };
  const numbers = (Kind, text) => new Kind(bytes(text).buffer);
  const renderer = new T.WebGLRenderer({ canvas, context, alpha: true });
  renderer.setPixelRatio(Math.min(window.devicePixelRatio || 1, 2));

  // ---- surface ----
  const mesh = data.mesh;
  const packed = numbers(Uint16Array, mesh.position);
  const count = packed.length / 3;
  const position = new Float32Array(packed.length);
  for (let i = 0; i < packed.length; i++) position[i] = mesh.low[i % 3] + packed[i] * mesh.step[i % 3];
  const [low, high] = data.frame;
  const centre = new T.Vector3(...low.map((v, k) => (v + high[k]) / 2));
  const radius = Math.hypot(...low.map((v, k) => high[k] - v)) / 2;
  const whole = new T.Sphere(centre, radius * 2);

  const steps = numbers(Int16Array, mesh.value);
  const value = new Float32Array(count), known = new Uint8Array(count), limits = new Float32Array(2 * count);
  for (let i = 0; i < count; i++) {
    known[i] = steps[i] === -32768 ? 0 : 1;
    value[i] = known[i] ? steps[i] * mesh.valueStep : 0;
  }
  let from = 0;
  mesh.faceCounts.forEach((n, face) => {
    const zone = mesh.faceLimits[face] ?? [null, null];
    for (let i = from; i < from + n; i++) {
      limits[2 * i] = zone[0] ?? -1e9;
      limits[2 * i + 1] = zone[1] ?? 1e9;
    }
    from += n;
  });
  const threes = bytes(mesh.facets), index = new Uint32Array(threes.length / 3);
  for (let i = 0; i < index.length; i++) index[i] = threes[3 * i] | (threes[3 * i + 1] << 8) | (threes[3 * i + 2] << 16);

  const geometry = new T.BufferGeometry();
  geometry.setAttribute("position", new T.BufferAttribute(position, 3));
  geometry.setAttribute("value", new T.BufferAttribute(value, 1));
  geometry.setAttribute("known", new T.BufferAttribute(known, 1));
  geometry.setAttribute("limits", new T.BufferAttribute(limits, 2));
  geometry.setIndex(new T.BufferAttribute(index, 1));
  geometry.computeVertexNormals();
  geometry.boundingSphere = whole;

  const rgb = (hex) => [1, 3, 5].map((k) => parseInt(hex.slice(k, k + 2), 16));
  const stops = data.plain ? [data.unknown] : data.stops;
  const ramp = new Uint8Array(stops.flatMap((hex) => [...rgb(hex), 255]));
  const colours = new T.DataTexture(ramp, stops.length, 1, T.RGBAFormat, T.UnsignedByteType);
  colours.minFilter = colours.magFilter = T.LinearFilter;
  colours.needsUpdate = true;

  const shared = { factor: { value: 1 }, pick: { value: 0 }, ratio: { value: renderer.getPixelRatio() } };
  const surfaceMaterial = new T.ShaderMaterial({
    side: T.DoubleSide, polygonOffset: true, polygonOffsetFactor: 1, polygonOffsetUnits: 2,
    uniforms: {
      ...shared, colours: { value: colours }, span: { value: data.span }, stops: { value: stops.length },
      unknown: { value: new T.Vector3(...rgb(data.unknown).map((c) => c / 255)) }, shade: { value: 0 },
      plain: { value: data.plain ? 1 : 0 },
    },
    vertexShader: `
      attribute float value; attribute float known; attribute vec2 limits;
      uniform float factor;
      varying float vValue; varying float vKnown; varying vec2 vLimits; varying vec3 vNormal;
      void main() {
        vValue = value * known; vKnown = known; vLimits = limits; vNormal = normalMatrix * normal;
        gl_Position = projectionMatrix * modelViewMatrix * vec4(position + normal * vValue * factor, 1.0);
      }`,
    fragmentShader: `
      uniform sampler2D colours; uniform float span; uniform float stops; uniform float pick; uniform float shade;
      uniform float ratio; uniform vec3 unknown; uniform float plain;
      varying float vValue; varying float vKnown; varying vec2 vLimits; varying vec3 vNormal;
      float crossed(float value, float limit) {
        return 1.0 - smoothstep(0.7 * ratio, 1.5 * ratio, abs(value - limit) / max(fwidth(value), 1e-9));
      }
      void main() {
        if (pick > 0.5) { gl_FragColor = vec4(0.0, 0.0, 0.0, 1.0); return; }
        float value = vValue / max(vKnown, 1e-3);
        float along = (clamp(value / span, -1.0, 1.0) * 0.5 + 0.5) * (stops - 1.0);
        vec3 ink = texture2D(colours, vec2((along + 0.5) / stops, 0.5)).rgb;
        float line = max(crossed(value, vLimits.x), crossed(value, vLimits.y));
        ink = mix(ink, vec3(0.1, 0.13, 0.18), 0.85 * line);
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
  lines.setIndex(new T.BufferAttribute(numbers(Uint32Array, mesh.edges), 1));
  lines.boundingSphere = whole;
  const lineMaterial = new T.ShaderMaterial({
    uniforms: shared,
    vertexShader: `
      attribute float value; attribute float known; uniform float factor;
      void main() {
        gl_Position = projectionMatrix * modelViewMatrix * vec4(position + normal * value * known * factor, 1.0);
      }`,
    fragmentShader: "void main() { gl_FragColor = vec4(0.2, 0.23, 0.28, 1.0); }",
  });

  // ---- glyphs ----
  const anchor = numbers(Float32Array, data.anchor), direction = numbers(Float32Array, data.direction);
  const deviation = data.touches.deviation ?? [];
  const touchOf = numbers(Uint32Array, data.glyphs.touch);
  const localSteps = numbers(Int16Array, data.glyphs.local);
  const corners = touchOf.length;
  const glyph = {
    position: new Float32Array(3 * corners), local: new Float32Array(3 * corners), outward: new Float32Array(3 * corners),
    value: new Float32Array(corners), id: new Float32Array(corners), state: new Float32Array(corners).fill(1),
  };
  for (let i = 0; i < corners; i++) {
    const row = touchOf[i];
    glyph.value[i] = deviation[row] ?? 0;
    glyph.id[i] = row + 1;
    for (let k = 0; k < 3; k++) {
      glyph.position[3 * i + k] = anchor[3 * row + k];
      glyph.outward[3 * i + k] = direction[3 * row + k];
      glyph.local[3 * i + k] = localSteps[3 * i + k] * data.glyphs.localStep;
    }
  }
  const ranges = new Map();
  for (let i = 0; i < corners; i++) {
    const row = touchOf[i];
    if (!ranges.has(row)) ranges.set(row, []);
    ranges.get(row).push(i);
  }
  // a pale rim sets every glyph off from a surface of its own colour: its body, larger about its centre, inside out
  glyph.centre = new Float32Array(3 * corners);
  for (const which of ranges.values()) {
    for (let k = 0; k < 3; k++) {
      let sum = 0;
      for (const i of which) sum += glyph.local[3 * i + k];
      for (const i of which) glyph.centre[3 * i + k] = sum / which.length;
    }
  }
  const glyphs = new T.BufferGeometry();
  for (const [name, array] of Object.entries(glyph)) {
    glyphs.setAttribute(name, new T.BufferAttribute(array, array.length / corners || 1));
  }
  glyphs.setAttribute("colour", new T.BufferAttribute(bytes(data.glyphs.colour), 3, true));
  glyphs.boundingSphere = whole;
  const glyphMaterial = new T.ShaderMaterial({
    side: T.DoubleSide,
    uniforms: { ...shared, size: { value: 1 } },
    vertexShader: `
      attribute vec3 local; attribute vec3 outward; attribute float value; attribute float id; attribute float state;
      attribute vec3 colour;
      uniform float factor; uniform float size;
      varying vec3 vColour; varying float vId;
      void main() {
        vColour = colour; vId = id;
        vec3 place = position + outward * value * factor + local * size * state;
        gl_Position = state == 0.0 ? vec4(2.0, 2.0, 2.0, 1.0) : projectionMatrix * modelViewMatrix * vec4(place, 1.0);
      }`,
    fragmentShader: `
      uniform float pick;
      varying vec3 vColour; varying float vId;
      void main() {
        float id = floor(vId + 0.5);
        gl_FragColor = pick > 0.5
          ? vec4(mod(id, 256.0), mod(floor(id / 256.0), 256.0), floor(id / 65536.0), 255.0) / 255.0
          : vec4(vColour, 1.0);
      }`,
  });

  const rimMaterial = new T.ShaderMaterial({
    side: T.BackSide, depthWrite: false,
    uniforms: { ...shared, size: glyphMaterial.uniforms.size, lift: { value: 0 } },
    vertexShader: `
      attribute vec3 local; attribute vec3 centre; attribute vec3 outward; attribute float value; attribute float state;
      uniform float factor; uniform float size; uniform float lift;
      void main() {
        vec3 place = position + outward * value * factor + mix(centre, local, 1.3) * size * state;
        gl_Position = state == 0.0 ? vec4(2.0, 2.0, 2.0, 1.0) : projectionMatrix * modelViewMatrix * vec4(place, 1.0);
        // the rim of a glyph that faces the viewer is not cut off by the surface it stands on
        if ((normalMatrix * outward).z > 0.0) gl_Position.z -= lift * state;
      }`,
    fragmentShader: "void main() { gl_FragColor = vec4(1.0, 1.0, 1.0, 1.0); }",
  });

  const scene = new T.Scene();
  const outline = new T.LineSegments(lines, lineMaterial);
  const rims = new T.Mesh(glyphs, rimMaterial), bodies = new T.Mesh(glyphs, glyphMaterial);
  rims.renderOrder = 1; // over the surface, under the bodies
  bodies.renderOrder = 2;
  scene.add(new T.Mesh(geometry, surfaceMaterial), outline, rims, bodies);

  const extras = globalThis.probekitExtras(scene, data, shared, numbers, whole);

  // ---- camera ----
  const home = new T.Vector3(...data.toward).normalize();
  const far = 8 * radius;
  const camera = new T.OrthographicCamera(-1, 1, 1, -1, 0, 4 * far);
  camera.up.set(0, 0, 1);
  const controls = new T.OrbitControls(camera, canvas);
  controls.minZoom = 0.4;
  controls.maxZoom = 200;
  let queued = false, afterDraw = () => {}, first = true;
  const draw = () => {
    queued = false;
    // glyphs keep their size on the part until they would cover it: they grow with less than the zoom
    glyphMaterial.uniforms.size.value = Math.pow(Math.max(camera.zoom, 0.5), -0.55);
    rimMaterial.uniforms.lift.value = 3 * data.glyphs.size * glyphMaterial.uniforms.size.value * 2 / (camera.far - camera.near);
    renderer.render(scene, camera);
    afterDraw();
    if (first) {
      first = false;
      requestAnimationFrame(() => performance.mark("probekit:first-view"));
    }
  };
  const redraw = () => { if (!queued) { queued = true; requestAnimationFrame(draw); } };
  controls.addEventListener("change", redraw);

  const resize = () => {
    const width = canvas.clientWidth, height = canvas.clientHeight;
    if (!width || !height) return;
    renderer.setSize(width, height, false);
    extras.resize(width, height);
    frame();
    redraw();
  };
  const frame = () => {
    // the half width that shows the whole part as it stands at first
    const right = new T.Vector3().crossVectors(camera.up, home).normalize(), up = new T.Vector3().crossVectors(home, right);
    let [w, h] = [0, 0];
    for (let n = 0; n < 8; n++) {
      const corner = new T.Vector3(...[0, 1, 2].map((k) => ((n >> k) & 1 ? high[k] : low[k]))).sub(centre);
      w = Math.max(w, Math.abs(corner.dot(right)));
      h = Math.max(h, Math.abs(corner.dot(up)));
    }
    const aspect = canvas.clientWidth / canvas.clientHeight;
    const half = 1.1 * Math.max(h, w / aspect, 1e-6);
    Object.assign(camera, { left: -half * aspect, right: half * aspect, top: half, bottom: -half });
    camera.updateProjectionMatrix();
  };
  const stand = (target, toward, zoom) => {
    controls.target.copy(target);
    camera.position.copy(target).addScaledVector(toward, far);
    camera.zoom = zoom;
    camera.updateProjectionMatrix();
    controls.update();
    redraw();
  };
  let flight = 0;
  const fly = (target, toward, zoom) => {
    const ticket = ++flight;
    if (matchMedia("(prefers-reduced-motion: reduce)").matches || first) { stand(target, toward, zoom); return; }
    const from = controls.target.clone(), start = camera.position.clone().sub(controls.target).normalize();
    const size = camera.zoom, began = performance.now();
    const step = (now) => {
      if (ticket !== flight) return;
      const t = Math.min(Math.max((now - began) / 350, 0), 1), s = t * t * (3 - 2 * t);
      const look = start.clone().multiplyScalar(1 - s).addScaledVector(toward, s);
      if (look.length() < 1e-3) look.copy(toward);
      stand(from.clone().lerp(target, s), look.normalize(), size * Math.pow(zoom / size, s));
      if (t < 1) requestAnimationFrame(step);
    };
    requestAnimationFrame(step);
  };
  controls.addEventListener("start", () => { flight++; });
  const placed = (row) => Number.isFinite(anchor[3 * row]);
  const vector = (array, row) => new T.Vector3(array[3 * row], array[3 * row + 1], array[3 * row + 2]);

  // ---- picking: ids are drawn into a small square round the pointer, the surface hides what lies behind it ----
  const pickAt = (x, y, reach) => {
    const side = 2 * reach + 1;
    const target = new T.WebGLRenderTarget(side, side, { minFilter: T.NearestFilter, magFilter: T.NearestFilter });
    camera.setViewOffset(canvas.clientWidth, canvas.clientHeight, x - reach - 0.5, y - reach - 0.5, side, side);
    outline.visible = rims.visible = false;
    extras.picking(true);
    for (const m of [surfaceMaterial, glyphMaterial]) { m.blending = T.NoBlending; m.uniforms.pick.value = 1; }
    renderer.setRenderTarget(target);
    renderer.setClearColor(0x000000, 0);
    renderer.clear();
    renderer.render(scene, camera);
    const ink = new Uint8Array(4 * side * side);
    renderer.readRenderTargetPixels(target, 0, 0, side, side, ink);
    renderer.setRenderTarget(null);
    shared.pick.value = 0;
    for (const m of [surfaceMaterial, glyphMaterial]) m.uniforms.pick.value = 0;
    outline.visible = rims.visible = true;
    extras.picking(false);
    camera.clearViewOffset();
    target.dispose();
    let best = -1, nearest = Infinity;
    for (let k = 0; k < side * side; k++) {
      const id = ink[4 * k] + 256 * ink[4 * k + 1] + 65536 * ink[4 * k + 2];
      if (!id) continue;
      const d = Math.hypot((k % side) - reach, Math.floor(k / side) - reach);
      if (d <= reach && d < nearest) { nearest = d; best = id - 1; }
    }
    redraw();
    return best;
  };
  // Where the probe stands there is room round its axis: of some directions off it, the first that sees the target.
  const pastProbe = (row, axis, outward) => {
    const flat = outward.clone().addScaledVector(axis, -outward.dot(axis));
    let across = axis.clone().cross(outward);
    if (across.length() < 0.1) across = home.clone().addScaledVector(axis, -home.dot(axis));
    across.normalize().multiplyScalar(across.dot(home) < 0 ? -0.6 : 0.6);
    const before = [controls.target.clone(), camera.position.clone().sub(controls.target).normalize(), camera.zoom];
    const seen = [[1, 0.77], [-1, 0.77], [1, 0.5], [-1, 0.5], [1, 0.92], [-1, 0.92]].map(([sign, up]) =>
      flat.clone().addScaledVector(across, sign).normalize().multiplyScalar(Math.sqrt(1 - up * up)).addScaledVector(axis, up));
    const found = seen.find((toward) => {
      stand(vector(anchor, row), toward, Math.max(camera.zoom, 1.6));
      camera.updateMatrixWorld();
      return pickAt(canvas.clientWidth / 2, canvas.clientHeight / 2, 12) === row;
    });
    stand(...before);
    return found ?? seen[0];
  };
  new ResizeObserver(resize).observe(canvas);
  renderer.setSize(canvas.clientWidth, canvas.clientHeight, false);
  stand(centre, home, 1);
  frame();

  return {
    radius,
    pickAt,
    redraw,
    onDraw: (call) => { afterDraw = call; },
    /** Where a touch is on the canvas [CSS px], or null. */
    place(row) {
      if (!placed(row)) return null;
      const at = vector(anchor, row).addScaledVector(vector(direction, row), (deviation[row] ?? 0) * shared.factor.value);
      at.project(camera);
      return { x: ((at.x + 1) / 2) * canvas.clientWidth, y: ((1 - at.y) / 2) * canvas.clientHeight };
    },
    /** Per touch: 0 hidden, 1 shown, more: larger. */
    setStates(states) {
      for (const [row, which] of ranges) for (const i of which) glyph.state[i] = states[row];
      glyphs.getAttribute("state").needsUpdate = true;
      extras.setStates(states);
      redraw();
    },
    /** Solids that stand elsewhere at each touch go to this one; below zero: to where they stood at first. */
    choose(row) { extras.choose(row); redraw(); },
    setLayer(name, on) { extras.setLayer(name, on); redraw(); },
    setFactor(n) { shared.factor.value = n; redraw(); },
    setShade(on) { surfaceMaterial.uniforms.shade.value = on ? 1 : 0; redraw(); },
    turnTo(row) {
      if (!placed(row)) return;
      const outward = vector(direction, row);
      const axis = extras.axisAt(row);
      const side = Math.abs(outward.z) < 0.9 ? new T.Vector3(0, 0, 1) : home.clone();
      const toward = axis
        ? pastProbe(row, axis, outward)
        : outward.addScaledVector(side.addScaledVector(outward, -side.dot(outward)).normalize(), 0.9).normalize();
      fly(vector(anchor, row), toward, Math.max(camera.zoom, 1.6));
    },
    showWhole() { fly(centre, home, 1); },
    zoomBy(n) { camera.zoom = Math.min(Math.max(camera.zoom * n, controls.minZoom), controls.maxZoom); camera.updateProjectionMatrix(); redraw(); },
  };
};
