"""Whether confidence means what it says: of clips told at 0.9, nine in ten should be right.

    python tests/benchmarks/confidence_curve.py FILE.json [FILE.json ...]

The files are those that `sync_invented.py --json` and the practice cases' `score.py --json` write.
For a clip with an offset, right means that the offset is within the tolerance; for one that is told
to belong nowhere, that it does not.  Prints, for each bin of confidence, how many clips there were,
what they were told on average and which share of them was right, with the interval (Wilson, 95 %)
in which the true share may lie; the same for offsets and for `none` alone.

The exit status is 1 if among the clips told at 0.9 or more fewer than nine in ten are right, beyond
what chance explains.
"""

from __future__ import annotations

import argparse
import itertools
import json
import math
import sys
from dataclasses import dataclass
from pathlib import Path
from typing import Any

BINS = (0.0, 0.1, 0.2, 0.3, 0.4, 0.5, 0.6, 0.7, 0.8, 0.9, 0.95, 0.99, 1.0)
TOLD = 0.9
# 95 % of a normal distribution lie within so many standard deviations.
WITHIN = 1.96


@dataclass(frozen=True, slots=True)
class Told:
    """One clip: what was told, and whether it was right."""

    verdict: str
    confidence: float
    right: bool


def read_told(path: Path) -> list[Told]:
    """Return the clips of a file of scores."""
    rows = json.loads(path.read_text())["clips"]
    return [
        Told(row["verdict"], float(row["confidence"]), is_right(row))
        for row in rows
        if not row.get("failure") and row.get("confidence") is not None
    ]


def is_right(row: dict[str, Any]) -> bool:
    """Return whether a clip's answer was true, be it a place or that there is none."""
    if row["verdict"] == "none" or row.get("offset_s") is None:
        return bool(row["expect"] == "none")
    error = row.get("error_ms")
    return row["expect"] == "match" and error is not None and error <= row["tolerance_ms"]


def wilson(right: int, count: int) -> tuple[float, float]:
    """Return the 95 % interval of a share (Wilson 1927, J. Am. Stat. Assoc. 22, p. 209)."""
    share = right / count
    spread = WITHIN**2 / count
    middle = (share + spread / 2) / (1 + spread)
    half = WITHIN * math.sqrt(share * (1 - share) / count + spread / (4 * count)) / (1 + spread)
    return middle - half, middle + half


def curve(told: list[Told]) -> str:
    """Return the reliability table."""
    lines = ["| confidence | clips | told on average | right | may be |", "|---" * 5 + "|"]
    for low, high in itertools.pairwise(BINS):
        inside = [
            one for one in told if low <= one.confidence < high or high == one.confidence == 1
        ]
        if inside:
            right = sum(one.right for one in inside)
            mean = sum(one.confidence for one in inside) / len(inside)
            least, most = wilson(right, len(inside))
            lines.append(
                f"| {low:g} to {high:g} | {len(inside)} | {mean:.2f} | {right / len(inside):.2f} | "
                f"{least:.2f} to {most:.2f} |"
            )
    return "\n".join(lines)


def brier(told: list[Told]) -> float:
    """Return the mean squared difference of confidence and outcome (0 is best)."""
    return sum((one.confidence - one.right) ** 2 for one in told) / len(told)


def main() -> int:
    """Print the curves; return the exit status."""
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("files", type=Path, nargs="+")
    told = [one for path in parser.parse_args().files for one in read_told(path)]
    if not told:
        print("There are no clips in these files.", file=sys.stderr)
        return 2
    print(f"All answers ({len(told)} clips, mean squared error {brier(told):.3f})\n{curve(told)}")
    for name, verdicts in (("sure and check", ("sure", "check")), ("none", ("none",))):
        some = [one for one in told if one.verdict in verdicts]
        if some:
            print(f"\nTold {name} ({len(some)} clips)\n{curve(some)}")
    high = [one for one in told if one.confidence >= TOLD]
    right = sum(one.right for one in high)
    if not high:
        print(f"\nNo clip was told at {TOLD:g} or more.")
        return 0
    print(f"\nTold at {TOLD:g} or more: {right} of {len(high)} right ({right / len(high):.3f}).")
    return 1 if wilson(right, len(high))[1] < TOLD else 0


if __name__ == "__main__":
    sys.exit(main())
