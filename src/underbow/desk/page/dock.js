// Below the paper: hear, from where, and who stands where.
import { $, choice, el, word } from "./dom.js";
import { beat, say } from "./words.js";
import { makeLesson } from "./lesson.js";
import { record } from "./record.js";

const PLACES = [["near", 0], ["middle_way", -6], ["far", -12], ["out", null]];
const kept = { levels: null, mix: null };

function levelsOf(mix, pass) {
  return Object.fromEntries(Object.entries(mix.levels).map(([part, all]) => [part, all[Math.min(pass, all.length) - 1]]));
}

export function showDock(sheet) {
  const dock = $("#dock");
  dock.className = "open";
  const hear = el("button", { type: "button", class: "press hear", id: "hear", onclick: () => sheet.hear() });
  const more = el("p", { class: "more" });
  const places = el("div", { class: "places", role: "group", "aria-label": say("who") });
  const make = el("button", { type: "button", class: "press plain", id: "make", onclick: () => makeLesson([sheet.name], sheet.view.title.text) }, say("make"));
  const who = word(say("who"), () => { const open = dock.classList.toggle("players"); who.setAttribute("aria-expanded", String(open)); }, { class: "who", id: "who", "aria-expanded": "false" });
  const take = word(say("record"), () => record(sheet), { id: "record", class: "record" });
  dock.replaceChildren(el("div", { class: "listen" }, hear, more), places, el("div", { class: "hand-on" }, make, take), who);
  let shown = "";

  function stand(levels, mix) {
    Object.assign(kept, { levels, mix });
    sheet.hearing.stand(levels);
    refresh();
  }

  // The placing as it stands becomes one of the sheet's own tracks; the others are written down beside it.
  function keep() {
    const short = (all, turns) => { // one level for each tempo; the last one stays
      const levels = all.map((level) => (level === null ? "off" : level));
      let end = turns ? Math.min(2, levels.length) : levels.length;
      if (!turns) while (end > 1 && levels[end - 1] === levels[end - 2]) end--;
      return end === 1 ? levels[0] : levels.slice(0, end);
    };
    const own = { name: say("own_mix"), ...Object.fromEntries(Object.entries(kept.levels).map(([part, level]) => [part, level === null ? "off" : level])) };
    const others = sheet.view.players.mixes.filter((mix) => mix.name !== own.name).map((mix) => ({
      name: mix.name, ...(mix.turns ? { turns: true } : {}), ...Object.fromEntries(Object.entries(mix.levels).map(([part, all]) => [part, short(all, mix.turns)])) }));
    kept.mix = own.name;
    sheet.change([{ key: ["mix"], value: [...others, own] }]);
  }

  function players() {
    const mixes = sheet.view.players?.mixes ?? [];
    let mix = mixes.find((one) => one.name === kept.mix);
    if (!kept.levels || (kept.mix && !mix)) { mix = mixes.find((one) => one.name === "together") ?? mixes[0]; if (mix) { kept.mix = mix.name; kept.levels = levelsOf(mix, sheet.here.pass); } }
    if (mix) kept.levels = levelsOf(mix, sheet.here.pass); // the backup fades from pass to pass
    sheet.hearing.stand(sheet.recording?.levels ?? kept.levels ?? {});
    const mark = JSON.stringify([kept, mixes]);
    if (mark === shown) return;
    shown = mark;
    const focus = document.activeElement?.id;
    places.replaceChildren(
      ...Object.entries(kept.levels ?? {}).map(([part, level]) => {
        const own = !PLACES.some(([, one]) => one === level);
        return el("fieldset", {}, el("legend", {}, say(part), own && level !== null ? el("span", { class: "own" }, ` ${say("level", { level: String(level).replace("-", "−") })}`) : ""), PLACES.map(([place, at]) => {
          const id = `at-${part}-${place}`;
          const radio = el("input", { type: "radio", name: `at-${part}`, id, checked: level === at, value: place });
          radio.addEventListener("change", () => stand({ ...kept.levels, [part]: at }, null));
          return el("label", { for: id, class: level === at ? "on" : "" }, radio, el("span", {}, say(place)));
        }));
      }),
      el("p", { class: "asin" }, el("span", {}, say("as_in")), choice(kept.mix ?? "", [...(kept.mix ? [] : [["", say("mix_own")]]), ...mixes.map((one) => [one.name, one.name])], {
        label: say("as_in"), keep: (name) => { const mix = mixes.find((one) => one.name === name); if (mix) stand(levelsOf(mix, sheet.here.pass), name); } }),
        kept.mix ? "" : word(say("keep_mix"), keep, { id: "keep-mix" })));
    if (focus?.startsWith("at-")) document.getElementById(focus)?.focus();
  }

  function refresh() {
    const { bar, pass, around } = sheet.here, { plan, changes, until } = sheet.view;
    const begin = plan ? sheet.from : null;
    hear.disabled = !begin;
    take.disabled = !begin || Boolean(sheet.recording);
    hear.classList.toggle("recording", Boolean(sheet.recording));
    const text = sheet.recording ? say("record_stop") : sheet.hearing.playing ? say("pause") : begin?.bar > sheet.view.head?.first_bar ? say("hear_from", { bar: say("bar", { number: begin.bar }) }) : say("hear_start");
    const sign = sheet.recording ? "●" : sheet.hearing.playing ? "❚❚" : "▶";
    const wanted = `${sign} ${text}`;
    if (hear.dataset.text !== wanted) { hear.dataset.text = wanted; hear.replaceChildren(el("span", { "aria-hidden": "true" }, sign), ` ${text}`); }
    if (!plan) { more.textContent = ""; return; }
    const tempo = plan.tempos[Math.min(Math.max(Math.ceil(pass / (plan.each || 1)), 1), plan.tempos.length) - 1];
    const state = JSON.stringify([tempo, around, until, bar]);
    if (more.dataset.state !== state) {
      more.dataset.state = state;
      const lines = changes.filter((one) => one.line === changes.find((b) => b.number >= bar)?.line && one.number > 0);
      more.replaceChildren(say("at_tempo", { tempo: `${beat(plan.beat)} = ${Math.round(tempo[0])}` }), " · ",
        around ? word(`${say("round_bars", { from: around[0], to: around[1] })} ×`, () => sheet.around(null), { id: "round" })
          : word(say("round"), () => sheet.around(lines.length ? [lines[0].number, lines.at(-1).number] : [bar, bar]), { id: "round" }),
        until !== null ? el("span", { class: "red" }, ` · ${begin ? say("can_hear_to", { bar: until - 1 }) : say("heard_once", { bar: until })}`) : "");
    }
    players();
  }
  refresh();
  return { refresh };
}
