// Where the fingers go: one shape a chord; others to choose from, the tuning, the strings.
import { ask, path } from "../ask.js";
import { choice, drawing, el, word } from "../dom.js";
import { say } from "../words.js";

export function showFingers(sheet) {
  const { fingers } = sheet.view;
  const choices = el("div", { class: "choices" });
  let shown = "";
  const tunings = fingers.tunings.includes(fingers.tuning) ? fingers.tunings : [fingers.tuning, ...fingers.tunings];
  const hint = [
    say("tuned"), " ",
    choice(fingers.tuning, tunings.map((one) => [one, one.replaceAll("#", "♯")]), { label: say("tuning"), id: "tuning", ink: fingers.tuning_ink, keep: (value) => sheet.change([{ key: ["tuning"], value: value === "GDAE" ? null : value }]) }),
    " · ",
    choice(fingers.strings, ["low", "middle", "high"].map((one) => [one, say(one)]), { label: say("strings_are"), ink: fingers.strings_ink, keep: (value) => sheet.change([{ key: ["strings"], value: value === "low" ? null : value }]) }),
    ` ${say("strings")}`,
  ];
  const pin = (chord, label) => sheet.change([{ key: ["shapes", chord], value: label }]);
  async function others(shape, button) {
    if (shown === shape.written) { shown = ""; choices.replaceChildren(); button.setAttribute("aria-expanded", "false"); return; }
    const found = await ask(`/sheet/${path(sheet.name)}/fingers?chord=${encodeURIComponent(shape.written)}`);
    shown = shape.written;
    choices.replaceChildren(el("h3", {}, say("other_shapes", { chord: shape.chord })),
      el("div", { class: "hands" }, found.choices.map((one) => el("button", { type: "button", class: `hand ${one.label === shape.label ? "ink" : "pencil"}`, onclick: () => pin(shape.written, one.label) }, drawing(one.svg, say("shape_said", { chord: shape.chord, label: one.label, state: say(one.label === shape.label ? "now" : "other") }))))),
      found.choices.length ? "" : el("p", {}, say("no_shape")));
    button.setAttribute("aria-expanded", "true");
  }
  const hands = fingers.shapes.map((shape) => {
    const button = el("button", { type: "button", class: `hand open ${shape.ink ? "ink" : "pencil"}`, "data-at": `shape-${shape.written}`, "aria-expanded": "false",
      onclick: () => others(shape, button) }, drawing(shape.svg, say("shape_said", { chord: shape.chord, label: shape.label, state: say(shape.ink ? "ink" : "pencil") })));
    return el("div", { class: "held" }, button, shape.ink ? el("p", { class: "yours" }, say("ink"), " · ", word(say("rub_out"), () => pin(shape.written, null))) : "");
  });
  return { section: sheet.section("fingers", hint, el("div", { class: "hands" }, hands), choices) };
}
