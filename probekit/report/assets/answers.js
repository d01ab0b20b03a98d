"use strict";
// Answers: read those that the page holds, take a new one, save it alone or with the page, or send it where the page is shared.
(() => {
  const section = document.querySelector("#answers"), pristine = globalThis.probekitPristine;
  if (!section || !pristine) return;
  delete globalThis.probekitPristine;
  const $ = (selector, of = document) => of.querySelector(selector);
  const make = (tag, text, kind) => {
    const element = document.createElement(tag);
    if (text !== undefined) element.textContent = text;
    if (kind) element.className = kind;
    return element;
  };
  const DISPOSITIONS = [...document.querySelectorAll("#answer [name=disposition]")].map((box) => box.value).filter(Boolean);
  // words as they stand in the page now: another script puts them into another language
  const word = (key) => ($(`#answer-words [data-w='${key}']`) ?? $(`#answer [data-w='${key}']`))?.textContent ?? key;
  const subject = JSON.parse($("#subject").textContent);
  const page = section.dataset.page, edition = section.dataset.edition;

  // ---- SHA-256 (FIPS 180-4); the browser's own is missing on plain http ----
  const primes = [];
  for (let n = 2; primes.length < 64; n += 1) if (primes.every((p) => n % p)) primes.push(n);
  const fraction = (x) => ((x - Math.floor(x)) * 4294967296) >>> 0;
  const K = primes.map((p) => fraction(Math.cbrt(p))), START = primes.slice(0, 8).map((p) => fraction(Math.sqrt(p)));
  const sha256 = (bytes) => {
    const tail = new Uint8Array(((bytes.length % 64) < 56 ? 64 : 128)), whole = bytes.length - (bytes.length % 64);
    tail.set(bytes.subarray(whole));
    tail[bytes.length % 64] = 128;
    const end = new DataView(tail.buffer);
    end.setUint32(tail.length - 8, Math.floor(bytes.length / 536870912));
    end.setUint32(tail.length - 4, (bytes.length << 3) >>> 0);
    const h = Uint32Array.from(START), w = new Uint32Array(64);
    const turn = (x, n) => (x >>> n) | (x << (32 - n));
    const take = (data, offset) => {
      for (let i = 0; i < 16; i += 1) w[i] = data.getUint32(offset + 4 * i);
      for (let i = 16; i < 64; i += 1) {
        const a = w[i - 15], b = w[i - 2];
        w[i] = w[i - 16] + (turn(a, 7) ^ turn(a, 18) ^ (a >>> 3)) + w[i - 7] + (turn(b, 17) ^ turn(b, 19) ^ (b >>> 10));
      }
      let [a, b, c, d, e, f, g, last] = h;
      for (let i = 0; i < 64; i += 1) {
        const one = (last + (turn(e, 6) ^ turn(e, 11) ^ turn(e, 25)) + ((e & f) ^ (~e & g)) + K[i] + w[i]) | 0;
        const two = ((turn(a, 2) ^ turn(a, 13) ^ turn(a, 22)) + ((a & b) ^ (a & c) ^ (b & c))) | 0;
        last = g; g = f; f = e; e = (d + one) | 0; d = c; c = b; b = a; a = (one + two) | 0;
      }
      [a, b, c, d, e, f, g, last].forEach((x, i) => { h[i] += x; });
    };
    const data = new DataView(bytes.buffer, bytes.byteOffset, bytes.length);
    for (let at = 0; at < whole; at += 64) take(data, at);
    for (let at = 0; at < tail.length; at += 64) take(end, at);
    return [...h].map((x) => x.toString(16).padStart(8, "0")).join("");
  };
  const digest = async (text) => {
    const bytes = new TextEncoder().encode(text);
    if (!globalThis.crypto?.subtle) return sha256(bytes);
    return [...new Uint8Array(await crypto.subtle.digest("SHA-256", bytes))].map((x) => x.toString(16).padStart(2, "0")).join("");
  };

  // ---- what the page is, and whether its data are those that it was made with ----
  $("#page-name").textContent = page.slice(0, 8);
  const blocks = [...pristine.querySelectorAll("script[type][id]")].filter((one) => one.id !== "given");
  digest(blocks.map((one) => `${one.id}\n${one.textContent}\n`).join("")).then((found) => {
    const key = found === page ? "answer.checked" : "answer.changed";
    $("#page-check").dataset.w = key;
    $("#page-check").textContent = word(key);
    if (found !== page) { $("#answer").hidden = true; $("#page-check").className = "changed"; }
    section.dataset.checked = found === page ? "yes" : "no";
  });

  // ---- answers as data: the same bytes are hashed here and in Python ----
  const sorted = (value) => {
    if (Array.isArray(value)) return value.map(sorted);
    return value && typeof value === "object" ? Object.fromEntries(Object.keys(value).sort().map((key) => [key, sorted(value[key])])) : value;
  };
  const canonical = (answer) => { const { signature, ...rest } = answer; return JSON.stringify(sorted(rest)); };
  const who = (one) => (one.role ? `${one.name}, ${one.role}` : one.name);
  const same = (name) => name.normalize("NFC").toLowerCase().split(/\s+/).filter(Boolean).join(" ");
  const compare = (a, b) => (a < b ? -1 : a > b ? 1 : 0);
  let answers = JSON.parse($("#given").textContent);
  const merged = () => {
    const known = new Map();
    for (const one of answers) {
      const id = canonical(one);
      if (!known.has(id) || (one.signature && !known.get(id).signature)) known.set(id, one);
    }
    const keyed = [...known.values()].map((one) => [one, sha256(new TextEncoder().encode(canonical(one)))]);
    return keyed.sort(([a, x], [b, y]) => compare(a.date, b.date) || compare(x, y)).map(([one]) => one);
  };
  const settle = () => {
    const listed = merged(), latest = new Map();
    const judged = (one) => one.disposition && !one.signature;
    for (const one of listed.filter(judged)) if (!(latest.get(same(one.name)) > one.date)) latest.set(same(one.name), one.date);
    const replaced = new Set(listed.filter((one) => judged(one) && one.date < latest.get(same(one.name))));
    const standing = listed.filter((one) => one.disposition && !replaced.has(one));
    const sides = DISPOSITIONS.map((what) => [what, standing.filter((one) => one.disposition === what)]).filter(([, people]) => people.length);
    return { listed, replaced, sides };
  };
  const sentence = ({ listed, sides }) => {
    const said = sides.map(([what, people]) => `${what} (${people.map(who).join("; ")})`);
    if (said.length === 1) return `Disposition: ${said[0]}.`;
    if (said.length) return `Not settled, the answers contradict each other: ${said.join(" against ")}.`;
    const count = listed.reduce((sum, one) => sum + one.comments.length, 0);
    return listed.length ? `No disposition; ${count} comment${count === 1 ? "" : "s"}.` : "Not answered.";
  };
  const warnings = ({ listed, sides }) => {
    const said = [];
    if (subject.verdict !== "conforms" && sides.some(([what]) => what === "accept")) {
      const state = subject.verdict === "undecided" ? "is undecided" : "does not conform";
      said.push(`Accepted, although the part ${state}: to release such a part is a concession, and needs whoever may grant one.`);
    }
    const other = listed.filter((one) => one.edition !== edition);
    if (other.length) said.push(`Given on another edition of this page, with the same numbers and another text around them: ${other.map(who).join("; ")}.`);
    return said;
  };
  const notes = ({ listed }) => [
    ...(listed.some((one) => !one.signature) ? ["Names are as typed: without a signature nothing proves who answered."] : []),
    $("#answer").lastElementChild.textContent,
  ];

  // ---- drawn from data, as text only; the same elements as Python writes ----
  const decision = () => {
    const settled = settle(), { listed, sides } = settled;
    if (!listed.length) return [];
    const nodes = [make("p", sentence(settled), `settled ${sides.length > 1 ? "against" : sides.length ? "agreed" : "open"}`)];
    if (sides.length) {
      const list = make("ul", undefined, "sides");
      for (const [what, people] of sides) {
        const item = make("li"), inner = make("ul");
        for (const one of people) inner.append(make("li", `${who(one)}: ${one.reason}`));
        item.append(make("b", what), inner);
        list.append(item);
      }
      nodes.push(list);
    }
    return [...nodes, ...warnings(settled).map((line) => make("p", line, "warn")), make("p", "A decision on the page does not move the machine.", "small")];
  };
  const placeOf = ({ on, id }) => {
    if (on === "part") return ["on the part"];
    if (on !== "touch") return [`on ${on} ${id}`];
    const link = make("a", `touch ${id}`);
    link.setAttribute("href", `#touch=${encodeURIComponent(id).replace(/[!'()*]/g, (c) => `%${c.charCodeAt(0).toString(16).toUpperCase()}`)}`);
    return ["on ", link];
  };
  const said = () => {
    const settled = settle(), { listed, replaced } = settled, list = make("ol", undefined, "said");
    for (const one of listed) {
      const item = make("li"), head = make("p");
      const time = make("time", `${one.date.slice(0, 10)} ${one.date.slice(11, 16)} UTC`);
      head.append(one.disposition ? make("b", one.disposition) : "comment", `, ${who(one)}, `, time);
      if (replaced.has(one)) head.append(" ", make("em", "replaced by a later answer of this name"));
      item.append(head);
      if (one.reason) item.append(make("p", one.reason, "text"));
      if (one.comments.length) {
        const inner = make("ul");
        for (const comment of one.comments) {
          const line = make("li");
          line.append(...placeOf(comment), ": ", make("span", comment.text, "text"));
          inner.append(line);
        }
        item.append(inner);
      }
      item.append(make("p", `${one.signature ? "signed; not checked here" : "not signed"}; to page ${one.page.slice(0, 8)}`, "small"));
      list.append(item);
    }
    return listed.length ? [list, ...notes(settled).map((line) => make("p", line, "small"))] : [];
  };
  const draw = () => {
    $("#decision").replaceChildren(...decision());
    $("#said").replaceChildren(...said());
    section.dataset.count = String(settle().listed.length);
  };
  draw();

  // ---- the form ----
  const form = $("#answer"), told = $("#answer-told"), box = (name) => $(`#answer-${name}`);
  let comments = [], unsaved = false, mine = null;
  const tell = (text, wrong = false) => { told.textContent = text; told.className = wrong ? "wrong" : ""; };
  const place = ({ on, id }) => (on === "part" ? word("answer.on.part") : `${word(`answer.${on}`)} ${id}`);
  const showComments = () => box("list").replaceChildren(...comments.map((comment, k) => {
    const line = make("li"), drop = make("button", word("answer.remove"));
    drop.type = "button";
    drop.setAttribute("aria-label", `${word("answer.remove.label")} ${place(comment)}`);
    drop.addEventListener("click", () => { comments.splice(k, 1); mine = null; showComments(); });
    line.append(place(comment), ": ", make("span", comment.text, "text"), " ", drop);
    return line;
  }));
  box("on").addEventListener("change", () => {
    const touch = box("on").value === "touch";
    box("which").hidden = !touch;
    if (touch && !box("touch").value) box("touch").value = globalThis.probekit?.selected?.() ?? "";
  });
  let touches = null; // read when a touch is first commented on
  const isTouch = (id) => {
    touches ??= new Set((JSON.parse(blocks.find((one) => one.id === "data")?.textContent || "{}").touches?.touch ?? []).map(String));
    return !touches.size || touches.has(id);
  };
  const addComment = () => {
    const on = box("on").value, text = box("text").value.trim();
    const id = on === "touch" ? box("touch").value.trim() : box("on").selectedOptions[0].dataset.id ?? "";
    if (!text) { tell(word("answer.told.text"), true); return false; }
    if (on === "touch" && !isTouch(id)) { tell(`${word("answer.told.touch")} ${id || "\u2013"}`, true); return false; }
    comments.push({ on, id, text });
    box("text").value = "";
    unsaved = true;
    mine = null;
    showComments();
    tell("");
    return true;
  };
  box("add").addEventListener("click", addComment);
  form.addEventListener("input", () => { unsaved = true; mine = null; });
  addEventListener("beforeunload", (event) => { if (unsaved) event.preventDefault(); });
  const HIDDEN = /[\u0000-\u0008\u000b-\u001f\u007f-\u009f\u202a-\u202e\u2066-\u2069]|[\ud800-\udbff](?![\udc00-\udfff])|(?<![\ud800-\udbff])[\udc00-\udfff]/;
  const taken = () => {
    if (box("text").value.trim() && !addComment()) return null;
    const name = box("name").value.trim(), role = box("role").value.trim(), reason = box("reason").value.trim();
    const disposition = form.elements.disposition.value;
    const wrong = !name ? ["name", word("answer.told.name")]
      : disposition && !reason ? ["reason", `${word("answer.told.why")} ${word(`disposition.${disposition}`)}`]
      : !disposition && !comments.length ? ["text", word("answer.told.what")]
      : [name, role, reason, ...comments.flatMap((one) => [one.id, one.text])].some((text) => HIDDEN.test(text)) ? ["reason", word("answer.told.hidden")] : null;
    if (wrong) { tell(wrong[1], true); box(wrong[0]).focus(); return null; }
    mine ??= { probekit: "answer 1", page, edition, name, role, date: `${new Date().toISOString().slice(0, 19)}Z`, disposition, reason: disposition ? reason : "", comments: [...comments] };
    if (new TextEncoder().encode(JSON.stringify(mine)).length > 19000) { mine = null; tell(word("answer.told.long"), true); return null; }
    return mine;
  };
  const stem = (answer) => `answer_${answer.page.slice(0, 8)}_${answer.name.normalize("NFKD").replace(/[^A-Za-z0-9]+/g, "_").replace(/^_+|_+$/g, "").slice(0, 40) || "name"}`;
  const download = (text, name, type) => {
    const link = make("a"), address = URL.createObjectURL(new Blob([text], { type }));
    link.href = address;
    link.download = name;
    document.body.append(link);
    link.click();
    link.remove();
    setTimeout(() => URL.revokeObjectURL(address), 60000);
  };
  const saved = (text) => { unsaved = false; tell(text); };
  box("save").addEventListener("click", () => {
    const answer = taken();
    if (!answer) return;
    download(`${JSON.stringify(answer, null, 1)}\n`, `${stem(answer)}.json`, "application/json");
    saved(word("answer.told.saved"));
  });
  box("show").addEventListener("click", () => {
    const answer = taken();
    if (!answer) return;
    box("copy").hidden = false;
    box("copy").value = JSON.stringify(answer);
    box("copy").focus();
    box("copy").select();
    saved(word("answer.told.copy"));
  });

  // ---- the page again, with other answers: pristine text, and nothing of what scripts made of it ----
  const written = (list) => {
    const copy = pristine.cloneNode(true), body = $("body", copy);
    for (const script of [...document.querySelectorAll("body > script:not([type]):not([src])")].slice(1)) body.append("\n", script.cloneNode(true));
    body.append("\n");
    $("meta[name=probekit-share]", copy)?.remove();
    const policy = $("meta[http-equiv]", copy);
    policy.setAttribute("content", policy.getAttribute("content").replace("connect-src 'self'; ", ""));
    const before = answers;
    answers = list;
    $("#given", copy).textContent = JSON.stringify(merged()).replace(/[<>&\u2028\u2029]/g, (c) => `\\u${c.charCodeAt(0).toString(16).padStart(4, "0")}`);
    $("#decision", copy).replaceChildren(...decision());
    $("#said", copy).replaceChildren(...said());
    answers = before;
    return `<!DOCTYPE html>\n${copy.outerHTML}\n`;
  };
  box("page").addEventListener("click", () => {
    const answer = taken();
    if (!answer) return;
    download(written([...answers, answer]), `page_with_${stem(answer)}.html`, "text/html");
    saved(word("answer.told.page"));
  });
  globalThis.probekitAnswers = { sha256, written: () => written(answers) };

  // ---- a shared page: answers come and go by its server; nothing here works from a file ----
  const shared = $("meta[name=probekit-share]");
  if (!shared || !location.protocol.startsWith("http")) return;
  const share = JSON.parse(shared.getAttribute("content"));
  form.hidden = !share.answer;
  if (share.answer) {
    box("send").hidden = false;
    for (const [name, value] of [["name", share.name], ["role", share.role]]) { box(name).value = value; box(name).readOnly = true; }
  }
  form.addEventListener("submit", async (event) => {
    event.preventDefault();
    const answer = box("send").hidden ? null : taken();
    if (!answer) return;
    box("send").disabled = true;
    try {
      const reply = await fetch(`/p/${share.page}/answers`, { method: "POST", headers: { "Content-Type": "application/json" }, body: JSON.stringify(answer) });
      const found = await reply.json().catch(() => ({}));
      if (!reply.ok) throw new Error(found.error ?? `the server replied ${reply.status}`);
      comments = [];
      mine = null;
      box("reason").value = "";
      showComments();
      saved(`${word("answer.told.received")} ${found.number}, ${found.receipt.slice(0, 8)}.`);
    } catch (error) {
      tell(`${word("answer.told.failed")} ${error.message}`, true);
    }
    box("send").disabled = false;
  });
  const stream = new EventSource(`/p/${share.page}/events?after=${share.after}`);
  stream.addEventListener("answer", (event) => { answers = [...answers, JSON.parse(event.data)]; draw(); });
  stream.addEventListener("open", () => { section.dataset.live = "yes"; });
  stream.addEventListener("error", () => { section.dataset.live = "no"; });
})();
