"""Render invented clips of every format, read the video back with ffmpeg, and count what is due.

    python tests/benchmarks/picture_formats.py [--seed 1] [--only WORDS] [--rates 30,25] [--keep D]

Each clip is rendered in a grid from the originals, then with one large and the rest along the
side, where the tile cache serves the small ones, then in a smaller grid, all from the cache, then
from the originals by choice; what each tile of each picture must show follows from arithmetic
alone.  The video is decoded by the ffmpeg of the system, not by the one that rendered.
Exit status 1 if anything is not right.
"""

from __future__ import annotations

import argparse
import json
import os
import subprocess
import sys
import tempfile
import time
from collections import Counter
from dataclasses import dataclass, field, replace
from fractions import Fraction
from pathlib import Path
from typing import Any

import numpy as np
import soundfile
from clip_formats import FORMS, Draft
from coded_clips import Coded, Luma, Panel, find_panel, read

SIZE, SMALLER = (1280, 720), (960, 540)
MIX_S = 4.0
BATCH = 12
# The highest one first: it fills the tile cache for the others.
RATES = ("60", "23.976", "25", "29.97", "30", "50")
EXACT = {"23.976": Fraction(24000, 1001), "29.97": Fraction(30000, 1001)}

# Layout, and what else stands on the command line: originals, then kept tiles.
RUNS: dict[str, list[str]] = {
    "grid": [],
    "lead": ["--layout", "lead"],
    "smaller": [],
    "originals": ["--from-originals"],
}


@dataclass
class Score:
    """What was seen of one format."""

    seen: Counter[str] = field(default_factory=Counter)
    turned: int = 0
    aspects: list[float] = field(default_factory=list)
    problems: list[str] = field(default_factory=list)

    @property
    def is_right(self) -> bool:
        """Whether there is nothing to say against it."""
        return set(self.seen) <= {"right", "held"} and not self.problems and not self.turned


def main() -> int:
    """Render, read and print."""
    options = _options()
    folder = Path(options.keep or tempfile.mkdtemp(prefix="picture-formats-"))
    folder.mkdir(parents=True, exist_ok=True)
    kinds = [k for k in FORMS if not options.only or any(w in k for w in options.only.split(","))]
    scores: dict[str, Score] = {kind: Score() for kind in kinds}
    rng = np.random.default_rng(options.seed)
    for number in range(0, len(kinds), BATCH):
        batch = _make(kinds[number : number + BATCH], rng, folder / f"batch {number // BATCH}")
        for rate in options.rates.split(","):
            _render_all(batch, rate, options.runs.split(","), scores)
        for clip in batch:
            print(_line(clip.kind, scores[clip.kind]), flush=True)
    total: Counter[str] = sum((score.seen for score in scores.values()), Counter())
    count = sum(total.values())
    print(f"all: {100 * total['right'] / max(1, count):.3f} % right of {count}: {dict(total)}")
    return 0 if all(score.is_right for score in scores.values()) else 1


def _options() -> argparse.Namespace:
    parser = argparse.ArgumentParser(description=(__doc__ or "").split("\n")[0])
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--only", default="", help="formats whose names hold one of these words")
    parser.add_argument("--rates", default=",".join(RATES))
    parser.add_argument("--runs", default=",".join(RUNS))
    parser.add_argument("--keep", default="", help="a folder for all files")
    return parser.parse_args()


def _make(kinds: list[str], rng: np.random.Generator, folder: Path) -> list[Coded]:
    """Write the clips of a batch, each with a place of its own."""
    folder.mkdir(exist_ok=True)
    clips = []
    for number, kind in enumerate(kinds):
        clip = FORMS[kind](Draft(rng, folder, number, kind))
        latest_s = max(-clip.end_s + MIX_S + 0.5, -1.4) if clip.end_s > 20 else -1.2
        offset_s, drift_ppm = rng.uniform(latest_s, 0.3), rng.uniform(-150, 150)
        if clip.end_s > 20 and clip.shown and clip.times_s[0] >= 0:
            offset_s, drift_ppm = latest_s - rng.uniform(0, 0.4), 150.0 * rng.choice([-1, 1])
        clips.append(replace(clip, offset_s=round(offset_s, 6), drift_ppm=round(drift_ppm, 3)))
    rng_sound = np.random.default_rng(5)
    soundfile.write(
        folder / "mix.wav", rng_sound.normal(0, 0.05, (round(48_000 * MIX_S), 2)), 48_000
    )
    entries = [
        {"file": str(c.path), "offset_s": c.offset_s, "drift_ppm": c.drift_ppm, "verdict": "sure"}
        for c in clips
    ]
    document = {"format": "syncvid.sync/1", "reference": "mix", "clips": entries}
    (folder / "sync.json").write_text(json.dumps(document))
    return clips


def _render_all(clips: list[Coded], rate: str, runs: list[str], scores: dict[str, Score]) -> None:
    """Render a batch in all ways at a rate, and add to the scores."""
    folder = clips[0].path.parent
    environment = {**os.environ, "XDG_CACHE_HOME": str(folder / "cache")}
    for run in runs:
        out, report = folder / f"{run} {rate}.mp4", folder / f"{run} {rate}.json"
        command = [sys.executable, "-m", "syncvid", "render", *(str(c.path) for c in clips)]
        command += ["--mix", str(folder / "mix.wav"), "--sync", str(folder / "sync.json")]
        command += ["-o", str(out), "--report", str(report), "--fps", rate]
        size = SMALLER if run == "smaller" else SIZE
        command += ["--size", "x".join(map(str, size)), *RUNS[run]]
        begun = time.monotonic()
        done = subprocess.run(command, capture_output=True, text=True, env=environment)
        took_s = time.monotonic() - begun
        told = [line for line in done.stderr.splitlines() if "%" not in line]
        (folder / f"{run} {rate}.txt").write_text(done.stdout + "\n".join(told))
        where = f"{folder.name}, {run}, {rate}"
        if done.returncode or not out.exists():
            print(f"{where}: status {done.returncode}: {done.stderr[-1500:]}")
            for clip in clips:
                scores[clip.kind].problems.append(f"not rendered: {where}")
            continue
        print(f"{where}: {took_s:.1f} s", file=sys.stderr)
        pictures = _decode(out, size)
        tiles = json.loads(report.read_text())
        exact = EXACT.get(rate) or Fraction(rate)
        for clip in clips:
            _judge(clip, pictures, tiles, exact, scores[clip.kind], where)
        out.unlink()


def _decode(video: Path, size: tuple[int, int]) -> Luma:
    """Decode a video's luma with the system's ffmpeg; shape (pictures, height, width)."""
    command = ["ffmpeg", "-v", "error", "-i", str(video), "-map", "0:v", "-fps_mode", "passthrough"]
    raw = subprocess.run(
        [*command, "-f", "rawvideo", "-pix_fmt", "gray", "-"], capture_output=True, check=True
    ).stdout
    return np.frombuffer(raw, np.uint8).reshape(-1, size[1], size[0])


def _judge(
    clip: Coded, pictures: Luma, report: dict[str, Any], rate: Fraction, score: Score, where: str
) -> None:
    """Compare every picture of a clip's tile with what is due."""
    tiles = [tile for tile in report["tiles"] if tile["file"] == str(clip.path)]
    if not clip.shown:
        cards = [card["label"].lower().replace(" ", "") for card in report["cards"]]
        if tiles or clip.path.stem not in cards:
            score.problems.append(f"no card: {where}")
        return
    if not tiles:
        score.problems.append(f"no tile: {where}")
        return
    if len(pictures) != -(-MIX_S * rate // 1):
        score.problems.append(f"{len(pictures)} pictures: {where}")
    tile = tiles[0]
    cut = pictures[:, tile["y"] : tile["y"] + tile["h"], tile["x"] : tile["x"] + tile["w"]]
    middles = [(float((k + Fraction(1, 2)) / rate), k) for k in range(len(pictures))]
    wanted = {k: due for middle, k in middles if (due := clip.due(middle)) is not None}
    panel = find_panel(cut[list(wanted)[:: max(1, len(wanted) // 25)]].mean(0)) if wanted else None
    if panel is None:
        score.seen["unreadable"] += len(wanted)
        score.problems.append(f"no panel: {where}")
        return
    score.aspects.append(panel.width / panel.height)
    before = Counter(score.seen)
    worst = []
    for k, due in wanted.items():
        what = _compare(clip, cut[k], panel, due)
        score.seen[what] += 1
        score.turned += what == "turned"
        if what not in ("right", "held"):
            worst.append(f"{k}:{what}")
    if score.seen["held"] - before["held"] > clip.held * float(rate) / 30 + 1:
        score.problems.append(f"held too long: {where}")
    if worst:
        score.problems.append(f"{where}: {len(worst)} of {len(wanted)}: {' '.join(worst[:8])}")


def _compare(clip: Coded, luma: Luma, panel: Panel, due: int) -> str:
    """Say how what a tile shows compares with what is due."""
    found = read(luma, panel)
    if found is None:
        return "unreadable"
    shown, owner = found
    if owner != clip.clip % 32:
        return "wrong"
    if shown == due:
        return "right"
    numbers = list(clip.numbers)
    if shown in numbers and due in numbers:
        apart = numbers.index(due) - numbers.index(shown)
        if 0 < apart <= clip.held:
            return "held"
        if abs(apart) == 1:
            return "one early" if apart < 0 else "one late"
    return "wrong"


def _line(kind: str, score: Score) -> str:
    """Return the line of a format."""
    count = sum(score.seen.values())
    right = f"{100 * score.seen['right'] / count:7.2f} % of {count}" if count else "  card"
    rest = {what: n for what, n in score.seen.items() if what != "right"}
    low, high = min(score.aspects, default=1.0), max(score.aspects, default=1.0)
    stretched = "" if low > 0.95 and high < 1.06 else f"  STRETCHED {low:.3f} to {high:.3f}"
    told = "".join(f"\n    {problem}" for problem in score.problems[:6])
    return f"{kind:30} {right:20} {rest or ''}{stretched}{told}"


if __name__ == "__main__":
    sys.exit(main())
