"use strict";
// Choosing faces: labels in the pictures and rows of the table are one choice; the box shows the lines for a study.
(() => {
  const all = [...document.querySelectorAll("[data-face]")], chosen = new Set();
  const box = document.querySelector("#picked pre");
  const show = () => {
    for (const one of all) {
      const on = chosen.has(one.dataset.face);
      one.classList.toggle("on", on);
      one.querySelector("button")?.setAttribute("aria-pressed", String(on));
    }
    const names = [...chosen].map((name) => JSON.stringify(name));
    box.hidden = names.length === 0;
    box.textContent = names.length ? `[part.faces]\nyour_name = ${names.length === 1 ? names[0] : `[${names.join(", ")}]`}` : "";
  };
  for (const one of all) {
    one.addEventListener("click", (event) => {
      event.preventDefault();
      const name = one.dataset.face;
      if (!chosen.delete(name)) chosen.add(name);
      show();
      if (one.tagName !== "TR") document.querySelector(`tr[data-face="${CSS.escape(name)}"]`)?.scrollIntoView({ block: "nearest" });
    });
  }
})();
