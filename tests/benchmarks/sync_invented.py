"""Score the alignment on invented cases with planted truth, by the rules of the practice cases.

    python tests/benchmarks/sync_invented.py [--kinds A,E] [--seeds 0-19] [--json F] [--keep D]

Prints a table, then every clip that is not right, those that are sure and wrong first.  The exit
status is 1 if anything is sure and wrong.
"""

from __future__ import annotations

import argparse
import json
import sys
import time
from pathlib import Path
from typing import Any

from invented import KINDS, Case, kept_case
from invented.scoring import judge, right, summary, sure_wrong, table

from syncvid.sync import Listened, find_places


def numbers(text: str) -> list[int]:
    """Return the numbers of a list such as 0-4,7."""
    found: list[int] = []
    for piece in text.split(","):
        first, _, last = piece.partition("-")
        found += range(int(first), int(last or first) + 1)
    return found


def score_case(case: Case) -> tuple[list[dict[str, Any]], float]:
    """Return a row for each clip of a case, and the processor seconds that it took."""
    clips = [Listened(clip.name, clip.samples) for clip in case.clips]
    begun = time.process_time()
    placed = find_places(clips, mix=case.mix, guide=case.guide)
    used = time.process_time() - begun
    rows = [
        judge(case, clip, found) for clip, found in zip(case.clips, placed.findings, strict=True)
    ]
    if placed.guide_offset_s is not None and case.guide_to_mix_s is not None:
        for row in rows:
            row["guide_error_ms"] = 1e3 * (placed.guide_offset_s - case.guide_to_mix_s)
    return rows, used


def show_wrong(rows: list[dict[str, Any]]) -> None:
    """Print the clips that are not right, the sure ones first."""
    for row in sorted((row for row in rows if not right(row)), key=lambda row: not sure_wrong(row)):
        error = "-" if row["error_ms"] is None else f"{row['error_ms']:.1f} ms"
        print(
            f"{'SURE BUT WRONG ' if sure_wrong(row) else ''}{row['case']} {row['file']}: expect "
            f"{row['expect']}, verdict {row['verdict']} ({row['confidence']:.2f}), error {error}; "
            f"{row['reason']}  {row['info']} {row['case_info']}"
        )


def main() -> int:
    """Make, place and score; return the exit status."""
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("--kinds", default=",".join(KINDS))
    parser.add_argument("--seeds", type=numbers, default=numbers("0-4"), help="for instance 0-19")
    parser.add_argument("--json", type=Path, help="where to write all rows and figures")
    parser.add_argument("--keep", type=Path, help="a folder in which made cases are kept")
    parser.add_argument("--quiet", action="store_true", help="the table only")
    options = parser.parse_args()
    rows: dict[str, list[dict[str, Any]]] = {}
    used: dict[str, float] = {}
    for kind in options.kinds.split(","):
        rows[kind], used[kind] = [], 0.0
        for seed in options.seeds:
            new, seconds = score_case(kept_case(kind, seed, options.keep))
            rows[kind] += new
            used[kind] += seconds
        wrong = sum(map(sure_wrong, rows[kind]))
        good = sum(map(right, rows[kind]))
        print(f"{kind}: {good}/{len(rows[kind])} right, {wrong} sure but wrong", file=sys.stderr)
    figures = {kind: summary(rows[kind], used[kind]) for kind in rows}
    every = [row for kind in rows for row in rows[kind]]
    figures["all"] = summary(every, sum(used.values()))
    print(table(figures))
    if not options.quiet:
        show_wrong(every)
    if options.json:
        options.json.write_text(json.dumps({"classes": figures, "clips": every}, indent=1) + "\n")
    return 1 if figures["all"]["sure_but_wrong"] else 0


if __name__ == "__main__":
    sys.exit(main())
