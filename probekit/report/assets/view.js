
"use strict";
// The 3D view: draws the surface and the glyphs, turns, picks. It knows nothing of the table or the units. `data` is what
// probekitUnpack gives; any page or notebook cell with a canvas can hold it.
globalThis.probekitView = (canvas, data) => {
  const T = globalThis.three3d;
  const context = canvas.getContext("webgl2", { antialias: true, alpha: true });
  if (!context) return null;
  const renderer = new T.WebGLRenderer({ canvas, context, alpha: true });
  const ratio = Math.min(window.devicePixelRatio || 1, 2);
  renderer.setPixelRatio(ratio);
  const [low, high] = data.frame;
  const centre = new T.Vector3(...low.map((v, k) => (v + high[k]) / 2));
  const radius = Math.hypot(...low.map((v, k) => high[k] - v)) / 2;
  const whole = new T.Sphere(centre, radius * 2);
  const scene = new T.Scene(), shared = { factor: { value: 1 }, ratio: { value: ratio } };
  const surface = globalThis.probekitSurface(T, scene, data, shared, whole);
  const glyphs = globalThis.probekitGlyphs(T, scene, data, shared, whole);
  const ribbons = globalThis.probekitRibbons(T, scene, whole);
  const extras = globalThis.probekitExtras(T, scene, data, whole, ribbons);
  const { anchor, direction } = data;
  const vector = (array, row) => new T.Vector3(array[3 * row], array[3 * row + 1], array[3 * row + 2]);
  const placed = (row) => Number.isFinite(anchor[3 * row]);
  let deviation = data.touches.deviation ?? [], shown = new Array(data.touches.touch.length).fill(1);

  // ---- camera ----
  const home = new T.Vector3(...data.toward).normalize();
  const far = 8 * radius;
  const camera = new T.OrthographicCamera(-1, 1, 1, -1, 0, 4 * far);
  camera.up.set(0, 0, 1);
  // the controls write styles, which the style sheet has: as an attribute they would break the policy of a saved copy
  Object.defineProperty(canvas, "style", { value: {}, configurable: true });
  const controls = new T.OrbitControls(camera, canvas);
  controls.minZoom = 0.4;
  controls.maxZoom = 200;
  let queued = false, afterDraw = () => {}, turned = () => {}, first = true, seen = false, covered = 0, dragging = false, resting = 0;
  const draw = () => {
    queued = false;
    // glyphs keep their size on the part until they would cover it: they grow with less than the zoom
    glyphs.size.value = Math.pow(Math.max(camera.zoom, 0.5), -0.55);
    glyphs.lift.value = 3 * data.glyphs.size * glyphs.size.value * 2 / (camera.far - camera.near);
    renderer.render(scene, camera);
    if (!first) afterDraw();
    else {
      first = false;
      requestAnimationFrame(() => {
        performance.mark("probekit:first-view");
        seen = true;
        afterDraw(); // which may ask what hides what: the tree for that is not waited for
        (window.requestIdleCallback ?? ((call) => setTimeout(call, 200)))(prepare);
      });
    }
  };
  const redraw = () => { if (!queued) { queued = true; requestAnimationFrame(draw); } };
  // while it is turned, a coarse stand-in at half the pixels; at rest all of it
  const coarse = (on) => {
    if (!surface.canCoarse()) return;
    surface.setCoarse(on);
    renderer.setPixelRatio(on ? ratio / 2 : ratio);
    shared.ratio.value = on ? ratio / 2 : ratio;
    redraw();
  };
  controls.addEventListener("start", () => { flight++; dragging = true; });
  controls.addEventListener("end", () => { dragging = false; clearTimeout(resting); resting = setTimeout(() => coarse(false), 120); });
  controls.addEventListener("change", () => {
    if (dragging) { clearTimeout(resting); coarse(true); }
    redraw();
    turned();
  });

  const resize = () => {
    const width = canvas.clientWidth, height = canvas.clientHeight;
    if (!width || !height) return;
    renderer.setSize(width, height, false);
    ribbons.resize(width, height);
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
    const half = 1.12 * Math.max(h, w / aspect, 1e-6);
    Object.assign(camera, { left: -half * aspect, right: half * aspect, top: half, bottom: -half });
    if (covered) camera.setViewOffset(canvas.clientWidth, canvas.clientHeight, 0, covered / 2, canvas.clientWidth, canvas.clientHeight);
    else camera.clearViewOffset();
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

  // ---- picking: the touch whose place on the screen is nearest, unless the surface or a body hides it ----
  let tree = null, moved = true;
  const prepare = () => {
    tree ??= globalThis.probekitTree(surface.position, surface.index);
    surface.thin();
  };
  const cast = (origin, toward) => {
    tree ??= globalThis.probekitTree(surface.position, surface.index);
    if (moved) { tree.move(surface.places()); moved = false; }
    return tree.cast(origin.toArray(), toward.toArray(), surface.isShown);
  };
  const eye = () => camera.position.clone().sub(controls.target).normalize();
  const at = (row, out = 0) => vector(anchor, row).addScaledVector(vector(direction, row), (deviation[row] ?? 0) * shared.factor.value + out);
  const project = (point) => {
    const p = point.clone().project(camera);
    return { x: ((p.x + 1) / 2) * canvas.clientWidth, y: ((1 - p.y) / 2) * canvas.clientHeight };
  };
  // two rows of the matrix from the part to the canvas [CSS px]: nothing converges in this camera
  const onScreen = () => {
    camera.updateMatrixWorld();
    const m = camera.projectionMatrix.clone().multiply(camera.matrixWorldInverse).elements, wide = canvas.clientWidth / 2, high = canvas.clientHeight / 2;
    return [m[0] * wide, m[4] * wide, m[8] * wide, (m[12] + 1) * wide, -m[1] * high, -m[5] * high, -m[9] * high, (1 - m[13]) * high];
  };
  // the probe at the chosen touch is slender: it hides no touch from a click, though it counts where a view past it is sought
  const isHidden = (row, probe = false) => {
    const toward = eye(), outward = vector(direction, row), height = glyphs.height(row);
    if (outward.dot(toward) < -0.15) return true;
    // seen if anything of it is seen: its tip, its middle, or its rim
    const side = new T.Vector3(...(Math.abs(outward.z) < 0.9 ? [0, 0, 1] : [1, 0, 0])).cross(outward).normalize(), other = outward.clone().cross(side);
    const wide = 1.3 * data.glyphs.size * glyphs.size.value, middle = at(row, 0.35 * height);
    const spots = [at(row, height), middle, ...[[1, 0], [-1, 0], [0, 1], [0, -1], [0.7, 0.7], [-0.7, 0.7], [0.7, -0.7], [-0.7, -0.7]].map(([a, b]) => middle.clone().addScaledVector(side, a * wide).addScaledVector(other, b * wide))];
    return spots.every((from) => cast(from, toward) !== null || extras.blocks(from, toward, probe));
  };
  const pickAt = (x, y, reach, probe = false) => {
    const across = onScreen(), found = [], factor = shared.factor.value;
    for (const row of glyphs.placed) {
      if (!shown[row]) continue;
      const out = (deviation[row] ?? 0) * factor, i = 3 * row;
      // from foot to tip, and from foot to pointer; no objects: this runs for every touch whenever the pointer moves
      const px = anchor[i] + direction[i] * out, py = anchor[i + 1] + direction[i + 1] * out, pz = anchor[i + 2] + direction[i + 2] * out;
      const dx = x - (across[0] * px + across[1] * py + across[2] * pz + across[3]), dy = y - (across[4] * px + across[5] * py + across[6] * pz + across[7]);
      const high = glyphs.height(row);
      const wx = high * (across[0] * direction[i] + across[1] * direction[i + 1] + across[2] * direction[i + 2]), wy = high * (across[4] * direction[i] + across[5] * direction[i + 1] + across[6] * direction[i + 2]);
      const t = Math.min(Math.max((dx * wx + dy * wy) / Math.max(wx * wx + wy * wy, 1e-9), 0), 1), away = Math.sqrt((dx - t * wx) ** 2 + (dy - t * wy) ** 2);
      if (away <= reach) found.push([away, row]);
    }
    found.sort((a, b) => a[0] - b[0]);
    return found.find(([, row]) => !isHidden(row, probe))?.[1] ?? -1;
  };
  /** What the surface shows under a place on the screen. */
  const surfaceAt = (x, y) => {
    camera.updateMatrixWorld();
    const origin = new T.Vector3((2 * x) / canvas.clientWidth - 1, 1 - (2 * y) / canvas.clientHeight, -1).unproject(camera);
    const toward = eye().negate();
    const hit = cast(origin, toward);
    if (!hit) return null;
    const point = origin.addScaledVector(toward, hit.way), corners = [0, 1, 2].map((k) => surface.index[3 * hit.facet + k]);
    const [a, b, c] = corners.map((v) => vector(surface.position, v)), n = b.clone().sub(a).cross(c.clone().sub(a)), all = n.lengthSq() || 1;
    const weights = [[b, c], [c, a], [a, b]].map(([p, q]) => p.clone().sub(point).cross(q.clone().sub(point)).dot(n) / all);
    const known = corners.every((v) => surface.known[v]);
    return { point: point.toArray(), face: surface.mesh.faces[surface.faceOfFacet(hit.facet)],
      value: known ? corners.reduce((sum, v, k) => sum + weights[k] * surface.value[v], 0) : null };
  };
  // Where the probe stands there is room round its axis: of some directions off it, the first that sees the target.
  const pastProbe = (row, axis, outward) => {
    const flat = outward.clone().addScaledVector(axis, -outward.dot(axis));
    let across = axis.clone().cross(outward);
    if (across.length() < 0.1) across = home.clone().addScaledVector(axis, -home.dot(axis));
    across.normalize().multiplyScalar(across.dot(home) < 0 ? -0.6 : 0.6);
    const before = [controls.target.clone(), eye(), camera.zoom];
    const seen = [[1, 0.77], [-1, 0.77], [1, 0.5], [-1, 0.5], [1, 0.92], [-1, 0.92]].map(([sign, up]) =>
      flat.clone().addScaledVector(across, sign).normalize().multiplyScalar(Math.sqrt(1 - up * up)).addScaledVector(axis, up));
    const found = seen.find((toward) => {
      stand(vector(anchor, row), toward, Math.max(camera.zoom, 1.6));
      return pickAt(canvas.clientWidth / 2, canvas.clientHeight / 2, 12, true) === row;
    });
    stand(...before);
    return found ?? seen[0];
  };
  new ResizeObserver(resize).observe(canvas);
  renderer.setSize(canvas.clientWidth, canvas.clientHeight, false);
  ribbons.resize(canvas.clientWidth, canvas.clientHeight);
  stand(centre, home, 1);
  frame();

  return {
    radius, surface, ribbons, home, pickAt, surfaceAt, redraw, project, isHidden,
    onDraw(call) { afterDraw = call; },
    /** Whether the first picture was drawn: what is laid over it comes after it. */
    isSeen: () => seen,
    /** Where a touch is on the canvas [CSS px], or null. */
    place(row) {
      if (!placed(row)) return null;
      camera.updateMatrixWorld();
      return project(at(row));
    },
    point: (row) => (placed(row) ? at(row).toArray() : null),
    outward: (row) => vector(direction, row).toArray(),
    /** Per touch: 0 hidden, 1 shown, more: larger. */
    setStates(states) {
      shown = states;
      glyphs.setStates(states);
      extras.setStates(states);
      redraw();
    },
    /** Solids that stand elsewhere at each touch go to this one; below zero: to where they stood at first. */
    choose(row) { extras.choose(row); redraw(); },
    /** Solids that move stand by this motion until a touch is chosen; and numbers of the data block. */
    standBy(motion) { extras.stand(motion); redraw(); },
    numbers: extras.numbers,
    setLayer(name, on) { extras.setLayer(name, on); redraw(); },
    setFactor(n) { shared.factor.value = n; moved = true; redraw(); },
    setShade(on) { surface.setShade(on); redraw(); },
    setDoubt(on) { surface.setDoubt(on); redraw(); },
    setFaces(off) { surface.setFaces(off); redraw(); },
    /** Another state of the same touches, or null for the one that was judged. */
    setState(state) {
      deviation = state ? state.deviation : data.touches.deviation;
      surface.setState(state);
      glyphs.setValues(deviation, !state);
      moved = true;
      redraw();
    },
    /** The lowest pixels of the canvas that something covers: the part moves into what is left. */
    setCovered(pixels) { covered = pixels; frame(); redraw(); },
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
    /** Look along an axis of the part: a unit vector from the part to the viewer. */
    lookFrom(toward) { fly(centre, new T.Vector3(...toward).add(new T.Vector3(0, -1e-4, 0)).normalize(), 1); },
    zoomBy(n) { camera.zoom = Math.min(Math.max(camera.zoom * n, controls.minZoom), controls.maxZoom); camera.updateProjectionMatrix(); redraw(); turned(); },
    /** The axes of the part as they lie on the screen: x right, y down, and toward the viewer. */
    axes() {
      const right = new T.Vector3(), up = new T.Vector3(), back = new T.Vector3();
      camera.matrixWorld.extractBasis(right, up, back);
      return ["x", "y", "z"].map((name) => ({ name, x: right[name], y: -up[name], toward: back[name] }));
    },
    /** What the camera looks at, from where, how large: for another view of the same part. */
    pose: () => ({ target: controls.target.toArray(), toward: eye().toArray(), zoom: camera.zoom }),
    setPose({ target, toward, zoom }) { flight++; stand(new T.Vector3(...target), new T.Vector3(...toward), zoom); },
    onTurn(call) { turned = call; },
    /** Turn about z, and up toward it [rad]. */
    turnBy(round, up) {
      const now = eye(), angle = Math.atan2(now.y, now.x) + round;
      const high = Math.min(Math.max(Math.asin(Math.max(-1, Math.min(1, now.z))) + up, -1.56), 1.56);
      flight++;
      stand(controls.target.clone(), new T.Vector3(Math.cos(angle) * Math.cos(high), Math.sin(angle) * Math.cos(high), Math.sin(high)), camera.zoom);
      turned();
    },
    /** Pixels for a millimetre. */
    scale: () => (canvas.clientWidth * camera.zoom) / (camera.right - camera.left),
    drawn: () => camera.matrixWorld.elements.join() + camera.projectionMatrix.elements.join(),
  };
};
