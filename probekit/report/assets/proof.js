
"use strict";
// Adds up what proves a zone or an envelope: weights of sum 1 with which the slopes of the touches in contact cancel,
// all of them equally far out, and no touch further. Of an envelope the slopes are found here, from the touches. What has
// been proved is said as a number, and the actual value of the card must be that number.
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
  const among = one.rows.reduce((sum, i) => sum + level[i], 0) / one.rows.length;
  const proved = one.points ? 2 * (one.radius + (one.outside ? 1 : -1) * among - one.ball) : one.times * among;
  const twice = value > NEAR && new Set(one.rows).size < one.rows.length; // of no width, a zone is held on both sides at once
  const weight = one.weight, sum = weight.reduce((a, b) => a + b, 0);
  const left = size(slope[0].map((_, k) => weight.reduce((total, w, i) => total + w * slope[i][k], 0)));
  const off = Math.max(...one.rows.map((i) => Math.abs(level[i] - value))), beyond = level.reduce((a, b) => Math.max(a, b), -Infinity) - value;
  const holds = !twice && weight.every((w) => w >= 0) && Math.abs(sum - 1) < 1e-9 && left < CANCELS && off < NEAR && beyond < NEAR;
  return { holds, left, off, beyond, proved };
};
globalThis.probekitProofs = (page) => {
  const found = page.data.proofs.map(globalThis.probekitProve), lines = page.$$(".proof span");
  const near = (place, value) => !place || Math.abs(Number(place.dataset.mm) - value) < 1e-5 + 1e-6 * value; // [mm]; a card has four decimals
  found.forEach((one, k) => { // a zone is the actual value of its card, and may be that of the headline
    const card = page.data.proofs[k].points ? null : lines[k]?.closest(".card"), head = page.$(".head .how");
    const named = head?.querySelector(".what")?.textContent === card?.querySelector("h3")?.textContent;
    one.told = !card || (near(card.querySelector(".big .q"), one.proved) && (!named || near(head.querySelector(".q"), one.proved)));
  });
  const write = () => lines.forEach((place, k) => {
    const one = found[k], good = one?.holds && one.told;
    if (!one) return;
    place.parentElement.classList.toggle("fails", !good);
    const said = `${page.say("proof.holds")} ${page.length(one.proved)}, ${page.say("proof.leaves")} ${one.left.toExponential(0)}.`;
    place.textContent = good ? said : page.say("proof.fails");
  });
  page.onChange(write);
  write();
};
