// Syllables stand as far apart as they are wide in the engraver's letters. Where the reader's are wider, those that would touch
// what comes after them are pressed together. What isn't shown has no width, and is left as it is.
function fitSyllables(music) {
  const texts = music.getClientRects().length ? [...music.querySelectorAll(".syl text")] : [];
  const parts = (text) => [text, text.querySelector("tspan tspan")];  // WebKit looks at the inner one, Firefox at the outer
  for (const part of texts.flatMap(parts)) part?.removeAttribute("textLength");
  const rows = new Map();
  for (const text of texts) {
    const system = text.closest(".system");
    if (!rows.has(system)) rows.set(system, new Map());
    const row = rows.get(system), y = text.getAttribute("y");
    row.set(y, [...(row.get(y) ?? []), text]);
  }
  const lengths = [];
  for (const row of [...rows.values()].flatMap((system) => [...system.values()])) {
    const boxes = row.map((text) => text.getBoundingClientRect());
    const edge = row[0].closest(".music > svg").getBoundingClientRect().right;
    row.forEach((text, i) => {
      const box = boxes[i], space = box.height / 8;
      const next = boxes[i + 1]?.left ?? edge + space;
      const dash = [...text.parentNode.querySelectorAll("rect")].map((one) => one.getBoundingClientRect())
        .find((one) => one.left > box.left && one.top < box.top + box.height * 0.7);  // a line of a held one lies lower
      const room = Math.max(Math.min(next - space, (dash?.left ?? next) - space / 2) - box.left, 1);
      if (box.width > room) lengths.push([text, text.getComputedTextLength() * room / box.width]);
    });
  }
  for (const [text, length] of lengths) {
    for (const part of parts(text)) {
      part?.setAttribute("textLength", length.toFixed(1));
      part?.setAttribute("lengthAdjust", "spacingAndGlyphs");
    }
  }
}
