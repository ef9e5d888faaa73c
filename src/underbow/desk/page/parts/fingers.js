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
    fingers.shapes.length ? `${say("shapes_how")} · ` : "", say("tuned"), " ",
    choice(fingers.tuning, tunings.map((one) => [one, one.replaceAll("#", "♯")]), { label: say("tuning"), id: "tuning", ink: fingers.tuning_ink, keep: (value) => sheet.change([{ key: ["tuning"], value: value === "GDAE" ? null : value }]) }),
    " · ",
    choice(fingers.strings, ["low", "middle", "high"].map((one) => [one, say(one)]), { label: say("strings_are"), id: "strings", ink: fingers.strings_ink, keep: (value) => sheet.change([{ key: ["strings"], value: value === "low" ? null : value }]) }),
    ` ${say("strings")}`,
  ];
  const pin = (chord, label) => sheet.change([{ key: ["shapes", chord], value: label }]);
  async function others(shape, button) {
    if (shown === shape.written) { shown = ""; choices.remove(); button.setAttribute("aria-expanded", "false"); return; }
    const found = await ask(`/sheet/${path(sheet.name)}/fingers?chord=${encodeURIComponent(shape.written)}`);
    shown = shape.written;
    choices.remove();
    for (const other of section.querySelectorAll(".open")) other.setAttribute("aria-expanded", String(other === button));
    choices.replaceChildren(el("h3", {}, say("other_shapes", { chord: shape.chord })),
      el("div", { class: "hands" }, found.choices.map((one) => el("button", { type: "button", class: `hand ${one.label === shape.label ? "ink" : "pencil"}`, "data-at": `shape-${shape.written}`, onclick: () => pin(shape.written, one.label) }, drawing(one.svg, say("shape_said", { chord: shape.chord, label: one.label, state: say(one.label === shape.label ? "now" : "other") }))))),
      found.choices.length ? "" : el("p", {}, say("no_shape")));
    button.closest(".held").after(choices); // the grid puts it below the whole row
    choices.scrollIntoView({ block: "nearest" });
  }
  // What she has decided and can't be played stays in sight, in red, until she rubs it out.
  const refused = (one) => el("div", { class: "refused" },
    one.svg ? el("div", { class: "hand" }, drawing(one.svg, say("shape_said", { chord: one.chord, label: one.label, state: say("ink") }))) : el("p", { class: "wrong" }, `${one.chord} ${one.label}`),
    el("p", { class: "yours red" }, say("shape_refused"), " · ", word(say("rub_out"), () => pin(one.written, null), { "data-at": `refused-${one.written}` })));
  const hands = fingers.shapes.map((shape) => {
    const button = el("button", { type: "button", class: `hand open ${shape.ink ? "ink" : "pencil"}`, "data-at": `shape-${shape.written}`, "aria-expanded": "false",
      onclick: () => others(shape, button) }, drawing(shape.svg, say("shape_said", { chord: shape.chord, label: shape.label, state: say(shape.ink ? "ink" : "pencil") })));
    return el("div", { class: "held" }, fingers.refused.filter((one) => one.of === shape.written).map(refused), button, shape.ink ? el("p", { class: "yours" }, say("ink"), " · ", word(say("rub_out"), () => pin(shape.written, null))) : "");
  });
  const elsewhere = fingers.refused.filter((one) => !fingers.shapes.some((shape) => shape.written === one.of));
  const section = sheet.section("fingers", hint, el("div", { class: "hands" }, hands, elsewhere.map((one) => el("div", { class: "held" }, refused(one)))));
  return { section };
}
