"""Laying clips against a guide track: by its leak, by claps on the count-in, by notes on its beats.

Each clip is listened to once (`listen`), which gathers all evidence; then all clips of a guide are
judged together (`judge_together`), since they share the length of its count-in.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace

from syncvid.arrays import Audio
from syncvid.production.results import Finding
from syncvid.signals.cue import FoundSignature
from syncvid.sync import reasons
from syncvid.sync.beats import BeatFit, Playing, fit_beats, hear_playing, measure_lag
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
from syncvid.sync.hearing import ANALYSIS_RATE, hear
from syncvid.sync.leak import MOST_DRIFTS, LeakPlace, find_leak
from syncvid.sync.lines import score_lines
from syncvid.sync.note_search import NotePlace, find_by_notes
from syncvid.sync.signature_verdict import Support, heard_guide, judge_signature
from syncvid.sync.signatures import (
    HeardSignatures,
    hear_signatures,
    know_signature,
    without_signatures,
)
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
    signature : FoundSignature or None
        By which it is known, if it has one.
    duration_s : float
        Its length.
    """

    clicks: Clicks | None
    target: Target | None = field(repr=False)
    signature: FoundSignature | None = None
    duration_s: float = 0.0


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
    signatures : HeardSignatures or None
        Signatures of guides, where the guide has one.
    fit : BeatFit or None
        How the notes fit at the place of the signature that counts.
    """

    readings: tuple[Reading, ...] = ()
    opinions: dict[CountIn, Opinion] = field(default_factory=dict)
    notes: tuple[NotePlace, ...] = ()
    playing: Playing | None = None
    alone: bool = False
    edges: tuple[int, int] = (0, 0)
    finding: Finding | None = None
    signatures: HeardSignatures | None = None
    fit: BeatFit | None = None


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
    signature = know_signature(guide)
    if signature is not None:
        guide = without_signatures(guide, (signature,))
    clicks = find_clicks(guide)
    target = make_target(hear(guide, name="guide")) if clicks is None else None
    return GuideEar(clicks, target, signature, len(guide) / ANALYSIS_RATE)


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
    heard = None if guide.signature is None else hear_signatures(clip, guide.signature)
    if heard is not None:
        clip = without_signatures(clip, heard.found)
    if clicks is None:
        assert guide.target is not None
        leaks = judge_leak(_leaks(clip, guide.target), "guide")
        return Evidence(finding=leaks, signatures=heard)
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
        signatures=heard,
        fit=_fit_at_signature(playing, heard, beats),
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
        return [_with_signature(held.finding, held, guide) or nothing for held in evidence]
    opinions = [held.opinions for held in evidence]
    counted = agree_on_count_in(opinions, clicks)
    strides = shared_strides(opinions, max(counted, key=counted.__getitem__, default=None))
    backers = count_backers(opinions, counted)
    findings = []
    for held in evidence:
        finding = _judge(held, counted, strides, backers, clicks.meter)
        finding = _with_signature(finding, held, guide)
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


def _with_signature(finding: Finding | None, held: Evidence, guide: GuideEar) -> Finding | None:
    """Join a finding with what the signature says, where there is one."""
    heard = held.signatures
    if heard is None:
        return finding
    if held.alone and finding is not None:
        return replace(finding, heard_guide=heard_guide(heard))
    support = Support(
        held.readings,
        tuple(opinion.place.line.offset_s for opinion in held.opinions.values()),
        held.fit.nats if held.fit else 0.0,
        held.fit.notes if held.fit else 0,
        guide.duration_s,
    )
    return judge_signature(heard, finding, support)


def _fit_at_signature(
    playing: Playing, heard: HeardSignatures | None, beats: Clicks
) -> BeatFit | None:
    """Return how the notes fit at the place of the signature that counts, if there is one."""
    if heard is None or not heard.own:
        return None
    place = heard.place_of(heard.last)
    return fit_beats(playing, place, beats, from_guide_s=float(beats.times_s[0]))


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
