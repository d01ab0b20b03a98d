
"use strict";
// Units, decimals and language: numbers and words as Python wrote them into the page, and as its scripts write them.
globalThis.probekitSaying = (words) => {
  const root = document.documentElement, $ = (selector) => document.querySelector(selector), $$ = (selector) => [...document.querySelectorAll(selector)];
  const MINUS = "\u2212", listeners = [];
  let unit = "mm", comma = false, language = "en";
  const say = (key) => (key === "unit" ? unit : words[language][key] ?? words.en[key] ?? key);
  const decimals = (text) => (comma ? String(text).replaceAll(".", ",") : String(text));
  const format = (mm, digits, signed, bare, fine = digits + 1) => {
    // an inch figure gets one more decimal than the millimetre figure: its last place is then 2.5 times as coarse;
    // the steps of an axis get two more, so that no two of them read alike
    const inch = unit === "in" && !bare, shown = (inch ? mm / 25.4 : mm).toFixed(inch ? fine : digits);
    if (Number(shown) === 0) return decimals(shown.replace("-", ""));
    return decimals(mm < 0 ? MINUS + shown.slice(1) : (signed ? "+" : "") + shown);
  };
  const length = (mm, digits = 4, signed = false) => (mm === null || mm === undefined ? "\u2013" : `${format(mm, digits, signed)} ${unit}`);
  const quantities = $$(".q").map((element) => [element, Number(element.dataset.mm), Number(element.dataset.n), "+\u2212".includes(element.textContent[0]), element.dataset.inch]);
  const figures = $$("td.n").filter((td) => !td.children.length && /^[^a-z]*\d[.,]\d/i.test(td.textContent));
  const rewrite = () => {
    for (const [element, mm, digits, signed, fine] of quantities) element.textContent = format(mm, digits, signed, false, fine && Number(fine));
    for (const td of figures) td.textContent = comma ? td.textContent.replace(".", ",") : td.textContent.replace(",", ".");
    for (const element of $$("[data-w]")) element.textContent = [say(element.dataset.w), element.dataset.wTail].filter(Boolean).join(" ");
    for (const element of $$(".unit")) { // "lengths in in" reads badly
      const text = element.previousSibling, before = text?.textContent.trim() ? text : element.previousElementSibling;
      const after = unit === "in" && /\bin\s*$/.test(before?.textContent ?? "");
      element.textContent = !after ? unit : before.nodeType === Node.TEXT_NODE ? words.en.inches : say("inches");
    }
    for (const element of $$("[data-w-label]")) element.setAttribute("aria-label", say(element.dataset.wLabel));
    root.lang = language;
    const told = [unit === "in" ? say("other.units") : "", language === "en" ? "" : say("other.language")].filter(Boolean);
    $("#inch").textContent = told.join(" ");
    $("#inch").hidden = !told.length;
    $("#unit").textContent = unit;
    $("#unit").setAttribute("aria-label", `${say("unit.label")}: ${unit}`);
    for (const call of listeners) call();
  };
  $("#unit").addEventListener("click", () => { unit = unit === "mm" ? "in" : "mm"; rewrite(); });
  const [commas, languages] = [$("#comma"), $("#language")];
  commas?.addEventListener("change", () => { comma = commas.checked; rewrite(); });
  languages?.addEventListener("change", () => {
    if (languages.value === "de" && commas) commas.checked = comma = true;
    language = languages.value;
    rewrite();
  });
  return { say, decimals, format, length, rewrite, unit: () => unit, comma: () => comma, onRewrite(call) { listeners.push(call); } };
};
