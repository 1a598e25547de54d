"""The user decides where a take belongs; the decision is written into ``production.toml``."""

from __future__ import annotations

import math
from dataclasses import dataclass
from pathlib import Path

from syncvid.errors import ProductionError
from syncvid.production.edit import PlanEditor
from syncvid.production.material import Material, Recording, open_production, plan_path
from syncvid.production.pick import TakeName, pick_take
from syncvid.production.pins import SAME_PLACE_S, Pin
from syncvid.production.results import Finding
from syncvid.steps.syncing import found_sync


@dataclass(frozen=True, slots=True)
class Choice:
    """What the user decides about a take; one of them.

    Attributes
    ----------
    offset_s, drift_ppm : float or None
        Its place; the drift may be left to sync.
    rival : int or None
        Number of the rival, as sync lists them, whose place is right.
    not_in_piece : bool
        It does not belong to the piece.
    free : bool
        Sync decides again.
    """

    offset_s: float | None = None
    drift_ppm: float | None = None
    rival: int | None = None
    not_in_piece: bool = False
    free: bool = False


@dataclass(frozen=True, slots=True)
class Settled:
    """What `place_take` wrote.

    Attributes
    ----------
    name : str
        The take.
    pin : Pin or None
        Its place; None where sync decides again.
    doubt : str
        What speaks against the place; empty where nothing does.
    """

    name: str
    pin: Pin | None
    doubt: str = ""


def place_take(folder: Path, take: str, choice: Choice) -> Settled:
    """Settle where a take belongs, or leave it to sync again; nothing is searched anew.

    Parameters
    ----------
    folder : Path
        The production.
    take : str
        Which take: part/take, or its file.
    choice : Choice
        What the user decides.

    Returns
    -------
    Settled

    Raises
    ------
    ProductionError
        No such take or rival, contradicting wishes, or numbers that make no sense.
    """
    _check(choice)
    editor = PlanEditor(plan_path(folder))
    at = pick_take(take, editor.names, where=str(folder))
    material = open_production(folder)
    with material.store.locked(str(folder)):
        pin = _pin(material, editor.names[at], choice)
        editor.pin(at, pin)
        editor.save()
    name = editor.names[at]
    player = f" ({name.player})" if name.player else ""
    return Settled(f"{name.part}{player}, take {name.take}", pin, _doubt(material, name, pin))


def _doubt(material: Material, take: TakeName, pin: Pin | None) -> str:
    """Say if nothing of a pinned take would be seen, or if sync surely heard it elsewhere."""
    result = found_sync(material)
    clip = result.of(_recording(material, take).key) if result else None
    if result is None or clip is None or pin is None or pin.offset_s is None:
        return ""
    end_s = result.reference_duration_s
    if end_s is not None and not -(clip.duration_s or 0.0) < pin.offset_s < end_s:
        return (
            f"At this place nothing of it will be seen or heard: the {result.reference} lasts "
            f"from 0 to {end_s:.1f} s."
        )
    heard_s = clip.finding.offset_s
    if clip.finding.verdict != "sure" or heard_s is None:
        return ""
    elsewhere = abs(heard_s - pin.offset_s) > SAME_PLACE_S
    return f"Sync surely heard it at {heard_s:+.4f} s." if elsewhere else ""


def _check(choice: Choice) -> None:
    """Refuse no wish, several wishes, a drift without its offset, and what is no number."""
    if choice.drift_ppm is not None and choice.offset_s is None:
        raise ProductionError("--drift needs --offset beside it.", fix="Give both, or neither.")
    for option, value in (("--offset", choice.offset_s), ("--drift", choice.drift_ppm)):
        if value is not None and not math.isfinite(value):
            raise ProductionError(f"{option} {value} is no number.", fix="Write it as 12.5.")
    wishes = [
        choice.offset_s is not None,
        choice.rival is not None,
        choice.not_in_piece,
        choice.free,
    ]
    if sum(wishes) != 1:
        raise ProductionError(
            "Say one thing about the take.",
            fix="Give one of --offset, --rival, --not-in-piece and --free.",
        )


def _pin(material: Material, take: TakeName, choice: Choice) -> Pin | None:
    """Return the pin that a choice stands for."""
    if choice.free:
        return None
    if choice.not_in_piece:
        return Pin()
    if choice.rival is None:
        return Pin(choice.offset_s, choice.drift_ppm)
    finding = _found(material, take)
    if not 1 <= choice.rival <= len(finding.rivals):
        raise ProductionError(
            f"Sync lists {len(finding.rivals) or 'no'} rivals of this take, "
            f"so there is no rival {choice.rival}.",
            where=f"{take.part}, take {take.take}",
            fix="See them with `syncvid sync FOLDER --explain TAKE`.",
        )
    return Pin(finding.rivals[choice.rival - 1].offset_s, finding.drift_ppm)


def _found(material: Material, take: TakeName) -> Finding:
    """Return what sync found of a take, whatever was pinned since."""
    result = found_sync(material)
    clip = result.of(_recording(material, take).key) if result else None
    if clip is None:
        raise ProductionError(
            "The places of the clips as they are now are not found yet.",
            where=str(material.folder),
            fix=f"Run `syncvid sync {material.folder}` first.",
        )
    return clip.finding


def _recording(material: Material, take: TakeName) -> Recording:
    """Return the recording of a take of the plan."""
    for recording in material.recordings:
        same_file = recording.source.file == take.file
        if same_file and (recording.part, recording.take) == (take.part, take.take):
            return recording
    raise ProductionError(
        "This take is withdrawn.",
        where=f"{take.part}, take {take.take}",
        fix="Take the line `withdrawn = true` out of production.toml first.",
    )
