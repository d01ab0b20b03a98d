
"use strict";
// Adds up what proves a zone or an envelope: weights of sum 1 with which the slopes of the touches in contact cancel,
// all of them equally far out, and no touch further. Of an envelope the slopes are found here, from the touches.
globalThis.probekitProve = (one) => {
  const NEAR = 3e-6, CANCELS = 1e-4; // [mm], and slopes of about 1
  const dot = (a, b) => a.reduce((sum, v, k) => sum + v * b[k], 0);
  const size = (v) => Math.sqrt(dot(v, v));
  let level = one.level, slope = one.slope, value = one.value;
  if (one.points) {
    const sign = one.outside ? 1 : -1, d = one.direction;
    const off = one.points.map((p) => p.map((v, k) => v - one.at[k]));
    const along = off.map((p) => (d ? dot(p, d) : 0));
    const across = off.map((p, i) => (d ? p.map((v, k) => v - along[i] * d[k]) : p));
    const flat = one.kind === "width";
    level = off.map((_, i) => sign * ((flat ? Math.abs(along[i]) : size(across[i])) - one.radius));
    const arms = flat ? across.map(size) : along, arm = Math.sqrt(dot(arms, arms) / arms.length) || 1;
    slope = one.rows.map((i) => {
      const side = Math.sign(along[i]), out = flat ? [side] : across[i].map((v) => v / size(across[i]));
      const turn = flat ? across[i].map((v) => (side * v) / arm) : out.map((v) => (v * along[i]) / arm);
      return one.turns && one.kind !== "sphere" ? [...out, ...turn] : out;
    });
    value = 0;
  }
  const weight = one.weight, sum = weight.reduce((a, b) => a + b, 0);
  const left = size(slope[0].map((_, k) => weight.reduce((total, w, i) => total + w * slope[i][k], 0)));
  const off = Math.max(...one.rows.map((i) => Math.abs(level[i] - value))), beyond = level.reduce((a, b) => Math.max(a, b), -Infinity) - value;
  const holds = weight.every((w) => w >= 0) && Math.abs(sum - 1) < 1e-9 && left < CANCELS && off < NEAR && beyond < NEAR;
  return { holds, left, off, beyond };
};
globalThis.probekitProofs = (page) => {
  const found = page.data.proofs.map(globalThis.probekitProve);
  const write = () => page.$$(".proof span").forEach((place, k) => {
    const one = found[k], parent = place.parentElement;
    if (!one) return;
    parent.classList.toggle("fails", !one.holds);
    place.textContent = one.holds ? `${page.say("proof.holds")} ${one.left.toExponential(0)}.` : page.say("proof.fails");
  });
  page.onChange(write);
  write();
};
