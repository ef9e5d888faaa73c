"""The page on a phone, upright and turned sideways: nothing that is read while playing is cut off or written over."""

from __future__ import annotations

import pytest

from .conftest import Page, Track

# Everything that is read, as the box of its ink; what of it isn't seen at its corners (the dock, the slanted edge or the end
# of the window is there), and what lies over something else.
CUT = """
const PANELS = {".where b": ".where", "#now .chord": "#now", "#now .stops b": "#now", "#now .neck svg": "#now",
  "#next .chord": "#next", "#next .stops b": "#next", "#left b": "#next", "#left-knots": "#next", ".stays": "#next",
  "#bow-now svg": "#bow", "#bow-now text": "#bow", "#play-word": "#play"};
const found = [], seen = [];
for (const [name, panel] of Object.entries(PANELS)) {
  for (const one of document.querySelectorAll(name)) {
    if (!one.checkVisibility({visibilityProperty: true}) || !one.getClientRects().length) continue;
    const range = document.createRange();
    range.selectNodeContents(one);
    const lines = one.matches(".chord, #left b, .stays, #play-word");  // whose letters are lower than their line
    const {left, right, top, bottom} = (lines ? range : one).getBoundingClientRect(), spare = lines ? (bottom - top) * 0.2 : 1;
    if (right - left < 2) continue;
    const [high, low] = [top + spare, bottom - spare];
    seen.push([name, one, left, right, high, low]);
    for (const [x, y] of [[left + 1, high], [right - 1, high], [left + 1, low], [right - 1, low]]) {
      if (!document.elementFromPoint(x, y)?.closest(panel)) found.push([name, "cut", x, y]);
    }
  }
}
for (const [i, [name, one, left, right, high, low]] of seen.entries()) {
  for (const [other, two, ...box] of seen.slice(i + 1)) {
    if (one.contains(two)) continue;
    const wide = Math.min(right, box[1]) - Math.max(left, box[0]), tall = Math.min(low, box[3]) - Math.max(high, box[2]);
    if (wide > 1 && tall > 1) found.push([name, other]);
  }
}
return [seen.length, found];
"""


@pytest.mark.parametrize("size", [(390, 844), (667, 375)], ids=str)
def test_nothing_is_cut_or_written_over(any_browser: Page, track: Track, size: tuple[int, int]) -> None:
    """At the pickup, with rings now and with rings next, standing and playing."""
    any_browser.open(track.path, *size)
    for seconds in (0.0, 2.6, 7.0, 11.0):
        any_browser.go(seconds)
        count, found = any_browser.run(CUT)
        assert found == [], seconds
        assert count > 10
    any_browser.play()
    count, found = any_browser.run(CUT)
    any_browser.press("#play")
    assert found == []
    assert count > 10
