"""Measures from the lines of one tune: fields, bar lines, endings, chord symbols and words, voices.

What is a matter of notes is left to :class:`~underbow.tune.abc.notes.NoteReader`; the order in which the measures are
played is found afterwards, in :mod:`underbow.tune.page.repeats`.
"""

from __future__ import annotations

import re

from underbow.tune.abc.header import FREE_METER, FieldReader
from underbow.tune.abc.lexer import Sign, bar_line, signs
from underbow.tune.abc.lyrics import sung_to
from underbow.tune.abc.notes import MARKS, Accidentals
from underbow.tune.abc.text import Line, Music, TuneText, body_field, field_of
from underbow.tune.abc.words import MEANT_AS_CHORD, ending_numbers, jump_word, not_a_chord, quoted_chord
from underbow.tune.page.draft import Event
from underbow.tune.page.told import Told
from underbow.tune.tune import MOST_VERSES

MOST_WRITTEN = 100_000  # notes in one tune; a long set of dances has some 2,000
_OPENS_NOTHING = re.compile(r'(?:"[^"\n]{0,99}"|[^\]|"\n]){0,199}\|')
_MAIL = re.compile(r"=3D|=20$|=$")
_DYNAMICS = frozenset(("p", "pp", "ppp", "pppp", "f", "ff", "fff", "ffff", "mp", "mf", "sfz", "fz"))


class TooLongError(Exception):
    """The tune is beyond the stated limit."""


class TuneBuilder(FieldReader):
    """Reads the lines of one tune into draft measures and what its header says."""

    def __init__(self, told: Told, accidentals: Accidentals) -> None:
        super().__init__(told, accidentals)
        self.is_free = False  # settled at the end: no measure has a meter
        self.mailed = False
        self.key_line = -1  # where the header's K: stands
        self.last_ending: tuple[int, ...] = ()
        self.after_bar = -1  # where the last bar line ended, for |1
        self.line_start = False
        self.overlaid = 0  # bar lines to come until the overlay in hand ends
        self.in_overlays = False  # between (& and &)
        self.count = 0
        self.sung: list[tuple[int, Event]] = []  # the notes of the line last read, each with its measure's number
        self.verse = 0
        self.idle: dict[str, int] = {}  # letters without a meaning (U: could give them one), and where each came first

    # -- lines ------------------------------------------------------------------------------------------------------

    def read(self, tune: TuneText) -> None:
        """Read the file's header, the tune's header and its body."""
        for line in tune.header:
            found = field_of(line.text)
            if found and found[0] in "CDIJLMOQRSUZ":
                self.field(*found, line.start)
            elif line.text.startswith("%%"):
                self.directive(line.text[2:], line.start)
        music = Music()
        self.key_line = max((line.start for line in tune.lines if line.text.lstrip().startswith("K:")), default=-1)
        self.mailed = any(_MAIL.search(line.text) and not field_of(line.text) for line in tune.lines)
        for line in tune.lines:
            self._line(line, music)
        self._flush(music)
        self._end()

    def _line(self, line: Line, music: Music) -> None:
        text = line.text
        if text.startswith("%%"):
            self.directive(text[2:], line.start)
            return
        found = body_field(text) if self.in_body else field_of(text)
        if found and not self.in_body and found[0] in "ABCDEFGabcdefgz" and found[1].startswith(("|", ":")):
            found = None
        if found:
            if music.text.strip():
                self._flush(music)
            read = self._sing if self.in_body and found[0] == "w" else self.field
            read(*found, line.start)
            return
        if not self.in_body:
            if self.key_line > line.start:
                if text.strip():
                    self.told.assume("a line before K: that isn't a field; left out", line.start)
                return
            self.begin_body(line.start)
        if self.mailed and self._mail(text, line.start, music):
            return
        if text.endswith("\\"):
            music.add(text[:-1].rstrip(" \t\\"), line.start)
        else:
            music.add(text, line.start)
            self._flush(music)
            if self.measures and self.m.empty:
                self.measures[-1].new_line = True
            elif not self.m.empty:
                self.m.new_line = True

    def _mail(self, text: str, start: int, music: Music) -> bool:
        """Read through the signs that mail programs once put into text (RFC 2045, quoted-printable)."""
        found = [match for match in re.finditer(_MAIL, text) if match[0] != "=20" or match.end() == len(text)]
        if not found:
            return False
        done = 0
        for match in found:
            music.add(text[done : match.start()] + ("=" if match[0] == "=3D" else ""), start + done)
            done = match.end()
        self.told.assume("=3D, =20 and = at the end of a line come from a mail program; ignored", start)
        if found[-1][0] != "=":
            music.add(text[done:], start + done)
            self._flush(music)
        return True

    def _sing(self, _letter: str, words: str, offset: int, place: int) -> None:
        """Lay a line of words under the notes before it, one verse after the other (section 5.1)."""
        if self.verse == MOST_VERSES:
            self.told.pass_over(f"more than {MOST_VERSES} verses under one line; the rest is left out", place)
            return
        syllables, left = sung_to(words, [bar for bar, _ in self.sung])
        for (_, event), syllable in zip(self.sung, syllables, strict=True):
            if syllable:
                event.words = (*event.words, *[""] * (self.verse - len(event.words)), syllable)
        self.verse += 1
        if left and not self.silent:
            self.told.pass_over(f"no note is left for the words {left[:40]!r}; left out", place + offset)

    # -- music ------------------------------------------------------------------------------------------------------

    def _flush(self, music: Music) -> None:
        """Read the music code gathered so far."""
        text, self.after_bar, self.line_start = music.text, -1, True
        if text.strip():
            self.sung, self.verse = [], 0
        if text:
            for sign in signs(text):
                self._sign(sign, music)
                self.line_start = False
        music.text = ""
        music.places.clear()

    def _sign(self, sign: Sign, music: Music) -> None:
        place = music.place(sign.start)
        if self.silent and sign.kind != "inline":
            if not self._overlay_ends(sign):
                return
            self.silent = self.overlay = False
        if sign.kind == "open" and _OPENS_NOTHING.match(music.text, sign.end):
            self._opens_nothing(music.text[sign.end : sign.end + 40], place)
            return
        getattr(self, "_on_" + sign.kind)(sign, place)

    def _add(self, event: Event | None) -> None:
        if event is None:
            return
        self.count += 1
        if self.count > MOST_WRITTEN:
            raise TooLongError
        if self.m.empty and not self.m.events:
            self.m.place = event.source[0]
        self.m.events.append(event)
        if event.pitches:
            self.sung.append((len(self.measures), event))

    def _on_note(self, sign: Sign, place: int) -> None:
        self._add(self.notes.note(sign.text, place))

    def _on_rest(self, sign: Sign, place: int) -> None:
        self._add(self.notes.rest(sign.text, place))

    def _on_rests(self, sign: Sign, place: int) -> None:
        """Read ``Z4``: whole bars of rest (section 4.5)."""
        bars = int(sign.text[1:] or 1) if len(sign.text) < 5 else 0
        if not bars:
            self.told.assume(f"{sign.text!r} isn't a number of bars' rest; read as one", place)
        for i in range(bars or 1):
            if i:
                self.close_measure()
            self._add(Event((self.meter or FREE_METER).bar, source=(place, place + len(sign.text))))
        self.notes.last = None

    def _on_spacer(self, sign: Sign, place: int) -> None:
        """``y`` takes no time."""

    def _on_open(self, _: Sign, place: int) -> None:
        self.notes.open_bracket(place)

    def _on_close(self, sign: Sign, place: int) -> None:
        self._add(self.notes.close_bracket(sign.text, place))

    def _on_grace(self, sign: Sign, place: int) -> None:
        self.notes.grace(sign.text, place)

    def _on_tuplet(self, sign: Sign, place: int) -> None:
        self.notes.tuplet(sign.text, place)

    def _on_broken(self, sign: Sign, place: int) -> None:
        self.notes.break_rhythm(sign.text, place)

    def _on_tie(self, _: Sign, place: int) -> None:
        self.notes.tie(place)

    def _on_slur(self, _: Sign, _place: int) -> None:
        self.notes.slur()

    def _on_unslur(self, _: Sign, place: int) -> None:
        self.notes.unslur(place)

    def _on_inline(self, sign: Sign, place: int) -> None:
        inside = sign.text.strip("[]").strip()
        letter, _, value = inside.partition(":")
        if not sign.text.endswith("]"):
            self.told.assume(f"{sign.text[:20]!r} has no ] after it; taken to the end of the line", place)
        self.field(letter.strip(), value, 3, place)

    def _opens_nothing(self, after: str, place: int) -> None:
        """Pass over a bracket that is neither a chord of notes nor an ending: endings have numbers (section 4.10)."""
        words = re.match(r'[ \t]*"[\^_<>@]?([^"\n]*)"', after)
        if words is None or not self.m.empty:
            self.told.assume("[ without a ] before the bar line; left out", place)
            return
        self.told.assume(
            f"[ with the words {words[1][:20]!r} in place of a number is no ending; played straight on, once", place
        )
        self.ending = self.m.ending = ()

    def _on_overlay(self, sign: Sign, place: int) -> None:
        """Leave a second voice out: ``&`` goes back by one bar line, ``&&`` by two (section 7.4).

        ``(&`` and ``&)`` around several bars are not in the standard: the voice before the ``&`` between them is the melody.
        """
        if sign.text == "(&":
            self.told.assume(
                "(& ... &) is not in the standard; its first voice is the melody, up to the & inside it", place
            )
            self.in_overlays = True
        elif sign.text == "&)":
            if not self.in_overlays:
                self.told.assume("&) without a (& before it; left out", place)
            self.in_overlays = False
        else:
            self.told.pass_over("the notes after & are a second voice in the bar; left out", place)
            self.silent = self.overlay = True
            self.overlaid = len(sign.text)

    def _overlay_ends(self, sign: Sign) -> bool:
        """Whether the melody goes on with this sign: at the bar line that the overlay reaches, or at its ``&)``."""
        if not self.overlay:
            return False
        if self.in_overlays:  # where it isn't closed, a repeat sign or a double bar ends it
            return sign.text == "&)" or (sign.kind == "bar" and self._closes(sign))
        self.overlaid -= sign.kind == "bar"
        return self.overlaid == 0

    @staticmethod
    def _closes(sign: Sign) -> bool:
        line = bar_line(sign.text)
        return bool(line.ends or line.final)

    def _on_mark(self, sign: Sign, place: int) -> None:
        name = sign.text[1:-1]
        if sign.text[0] == "+" and name and re.fullmatch(r"(?:[\^_=]*[A-Ga-g][,']*[\d/]*){2,}", name):
            self.told.assume(f"{sign.text} is read as a chord of notes; write [{name}]", place)
            self.notes.open_bracket(place)
            for inner in signs(name):
                self.notes.note(inner.text, place)
            self._add(self.notes.close_bracket("]", place + len(sign.text) - 1))
            return
        self._mark(name)

    def _on_short(self, sign: Sign, place: int) -> None:
        name = self.notes.user_marks.get(sign.text, MARKS.get(sign.text))
        if name is None:
            self.idle.setdefault(sign.text, place)
        elif name not in ("", "nil", "none"):
            self._mark(name)

    def _mark(self, name: str) -> None:
        if (jump := jump_word(name)) and name not in ("fermata",):
            self.m.jumps[jump] = len(self.m.events)
        elif name and name not in _DYNAMICS and not re.fullmatch(r"[0-5]|[<>]?[()]|\S*[()]", name):
            self.notes.mark(name)

    def _on_string(self, sign: Sign, place: int) -> None:
        """Read quoted text: a chord symbol, or words (sections 4.18 and 4.19)."""
        text = sign.text[1:-1].strip()
        placed = text[:1] in ("^", "_", "<", ">", "@")  # written as words: nobody meant a chord
        if placed:
            text = re.sub(r"^(?:@[-\d.]*,?[-\d.]*|.)", "", text).strip()
        elif found := quoted_chord(text):
            self.m.chords.append((len(self.m.events), *found))
            return
        if jump := jump_word(text):
            self.m.jumps[jump] = len(self.m.events)
        elif not placed and text not in _DYNAMICS and MEANT_AS_CHORD.fullmatch(text):
            self.told.assume(f"{not_a_chord(text)}; read as words", place)
        elif text and not text[0].isdigit() and not placed:
            self.told.pass_over(f'"{text[:40]}" was read as words, not as a chord', place)

    # -- bar lines --------------------------------------------------------------------------------------------------

    def _on_bar(self, sign: Sign, place: int) -> None:
        line = bar_line(sign.text)
        if self.notes.bracket is not None:
            self.told.assume("a chord of notes has no ] before the bar line; closed there", place)
            self._add(self.notes.close_bracket("]", place))
        self.after_bar = sign.end
        if "fermata" in self.notes.marks:  # over a bar line it marks the end, as "Fine" does
            self.m.jumps["fine"] = len(self.m.events)
        self.notes.marks.clear()
        if line.invisible:
            return
        self.notes.new_bar()
        signs_here = {
            name for name, event in self.m.jumps.items() if event == len(self.m.events) and name in ("segno", "coda")
        }
        if not self.m.empty or self.m.ending_start:
            here = self.m.jumps
            self.close_measure()
            for name in signs_here:  # over the bar line: what they mark begins after it
                del here[name]
                self.m.jumps[name] = 0
        before = self.measures[-1] if self.measures else None
        if before is not None:
            before.repeat_end = max(before.repeat_end, line.ends)
            if line.final:
                before.final = line.final
            for name in [name for name in self.m.jumps if name not in ("segno", "coda")]:
                before.jumps[name] = self.m.jumps.pop(name)
        self.m.repeat_start = max(self.m.repeat_start, line.starts)
        if line.ends or line.starts or line.final:
            self.ending = self.m.ending = ()
            self.in_overlays = False

    def _on_ending(self, sign: Sign, place: int) -> None:
        numbers = ending_numbers(sign.text)
        if not self.m.empty:
            self.told.assume(f"{sign.text!r} stands inside a bar; a bar line was assumed before it", place)
            self.close_measure()
            self.notes.new_bar()
        if not numbers:
            self.told.assume(f"{sign.text!r} isn't an ending; left out", place)
            return
        self.ending = self.m.ending = self.last_ending = numbers
        self.m.ending_start = True

    def _on_number(self, sign: Sign, place: int) -> None:
        """Read a bare number: an ending right after a bar line, a length at the start of a line, else a slip."""
        if self.line_start and (not self.m.empty or self.notes.bracket) and self.notes.lengthen(sign.text):
            self.told.assume(f"{sign.text!r} at the start of a line; read as the length of the note before it", place)
            return
        adjacent = self.after_bar == sign.start
        expected = sign.text.strip(".") in ("1", str(max(self.last_ending, default=0) + 1))
        if self.m.empty and self.measures and (adjacent or (expected and (self.after_bar >= 0 or self.line_start))):
            if not adjacent:
                self.told.assume(f"{sign.text!r} away from its bar line; read as an ending, [{sign.text}", place)
            self._on_ending(sign, place)
        else:
            self.told.assume(f"the number {sign.text!r} belongs to no note; left out", place)

    def _on_colon(self, sign: Sign, place: int) -> None:
        if self.m.empty and self.measures and (self.after_bar >= 0 or self.line_start):
            self.told.assume("':' after a bar line was read as |:", place)
            self.m.repeat_start = 1
        else:
            self.told.assume("':' without a bar line; left out", place)

    def _on_reserved(self, sign: Sign, place: int) -> None:
        if sign.text not in "$!":
            cure = "; a sharp is ^ before its note, as in ^F" if sign.text == "#" else ""
            self.told.pass_over(f"the sign {sign.text} stands for nothing{cure}", place)

    def _on_odd(self, sign: Sign, place: int) -> None:
        what = {'"': 'a " without its pair', "{": "a { without its }", "}": "a } without its {"}.get(sign.text)
        self.told.assume(f"{what or repr(sign.text)} makes no sense here; left out", place)

    def _end(self) -> None:
        if self.notes.bracket is not None:
            self._add(self.notes.close_bracket("]", self.notes.bracket_start))
        if not self.m.empty or (self.m.ending_start and self.measures):
            self.close_measure()
