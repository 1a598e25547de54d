"""Stems: each part's sound on the reference clock, cleaned as was asked, measured and kept."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import asdict, dataclass
from functools import partial
from itertools import pairwise
from typing import Any

import numpy as np

from syncvid.arrays import Audio, give_back_memory
from syncvid.errors import SyncvidError
from syncvid.listen.activity import join_activities
from syncvid.media.sound import SoundFile
from syncvid.mix import Piece, render_stem
from syncvid.mix.cleaning import (
    Cleaned,
    cut_lows,
    even_out,
    quiet_rests,
    reduce_noise,
    take_out_hum,
    tame_peaks,
)
from syncvid.mix.fades import cross_fade, fade_ends, step_ratio
from syncvid.mix.measures import StemMeasure, measure_stem
from syncvid.production.files import fingerprint
from syncvid.production.material import Material
from syncvid.production.mix_made import MadeSplice
from syncvid.production.sound_plan import STEPS_OF_CLEANING, CleaningWish
from syncvid.production.stem_files import StemFiles
from syncvid.progress import SILENT, Progress
from syncvid.steps.heard_parts import HeardPart
from syncvid.steps.hearing import side_by_side
from syncvid.steps.music_window import MusicWindow
from syncvid.steps.playing import activity_of
from syncvid.timeline import to_samples

SAMPLE_RATE = 48_000
"""Rate of stems and mixes, Hz."""

# Raised when stems, or what is done to them, come out differently.
_STEMS, _CLEANING = "stems/1", "cleaning/1"

# All clips come in and go out together, outside of the music.
_WINDOW_FADE_S = 0.1

# Around a splice it is looked at whether it clicks.
_LOOK_S = 0.2


@dataclass(frozen=True, slots=True)
class Stem:
    """A stem that is kept.

    Attributes
    ----------
    parts : tuple of HeardPart
        Whose sound it is: several where parts share a clip.
    key, raw_key : str
        Under which it is kept, cleaned and as it was recorded.
    measure : StemMeasure
        What it measures, cleaned.
    cleaning : tuple of (step, sentence)
        What was done to it.
    step_ratios : tuple of float
        Of its splices; see `syncvid.production.mix_made.MadeSplice`.
    """

    parts: tuple[HeardPart, ...]
    key: str
    raw_key: str
    measure: StemMeasure
    cleaning: tuple[tuple[str, str], ...]
    step_ratios: tuple[float, ...]

    @property
    def name(self) -> str:
        """What to call it."""
        return " + ".join(part.name for part in self.parts)


def pieces_of(part: HeardPart) -> list[Piece]:
    """Return what is heard of a part as pieces of its files, which are opened."""
    pieces = []
    for at, passage in enumerate(part.passages):
        sounding = passage.entry.sound
        assert sounding is not None
        into = part.splices[at - 1] if at else None
        out_of = part.splices[at] if at < len(part.splices) else None
        begin_s, end_s = sounding.take.stretch_s
        pieces.append(
            Piece(
                SoundFile(sounding.source.path),
                passage.line,
                passage.from_s,
                passage.to_s,
                clip_from_s=begin_s,
                clip_to_s=end_s,
                gain=10 ** (passage.gain_db / 20),
                fade_in_s=into.fade_s if into else 0.0,
                fade_out_s=out_of.fade_s if out_of else 0.0,
                law_in=into.law if into else "equal power",
                law_out=out_of.law if out_of else "equal power",
            )
        )
    return pieces


def make_stems(
    material: Material,
    parts: Sequence[HeardPart],
    window: MusicWindow,
    progress: Progress = SILENT,
) -> tuple[list[Stem], list[SyncvidError]]:
    """Make the stems that are not kept yet.

    Parameters
    ----------
    material : Material
        The recordings, and what the plan says of cleaning.
    parts : sequence of HeardPart
        What is heard; parts that are heard from the same clip in the same way share a stem.
    window : MusicWindow
        What is mixed.
    progress : Progress
        Told how far it is.

    Returns
    -------
    (list of Stem, list of SyncvidError)
        The stems in score order, and one error for each part whose file cannot be read.

    Raises
    ------
    MediaError
        The work folder cannot be written.
    """
    shared: dict[str, list[HeardPart]] = {}
    for part in parts:
        shared.setdefault(_raw_key(part, window), []).append(part)
    jobs = [
        partial(_stem, material, tuple(same), raw_key, window) for raw_key, same in shared.items()
    ]
    stems: list[Stem] = []
    problems: list[SyncvidError] = []
    try:
        for answer in side_by_side(jobs, progress, "making the stems"):
            if isinstance(answer, SyncvidError):
                problems.append(answer)
            else:
                stems.append(answer)
            give_back_memory()
    except _NotKeptError as exc:
        raise exc.error from exc
    return stems, problems


class _NotKeptError(Exception):
    """The work folder refuses a stem: the whole step ends, for no clip is at fault."""

    def __init__(self, error: SyncvidError) -> None:
        super().__init__(str(error))
        self.error = error


@contextmanager
def _keeping() -> Iterator[None]:
    """Tell errors of the work folder from those of clips."""
    try:
        yield
    except SyncvidError as exc:
        raise _NotKeptError(exc) from exc


def _raw_key(part: HeardPart, window: MusicWindow) -> str:
    """Return what a stem as it was recorded depends on."""
    passages = [
        (
            passage.entry.sound.source.identity,
            passage.entry.sound.take.stretch_s,
            asdict(passage.line),
            (passage.from_s, passage.to_s, passage.gain_db),
        )
        for passage in part.passages
        if passage.entry.sound is not None
    ]
    splices = [(splice.at_s, splice.fade_s, splice.law) for splice in part.splices]
    return fingerprint(_STEMS, SAMPLE_RATE, window.from_s, window.to_s, passages, splices)


def _stem(
    material: Material, parts: tuple[HeardPart, ...], raw_key: str, window: MusicWindow
) -> Stem:
    """Return a stem; make what of it is not kept."""
    part, files = parts[0], StemFiles(material.store.folder)
    wishes = _wishes(material, part)
    key = fingerprint(_CLEANING, raw_key, [asdict(wish) for wish in wishes]) if wishes else raw_key
    record = material.store.load(f"stem-{key}", _CLEANING)
    if record is None or not files.has(key) or not files.has(raw_key):
        record = _make(material, part, raw_key, key, wishes, window)
        with _keeping():
            material.store.save(f"stem-{key}", _CLEANING, record)
    measure = record["measure"]
    return Stem(
        parts,
        key,
        raw_key,
        StemMeasure(**{**measure, "bands_db": tuple(measure["bands_db"])}),
        tuple((step, told) for step, told in record["cleaning"]),
        tuple(record["step_ratios"]),
    )


def _wishes(material: Material, part: HeardPart) -> list[CleaningWish]:
    """Return the steps of cleaning that are wanted for a part, in the order of doing them."""
    asked = material.sound.clean if part.wishes.clean is None else part.wishes.clean
    by_step = {wish.step: wish for wish in asked}
    return [by_step[step] for step in STEPS_OF_CLEANING if step in by_step]


def _make(
    material: Material,
    part: HeardPart,
    raw_key: str,
    key: str,
    wishes: Sequence[CleaningWish],
    window: MusicWindow,
) -> dict[str, Any]:
    """Make a stem, keep it, and return what is known of it as plain data."""
    files = StemFiles(material.store.folder)
    if files.has(raw_key):
        samples = np.array(files.open(raw_key))
    else:
        samples = render_stem(
            pieces_of(part), from_s=window.from_s, to_s=window.to_s, sample_rate=SAMPLE_RATE
        )
        fade_ends(samples, to_samples(_WINDOW_FADE_S, SAMPLE_RATE))
        with _keeping():
            files.keep(raw_key, samples)
    cleaning = []
    for wish in wishes:
        cleaned = _clean(wish, samples, material, part, window)
        samples = cleaned.samples
        cleaning.append((wish.step, cleaned.told))
    if wishes:
        with _keeping():
            files.keep(key, samples)
    measure = asdict(measure_stem(samples, sample_rate=SAMPLE_RATE))
    # JSON knows no infinity; nothing that is recorded is as soft as this.
    if not math.isfinite(measure["peak_dbfs"]):
        measure["peak_dbfs"] = -999.0
    return {"measure": measure, "cleaning": cleaning, "step_ratios": _step_ratios(part)}


def _clean(
    wish: CleaningWish, samples: Audio, material: Material, part: HeardPart, window: MusicWindow
) -> Cleaned:
    """Do one step of cleaning."""
    if wish.step == "high-pass":
        return cut_lows(samples, sample_rate=SAMPLE_RATE, cutoff_hz=wish.hz)
    if wish.step == "rests":
        rests = _rests(material, part, window)
        return quiet_rests(samples, sample_rate=SAMPLE_RATE, rests=rests)
    return _PLAIN_STEPS[wish.step](samples, sample_rate=SAMPLE_RATE)


_PLAIN_STEPS: dict[str, Callable[..., Cleaned]] = {
    "clipping": tame_peaks,
    "automatic gain": even_out,
    "hum": take_out_hum,
    "noise": reduce_noise,
}


def _rests(material: Material, part: HeardPart, window: MusicWindow) -> list[tuple[float, float]]:
    """Return when a part does not play, in seconds of its stem."""
    pieces = []
    for passage in part.passages:
        sounding = passage.entry.sound
        activity = activity_of(sounding.source, material.store) if sounding else None
        if activity is not None:
            begin_s = max(passage.from_s, window.from_s)
            pieces.append((activity.on(passage.line), begin_s, min(passage.to_s, window.to_s)))
    joined = join_activities(pieces, from_s=window.from_s, to_s=window.to_s)
    return [(begin - window.from_s, end - window.from_s) for begin, end in joined.rests()]


def _step_ratios(part: HeardPart) -> list[float]:
    """Return for each splice how large its steps are against those of the takes."""
    if not part.splices:
        return []
    ratios = []
    for splice, (old, new) in zip(part.splices, pairwise(pieces_of(part)), strict=True):
        ratios.append(_step_ratio(splice, old, new))
    return ratios


def _step_ratio(splice: MadeSplice, old: Piece, new: Piece) -> float:
    """Return how large a splice's steps are, from the two takes around it."""
    from_s, to_s = splice.at_s - _LOOK_S, splice.at_s + _LOOK_S
    alone = [
        render_stem([_endless(piece)], from_s=from_s, to_s=to_s, sample_rate=SAMPLE_RATE)
        for piece in (old, new)
    ]
    at = to_samples(splice.at_s, SAMPLE_RATE) - to_samples(from_s, SAMPLE_RATE)
    samples = to_samples(splice.fade_s, SAMPLE_RATE)
    joined = cross_fade(alone[0], alone[1], at=at, samples=samples, law=splice.law)
    return round(
        step_ratio(joined, alone[0], alone[1], at=at, samples=samples, sample_rate=SAMPLE_RATE),
        4,
    )


def _endless(piece: Piece) -> Piece:
    """Return a piece that is used as far as its clip goes."""
    return Piece(
        piece.source,
        piece.placement,
        clip_from_s=piece.clip_from_s,
        clip_to_s=piece.clip_to_s,
        gain=piece.gain,
    )
