"""What the command line is asked for: options read into what the steps take."""

from __future__ import annotations

import dataclasses
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any, get_args

from syncvid.errors import ProductionError, SyncvidError

if TYPE_CHECKING:
    from syncvid.production.material import Material
    from syncvid.production.moments import Moment
    from syncvid.production.outputs import OutputKind
    from syncvid.steps import Look


def material_of(
    arguments: list[str] | None, mix: str | None, guide: str | None
) -> tuple[Material, list[SyncvidError]]:
    """Open a production, or take loose clips."""
    from syncvid.production.material import loose_material, open_production, take_file

    names = arguments or ["."]
    if len(names) > 1 or not Path(names[0]).is_dir():
        material, problems = loose_material(names, mix=mix, guide=guide)
        if not material.recordings:
            raise problems[0] if problems else ProductionError("No clips were named.")
        return material, list(problems)
    material = open_production(Path(names[0]))
    return dataclasses.replace(
        material,
        mix=take_file(mix) if mix else material.mix,
        guide=take_file(guide) if guide else material.guide,
    ), []


def place_of(material: Material) -> str:
    """Return what to call the place where a command works."""
    return str(material.folder or material.store.folder)


def look_from(
    layout: str | None,
    size: str | None,
    fps: str | None,
    begins: str | None = None,
    ends: str | None = None,
) -> Look:
    """Read the options that say how the video looks."""
    from syncvid.steps import Look
    from syncvid.timeline import parse_frame_rate

    pixels: tuple[int, int] | None = None
    if size:
        width, _, height = size.lower().partition("x")
        if not (width.isdecimal() and height.isdecimal()):
            raise ProductionError(f"--size {size!r} is no size.", fix="Write it as 1920x1080.")
        pixels = (int(width), int(height))
        if any(side % 2 or not 64 <= side <= 8192 for side in pixels):
            raise ProductionError(
                f"--size {size!r} cannot be encoded.",
                fix="Width and height must be even, between 64 and 8192.",
            )
    try:
        rate = parse_frame_rate(fps) if fps else None
    except SyncvidError as exc:
        raise ProductionError(f"--fps: {exc.what}", fix=exc.fix) from exc
    look = Look(layout, pixels, rate, moment_from(begins, "--from"), moment_from(ends, "--to"))
    if look.begins and look.ends and look.ends.surely_not_after(look.begins):
        raise ProductionError(
            f"The excerpt would end ({look.ends}) before it begins ({look.begins}).",
            fix="Let --from be the earlier moment.",
        )
    return look


def moment_from(written: str | None, option: str) -> Moment | None:
    """Read the moment that an option names."""
    from syncvid.production.moments import parse_moment

    if written is None:
        return None
    try:
        return parse_moment(written)
    except ProductionError as exc:
        raise ProductionError(f"{option}: {exc.what}", fix=exc.fix) from exc


def percents(written: Sequence[str]) -> list[float]:
    """Read shares of the tempo, which are written in percent."""
    shares = []
    for text in written:
        try:
            share = float(text.strip().removesuffix("%")) / 100
        except ValueError:
            raise ProductionError(
                f"--speed {text!r} is no number of percent.", fix="Write --speed 80."
            ) from None
        if share != 1.0:
            shares.append(share)
    return list(dict.fromkeys(shares))


def video_kinds(names: list[str] | None, limit_mb: float | None) -> list[OutputKind]:
    """Return the kinds of video that are asked for; a limit makes a message."""
    from syncvid.production.outputs import find_kind

    if limit_mb is not None and not 0.1 <= limit_mb <= 100_000:
        raise ProductionError(
            f"--mb {limit_mb:g} is no size of a file.", fix="Write megabytes, from 0.1 on."
        )
    names = names or (["share"] if limit_mb is None else ["message"])
    if limit_mb is not None and "message" not in names:
        raise ProductionError(
            "--mb limits the kind `message`, which is not among those asked for.",
            fix="Add --for message, or leave --mb out.",
        )
    kinds = [find_kind(name) for name in names]
    return [
        dataclasses.replace(kind, limit_mb=limit_mb or kind.limit_mb)
        if kind.limit_mb is not None
        else kind
        for kind in kinds
    ]


def word_from(written: str | None, choices: Any, option: str) -> Any:
    """Read one of the words of a Literal type; None where nothing was written."""
    known = get_args(choices)
    if written is None or written in known:
        return written
    raise ProductionError(
        f"{option} {written!r} is not known.", fix=f"Write one of {', '.join(known)}."
    )
