"""What a hand shape costs the hand, and what it costs the harmony; with the weights of changes.

The unit is one finger set down in its usual place: 1 point. Everything else is weighed against it. The reasons are those
that teachers name (common practice, no source, where none is given); all the figures are ours and stand in
:class:`Weights`, so that a teacher who disagrees can change one and see what follows.

What a pair of tones says of its chord is harmony: root and third say most, root and fifth leave open whether it is major or
minor, and no root at all is usable but says least (six pairings of a triad's tones, all in use: fiddlehangout.com,
blog 9129); third and seventh, or root and third, say a seventh chord (textbook rule, from memory); a second rubs, whatever
the chord (common practice, no source); modal tunes are better served without the third (ashevillemandolin.wordpress.com,
quoting a fiddler); C and E may be C or Am (epearlman.substack.com).

A learner knows one shape for a chord (common practice, no source), so each time that a chord is played in another than its
usual one costs points too: see :mod:`underbow.fiddle.shapes.steady`.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from itertools import combinations, pairwise

from underbow.errors import InputError, near_miss
from underbow.fiddle.shapes.fingerboard import HandShape, Stop
from underbow.theory.chord import Chord


@dataclass(frozen=True, slots=True)
class Weights:
    """Every weight, in points.

    Parameters
    ----------
    finger : float
        Each finger set down; an open string is free.
    third, fourth : float
        More for the third finger, which hangs together with its neighbours, and for the fourth, which is short and weak.
    flat : tuple of float
        More for one finger laid flat over two strings (a fifth, in standard tuning), first to fourth finger;
        twice that over three.
    low_first, low_second, high_third, low_fourth : float
        More for a finger out of its usual place (a low second is nearly as usual as a high one; a third finger drawn back
        counts as a low fourth).
    mixed : float
        A low and a high finger in one shape.
    touching : float
        Neighbouring fingers a semitone apart, on two strings.
    spread, squeezed : float
        Each semitone that two fingers stand further apart, or nearer, than they do at rest.
    over : float
        The higher finger on the lower string: it arches over the upper one.
    under : float
        The lower finger on the lower string: it must leave the upper one free.
    clear : float
        A finger beside an open string that it must not touch.
    octave : float
        An octave or a unison between two strings: out of tune it tells at once.
    half, shift : float
        The hand in half position; each position above the first.
    string : float
        A third string under the bow.
    no_root, no_third, no_seventh, no_other : float
        A tone that the chord needs and the shape leaves out; *other* are altered fifths, the fourth or second of a
        suspended chord, and the fifth of a chord of two notes. The root is not missed where third and seventh are a
        tritone, which says it, and by half where they are a fifth.
    no_guide : float
        More for the third of a seventh chord: without it the shape says some other chord.
    second : float
        A second between two strings, or a ninth.
    bare_seventh : float
        A seventh between two strings, root and seventh: it rubs less.
    no_extra : float
        A ninth, eleventh or thirteenth left out.
    one_tone : float
        Both strings sound the same tone.
    modal_third : float
        The third, in a modal tune.
    ambiguous : float
        Another chord of the progression, on another root, has these tones too.
    foreign : float
        An open string that is not in the chord rings along.
    lands, lifts : float
        In a change, a finger set down, and one taken off.
    rolls : float
        A finger that stays and is laid over one string more, or comes off one.
    slides : float
        Each semitone that a finger slides along its string.
    crosses : float
        A finger that goes to the same place on the next string: it lies flat over both for a moment (common practice).
    hops : float
        The same where no other finger is down before or after: the hand is free to swing over (common practice).
    jumps : float
        A finger that leaves its string for another place on another: the sound breaks.
    moves : float
        The hand going up or down by one position.
    bow : float
        The bow going to another pair, for each string.
    again : float
        Each time that a chord is played in another shape than its usual one; 0 lets every change take what lies nearest.
    """

    finger: float = 1.0
    third: float = 0.1
    fourth: float = 4.5
    flat: tuple[float, float, float, float] = (0.5, 0.8, 4.6, 5.0)
    low_first: float = 0.3
    low_second: float = 0.1
    high_third: float = 0.4
    low_fourth: float = 0.5
    mixed: float = 0.5
    touching: float = 0.2
    spread: float = 0.6
    squeezed: float = 0.3
    over: float = 0.3
    under: float = 0.15
    clear: float = 0.2
    octave: float = 0.4
    half: float = 1.5
    shift: float = 1.5
    string: float = 1.5

    no_root: float = 3.6
    no_third: float = 0.5
    no_seventh: float = 0.3
    no_guide: float = 4.2
    second: float = 8.0
    bare_seventh: float = 0.8
    no_other: float = 1.0
    no_extra: float = 0.2
    one_tone: float = 9.0
    modal_third: float = 5.0
    ambiguous: float = 0.25
    foreign: float = 1.5

    lands: float = 0.3
    lifts: float = 0.1
    rolls: float = 0.2
    slides: float = 0.4
    crosses: float = 0.5
    hops: float = 0.3
    jumps: float = 0.9
    moves: float = 1.5
    bow: float = 1.5
    again: float = 4.0


WEIGHTS = Weights()
# Two ways to lead the hand: one shape for a chord, or whichever lies nearest. The second lets a shape be harder, or say less
# of its chord, where a finger need not leave its string.
HANDS = {
    "steady": WEIGHTS,
    "nearest": replace(
        WEIGHTS, flat=(0.5, 0.8, 1.1, 1.8), fourth=3.0, no_root=1.8, crosses=3.4, hops=1.4, jumps=5.0, again=0.0
    ),
}


def hand_weights(hand: str) -> Weights:
    """The weights of one of :data:`HANDS`.

    Raises
    ------
    InputError
        If there is no such hand.

    >>> hand_weights("nearest").again
    0.0
    """
    if hand not in HANDS:
        raise InputError(f'hand must be steady or nearest, not "{hand}"{near_miss(hand, HANDS)}')
    return HANDS[hand]


@dataclass(frozen=True, slots=True)
class Cost:
    """Points, each with its reason in words.

    >>> cost = Cost((("finger 1", 1.0), ("without the third", 0.5)))
    >>> cost.total, cost.why
    (1.5, ('finger 1', 'without the third'))
    """

    items: tuple[tuple[str, float], ...]

    @property
    def total(self) -> float:
        """All points together."""
        return sum(points for _, points in self.items)

    @property
    def why(self) -> tuple[str, ...]:
        """The reasons, in order."""
        return tuple(reason for reason, _ in self.items)


def cost_of(
    shape: HandShape, chord: Chord, *, modal: bool = False, others: Sequence[Chord] = (), weights: Weights = WEIGHTS
) -> Cost:
    """Ease and fitness of a shape for a chord.

    Parameters
    ----------
    shape : HandShape
    chord : Chord
    modal : bool
        Whether the tune is better served without thirds.
    others : sequence of Chord
        The other chords of the progression.
    weights : Weights

    >>> from underbow.fiddle.tuning import Tuning
    >>> shape = HandShape((0, 1), (Stop(2, 1), Stop(2, 1)), Tuning.parse("GDAE"))
    >>> cost_of(shape, Chord.parse("A")).items
    (('finger 1', 1.0), ('finger 1 flat over 2 strings', 0.5), ('without the third C#', 0.5))
    """
    items = (*ease(shape, weights), *fitness(shape, chord, modal, others, weights))
    return Cost(tuple((reason, points) for reason, points in items if points))


def ease(shape: HandShape, weights: Weights = WEIGHTS) -> Iterator[tuple[str, float]]:
    """What the hand has to do to hold the shape: reasons and points."""
    down = sorted({stop for stop in shape.stops if stop.finger}, key=lambda stop: stop.finger)
    for stop in down:
        yield f"finger {stop.finger}", weights.finger + {3: weights.third, 4: weights.fourth}.get(stop.finger, 0.0)
        if (over := shape.stops.count(stop)) > 1:
            yield f"finger {stop.finger} flat over {over} strings", weights.flat[stop.finger - 1] * (over - 1)
        if stop.mark:
            yield (
                f"{'low' if stop.mark == 'L' else 'high'} {_ORDINAL[stop.finger]} finger",
                _out_of_place(stop, weights),
            )
    if {stop.mark for stop in down} >= {"L", "H"}:
        yield "low and high finger side by side", weights.mixed
    for lower, higher in combinations(down, 2):
        yield from _spacing(lower, higher, weights)
    for below, above in pairwise(shape.stops):
        yield from _across(below, above, weights)
    for low, high in combinations(shape.midi, 2):
        if (low - high) % 12 == 0:
            yield "unison to tune" if low == high else "octave to tune", weights.octave
    if shape.position == 0:
        yield "half position", weights.half
    elif shape.position > 1:
        yield f"{_ORDINAL[shape.position]} position", weights.shift * (shape.position - 1)
    if len(shape.strings) > 2:
        yield "three strings under the bow", weights.string


def fitness(
    shape: HandShape, chord: Chord, modal: bool = False, others: Sequence[Chord] = (), weights: Weights = WEIGHTS
) -> Iterator[tuple[str, float]]:
    """What the chord loses in this shape: reasons and points."""
    yield from _missing(shape, chord, modal, weights)
    apart = {abs(low - high) % 12 for low, high in combinations(shape.midi, 2)}
    if has_second(shape):
        yield "a second between the strings", weights.second
    elif apart & {10, 11}:
        yield "a bare seventh between the strings", weights.bare_seventh
    if len(shape.tones) == 1:
        yield "one tone only", weights.one_tone
    elif claims := [str(other) for other in others if other.root.number != chord.root.number and fits(shape, other)]:
        yield f"also fits {', '.join(claims)} here", weights.ambiguous
    if not fits(shape, chord):
        for note in shape.notes:
            if note.midi % 12 not in chord.numbers:
                yield f"{note.pitch_class} is not in the chord, rings as a drone", weights.foreign


def _missing(shape: HandShape, chord: Chord, modal: bool, weights: Weights) -> Iterator[tuple[str, float]]:
    """The tones that the chord needs and the shape leaves out; the third is one too many in a modal tune."""
    sounding = set(shape.degrees(chord))
    seventh = bool(_SEVENTHS & {*chord.degrees})
    both = bool(sounding & _THIRDS) and bool(sounding & _SEVENTHS)
    tritone = any((high - low) % 12 == 6 for low, high in combinations(shape.midi, 2))
    for degree, tone in zip(chord.degrees, chord.tones, strict=True):
        name, points = _need(degree, weights)
        if degree in _THIRDS and modal:
            if degree in sounding:
                yield f"third {tone} in a modal tune", weights.modal_third
        elif degree not in sounding and not (degree == "1" and both and tritone):
            if degree == "1" and both:
                points /= 2
            elif degree in _THIRDS and seventh:
                points += weights.no_guide
            elif degree == "5" and chord.degrees == ("1", "5"):  # there is nothing else to say the chord
                points = weights.no_other
            yield f"without the {name} {tone}", points


def has_second(shape: HandShape) -> bool:
    """Whether two of a shape's notes are a second apart, or a ninth.

    >>> from underbow.fiddle.tuning import Tuning
    >>> has_second(HandShape((0, 1), (Stop(5, 3), Stop(0, 0)), Tuning.parse("GDAE")))  # C and D
    True
    """
    return any(abs(high - low) > 0 and abs(high - low) % 12 in (1, 2) for low, high in combinations(shape.midi, 2))


def fits(shape: HandShape, chord: Chord) -> bool:
    """Whether every note of a shape is in a chord.

    >>> from underbow.fiddle.tuning import Tuning
    >>> open_strings = HandShape((0, 1), (Stop(0, 0), Stop(0, 0)), Tuning.parse("GDAE"))
    >>> fits(open_strings, Chord.parse("G")), fits(open_strings, Chord.parse("D"))
    (True, False)
    """
    return shape.tones <= {*chord.numbers}


_ORDINAL = ("open", "first", "second", "third", "fourth")
_THIRDS, _SEVENTHS = {"3", "b3"}, {"b7", "7", "bb7"}
_AT_REST = {1: (1, 2), 2: (3, 4), 3: (5, 5)}  # fingers apart -> semitones apart, from and to


def _out_of_place(stop: Stop, weights: Weights) -> float:
    usual = {(1, "L"): weights.low_first, (2, "L"): weights.low_second, (3, "H"): weights.high_third}
    return usual.get((stop.finger, stop.mark), weights.low_fourth)


def _spacing(lower: Stop, higher: Stop, weights: Weights) -> Iterator[tuple[str, float]]:
    least, most = _AT_REST[higher.finger - lower.finger]
    apart = higher.semitones - lower.semitones
    names = f"fingers {lower.finger} and {higher.finger}"
    if apart > most:
        yield f"{names} spread", weights.spread * (apart - most)
    elif apart < least:
        yield f"{names} squeezed", weights.squeezed * (least - apart)
    elif apart == 1:
        yield f"{names} touching", weights.touching


def _across(below: Stop, above: Stop, weights: Weights) -> Iterator[tuple[str, float]]:
    """What two neighbouring strings ask: the lower one's stop, then the upper one's."""
    if (below.finger == 0) != (above.finger == 0):
        yield "clear of the open string", weights.clear
    elif below.finger > above.finger:
        yield f"finger {below.finger} arches over the upper string", weights.over
    elif below.finger < above.finger:
        yield f"finger {below.finger} leaves the upper string free", weights.under


def _need(degree: str, weights: Weights) -> tuple[str, float]:
    """What a degree is called, and what it costs to leave it out."""
    fixed = {"1": ("root", weights.no_root), "5": ("fifth", 0.0), "6": ("sixth", weights.no_seventh)}
    if degree in fixed:
        return fixed[degree]
    if degree in _THIRDS:
        return "third", weights.no_third
    if degree in _SEVENTHS:
        return "seventh", weights.no_seventh
    if degree in {"2", "4", "b5", "#5"}:
        return {"2": "second", "4": "fourth"}.get(degree, "altered fifth"), weights.no_other
    return {"9": "ninth", "1": "eleventh", "3": "thirteenth"}.get(degree[-1], degree), weights.no_extra
