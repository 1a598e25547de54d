"""Kill a render at random moments and let it go on: the same video, and nothing made twice.

    python tests/benchmarks/resume.py [--kills 20] [--seed 1] [--only NAME] [--work FOLDER]

The demo's clips are rendered by ``python -m syncvid render`` in a layout with many scenes.  Each
round starts from a copy of the same folder; the parent process alone gets SIGKILL at a random
moment between its start and the end of an undisturbed render, up to two times, and then the render
is let run to its end.  Asked for each round:

- the video is, byte for byte, that of an undisturbed render from the same folder;
- no segment that was there after a kill has been made again (file number and time of change);
- the processes that rendered ended by themselves within two seconds of the kill;
- at the end nothing unfinished lies in the work folder or beside the video.

The cases: a bare folder; tiles kept by a whole render in another layout, and by one that was
killed; two videos at once; and a preview made between a kill and going on.  After them SIGINT and
SIGTERM at random moments (code 130 within a second, no process left), the work folder deleted under
a render, and two renders at once.
"""

from __future__ import annotations

import argparse
import random
import shutil
import signal
import subprocess
import sys
import tempfile
import time
from collections.abc import Sequence
from pathlib import Path
from typing import NamedTuple

import psutil

MEDIA = Path(__file__).parents[2] / "demo_media"
ENDINGS = (".mp4", ".mov", ".webm")

# Small enough to render in seconds, and such that tiles pay; off the even seconds at both ends.
COMMON = ("--size", "960x540", "--from", "0:04.5", "--to", "0:21.2")
MOST_KILLS = 2

# How long a process that renders may live on after its parent, and a command after a signal.
GRACE_S, STOP_S = 2.0, 1.0


class Case(NamedTuple):
    """A way to come to a render."""

    name: str
    words: tuple[str, ...] = ("--layout", "follow")
    before: tuple[str, ...] = ()
    before_share: float = 1.0
    preview: bool = False


CASES = (
    Case("bare folder"),
    Case("tiles of another layout", before=("--layout", "grid")),
    Case("tiles of a killed render", before=("--layout", "grid"), before_share=0.6),
    Case("two videos at once", ("--layout", "follow", "--for", "share", "--for", "square")),
    Case("a preview in between", preview=True),
)


def command(folder: Path, words: Sequence[str]) -> list[str]:
    """Return a render as one would type it."""
    out = ["-o", str(folder / "out.mp4")]
    return [sys.executable, "-m", "syncvid", "render", str(folder), *out, *COMMON, *words]


class Started:
    """A command in the background."""

    def __init__(self, words: Sequence[str]) -> None:
        self.process = subprocess.Popen(
            words, stdout=subprocess.DEVNULL, stderr=subprocess.PIPE, text=True
        )

    def stop(self, number: signal.Signals) -> tuple[int, float, int]:
        """Send a signal to this process alone; return code, seconds, and helpers that live on."""
        helpers = psutil.Process(self.process.pid).children(recursive=True)
        begun = time.monotonic()
        self.process.send_signal(number)
        code = self.process.wait(60)
        took_s = time.monotonic() - begun
        if self.process.stderr is not None:
            self.process.stderr.close()
        _, alive = psutil.wait_procs(helpers, GRACE_S if number == signal.SIGKILL else 0.05)
        return code, took_s, len(alive)

    def finish(self) -> tuple[int, str]:
        """Wait for the end; return the code and what was said."""
        _, said = self.process.communicate()
        return self.process.returncode, said


def run(words: Sequence[str]) -> float:
    """Run a command that must succeed; return the seconds that it took."""
    begun = time.monotonic()
    code, said = Started(words).finish()
    if code:
        sys.exit(f"{' '.join(words)}: code {code}\n{said}")
    return time.monotonic() - begun


def segments(folder: Path) -> dict[str, tuple[int, int]]:
    """Return the finished segments, each with what changes when it is made again."""
    found = {}
    for path in (folder / "work" / "segments").glob("*.mp4"):
        entry = path.stat()
        found[path.name] = entry.st_ino, entry.st_mtime_ns
    return found


def unfinished(folder: Path) -> list[str]:
    """Return whatever is neither a result nor a whole piece of one."""
    work = folder / "work"
    found = [p for p in (work / "segments").glob("*") if p.suffix not in (".mp4", ".json")]
    found += [p for p in (work / "tiles").rglob("*") if p.is_file() and p.suffix != ".tiles"]
    found += [p for p in folder.rglob(".*") if p.is_file()]
    return sorted(str(path.relative_to(folder)) for path in found)


def videos(folder: Path) -> dict[str, bytes]:
    """Return the finished videos."""
    return {path.name: path.read_bytes() for path in folder.glob("out*.mp4")}


class Trials:
    """All rounds of one seed, from copies of a production whose clips have their places."""

    def __init__(self, base: Path, scratch: Path, seed: int) -> None:
        self.base, self.scratch, self.random = base, scratch, random.Random(seed)
        self.faults: list[str] = []

    def copy(self, source: Path) -> Path:
        """Return a fresh copy of a folder, always at the same place."""
        folder = self.scratch / "round"
        shutil.rmtree(folder, ignore_errors=True)
        # With the times: clips that are seen from here are known by them.
        shutil.copytree(source, folder, copy_function=shutil.copy2)
        return folder

    def fault(self, said: str) -> None:
        """Note and print what went wrong."""
        self.faults.append(said)
        print(f"    FAULT: {said}", flush=True)

    def case(self, case: Case, rounds: int) -> None:
        """Kill one case again and again."""
        start = self._start_of(case)
        folder = self.copy(start)
        usual_s = run(command(folder, case.words))
        wanted, there = videos(folder), set(segments(start))
        made = len(set(segments(folder)) - there)
        print(f"{case.name}: {made} segments in {usual_s:.1f} s", flush=True)
        for number in range(rounds):
            self._round(case, number, start, usual_s, wanted)
        shutil.rmtree(start)

    def _start_of(self, case: Case) -> Path:
        """Return the folder from which all rounds of a case start."""
        folder, start = self.copy(self.base), self.scratch / "start"
        if case.before:
            # Its own folder tells how long it takes, so that a share of it can be cut off.
            usual_s = run(command(folder, case.before))
            if case.before_share < 1.0:
                folder = self.copy(self.base)
                started = Started(command(folder, case.before))
                time.sleep(case.before_share * usual_s)
                started.stop(signal.SIGKILL)
            (folder / "out.mp4").unlink(missing_ok=True)
        shutil.copytree(folder, start, copy_function=shutil.copy2)
        return start

    def _round(
        self, case: Case, number: int, start: Path, usual_s: float, wanted: dict[str, bytes]
    ) -> None:
        """Kill once or twice, go on to the end, and compare."""
        folder, kills, kept = self.copy(start), [], segments(start)
        # Copies have files of their own.
        kept = {name: value for name, value in segments(folder).items() if name in kept}
        for _ in range(self.random.randint(1, MOST_KILLS)):
            started, at_s = Started(command(folder, case.words)), self.random.uniform(0, usual_s)
            time.sleep(at_s)
            _, _, alive = started.stop(signal.SIGKILL)
            if alive:
                self.fault(f"{case.name} {number}: {alive} processes lived on")
            self._unchanged(f"{case.name} {number}", kept, folder)
            kept = segments(folder)
            kills.append(f"{at_s:.1f} s ({len(kept)} segments)")
        if case.preview:
            run([sys.executable, "-m", "syncvid", "preview", str(folder)])
        run(command(folder, case.words))
        self._unchanged(f"{case.name} {number}", kept, folder)
        if videos(folder) != wanted:
            self.fault(f"{case.name} {number}: the video differs")
        if left := unfinished(folder):
            self.fault(f"{case.name} {number}: left behind {left}")
        print(f"  {number}: killed at {', '.join(kills)}", flush=True)

    def _unchanged(self, name: str, kept: dict[str, tuple[int, int]], folder: Path) -> None:
        """Check that no finished segment was made again."""
        now = segments(folder)
        again = [segment for segment, value in kept.items() if now.get(segment) != value]
        if again:
            self.fault(f"{name}: made again or lost: {again}")

    def signals(self, rounds: int) -> None:
        """Send what Ctrl-C and a request to end send, at random moments."""
        folder = self.copy(self.base)
        usual_s = run(command(folder, CASES[0].words))
        wanted = videos(folder)
        slowest_s, folder = 0.0, self.copy(self.base)
        for number in range(rounds):
            which = (signal.SIGINT, signal.SIGTERM)[number % 2]
            started = Started(command(folder, CASES[0].words))
            at_s = self.random.uniform(0.0, usual_s)
            time.sleep(at_s)
            if started.process.poll() is not None:
                started.finish()
                continue
            code, took_s, alive = started.stop(which)
            slowest_s = max(slowest_s, took_s)
            if took_s > STOP_S or alive or code != 130:
                self.fault(
                    f"{which.name} at {at_s:.1f} s: code {code}, {took_s:.2f} s, {alive} alive"
                )
        run(command(folder, CASES[0].words))
        if videos(folder) != wanted:
            self.fault("after signals the video differs")
        if left := unfinished(folder):
            self.fault(f"after signals left behind {left}")
        print(f"{rounds} times SIGINT or SIGTERM: ended within {slowest_s:.2f} s", flush=True)

    def interference(self) -> None:
        """Delete the work folder under a render, and start two renders at once."""
        folder = self.copy(self.base)
        one, other = (Started(command(folder, CASES[0].words)) for _ in range(2))
        results = sorted((one.finish(), other.finish()))
        print(f"two at once: codes {[code for code, _ in results]}: {results[1][1].strip()}")
        if [code for code, _ in results] != [0, 7]:
            self.fault(f"two at once: {results}")
        wanted, folder = videos(folder), self.copy(self.base)
        started = Started(command(folder, CASES[0].words))
        while len(segments(folder)) < 3:
            time.sleep(0.05)
        shutil.rmtree(folder / "work", ignore_errors=True)
        code, said = started.finish()
        print(f"work folder deleted: code {code}: {said.splitlines()[-1]}", flush=True)
        if code not in (0, 3, 5) or "Traceback" in said:
            self.fault(f"work folder deleted: code {code}: {said}")
        run(command(folder, CASES[0].words))
        if videos(folder) != wanted:
            self.fault("after the work folder was deleted the video differs")


def prepare(folder: Path) -> None:
    """Make the demo's production and find the places of its clips."""
    clips = sorted(str(path) for path in MEDIA.iterdir() if path.suffix in ENDINGS)
    sides = ["--mix", str(MEDIA / "mix.flac"), "--guide", str(MEDIA / "guide.flac")]
    run([sys.executable, "-m", "syncvid", "new", str(folder), *clips, *sides])
    # The search, and what else is found only once, is no part of the rounds.
    still = ["--at", "0:10", "--layout", "follow"]
    run([sys.executable, "-m", "syncvid", "preview", str(folder), *still])
    shutil.rmtree(folder / "preview")
    for name in ("segments", "tiles"):
        shutil.rmtree(folder / "work" / name, ignore_errors=True)


def main() -> None:
    """Read the command line, do the rounds, tell."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").split("\n")[0])
    parser.add_argument("--kills", type=int, default=20, help="rounds, spread over the cases")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--only", default="", help="cases whose name holds this")
    parser.add_argument("--work", type=Path)
    options = parser.parse_args()
    cases = [case for case in CASES if options.only in case.name]
    with tempfile.TemporaryDirectory(dir=options.work) as name:
        scratch = Path(name)
        prepare(scratch / "base")
        trials = Trials(scratch / "base", scratch, options.seed)
        for index, case in enumerate(cases):
            trials.case(case, len(range(index, options.kills, len(cases))))
        if not options.only:
            trials.signals(10)
            trials.interference()
        print(f"{options.kills} rounds, {len(trials.faults)} faults")
        sys.exit(bool(trials.faults))


if __name__ == "__main__":
    main()
