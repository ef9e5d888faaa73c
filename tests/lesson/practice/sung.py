"""A song whose words stand close, and which of its syllables touch in a browser."""

from __future__ import annotations

from typing import Any

from .browsers import Browser

SONG = """X:1
T:A Song
M:4/4
L:1/8
K:G
|:"G"G2BG dGBG|"C"E2 GE "D"F2 AF|
w: through strength-ened length the wan-der-ing|down through long-er mem-o-ries
w: and then the win-dow wide came in|to view to see the lit
"Em"GFED B,2 EF|"G"G2 D2 G2 DF:|
w: com-mand-ing strength through __ of|them _ all there-fore
w: tle one I'll be there with|you for ev-er-more
|"Am"ABcA "D7"BAGF|"G"G2 B2 G4|]
w: down through the wan-der-ing thoughts brought|go home now
"""
WIDER = "\n.syl tspan { letter-spacing: .08em; }\n"  # a letter is half as wide as it is high, in the mean: 15 % more

# A fifth of a pixel aside, which is as exactly as Firefox says where letters end.
_TOUCHING = """
const music = document.querySelector(arguments[0]), {display} = music.style;
music.style.display = "block";
const edge = music.getBoundingClientRect().right + 1;
const texts = [...music.querySelectorAll(".syl text")], found = [];
const box = (e) => e.getBoundingClientRect(), said = (e) => e.textContent.trim();
for (const [i, text] of texts.entries()) {
  const mine = box(text), [, ...others] = texts.slice(i).filter((e) => Math.abs(box(e).top - mine.top) < 2);
  const dashes = [...text.parentNode.querySelectorAll("rect")].filter((e) => box(e).top < mine.top + mine.height * 0.7);
  for (const other of [...others, ...dashes]) {
    if (box(other).left + 0.2 < mine.right && mine.left < box(other).right) found.push([said(text), said(other) || "-"]);
  }
  if (mine.right > edge) found.push([said(text), "the edge"]);
}
music.style.display = display;
return [texts.length, found];
"""


def touching(browser: Browser, music: str) -> tuple[int, Any]:
    """Count the syllables of an engraving, and give the pairs that lie over one another, and those over the edge."""
    count, found = browser.run(_TOUCHING, music)
    return count, found
