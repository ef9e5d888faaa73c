// The practice plan: stairs from the slowest tempo to the fastest; both ends are dragged or typed.
import { choice, el, line } from "../dom.js";
import { beat, say } from "../words.js";

export function showPlan(sheet) {
  const { plan } = sheet.view;
  const ink = (name) => plan.ink.includes(name);
  const put = (name, value) => sheet.change([{ key: ["tempo", name], value }, ...(name === "passes" ? [{ key: ["tempo", "step"], value: null }] : [])]);
  const whole = (text) => { const number = Number(text.trim()); return Number.isInteger(number) && text.trim() ? number : text.trim() || null; };
  const hint = [
    line(String(plan.tempos.length), { label: say("tempos"), ink: ink("passes") || ink("step"), numbers: true, wrong: sheet.wrong("tempo.passes") ?? sheet.wrong("tempo.step"), id: "tempos", keep: (text) => put("passes", whole(text)) }), ` ${say("tempos_word")} `,
    choice(plan.kind, ["steps", "glide", "steady"].map((one) => [one, say(`way_${one}`)]), { label: say("way"), ink: ink("ramp"), keep: (value) => sheet.change([{ key: ["tempo", "ramp"], value: value === "steps" ? null : value }, ...(value === "steady" ? [{ key: ["tempo", "start"], value: null }, { key: ["tempo", "step"], value: null }] : [])]) }),
    plan.kind === "glide" ? "" : [` · ${say("each_tempo")} `, line(String(plan.each), { label: say("each_tempo"), ink: ink("each"), numbers: true, wrong: sheet.wrong("tempo.each"), id: "each", keep: (text) => put("each", whole(text)) }), ` ${say(plan.each === 1 ? "time" : "times")} · `,
      line(String(plan.between), { label: say("between"), ink: ink("between"), numbers: true, wrong: sheet.wrong("tempo.between"), id: "between", keep: (text) => put("between", whole(text)) }), ` ${say("between")}`],
    " · ", line(String(plan.count_in), { label: say("count_in"), ink: ink("count_in"), numbers: true, wrong: sheet.wrong("tempo.count_in"), id: "count-in", keep: (text) => put("count_in", whole(text)) }), ` ${say("count_in")}`,
    " · ", choice(sheet.view.room.is, ["small", "off"].map((one) => [one, say(`room_${one}`)]), { label: say("room"), ink: sheet.view.room.ink, id: "room", keep: (value) => sheet.change([{ key: ["sound", "room"], value: value === "small" ? null : value }]) }),
  ];
  const all = plan.tempos.map(([begin]) => begin), low = Math.min(...all) * 0.7, high = Math.max(plan.goal, ...all);
  const tall = (tempo) => 22 + (88 * (tempo - low)) / Math.max(high - low, 1);
  const between = ink("start") && ink("goal") && (ink("passes") || ink("step")); // nothing of what lies between is suggested
  const stairs = el("ol", { class: "stairs" });
  plan.tempos.forEach(([begin, end], i) => {
    const edge = plan.kind === "steady" ? (i === 0 ? "goal" : "") : i === 0 ? "start" : i === plan.tempos.length - 1 ? "goal" : "";
    const shown = begin === end ? String(begin) : `${Math.round(begin)} – ${Math.round(end)}`;
    const step = el("div", { class: "stair" });
    step.style.height = `${tall(begin)}px`;
    const tread = el("button", { type: "button", class: "tread", "data-at": `stair-${i}`, "aria-label": say("stair_said", { number: i + 1, tempo: `${beat(plan.beat)} = ${shown}` }), "aria-pressed": String(sheet.here.pass === i + 1),
      onclick: () => { sheet.here.pass = i + 1; mark(i + 1); sheet.dock.refresh(); if (sheet.hearing.playing) sheet.hearing.change({ pass: i + 1 }); } });
    const top = edge ? line(String(edge === "start" ? plan.start : plan.goal), { label: say(edge === "start" ? "starts_at" : "ends_at"), ink: ink(edge), numbers: true, wrong: sheet.wrong(`tempo.${edge}`), id: `tempo-${edge}`, keep: (text) => put(edge, whole(text)) }) : el("span", { class: between ? "" : "pencil" }, shown);
    step.append(top, tread);
    if (edge) step.append(handle(step, edge, top));
    stairs.append(el("li", {}, step));
  });

  function handle(step, edge, field) {
    const knob = el("span", { class: `knob ${edge}`, "aria-hidden": "true" });
    knob.addEventListener("pointerdown", (down) => {
      down.preventDefault();
      knob.setPointerCapture(down.pointerId);
      const from = edge === "start" ? plan.start : plan.goal, unit = 88 / Math.max(high - low, 1);
      let tempo = from;
      const move = (event) => {
        tempo = Math.min(Math.max(Math.round(from + (down.clientY - event.clientY) / unit), 20), 300);
        if (edge === "start") tempo = Math.min(tempo, plan.goal); else if (plan.kind !== "steady") tempo = Math.max(tempo, plan.start);
        step.style.height = `${tall(tempo)}px`;
        field.value = String(tempo);
      };
      const up = () => { knob.removeEventListener("pointermove", move); if (tempo !== from) put(edge, tempo); };
      knob.addEventListener("pointermove", move);
      knob.addEventListener("pointerup", up, { once: true });
      knob.addEventListener("pointercancel", up, { once: true });
    });
    return knob;
  }

  function mark(pass) {
    [...stairs.querySelectorAll(".tread")].forEach((one, i) => { const on = i + 1 === pass; one.setAttribute("aria-pressed", String(on)); one.parentElement.classList.toggle("now", on); });
  }
  mark(sheet.here.pass);
  return { section: sheet.section("plan", hint, el("p", { class: "beat" }, `${beat(plan.beat)} =`), stairs), mark: (pass) => mark(pass ?? sheet.here.pass) };
}
