"""The videos that were made: known again by what they were made from."""

from __future__ import annotations

import shlex
from dataclasses import asdict
from pathlib import Path
from typing import Any, NamedTuple

from syncvid.errors import MediaError, ProductionError
from syncvid.picture import Composition
from syncvid.production.files import fingerprint, identity
from syncvid.production.material import Material, source_record
from syncvid.production.moments import Moment
from syncvid.production.results import SyncResult
from syncvid.segments import RENDER_VERSION, EncodeSettings
from syncvid.steps.composing import Look, Scenario, plan_video
from syncvid.steps.hearing import Facts
from syncvid.timeline import parse_frame_rate


class Shown(NamedTuple):
    """What a video really shows.

    Attributes
    ----------
    notes : tuple of str
        What was said of it.
    size : (int, int) or None
        Its width and height, which a limit may have made smaller; None where it is not known.
    dropped : tuple of str
        Files of clips that were left out.
    """

    notes: tuple[str, ...]
    size: tuple[int, int] | None
    dropped: tuple[str, ...]


def outputs_state(
    material: Material, result: SyncResult | None, facts: dict[str, Facts]
) -> list[tuple[Path, bool]]:
    """Return the videos that were made, each with whether it shows what the production says now.

    Those that were deleted or moved since are not among them.

    Parameters
    ----------
    material : Material
        The production.
    result : SyncResult or None
        The findings as they are now; None: every video is out of date.
    facts : dict
        What is known of each file, by its path as given.
    """
    rows = material.store.last("outputs") or {}
    return [
        (Path(file), result is not None and _is_current(material, result, facts, Path(file), row))
        for file, row in rows.items()
        if Path(file).is_file()
    ]


def command_for(material: Material, out: Path) -> str:
    """Return the command that makes a video again as it was asked for."""
    row = (material.store.last("outputs") or {}).get(str(out.absolute())) or {}
    look, settings = row.get("look") or {}, row.get("settings") or {}
    words = ["syncvid", "render", str(material.folder or Path()), "-o", str(out)]
    if look.get("layout"):
        words += ["--layout", look["layout"]]
    size = "x".join(map(str, look.get("size") or ()))
    if size and size != material.picture.size:
        words += ["--size", size]
    if look.get("frame_rate"):
        words += ["--fps", look["frame_rate"]]
    for option, key in (("--from", "begins"), ("--to", "ends")):
        if look.get(key):
            moment = Moment(**look[key])
            words += [option, str(moment if moment.seconds is None else moment.seconds)]
    if row.get("limit_mb"):
        words += ["--mb", f"{row['limit_mb']:g}"]
    elif settings.get("sound") == "lossless":
        words += ["--for", "archive"]
    return shlex.join(words)


def is_there(material: Material, out: Path, key: str, *, from_originals: bool = False) -> bool:
    """Tell whether a video was made from the same inputs and is untouched.

    One that may show kept tiles does not count where every picture is to come from its recording.
    """
    row = (material.store.last("outputs") or {}).get(str(out.absolute()))
    if not row or row["key"] != key or from_originals > row.get("from_originals", False):
        return False
    return out.is_file() and identity(out) == row["identity"]


def note_output(
    material: Material,
    out: Path,
    key: str,
    look_of: Look,
    settings: EncodeSettings,
    limit_mb: float | None,
    shown: Shown,
    *,
    from_originals: bool = False,
) -> None:
    """Remember what a video was made from, what it shows, and what was said of it."""
    outputs = material.store.last("outputs") or {}
    rate = look_of.frame_rate
    outputs[str(out.absolute())] = {
        "key": key,
        "identity": identity(out),
        "look": {
            "layout": look_of.layout,
            "size": look_of.size,
            "frame_rate": str(rate) if rate else None,
            "begins": asdict(look_of.begins) if look_of.begins else None,
            "ends": asdict(look_of.ends) if look_of.ends else None,
        },
        "settings": asdict(settings),
        "limit_mb": limit_mb,
        "notes": list(shown.notes),
        "shown": {"size": shown.size, "dropped": list(shown.dropped)},
        "from_originals": from_originals,
    }
    material.store.save("outputs", "", outputs)


def shown_in(material: Material, out: Path) -> Shown:
    """Return what a video shows, and what was said of it, when it was made."""
    row = (material.store.last("outputs") or {}).get(str(out.absolute())) or {}
    shown = row.get("shown") or {}
    size = shown.get("size")
    return Shown(
        tuple(row.get("notes", ())),
        (size[0], size[1]) if size else None,
        tuple(shown.get("dropped", ())),
    )


def output_key(
    scenario: Scenario,
    composition: Composition,
    settings: EncodeSettings,
    limit_mb: float | None = None,
) -> str:
    """Return what a video is made from."""
    material = scenario.material
    sound = source_record(material.mix) or scenario.own.key
    # As they lie on the reference: another place of the guide moves chapters and captions.
    words = [material.title, *map(repr, (*scenario.captions, *scenario.sections))]
    return fingerprint(RENDER_VERSION, repr(composition), sound, asdict(settings), limit_mb, words)


def _is_current(
    material: Material, result: SyncResult, facts: dict[str, Facts], out: Path, row: Any
) -> bool:
    """Tell whether making a video again would give the same one."""
    look, rate = row["look"], row["look"]["frame_rate"]
    begins, ends = look.get("begins"), look.get("ends")
    look_of = Look(
        layout=look["layout"],
        size=(look["size"][0], look["size"][1]) if look["size"] else None,
        frame_rate=parse_frame_rate(rate) if rate else None,
        begins=Moment(**begins) if begins else None,
        ends=Moment(**ends) if ends else None,
    )
    settings = EncodeSettings(**row["settings"])
    try:
        scenario = plan_video(material, result, facts, look_of)
        if not scenario.players.voices:
            return False
        composition = scenario.at(look_of.size or scenario.size)
    except (ProductionError, MediaError):
        # Its layout is gone, a bar that it begins at, or an image: making it again will say so.
        return False
    return is_there(material, out, output_key(scenario, composition, settings, row.get("limit_mb")))
