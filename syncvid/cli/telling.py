"""What the command line says: answers, messages, progress, exit codes."""

from __future__ import annotations

import re
import sys
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any

import typer

from syncvid.errors import Cancelled, SyncvidError

if TYPE_CHECKING:
    from syncvid.production.material import Material, Recording
    from syncvid.production.results import ClipSync, SyncResult
    from syncvid.progress import Progress
    from syncvid.steps import Added, GuideOutcome, RenderOutcome, Status, SyncOutcome

UNREADABLE = 3
"""Exit code when something could not be read and the rest was done (that of `MediaError`)."""

HEARING = "Turn your headphones down before you start one."


@contextmanager
def at_work() -> Iterator[Progress]:
    """Show progress on standard error: a bar on a terminal, plain lines elsewhere."""
    from syncvid.progress import Progress

    try:
        if sys.stderr.isatty():
            with _bar() as sink:
                yield Progress(sink)
        else:
            yield Progress(_lines())
    except KeyboardInterrupt:
        raise Cancelled from None


@contextmanager
def _bar() -> Iterator[Callable[[Any], None]]:
    """Draw a bar with the time left."""
    from rich.console import Console
    from rich.progress import BarColumn, TaskProgressColumn, TextColumn, TimeRemainingColumn
    from rich.progress import Progress as Bar

    columns = (
        TextColumn("{task.description}", markup=False),
        BarColumn(),
        TaskProgressColumn(),
        TimeRemainingColumn(),
    )
    with Bar(*columns, console=Console(stderr=True), transient=True) as bar:
        task = bar.add_task("starting", total=1.0)
        yield lambda event: bar.update(task, completed=event.fraction, description=event.note)


def _lines() -> Callable[[Any], None]:
    """Write a line whenever the work changes or another tenth is done."""
    last: list[Any] = [None]

    def write(event: Any) -> None:
        now = (re.sub(r"\d+", "", event.note), int(event.fraction * 10))
        if now != last[0]:
            last[0] = now
            note(f"{event.fraction:4.0%} {event.note}")

    return write


def tell_added(added: Added) -> None:
    """Say what was taken in, what was guessed, and what was left out."""
    for file, guess in added.takes:
        player = f", {guess.player}" if guess.player else ""
        say(f"  {file}: {guess.part}{player}, take {guess.take}")
    for file, why in added.left_out:
        say(f"  left out {file!r}: {why}")
    for name in added.references:
        say(f"The {name} is set.")
    for remark in added.remarks:
        say(f"Note: {remark}")
    say(f"{count(len(added.takes), 'clip')} taken in, {len(added.left_out)} left out.")


def tell_guide(outcome: GuideOutcome) -> None:
    """Say what a guide is like, what was made, and what to do with it."""
    for line in outcome.summary.splitlines():
        say(line)
    if outcome.is_new_version:
        say(
            f"This is version {outcome.map.version}: its times have changed, so recordings to the "
            "version before do not fit it. Send it to everybody."
        )
    for remark in outcome.remarks:
        say(f"Note: {remark}")
    for what, path in outcome.files:
        say(f"{what[:1].upper()}{what[1:]}: {path}")
    say("Turn your headphones down before you listen to it.")


def tell_clip(clip: ClipSync) -> None:
    """Say where a clip belongs, and why."""
    finding = clip.finding
    name = clip.name
    if finding.placement is None:
        say(f"none   {name}: {finding.reason}")
        return
    where = (
        f"starts at {finding.placement.offset_s:+.4f} s, drift {finding.drift_ppm or 0:+.1f} ppm"
    )
    say(f"{finding.verdict:5}  {name}: {where}. {finding.reason}")


def tell_listening(outcome: SyncOutcome) -> None:
    """Say where the short sounds lie by which an ear can decide."""
    sounds = outcome.listening
    if not sounds:
        return
    reference = {"mix": "mix", "guide": "guide", "clips": "other clip"}[outcome.result.reference]
    say(f"To decide by ear, in {sounds[0].path.parent}:")
    for sound in sounds:
        say(f"  {sound.path.name}")
    say(f"The clip is in the left ear, the {reference} in the right. {HEARING}")


def tell_cast(outcome: RenderOutcome) -> None:
    """Say who wants an ear, who is left out, who was not chosen, and what else is worth knowing."""
    for remark in outcome.remarks:
        say(f"Note: {remark}")
    for entry in outcome.cast.unsure:
        say(f"Please listen: {entry.recording.name} is placed, but not surely.")
    for entry in outcome.cast.rejected:
        say(f"Not shown: {entry.recording.name}; its part shows another take.")
    for entry in outcome.cast.left_out:
        say(f"Left out: {entry.recording.source.file}: {entry.sync.finding.reason}")
    for gone in outcome.summary.dropped if outcome.summary else ():
        say(f"Gave way to a card: {gone.file}: {gone.reason}")


def tell_moved(material: Material) -> None:
    """Say which files were found again in another place."""
    for file, found in material.moved:
        say(f"{file} was moved; found again as {found}.")


def how_made(outcome: RenderOutcome) -> str:
    """Say how much of a video had to be made."""
    if outcome.summary is None:
        return " (there already, nothing changed)"
    if outcome.summary.reused:
        return f" ({outcome.summary.reused} of {outcome.summary.segments} segments were there)"
    return ""


def how_it_stands(state: Status, recording: Recording) -> str:
    """Return what status says of a take in brackets, if anything is known."""
    if recording.key in state.stills:
        return f" [a still, {'shown' if state.stills[recording.key] else 'not shown'}]"
    return verdict_of(state.synced, recording)


def verdict_of(result: SyncResult | None, recording: Recording) -> str:
    """Return a take's verdict in brackets, if it is known, and whether the user pinned it."""
    clip = result.of(recording.source.file, recording.stretch) if result else None
    if clip is None:
        return ""
    told = [clip.finding.verdict, *(["pinned"] if clip.finding.pinned else [])]
    if result and recording.sound:
        recorder = result.sound_of(recording.sound.file, recording.source.file)
        told.append(f"its recorder {recorder.finding.verdict if recorder else 'not found yet'}")
    return f" [{', '.join(told)}]"


def leave(problems: Sequence[SyncvidError]) -> None:
    """End with the right exit code once everything that could be done is done."""
    for problem in problems:
        note(f"syncvid: {problem}")
    if problems:
        raise typer.Exit(UNREADABLE)


def count(number: int, word: str) -> str:
    """Return a number with its word."""
    return f"{number} {word}{'' if number == 1 else 's'}"


def quoted(path: Path) -> str:
    """Return a path as one writes it on a command line."""
    import shlex

    return shlex.quote(str(path))


def say(text: str) -> None:
    """Write a line of the answer; control characters in file names are shown, not sent."""
    sys.stdout.write(_printable(text, sys.stdout) + "\n")


def note(text: str) -> None:
    """Write a line of progress or a message."""
    sys.stderr.write(_printable(text, sys.stderr) + "\n")


def _printable(text: str, stream: Any) -> str:
    """Return text that a terminal shows as one line, whatever a file is called."""
    shown = "".join(c if c.isprintable() else repr(c)[1:-1] for c in text)
    encoding = getattr(stream, "encoding", None) or "utf-8"
    return shown.encode(encoding, "replace").decode(encoding)
