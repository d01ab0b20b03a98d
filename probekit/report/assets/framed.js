
"use strict";
// A page inside a frame, as in a notebook cell: tells what holds the frame which touch is chosen, and follows it.
globalThis.probekitFramed = (page) => {
  if (window.parent === window) return;
  const named = (row) => (row < 0 ? null : String(page.ids[row])), rowOf = new Map(page.ids.map((id, row) => [String(id), row]));
  const tell = (what) => window.parent.postMessage({ probekit: what, touch: named(page.selected()) }, "*");
  page.onChosen = () => tell("chosen");
  addEventListener("message", ({ source, data }) => {
    if (source !== window.parent || data?.probekit !== "choose") return;
    const row = data.touch === null ? -1 : rowOf.get(data.touch);
    if (row === undefined || row === page.selected()) return;
    page.pick(row);
  });
  // text that a frame is given has no address of its own: a link within the page would leave it
  document.addEventListener("click", (event) => {
    const link = event.target.closest?.("a[href^='#']");
    if (!link || event.defaultPrevented) return;
    event.preventDefault();
    document.getElementById(link.getAttribute("href").slice(1))?.scrollIntoView({ block: "start" });
  });
  tell("ready");
};
