// A word to the learner, as many lines as it takes.
import { el } from "../dom.js";
import { say } from "../words.js";

export function showLearner(sheet) {
  const text = el("textarea", { class: "learner", rows: 2, maxlength: 2000, "aria-label": say("learner"), placeholder: say("learner_sample"), dir: "auto", id: "learner" });
  text.value = sheet.view.learner;
  const grow = () => { text.style.height = "auto"; text.style.height = `${text.scrollHeight + 2}px`; };
  text.addEventListener("input", grow);
  text.addEventListener("blur", () => { if (text.value !== sheet.view.learner) sheet.change([{ key: ["to_learner"], value: text.value.trim() || null }]); });
  text.addEventListener("keydown", (event) => { if (event.key === "Escape") { event.stopPropagation(); text.blur(); } });
  requestAnimationFrame(grow);
  return { section: sheet.section("learner", "", text), busy: () => document.activeElement === text, update() {} };
}
