"""The command line: arguments in, one call, words and an exit code out.

Answers go to standard output; progress and messages go to standard error, so that ``--json -`` can
be piped.
"""

from __future__ import annotations

import signal
import sys
from collections.abc import Sequence
from pathlib import Path
from typing import Annotated, Any, Never

import typer

from syncvid import __version__
from syncvid.cli.asking import (
    look_from,
    material_of,
    moment_from,
    percents,
    place_of,
    video_kinds,
)
from syncvid.cli.mixing import mix as mix_command
from syncvid.cli.telling import (
    UNREADABLE,
    at_work,
    count,
    how_it_stands,
    how_made,
    leave,
    note,
    quoted,
    say,
    tell_added,
    tell_cast,
    tell_clip,
    tell_guide,
    tell_listening,
    tell_moved,
)
from syncvid.errors import Cancelled, ProductionError, SyncvidError, system_error

CAUTION = (
    "Before you publish: has everybody who is seen and heard agreed, and for the young their "
    "guardians? Are the rights in the music clear? Ask locally if unsure."
)


app = typer.Typer(
    help="Make one video, in which everybody plays together, from recordings made at home.",
    no_args_is_help=True,
    add_completion=False,
    pretty_exceptions_enable=False,
    rich_markup_mode=None,
)

Folder = Annotated[Path, typer.Argument(help="The production's folder.")]
Clips = Annotated[list[str] | None, typer.Argument(help="Clips: sound or video files.")]
FolderOrClips = Annotated[
    list[str] | None,
    typer.Argument(help="A production's folder, or clips; nothing: the folder you are in."),
]
Take = Annotated[str, typer.Argument(help="A take: part/take, such as Viola/2, or its file.")]
Mix = Annotated[str | None, typer.Option("--mix", help="The finished mix.")]
GuideTrack = Annotated[str | None, typer.Option("--guide", help="The track that all played to.")]
Title = Annotated[str, typer.Option("--title", help="Title of the piece.")]
Begins = Annotated[
    str | None, typer.Option("--from", help='An excerpt from this moment: 65, 1:05, "bar 9".')
]
Ends = Annotated[
    str | None, typer.Option("--to", help='Up to this moment: 90, "bar 17", "end of bar 16".')
]


def _number(text: str) -> float:
    """Read a number as people write it on a command line."""
    try:
        return float(text)
    except ValueError:
        hint = f" Write {text.replace(',', '.')} with a point." if "," in text else ""
        raise typer.BadParameter(f"{text!r} is no number.{hint}") from None


@app.command()
def new(
    folder: Folder,
    clips: Clips = None,
    mix: Mix = None,
    guide: GuideTrack = None,
    score: Annotated[
        str | None,
        typer.Option("--score", help="The score: its parts, and a plan of the guide."),
    ] = None,
    title: Title = "",
) -> None:
    """Make a production from clips; says what it guessed of parts, players and takes."""
    from syncvid.steps import new_production

    with at_work() as progress:
        added = new_production(
            folder,
            clips or [],
            mix=mix,
            guide=guide,
            score=score,
            title=title,
            progress=progress,
        )
    tell_added(added)
    say(f"The plan is {folder / 'production.toml'}: correct there what was guessed wrong.")
    if added.guide_plan:
        say(f"The guide's plan is {added.guide_plan}: look it through.")
        say(f"Next: syncvid guide {quoted(folder)}")
    else:
        verb = "sync" if added.takes else "add"
        say(f"Next: syncvid {verb} {quoted(folder)}{'' if added.takes else ' CLIPS...'}")
    leave(added.problems)


@app.command()
def add(
    folder: Folder,
    clips: Clips = None,
    mix: Mix = None,
    guide: GuideTrack = None,
    split: Annotated[
        str | None,
        typer.Option("--split", metavar="FILE", help="Add every take that sync found in a file."),
    ] = None,
) -> None:
    """Add clips to a production, or name its mix or guide."""
    from syncvid.steps import add_clips

    if split:
        _split(folder, split, others=bool(clips or mix or guide))
        return
    with at_work() as progress:
        added = add_clips(folder, clips or [], mix=mix, guide=guide, progress=progress)
    tell_added(added)
    leave(added.problems)


def _split(folder: Path, file: str, *, others: bool) -> None:
    """Turn the takes that were found in a file into takes of the plan."""
    from syncvid.steps import split_file

    if others:
        raise ProductionError("--split stands alone.", fix="Add clips and the mix by themselves.")
    with at_work():
        takes = split_file(folder, file)
    for clip in takes:
        say(f"  {clip.name}: {clip.file} from {clip.stretch.from_s} s to {clip.stretch.to_s} s")
    say(f"{count(len(takes), 'take')} of one file stand in {folder / 'production.toml'} now.")
    say(f"Next: syncvid sync {quoted(folder)}")


@app.command()
def replace(
    folder: Folder,
    old: Annotated[str, typer.Argument(help="The take's file, as it stands in production.toml.")],
    by: Annotated[str, typer.Argument(metavar="NEW", help="The file to use from now on.")],
) -> None:
    """Put another file in the place of a take; the old file stays where it is."""
    from syncvid.steps import replace_clip

    with at_work():
        gone = replace_clip(folder, old, by)
    say(f"{by} now stands in the place of {old}.")
    if gone:
        say(f"What was said of the old file is taken out: {', '.join(gone)}.")


@app.command()
def withdraw(folder: Folder, clips: Annotated[list[str], typer.Argument(help="Clips.")]) -> None:
    """Take clips out of every result; the files stay where they are, untouched."""
    from syncvid.steps import withdraw_clips

    with at_work():
        withdraw_clips(folder, clips)
    for clip in clips:
        say(f"{clip} is withdrawn, and all that was kept of it deleted. The file is untouched.")
    say("Videos that you made before still show it: render them again, and delete old copies.")


@app.command()
def status(
    folder: Annotated[Path, typer.Argument(help="The production's folder.")] = Path(),
) -> None:
    """Say what is there, what is out of date, and what comes next."""
    from syncvid.production.material import open_production
    from syncvid.steps import production_status

    with at_work():
        state = production_status(open_production(folder))
    material = state.material
    tell_moved(material)
    say(
        f"{material.title}: {count(len(material.recordings), 'clip')}, "
        f"{count(len(material.parts), 'part')}."
    )
    own = f"{state.own_mix}, made of the clips" if state.own_mix else "none yet"
    say(
        f"Mix: {material.mix.file if material.mix else own}. "
        f"Guide: {material.guide.file if material.guide else 'none'}."
    )
    if state.guide_is_current is False:
        made = "has other times than" if material.guide else "is not made yet from"
        say(f"The guide {made} its plan, guide.toml.")
    for part, player in material.parts:
        takes = [r for r in material.recordings if (r.part, r.player) == (part, player)]
        rows = [f"take {r.take}{how_it_stands(state, r)}" for r in takes] or ["no clip"]
        if (part, player) in state.stood_in:
            rows.append(f"shown as a still: {state.stood_in[part, player]}")
        name = f"{part} ({player})" if player else part
        say(f"  {name}: {', '.join(rows)}")
    if state.synced is None:
        say("Places: out of date." if state.was_synced else "Places: not found yet.")
    for problem in state.problems:
        say(f"Layout: {problem}")
    for path, current in state.outputs:
        say(f"Video {path}: {'up to date' if current else 'out of date'}.")
    say(f"Next: {state.next_step}")


@app.command()
def guide(
    source: Annotated[
        Path,
        typer.Argument(
            metavar="PLAN_OR_SCORE",
            help="A plan (.toml), a score (MusicXML or MIDI), or a folder that holds guide.toml.",
        ),
    ],
    out: Annotated[
        Path | None,
        typer.Option("-o", "--out", help="The guide track: .wav, .flac, .mp3 or .m4a."),
    ] = None,
    tempo: Annotated[
        str | None, typer.Option("--tempo", help='At the beginning: 96, "dotted quarter = 60".')
    ] = None,
    count_in: Annotated[
        str | None, typer.Option("--count-in", metavar="BARS", help='Bars before the music; "6 s".')
    ] = None,
    click: Annotated[
        str | None, typer.Option("--click", help="Colour of the click: wood, bell or tick.")
    ] = None,
    drone: Annotated[
        list[str] | None,
        typer.Option("--drone", help='"lowest part", a part, a note such as D3 (repeat), none.'),
    ] = None,
    melody: Annotated[
        list[str] | None,
        typer.Option("--melody", help="A part of the score that is played along; repeat it."),
    ] = None,
    a4: Annotated[
        float | None, typer.Option("--a4", parser=_number, metavar="HZ", help="Reference pitch.")
    ] = None,
    also: Annotated[
        list[str] | None,
        typer.Option("--also", metavar="ENDING", help="A copy for phones: m4a, mp3; repeat it."),
    ] = None,
    speed: Annotated[
        list[str] | None,
        typer.Option("--speed", metavar="PERCENT", help="A version for practice; repeat it."),
    ] = None,
    only: Annotated[
        list[str] | None, typer.Option("--only", help="A version with clicks or drone alone.")
    ] = None,
    play: Annotated[
        list[str] | None,
        typer.Option("--play", help="Versions with the parts played: others, own, all."),
    ] = None,
    video: Annotated[bool, typer.Option("--video", help="Make it as a video too.")] = False,
    conductor: Annotated[
        Path | None,
        typer.Option("--conductor", help="A video conducted to it, to be laid under the click."),
    ] = None,
    offset: Annotated[
        float | None,
        typer.Option(
            "--offset",
            parser=_number,
            metavar="SECONDS",
            help="Where on the guide that video begins, if its sound does not tell.",
        ),
    ] = None,
) -> None:
    """Make the track that everybody records to, its beat map and the players' sheet."""
    from syncvid.steps import Changes, GuideWishes, Practice, make_guide

    wishes = GuideWishes(
        out=out,
        changes=Changes(
            tempo=tempo,
            click=click,
            drone=tuple(drone) if drone else None,
            melody=tuple(melody) if melody else None,
            a4_hz=a4,
            count_in=count_in,
        ),
        also=tuple(also or ()),
        practice=Practice(
            tuple(percents(speed or [])), tuple(dict.fromkeys(only or ())), tuple(play or ())
        ),
        video=video,
        conductor=conductor,
        conductor_offset_s=offset,
    )
    with at_work() as progress:
        outcome = make_guide(source, wishes, progress=progress)
    tell_guide(outcome)


@app.command()
def sync(
    folder_or_clips: FolderOrClips = None,
    mix: Mix = None,
    guide: GuideTrack = None,
    json_file: Annotated[
        str | None,
        typer.Option("--json", help="Write all figures to a file; - is standard output."),
    ] = None,
    listen: Annotated[
        Path | None,
        typer.Option("--listen", help="Write the listening sounds to this folder as well."),
    ] = None,
    explain: Annotated[
        str | None,
        typer.Option("--explain", metavar="TAKE", help="Explain one clip: part/take, or its file."),
    ] = None,
    picture_shift: Annotated[
        str | None,
        typer.Option(
            "--picture-shift",
            metavar="TAKE",
            help="Measure only how late a clip's picture comes behind its sound, by its claps.",
        ),
    ] = None,
) -> None:
    """Find every clip's place and clock drift by its sound."""
    from syncvid.production.files import check_target, write_whole
    from syncvid.production.material import refuse_sources
    from syncvid.production.results import write_sync_json
    from syncvid.steps import explain_clip, sync_clips

    if picture_shift:
        _tell_picture_shift(folder_or_clips, picture_shift)
        return
    with at_work() as progress:
        material, problems = material_of(folder_or_clips, mix, guide)
        if json_file and json_file != "-":
            check_target(Path(json_file))
            refuse_sources(material, Path(json_file))
        with material.store.locked(place_of(material)):
            outcome = sync_clips(material, listen_folder=listen, progress=progress)
        text = write_sync_json(outcome.result)
        if json_file and json_file != "-":
            write_whole(Path(json_file), text)
        explained = explain_clip(material, outcome, explain) if explain else ""
    problems += outcome.problems
    tell_moved(material)
    if json_file == "-":
        sys.stdout.write(text)
    if explain:
        for line in explained.splitlines():
            (note if json_file == "-" else say)(line)
    elif json_file != "-":
        for clip in outcome.result.clips:
            tell_clip(clip)
        tell_listening(outcome)
    for remark in outcome.remarks:
        note(f"Note: {remark}")
    if outcome.skipped:
        note("No clip had to be searched again: nothing that is heard has changed.")
    leave(problems)


def _tell_picture_shift(folder_or_clips: list[str] | None, take: str) -> None:
    """Measure and say how late a clip's picture comes behind its sound."""
    from syncvid.steps import measure_picture_shift, tell_shift

    with at_work() as progress:
        material, problems = material_of(folder_or_clips, None, None)
        with material.store.locked(place_of(material)):
            recording, shift = measure_picture_shift(material, take, progress=progress)
    for line in tell_shift(recording, shift):
        say(line)
    leave(problems)


@app.command()
def place(
    folder: Folder,
    take: Take,
    offset: Annotated[
        float | None,
        typer.Option(
            "--offset",
            parser=_number,
            metavar="SECONDS",
            help="Where on the reference the clip starts.",
        ),
    ] = None,
    drift: Annotated[
        float | None,
        typer.Option(
            "--drift", parser=_number, metavar="PPM", help="Its clock's drift, in millionths."
        ),
    ] = None,
    rival: Annotated[
        int | None, typer.Option("--rival", help="The place that sync lists under this number.")
    ] = None,
    not_in_piece: Annotated[
        bool, typer.Option("--not-in-piece", help="It does not belong to this piece.")
    ] = False,
    free: Annotated[bool, typer.Option("--free", help="Let sync decide again.")] = False,
) -> None:
    """Settle where a take belongs: what you say wins over what sync finds."""
    from syncvid.steps import Choice, place_take

    with at_work():
        settled = place_take(folder, take, Choice(offset, drift, rival, not_in_piece, free))
    if settled.pin is None:
        say(f"{settled.name}: sync decides again.")
    elif settled.pin.offset_s is None:
        say(f"{settled.name} is not in this piece: it is left out from now on.")
    else:
        say(f"{settled.name} is pinned: it starts at {settled.pin.offset_s:+.4f} s.")
    say(f"It stands in {folder / 'production.toml'}; nothing needs to be searched again.")
    if settled.doubt:
        note(f"Note: {settled.doubt} `--free` takes it back.")


@app.command()
def preview(
    folder: Annotated[Path, typer.Argument(help="The production's folder.")] = Path(),
    layout: Annotated[str | None, typer.Option("--layout", help="Name of a layout.")] = None,
    at: Annotated[
        str | None, typer.Option("--at", help="Only the picture of this moment, at full size.")
    ] = None,
    begins: Begins = None,
    ends: Ends = None,
) -> None:
    """Make a quick small video, and a sheet that shows what was found and why.

    With --at only one picture is made; with --from and --to only an excerpt.
    """
    from syncvid.production.material import open_production
    from syncvid.steps import make_preview, preview_excerpt, preview_still

    with at_work() as progress:
        look = look_from(layout, None, None, begins, ends)
        moment = moment_from(at, "--at")
        if moment is not None and (look.begins or look.ends):
            raise ProductionError(
                "--at asks for one picture, --from and --to for an excerpt.",
                fix="Leave out the one or the other.",
            )
        material = open_production(folder)
        with material.store.locked(str(folder)):
            if moment is not None:
                still = preview_still(material, moment, look_of=look, progress=progress)
                for remark in still.remarks:
                    say(f"Note: {remark}")
                say(f"Picture: {still.path}")
                return
            if look.begins or look.ends:
                excerpt = preview_excerpt(material, look, progress=progress)
                tell_cast(excerpt)
                say(f"Excerpt: {excerpt.out}")
                return
            outcome = make_preview(material, layout=layout, progress=progress)
    tell_moved(material)
    say(f"Sheet: {outcome.sheet}")
    if outcome.rendered:
        tell_cast(outcome.rendered)
        say(f"Video: {outcome.video}{how_made(outcome.rendered)}")
    else:
        say("No clip has a place, so there is no video; the sheet says why.")
    leave(outcome.problems)


@app.command()
def render(
    out: Annotated[Path, typer.Option("-o", "--out", help="The video to write, .mp4.")],
    folder_or_clips: FolderOrClips = None,
    mix: Mix = None,
    guide: GuideTrack = None,
    sync_file: Annotated[
        Path | None, typer.Option("--sync", help="Places from a file that `sync --json` wrote.")
    ] = None,
    layout: Annotated[str | None, typer.Option("--layout", help="Name of a layout.")] = None,
    size: Annotated[str | None, typer.Option("--size", help="Such as 1920x1080.")] = None,
    fps: Annotated[str | None, typer.Option("--fps", help="Such as 30, 25, 29.97.")] = None,
    begins: Begins = None,
    ends: Ends = None,
    kinds: Annotated[
        list[str] | None,
        typer.Option("--for", help="Kind of video; repeat it for several: see the README."),
    ] = None,
    limit_mb: Annotated[
        float | None, typer.Option("--mb", help="Most megabytes that the video may have.")
    ] = None,
    poster: Annotated[
        str | None, typer.Option("--poster", help="Also write the picture of this moment.")
    ] = None,
    from_originals: Annotated[
        bool, typer.Option("--from-originals", help="Do not use kept tiles.")
    ] = False,
    report: Annotated[
        Path | None, typer.Option("--report", help="Write where each tile lies, as JSON.")
    ] = None,
) -> None:
    """Make the finished video."""
    from syncvid.steps import render as render_step

    with at_work() as progress:
        look = look_from(layout, size, fps, begins, ends)
        chosen = video_kinds(kinds, limit_mb)
        at = moment_from(poster, "--poster")
        material, problems = material_of(folder_or_clips, mix, guide)
        with material.store.locked(place_of(material)):
            outcome = render_step(
                material,
                out,
                look_of=look,
                kinds=chosen,
                poster=at,
                sync_file=sync_file,
                report=report,
                from_originals=from_originals,
                progress=progress,
            )
    problems += outcome.problems
    tell_moved(material)
    tell_cast(outcome)
    say(f"Video: {outcome.out}{how_made(outcome)}")
    for path in outcome.files:
        if path != outcome.out:
            say(f"Also: {path}")
    say(CAUTION)
    leave(problems)


@app.command()
def demo(
    out: Annotated[Path, typer.Option("--out", help="Folder to work in.")] = Path("syncvid-demo"),
) -> None:
    """Do the whole job on the clips that come with syncvid."""
    from syncvid.steps import run_demo

    with at_work() as progress:
        outcome = run_demo(out, progress=progress)
    for clip in outcome.rendered.result.clips:
        tell_clip(clip)
    tell_cast(outcome.rendered)
    say(f"Sheet: {outcome.preview.sheet}")
    say(f"Small video: {outcome.preview.video}")
    say(f"Video: {outcome.rendered.out}{how_made(outcome.rendered)}")


app.command("mix")(mix_command)


def main(arguments: Sequence[str] | None = None) -> Never:
    """Run the command line; every error of ours becomes a message and its exit code."""
    signal.signal(signal.SIGTERM, _stop)
    try:
        app(args=arguments and list(arguments))
    except SyncvidError as exc:
        note(f"syncvid: {exc}")
        sys.exit(exc.exit_code)
    except Cancelled:
        note("Stopped. No file is left half written; the same command goes on from what is kept.")
        sys.exit(Cancelled.exit_code)
    except BrokenPipeError:
        sys.exit(1)
    except OSError as exc:
        note(f"syncvid: {system_error(exc, 'standard output')}")
        sys.exit(UNREADABLE)
    sys.exit(0)


def _stop(number: int, stack: Any) -> Never:
    """Let a request to end work like Ctrl-C, so that workers are ended too."""
    raise KeyboardInterrupt


@app.callback(invoke_without_command=True)
def _version(
    version: Annotated[bool, typer.Option("--version", help="Say the version and stop.")] = False,
) -> None:
    if version:
        say(__version__)
        raise typer.Exit
