"use strict";
// Choosing faces: labels in the pictures and rows of the table are one choice; the box shows the lines for a study.
// The words are those that the page holds, in the language that is chosen.
(() => {
  document.documentElement.classList.add("js");
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
  const words = JSON.parse(document.querySelector("#words").textContent), language = document.querySelector("#language");
  language.addEventListener("change", () => {
    const said = words[language.value];
    for (const one of document.querySelectorAll("[data-w]")) one.textContent = said[one.dataset.w];
    for (const one of document.querySelectorAll("[data-w-label]")) one.setAttribute("aria-label", said[one.dataset.wLabel]);
    document.documentElement.lang = language.value;
  });
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
