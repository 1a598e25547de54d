"""The drone: what sounds throughout a section, or the lowest line of the score, to tune against."""

from __future__ import annotations

import itertools
from collections.abc import Iterator, Sequence
from fractions import Fraction

from syncvid.arrays import Audio
from syncvid.guide.pitches import frequencies, note_number
from syncvid.guide.score_parts import Held, find_part, plain_lowest_line
from syncvid.guide.timing import Timing
from syncvid.guide.tones import Partials, Tone, choose_partials
from syncvid.production.guide_plan import GuidePlan, GuideSound, Score
from syncvid.production.note_values import are_notes
from syncvid.production.played import PlayedBars
from syncvid.timeline import to_samples

LOWEST_PART = "lowest part"
_NONE = ("-",)

# Amplitude of each harmonic, and the highest that sounds (project choice): enough of the upper ones
# that a low note is heard on small loudspeakers too.
HARMONICS = (1.0, 0.6, 0.45, 0.3, 0.2, 0.14, 0.1, 0.07)
TOP_HZ = 5000.0

# How long a tone takes to come and go, and to change into the next one (project choice).
EDGE_S = 0.07


def drone_lines(plan: GuidePlan, score: Score | None) -> tuple[Held, ...]:
    """Return what the drone plays.

    Parameters
    ----------
    plan : GuidePlan
        Its sections say what sounds, or leave it to the plan as a whole.
    score : Score or None
        Needed for ``lowest part`` and for a part's name.

    Returns
    -------
    tuple of Held
        In the order of time, notes by number.

    Raises
    ------
    ProductionError
        A note or part is not known.
    """
    lines: dict[tuple[str, ...], tuple[Held, ...]] = {}
    held: list[Held] = []
    for from_at, to_at, asked in _sections(plan):
        if not asked or asked == _NONE:
            continue
        if are_notes(name.strip() for name in asked):
            notes = tuple(sorted(float(note_number(name)) for name in asked))
            held.append(Held(from_at, to_at, notes))
        else:
            if asked not in lines:
                lines[asked] = _line(plan, score, asked)
            held += _within(lines[asked], from_at, to_at)
    return _joined(held)


def _sections(plan: GuidePlan) -> Iterator[tuple[Fraction, Fraction, tuple[str, ...]]]:
    """Yield begin and end of each section as it is played, and what its drone is to be."""
    starts = PlayedBars(plan.bars).starts
    numbered = enumerate(plan.bars)
    for section, group in itertools.groupby(numbered, key=lambda item: item[1].section):
        indices = [index for index, _ in group]
        asked = plan.sections[section].drone or plan.sound.drone
        yield starts[indices[0]], starts[indices[-1] + 1], asked


def _line(plan: GuidePlan, score: Score | None, names: Sequence[str]) -> tuple[Held, ...]:
    """Return the plain line of all parts, or of some."""
    if score is not None and LOWEST_PART in (name.strip().casefold() for name in names):
        return plain_lowest_line(score.parts, plan.bars)
    return plain_lowest_line([find_part(score, name) for name in names], plan.bars)


def _within(line: Sequence[Held], from_at: Fraction, to_at: Fraction) -> Iterator[Held]:
    """Yield what of a line sounds in a stretch."""
    for held in line:
        first, last = max(from_at, held.from_at), min(to_at, held.to_at)
        if first < last:
            yield Held(first, last, held.notes)


def _joined(held: Sequence[Held]) -> tuple[Held, ...]:
    """Join what follows itself."""
    out: list[Held] = []
    for item in held:
        if out and out[-1].to_at == item.from_at and out[-1].notes == item.notes:
            out[-1] = out[-1]._replace(to_at=item.to_at)
        else:
            out.append(item)
    return tuple(out)


def drone_partials(notes: Sequence[float], sound: GuideSound) -> Partials:
    """Return what a chord of the drone is made of: nothing in it beats."""
    pitches_hz = frequencies(notes, a4_hz=sound.a4_hz, tuning=sound.tuning)
    return choose_partials(pitches_hz, HARMONICS, TOP_HZ)


def lay_drone(
    out: Audio,
    held: Sequence[Held],
    timing: Timing,
    sound: GuideSound,
    *,
    gain: float,
    sample_rate: int,
) -> None:
    """Add a drone to a sound.

    It changes from note to note without a gap, and goes on through breaths and fermatas.  What the
    music begins with sounds from the count-in on, so that players hear it before they play.

    Parameters
    ----------
    out : ndarray, shape (samples,), float32
        Changed in place.
    held : sequence of Held
        What it plays.
    timing : Timing
        When that is.
    sound : GuideSound
        Tuning and reference pitch.
    gain : float
        Root of its K-weighted mean power: every chord is equally loud.
    sample_rate : int
        In Hz.
    """
    tones: dict[tuple[float, ...], Tone] = {}
    spans = _spans(held, timing, sample_rate)
    fades = _fades(spans, sample_rate)
    for item, (first, last, goes_on), (rise, fall) in zip(held, spans, fades, strict=True):
        if item.notes not in tones:
            partials = drone_partials(item.notes, sound)
            tones[item.notes] = Tone(partials.at_power(gain * gain, sample_rate), sample_rate)
        # Into the next one, which rises where this one falls.
        tones[item.notes].add(out, first, last + (fall if goes_on else 0), rise, fall)


def _spans(held: Sequence[Held], timing: Timing, sample_rate: int) -> list[tuple[int, int, bool]]:
    """Return first sample, end, and whether the next one follows at once, of each."""
    spans = []
    followers = [item.from_at for item in held[1:]]
    for index, item in enumerate(held):
        from_s = timing.seconds_at(item.from_at)
        if item.from_at == 0 and timing.map.beats:
            from_s = min(from_s, timing.map.beats[0].guide_s)
        goes_on = index < len(followers) and followers[index] == item.to_at
        end_s = timing.seconds_at(item.to_at) if goes_on else timing.sounds_until(item.to_at)
        spans.append((to_samples(from_s, sample_rate), to_samples(end_s, sample_rate), goes_on))
    return spans


def _fades(spans: Sequence[tuple[int, int, bool]], sample_rate: int) -> list[tuple[int, int]]:
    """Return for each span in how many samples it rises and falls."""
    usual = to_samples(EDGE_S, sample_rate)
    own = [min(usual, (last - first) // 2) for first, last, _ in spans]
    fades = []
    for index, (_, _, goes_on) in enumerate(spans):
        follows = index > 0 and spans[index - 1][2]
        rise = min(own[index - 1], own[index]) if follows else own[index]
        fall = min(own[index], own[index + 1]) if goes_on else own[index]
        fades.append((rise, fall))
    return fades
