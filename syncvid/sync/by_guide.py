"""Laying clips against a guide track: by its leak, by claps on the count-in, by notes on its beats.

Each clip is listened to once (`listen`), which gathers all evidence; then all clips of a guide are
judged together (`judge_together`), since they share the length of its count-in.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace

from syncvid.arrays import Audio
from syncvid.production.results import Finding
from syncvid.sync import reasons
from syncvid.sync.beats import Playing, fit_beats, hear_playing, measure_lag
from syncvid.sync.behind import listen_behind
from syncvid.sync.click_leak import find_click_leak
from syncvid.sync.click_look import ClickPlace
from syncvid.sync.clicks import Clicks, beat_strides, find_clicks, thin_out
from syncvid.sync.count_in import (
    CountIn,
    Opinion,
    agree_on_count_in,
    end_penalty,
    shared_strides,
    weigh_claps,
)
from syncvid.sync.guide_edges import compare_edges, is_guide_alone
from syncvid.sync.guide_verdict import (
    Reading,
    count_backers,
    judge_claps,
    judge_clicks,
    judge_faint,
    judge_notes,
)
from syncvid.sync.hearing import hear
from syncvid.sync.leak import MOST_DRIFTS, LeakPlace, find_leak
from syncvid.sync.lines import score_lines
from syncvid.sync.note_search import NotePlace, find_by_notes
from syncvid.sync.verdict import judge_leak
from syncvid.sync.waveform import Target, find_candidates, make_target

# Leak places that are weighed together with the notes: so many nats behind the best.
WORTH_A_THOUGHT = 20.0

# Notes do not speak against a place by more than this, in nats, when added to other evidence.
MOST_NOTE_NATS = 40.0

# Clicks and claps put a clip at the same place up to this, in seconds.
SAME_PLACE_S = 0.06


@dataclass(frozen=True, slots=True)
class GuideEar:
    """A guide, made ready to be recognised in clips.

    Attributes
    ----------
    clicks : Clicks or None
        Its clicks, if it is made of them.
    target : Target or None
        Otherwise its sound.
    """

    clicks: Clicks | None
    target: Target | None = field(repr=False)


@dataclass(frozen=True, slots=True)
class Evidence:
    """What a clip holds of a guide.

    Attributes
    ----------
    readings : tuple of Reading
        Places by its leak, each with what the notes say.
    opinions : dict of (int, int) to Opinion
        Places by claps, for each reading of the guide.
    notes : tuple of NotePlace
        Places by the notes alone.
    playing : Playing or None
        What is heard of the player.
    alone : bool
        Whether there is nothing but the guide.
    edges : (int, int)
        Beats by which the guide in its background begins earlier and ends later.
    finding : Finding or None
        The judgement, for a guide without clicks.
    """

    readings: tuple[Reading, ...] = ()
    opinions: dict[CountIn, Opinion] = field(default_factory=dict)
    notes: tuple[NotePlace, ...] = ()
    playing: Playing | None = None
    alone: bool = False
    edges: tuple[int, int] = (0, 0)
    finding: Finding | None = None


def prepare_guide(guide: Audio) -> GuideEar:
    """Prepare a guide track.

    Parameters
    ----------
    guide : ndarray, shape (samples,), float32
        Mono sound at `ANALYSIS_RATE`.

    Returns
    -------
    GuideEar
    """
    clicks = find_clicks(guide)
    return GuideEar(clicks, make_target(hear(guide, name="guide")) if clicks is None else None)


def listen(clip: Audio, guide: GuideEar) -> Evidence:
    """Gather what a clip holds of a guide.

    Parameters
    ----------
    clip : ndarray, shape (samples,), float32
        Mono sound at `ANALYSIS_RATE`.
    guide : GuideEar
        From `prepare_guide`.

    Returns
    -------
    Evidence
    """
    clicks = guide.clicks
    if clicks is None:
        assert guide.target is not None
        return Evidence(finding=judge_leak(_leaks(clip, guide.target), "guide"))
    behind = listen_behind(clip, clicks)
    places = find_click_leak(behind, clicks)
    playing = hear_playing(clip)
    alone = bool(places) and is_guide_alone(clip, places[0].line, clicks, playing.attacks)
    beats = _beats(clicks)
    return Evidence(
        _read(places, playing, beats),
        weigh_claps(playing, clicks),
        find_by_notes(playing, beats),
        playing,
        alone,
        compare_edges(behind, clicks, places[0].line) if places else (0, 0),
    )


def judge_together(evidence: Sequence[Evidence], guide: GuideEar) -> list[Finding]:
    """Judge all clips of one guide.

    Parameters
    ----------
    evidence : sequence of Evidence
        From `listen`, one per clip.
    guide : GuideEar
        The guide.

    Returns
    -------
    list of Finding
        One per clip, in order.
    """
    clicks = guide.clicks
    nothing = Finding(
        "none", reasons.NOTHING_CONFIDENCE, reasons.of_nothing("guide"), against="guide"
    )
    if clicks is None:
        return [held.finding or nothing for held in evidence]
    opinions = [held.opinions for held in evidence]
    counted = agree_on_count_in(opinions, clicks)
    strides = shared_strides(opinions, max(counted, key=counted.__getitem__, default=None))
    backers = count_backers(opinions, counted)
    findings = []
    for held in evidence:
        finding = _judge(held, counted, strides, backers, clicks.meter)
        findings.append(nothing if finding is None else _with_lag(finding, held, _beats(clicks)))
    return findings


def _judge(
    held: Evidence,
    counted: dict[CountIn, float],
    strides: frozenset[int],
    backers: int,
    meter: int | None,
) -> Finding | None:
    """Let the evidence decide that says most."""
    by_clicks = judge_clicks(held.readings, alone=held.alone, edges=held.edges, meter=meter)
    if by_clicks is not None and (by_clicks.verdict == "sure" or held.alone):
        return by_clicks
    by_claps = judge_claps(held.opinions, counted, strides, backers)
    if by_clicks is not None and by_claps is not None and held.edges == (0, 0):
        return _both(by_clicks, by_claps)
    return by_clicks or by_claps or judge_faint(held.readings) or judge_notes(held.notes)


def _both(by_clicks: Finding, by_claps: Finding) -> Finding:
    """Return where clicks put a clip, surely if claps that are sure say the same."""
    assert by_clicks.offset_s is not None
    assert by_claps.offset_s is not None
    same = abs(by_clicks.offset_s - by_claps.offset_s) < SAME_PLACE_S
    if by_claps.verdict != "sure" or not same:
        return by_clicks
    confidence = max(by_clicks.confidence, by_claps.confidence)
    return replace(by_clicks, verdict="sure", confidence=confidence, reason=by_claps.reason)


def _beats(clicks: Clicks) -> Clicks:
    """Return the clicks that notes are held against: one per beat as a rule."""
    return thin_out(clicks, beat_strides(clicks)[0])


def _with_lag(finding: Finding, held: Evidence, clicks: Clicks) -> Finding:
    """Add how late the player plays, where the place does not itself rest on it."""
    place = finding.placement
    if place is None or held.playing is None or held.alone or finding.verdict != "sure":
        return finding
    start = clicks.count_in or 0
    lag_s = measure_lag(
        held.playing, place, clicks, from_guide_s=float(clicks.times_s[start]) - 0.3 * clicks.beat_s
    )
    if lag_s is None:
        return finding
    reason = f"{finding.reason} {reasons.of_lag(lag_s)}"
    return replace(finding, reason=reason, player_lag_ms=1e3 * lag_s)


def _read(places: Sequence[ClickPlace], playing: Playing, clicks: Clicks) -> tuple[Reading, ...]:
    """Add to the best places of a leak what the notes and the end of the music say."""
    bar_s = clicks.beat_s * (clicks.meter or 4)
    likely = [place for place in places if place.nats > places[0].nats - WORTH_A_THOUGHT]
    readings = []
    for place in likely:
        fit = fit_beats(playing, place.line, clicks, from_guide_s=float(clicks.times_s[0]))
        end = end_penalty(playing, place.line.offset_s, clicks, bar_s)
        readings.append(Reading(place, fit.nats - end, fit.notes))
    floor = max((reading.other_nats for reading in readings), default=0.0) - MOST_NOTE_NATS
    readings = [replace(one, other_nats=max(one.other_nats, floor)) for one in readings]
    # Without notes the others lie as far behind as they can.
    rest = [Reading(place, floor, 0) for place in places[len(likely) :]]
    return (*readings, *rest)


def _leaks(clip: Audio, guide: Target) -> tuple[LeakPlace, ...]:
    """Return the places where a guide that is not made of clicks may be heard in a sound."""
    heard = hear(clip, name="clip")
    scores = score_lines(heard.coarse, guide.searchable, either_way_up=False)
    lines = [place.line for place in find_candidates(heard, guide, scores)]
    return find_leak(heard, guide, lines, drifts=MOST_DRIFTS)
