"""Lay clips where they do not belong, many times, and count what sync says: never `sure`.

    python tests/benchmarks/wrong_pairs.py FOLDER [--keep FOLDER] [--share N] [--processes 2]

FOLDER holds practice cases.  The pairs: every clip, and crops of it, against every other case's mix
and guide; all clips of a case together against another case's mix and guide; the clips that belong
nowhere against their own case; each clip against stretches of its own mix that do not hold it; and
each third of a clip against its own mix out of which that third was cut.
A take that is spliced into the mix still fits by musical timing where the other take is heard: a
place that is right is no error there, and is counted apart.

Prints verdicts for each sort of pair, the highest evidence of each kind, and every `sure` and
`check`.  The exit status is 1 if there is any `sure`.
"""

from __future__ import annotations

import argparse
import functools
import importlib
import json
import pkgutil
import sys
import tempfile
from collections import Counter
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from practice_sound import PracticeCase, read_practice

import syncvid.sync
from syncvid.arrays import Audio
from syncvid.sync import ANALYSIS_RATE, Listened, find_places

# A stretch of the own mix is worth a search from this length on, in seconds.
SHORTEST_S = 15.0
# Cut around a hole: more than any phrase of the practice cases was moved, and most of the echo.
HOLE_MARGIN_S = 1.0
LEAST_CROP_S = 6.0
# Where a take belongs by musical timing; the practice cases' own tolerance and half of it.
TIMING_S = 0.060


@dataclass(frozen=True, slots=True)
class Pair:
    """Clips (case, file, from_s, to_s) against a reference (case, mix or guide or both, pieces)."""

    sort: str
    clips: tuple[tuple[str, str, float, float], ...]
    case: str
    against: str
    pieces: tuple[tuple[float, float], ...] = ()
    true_s: float | None = None


@dataclass(frozen=True, slots=True)
class Said:
    """What sync said of one clip of a pair."""

    sort: str
    clip: str
    reference: str
    verdict: str
    confidence: float
    reason: str
    offset_s: float | None
    fits: bool
    evidence: dict[str, float]


def make_pairs(cases: list[PracticeCase]) -> list[Pair]:
    """Return all pairs."""
    pairs: list[Pair] = []
    for case in cases:
        for other in cases:
            if other is not case:
                pairs += _across(case, other)
        for clip in case.truth["clips"]:
            whole = (case.name, clip["file"], 0.0, clip["audio_s"])
            if clip["expect"] == "none":
                for name in ("mix", "guide"):
                    if case.truth[name]:
                        pairs.append(Pair("stranger", (whole,), case.name, name))
            elif case.truth["reference"] == "mix":
                pairs += _own(case, clip, whole)
                pairs += _holes(case, clip)
    return pairs


def _across(case: PracticeCase, other: PracticeCase) -> list[Pair]:
    """Return the pairs of one case's clips with another case."""
    pairs = []
    whole = tuple((case.name, clip["file"], 0.0, clip["audio_s"]) for clip in case.truth["clips"])
    there = [name for name in ("mix", "guide") if other.truth[name]]
    for number, clip in enumerate(whole):
        length_s = clip[3]
        crops = (
            (0.0, length_s / 2),
            (length_s / 2, length_s),
            (length_s / 2 - 7.5, length_s / 2 + 7.5),
        )
        for turn, name in enumerate(there):
            pairs.append(Pair("across", (clip,), other.name, name))
            first, last = crops[(number + turn + len(other.name) + ord(other.name[0])) % 3]
            crop = (*clip[:2], max(0.0, first), min(length_s, last))
            pairs.append(Pair("crop", (crop,), other.name, name))
    pairs.append(Pair("together", whole, other.name, "+".join(there)))
    return pairs


def _own(
    case: PracticeCase, clip: dict[str, Any], whole: tuple[str, str, float, float]
) -> list[Pair]:
    """Return the pairs of a clip with stretches of its own mix that do not hold it."""
    end_s = case.truth["reference_duration_s"]
    step = 1 + clip["drift_ppm"] * 1e-6
    held = [(clip["overlap_from_s"], clip["overlap_to_s"], clip["offset_s"])]
    if clip["span_kind"] == "comp":
        held = [(s["clip_from_s"], s["clip_to_s"], s["offset_s"]) for s in clip["spans"]]
    inside = sorted((off + a * step, off + b * step) for a, b, off in held)
    gaps, at_s = [], 0.0
    for first, last in inside:
        if first - at_s > 1.0:
            gaps.append((at_s, first - 0.05))
        at_s = max(at_s, last + 0.05)
    if end_s - at_s > 1.0:
        gaps.append((at_s, end_s))
    sort = "own, other take" if clip["span_kind"] == "comp" else "own, cut"
    pairs = []
    for first, last in gaps:
        if last - first >= SHORTEST_S:
            true_s = clip["offset_s"] - first if clip["span_kind"] == "comp" else None
            pairs.append(Pair(sort, (whole,), case.name, "mix", ((first, last),), true_s))
    if len(gaps) > 1 and sum(last - first for first, last in gaps) >= SHORTEST_S:
        pairs.append(Pair(sort, (whole,), case.name, "mix", tuple(gaps)))
    return pairs


def _holes(case: PracticeCase, clip: dict[str, Any]) -> list[Pair]:
    """Return a clip's thirds, each with its own mix out of which just that third was cut."""
    end_s, step = case.truth["reference_duration_s"], 1 + clip["drift_ppm"] * 1e-6
    edges = np.linspace(clip["overlap_from_s"], clip["overlap_to_s"], 4)
    pairs = []
    for first, last in zip(edges[:-1].tolist(), edges[1:].tolist(), strict=True):
        hole = (
            clip["offset_s"] + first * step - HOLE_MARGIN_S,
            clip["offset_s"] + last * step + HOLE_MARGIN_S,
        )
        pieces = [(0.0, hole[0]), (hole[1], end_s)]
        pieces = [piece for piece in pieces if piece[1] - piece[0] > 2 * HOLE_MARGIN_S]
        if sum(b - a for a, b in pieces) >= SHORTEST_S and last - first >= LEAST_CROP_S:
            third = (case.name, clip["file"], first, last)
            pairs.append(Pair("own, hole", (third,), case.name, "mix", tuple(pieces)))
    return pairs


class Ears:
    """A worker's sounds, and a record of the strongest evidence that was judged."""

    def __init__(self, folder: Path, keep: Path) -> None:
        self.cases = {case.name: case for case in read_practice(folder, keep)}
        self.strongest: dict[str, float] = {}
        for found in pkgutil.iter_modules(syncvid.sync.__path__, "syncvid.sync."):
            module = importlib.import_module(found.name)
            for name in [name for name in vars(module) if name.startswith("judge_")]:
                setattr(module, name, self._spied(getattr(module, name), name))

    def _spied(self, judge: Any, name: str) -> Any:
        """Return a judge that tells how strong the evidence was that it was given."""

        @functools.wraps(judge)
        def spied(evidence: Any, *rest: Any, **named: Any) -> Any:
            first = evidence[0] if isinstance(evidence, (tuple, list)) and evidence else evidence
            for field in ("score", "strength"):
                value = getattr(first, field, None)
                if isinstance(value, (int, float)) and np.isfinite(value):
                    kind = name.removeprefix("judge_")
                    self.strongest[kind] = max(float(value), self.strongest.get(kind, 0.0))
            return judge(evidence, *rest, **named)

        return spied

    def ask(self, pair: Pair) -> list[Said]:
        """Return what sync says of a pair."""
        self.strongest = {}
        case = self.cases[pair.case]
        references = {name: getattr(case, name) for name in pair.against.split("+")}
        if pair.pieces:
            references["mix"] = _joined(references["mix"], pair.pieces)
        clips = [
            Listened(f"{home} {file}", _cut(self.cases[home].clips[file], first, last))
            for home, file, first, last in pair.clips
        ]
        placed = find_places(clips, **references)
        said = []
        for clip, found in zip(clips, placed.findings, strict=True):
            fits = (
                pair.true_s is not None
                and found.offset_s is not None
                and abs(found.offset_s - pair.true_s) < TIMING_S
            )
            said.append(
                Said(
                    pair.sort,
                    clip.name
                    + (
                        ""
                        if pair.sort not in ("crop", "own, hole")
                        else f" {pair.clips[0][2]:.1f} s on"
                    ),
                    f"{pair.case} {pair.against} "
                    + " ".join(f"{first:.1f}-{last:.1f} s" for first, last in pair.pieces),
                    found.verdict,
                    found.confidence,
                    found.reason,
                    found.offset_s,
                    fits,
                    dict(self.strongest),
                )
            )
        return said


def _cut(sound: Audio, first_s: float, last_s: float) -> Audio:
    """Return a stretch of a sound."""
    return sound[round(first_s * ANALYSIS_RATE) : round(last_s * ANALYSIS_RATE)]


def _joined(sound: Audio, pieces: tuple[tuple[float, float], ...]) -> Audio:
    """Return pieces of a sound, one after the other."""
    return np.concatenate([_cut(sound, first, last) for first, last in pieces])


EARS: list[Ears] = []


def _start(folder: Path, keep: Path) -> None:
    """Prepare a worker."""
    EARS.append(Ears(folder, keep))


def _ask(pair: Pair) -> list[Said]:
    """Ask in a worker."""
    return EARS[0].ask(pair)


def report(said: list[Said]) -> int:
    """Print the counts and lists; return how many are sure."""
    sorts = sorted({one.sort for one in said})
    print("| pairs | clips | none | check | fits by timing | SURE |\n|---|---|---|---|---|---|")
    for sort in [*sorts, "all"]:
        rows = [one for one in said if sort in (one.sort, "all")]
        count = Counter("fits" if one.fits else one.verdict for one in rows)
        print(
            f"| {sort} | {len(rows)} | {count['none']} | {count['check']} | {count['fits']} | "
            f"{count['sure']} |"
        )
    print("\nHighest evidence given to each judge, and for which pair:")
    wrong = [one for one in said if not one.fits]
    for kind in sorted({kind for one in wrong for kind in one.evidence}):
        ranked = sorted(wrong, key=lambda one, kind=kind: -one.evidence.get(kind, 0.0))[:3]
        for one in ranked:
            print(f"  {kind} {one.evidence.get(kind, 0.0):.1f}: {one.clip} | {one.reference}")
    for verdict in ("sure", "check"):
        rows = [one for one in wrong if one.verdict == verdict]
        print(f"\n{verdict}: {len(rows)}")
        for one in sorted(rows, key=lambda one: -one.confidence):
            offset = "-" if one.offset_s is None else f"{one.offset_s:.2f} s"
            print(
                f"  {one.confidence:.2f} {one.sort}: {one.clip} | {one.reference} | {offset} | "
                f"{one.reason}"
            )
    return sum(one.verdict == "sure" for one in wrong)


def main() -> int:
    """Ask about all pairs; return the exit status."""
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("folder", type=Path)
    parser.add_argument("--keep", type=Path, help="where decoded sound is kept between runs")
    parser.add_argument("--share", type=int, default=1, help="only every N-th pair")
    parser.add_argument("--processes", type=int, default=2)
    parser.add_argument("--json", type=Path, help="where to write every answer")
    options = parser.parse_args()
    with tempfile.TemporaryDirectory() as scratch:
        keep = options.keep or Path(scratch)
        pairs = make_pairs(read_practice(options.folder, keep))[:: options.share]
        said: list[Said] = []
        with ProcessPoolExecutor(
            options.processes, initializer=_start, initargs=(options.folder, keep)
        ) as pool:
            for done, answers in enumerate(pool.map(_ask, pairs, chunksize=4), 1):
                said += answers
                if done % 50 == 0:
                    print(f"{done} of {len(pairs)} pairs", file=sys.stderr, flush=True)
    sure = report(said)
    if options.json:
        rows = [{name: getattr(one, name) for name in Said.__slots__} for one in said]
        options.json.write_text(json.dumps(rows, indent=1) + "\n")
    return 1 if sure else 0


if __name__ == "__main__":
    sys.exit(main())
