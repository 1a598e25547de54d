"""The command that mixes."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from syncvid.cli.asking import moment_from, word_from
from syncvid.cli.telling import HEARING, at_work, leave, say
from syncvid.errors import ProductionError

if TYPE_CHECKING:
    from syncvid.production.material import Material
    from syncvid.progress import Progress
    from syncvid.steps import MixExcerpt, MixOutcome, MixWishes

_HIDDEN = {
    "rest": "in a rest",
    "attack": "before an attack",
    "quiet": "where it is quiet",
    "held": "in a held note: please listen",
}


def mix(
    folder: Annotated[Path, typer.Argument(help="The production's folder.")] = Path(),
    out: Annotated[
        Path | None, typer.Option("-o", "--out", help="The mix: .wav or .flac; both are written.")
    ] = None,
    loudness: Annotated[
        str | None, typer.Option("--loudness", help="share, stream, broadcast or natural.")
    ] = None,
    room: Annotated[
        str | None, typer.Option("--room", help='The room: "small hall", "church", ...')
    ] = None,
    amount: Annotated[
        str | None, typer.Option("--amount", help='Of the room: none, "a touch", "a little", ...')
    ] = None,
    stems: Annotated[bool, typer.Option("--stems", help="Write the stems as files too.")] = False,
    begins: Annotated[
        str | None,
        typer.Option("--from", help='Only an excerpt from this moment: 65, 1:05, "bar 9".'),
    ] = None,
    ends: Annotated[
        str | None, typer.Option("--to", help="Up to this moment; otherwise ten seconds.")
    ] = None,
    part: Annotated[
        list[str] | None, typer.Option("--part", help="Of an excerpt only this part; repeat it.")
    ] = None,
) -> None:
    """Mix and master the clips' own sound.

    With --from only an excerpt is made: as it is mixed, without the room, and as it was recorded.
    """
    from syncvid.production.material import open_production
    from syncvid.production.sound_plan import Amount, Use
    from syncvid.steps import MixWishes, make_mix

    wishes = MixWishes(
        loudness=word_from(loudness, Use, "--loudness"),
        room=room,
        amount=word_from(amount, Amount, "--amount"),
        stems=stems,
    )
    # A mix is made as the plan and the options say; an excerpt without options, as the mix was.
    of_excerpt = None if wishes == MixWishes() else wishes
    if begins is None and (ends is not None or part):
        raise ProductionError("--to and --part belong to an excerpt.", fix="Add --from MOMENT.")
    if begins is not None and (out is not None or stems):
        raise ProductionError(
            "-o and --stems belong to the whole mix; an excerpt lies in the folder `preview`.",
            fix="Leave them out, or --from.",
        )
    with at_work() as progress:
        material = open_production(folder)
        with material.store.locked(str(folder)):
            if begins is not None:
                excerpt = _excerpt(material, begins, ends, part or [], of_excerpt, progress)
            else:
                outcome = make_mix(material, out, wishes=wishes, progress=progress)
    if begins is not None:
        _tell_excerpt(excerpt)
        return
    tell_mix(outcome)
    if material.mix is not None:
        say("The video keeps the finished mix that production.toml names.")
    leave(outcome.problems)


def _excerpt(
    material: Material,
    begins: str,
    ends: str | None,
    parts: list[str],
    wishes: MixWishes | None,
    progress: Progress,
) -> MixExcerpt:
    """Make an excerpt."""
    from syncvid.steps import preview_mix

    from_moment, to_moment = moment_from(begins, "--from"), moment_from(ends, "--to")
    assert from_moment is not None
    if to_moment is not None and to_moment.surely_not_after(from_moment):
        raise ProductionError(
            f"The excerpt would end ({to_moment}) before it begins ({from_moment}).",
            fix="Let --from be the earlier moment.",
        )
    return preview_mix(
        material, from_moment, to_moment, only=parts, wishes=wishes, progress=progress
    )


def _tell_excerpt(excerpt: MixExcerpt) -> None:
    """Say what can be compared."""
    for remark in excerpt.remarks:
        say(f"Note: {remark}")
    for what, path in excerpt.files:
        say(f"{what[:1].upper()}{what[1:]}: {path}")
    say(f"All are equally loud. {HEARING}")
    leave(excerpt.problems)


def tell_mix(outcome: MixOutcome) -> None:
    """Say what a mix was made of, and what it measures."""
    made = outcome.made
    for remark in (*outcome.remarks, *made.remarks):
        say(f"Note: {remark}")
    for stem in made.stems:
        say(f"  {_stem_text(stem)}")
        for splice in stem.splices:
            say(f"    cut at {splice.place}, {_HIDDEN[splice.hidden_in]}")
    say(f"Room: {_room_text(made.room)}.")
    say(_figures(made.master))
    said = " (there already, nothing changed)" if outcome.skipped else ""
    say(f"Mix: {made.files[0]}{said}")
    for file in made.files[1:]:
        say(f"Also: {file}")
    say(f"What was done: {outcome.statement}")
    say(HEARING)


def _room_text(room: Any) -> str:
    """Say how much of which room is heard, and how long it sounds where that is known."""
    if room is None:
        return "none"
    return f"{room.amount} of the {room.name}" + (f", {room.decay_s:.1f} s" if room.decay_s else "")


def _stem_text(stem: Any) -> str:
    """Say what is heard of a part."""
    takes = ", ".join(dict.fromkeys(f"take {passage.take}" for passage in stem.passages))
    if not takes:
        return f"{stem.name}: its clip lies outside of the music"
    if stem.muted:
        return f"{stem.name}: {takes}, muted"
    if stem.loudness_lufs is None:
        return f"{stem.name}: {takes}, silent"
    # Never "-0.0".
    told = [f"{round(stem.starting_db + stem.wish_db, 1) + 0.0:+.1f} dB"]
    if round(stem.pan, 2):
        told.append(f"{abs(stem.pan):.0%} {'left' if stem.pan < 0 else 'right'}")
    if stem.shift_ms:
        told.append(f"{abs(stem.shift_ms):g} ms {'later' if stem.shift_ms > 0 else 'earlier'}")
    told += [step for step, _ in stem.cleaning]
    return f"{stem.name}: {takes}, {', '.join(told)}"


def _figures(master: Any) -> str:
    """Say how loud a mix is."""
    programme = master.programme
    loudness = programme.integrated_lufs
    told = [
        f"{loudness:.1f} LUFS" if loudness is not None else "too soft to be measured",
        f"true peak {programme.true_peak_dbtp:.1f} dBTP",
    ]
    if programme.range_lu is not None:
        told.append(f"loudness range {programme.range_lu:.1f} LU")
    if master.limited_db > 0.05:
        told.append(f"the limiter took at most {master.limited_db:.1f} dB")
    return f"{', '.join(told)}."
