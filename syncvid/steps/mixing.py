"""The mix from the clips' own sound: takes in, a mastered mix with its figures out."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict, dataclass, replace
from pathlib import Path
from typing import Any

from syncvid.arrays import give_back_memory
from syncvid.errors import ProductionError, SyncvidError
from syncvid.mix.bus import mix_down
from syncvid.mix.ends import Ends, find_ends, set_ends
from syncvid.mix.master import TARGETS, Mastered, master
from syncvid.production.files import identity, system_errors
from syncvid.production.material import Material
from syncvid.production.mix_json import read_mix_json, write_mix_json
from syncvid.production.mix_made import MadeMaster, MadeMix, Programme
from syncvid.production.stem_files import StemFiles
from syncvid.production.store import Store
from syncvid.progress import SILENT, Progress
from syncvid.signals.programme import measure_programme
from syncvid.steps.findings import find_places_of
from syncvid.steps.mix_files import (
    check_targets,
    first_sample,
    found,
    kept_as,
    names_of,
    write_mix,
    write_told,
    written_before,
)
from syncvid.steps.mix_plan import MixPlan, MixWishes, default_out, plan_mix
from syncvid.steps.mix_strands import room_of, strands_of
from syncvid.steps.music_window import MusicWindow
from syncvid.steps.stems import SAMPLE_RATE, Stem, make_stems


@dataclass(frozen=True, slots=True)
class MixOutcome:
    """What `make_mix` made.

    Attributes
    ----------
    made : MadeMix
        All figures; its first file is the mix.
    statement : Path
        What was done, in words.
    problems : tuple of SyncvidError
        Clips that could not be read.
    skipped : bool
        Whether the same mix was there already.
    remarks : tuple of str
        What is worth knowing of the clips' places.
    """

    made: MadeMix
    statement: Path
    problems: tuple[SyncvidError, ...] = ()
    skipped: bool = False
    remarks: tuple[str, ...] = ()


def make_mix(
    material: Material,
    out: Path | None = None,
    *,
    wishes: MixWishes | None = None,
    progress: Progress = SILENT,
) -> MixOutcome:
    """Mix the clips' own sound.

    Parameters
    ----------
    material : Material
        A production.
    out : Path or None
        The mix, .wav or .flac; both are written, and the figures and the statement beside them.
        None: where it was written before, or ``mix/mix.wav`` in the production.
    wishes : MixWishes or None
        What is asked for besides the plan; None: as the last time.
    progress : Progress
        Told how far it is.

    Returns
    -------
    MixOutcome

    Raises
    ------
    ProductionError
        Nothing is to be heard, or the plan names what there is not.
    MediaError
        The mix cannot be written, or the room's file cannot be read.
    """
    known = material.store.last("mix")
    if out is None:
        out = written_before(material) or default_out(material)
    if wishes is None:
        wishes = MixWishes(**known["wishes"]) if known else MixWishes()
    wishes = wishes.wherever()
    names = names_of(out)
    keep = [Path(wishes.room_file)] if wishes.room_file else []
    check_targets(material, out, names, keep=keep)
    outcome, facts = find_places_of(material, None, progress.part(0.3))
    plan = plan_mix(material, outcome.result, facts, wishes)
    if not plan.parts:
        raise ProductionError(
            "None of the clips has a place and a sound, so there is nothing to mix.",
            where=str(material.folder or ""),
            fix="Look at what `syncvid sync` says of each clip.",
        )
    made = kept_mix(plan)
    if (
        made is not None
        and known
        and known.get("whole", True)
        and written_before(material) == out.absolute()
    ):
        if not (names["figures"].is_file() and names["statement"].is_file()):
            write_told(made, names)
        return MixOutcome(made, names["statement"], outcome.problems, True, outcome.remarks)
    stems, unread = make_stems(material, plan.parts, plan.window, progress.part(0.6))
    made = _mix(plan, stems, names, progress.part(0.95))
    _note(plan, made, out, wishes, stems, whole=not unread)
    problems = (*outcome.problems, *unread)
    return MixOutcome(made, names["statement"], problems, False, outcome.remarks)


def kept_mix(plan: MixPlan) -> MadeMix | None:
    """Return the mix that was made as a plan says, if its files are still as they were written."""
    store = plan.material.store
    known = store.last("mix")
    if not known or known["key"] != plan.key():
        return None
    for file, known_by in known["files"].items():
        path = found(file, store.folder)
        if not path.is_file() or identity(path) != known_by:
            return None
    made = read_mix_json(known["made"], where=str(store.folder))
    return replace(
        made,
        files=tuple(str(found(file, store.folder)) for file in made.files),
        stems=tuple(
            replace(stem, file=str(found(stem.file, store.folder))) if stem.file else stem
            for stem in made.stems
        ),
    )


def wishes_of(material: Material) -> MixWishes | None:
    """Return what was asked for when the production's mix was made; None where it has none."""
    known = material.store.last("mix")
    return MixWishes(**known["wishes"]) if known else None


def _mix(
    plan: MixPlan, stems: Sequence[Stem], names: dict[str, Path], progress: Progress
) -> MadeMix:
    """Mix, master and write; return all that is known of it."""
    strands, made_stems, remarks = strands_of(plan, stems)
    if not strands:
        raise ProductionError(
            "Nothing is to be heard: all parts are silent or muted.",
            where=str(plan.material.folder or ""),
            fix="Look at `muted` and at the takes in production.toml.",
        )
    room = room_of(plan)
    total = mix_down(
        strands,
        room[0] if room else None,
        sample_rate=SAMPLE_RATE,
        progress=progress.part(0.5),
    )
    window, sound = plan.window, plan.sound
    near_s = (window.music_s[0] - window.from_s, window.music_s[1] - window.from_s)
    ends = find_ends(total, sample_rate=SAMPLE_RATE, near_s=near_s)
    if ends is None:
        raise ProductionError("The mix would be silent.", where=str(plan.material.folder or ""))
    ends = _within(ends, window, room[1].decay_s if room else 0.0)
    total, cut = set_ends(
        total, ends, sample_rate=SAMPLE_RATE, head_s=sound.head_s, tail_s=sound.tail_s
    )
    progress.advance(0.6, 1.0, "mastering")
    mastered = master(total, sample_rate=SAMPLE_RATE, target=TARGETS[sound.loudness])
    del total
    give_back_memory()
    from_s = first_sample(plan) / SAMPLE_RATE + cut / SAMPLE_RATE
    remarks = [*plan.remarks, *remarks, *mastered.remarks]
    made = MadeMix(
        title=plan.material.title,
        reference=plan.reference,
        from_s=from_s,
        to_s=from_s + mastered.samples.shape[1] / SAMPLE_RATE,
        music_from_s=from_s + sound.head_s,
        music_to_s=from_s + mastered.samples.shape[1] / SAMPLE_RATE - sound.tail_s,
        head_s=sound.head_s,
        tail_s=sound.tail_s,
        sample_rate=SAMPLE_RATE,
        stems=tuple(made_stems),
        room=room[1] if room else None,
        master=_made_master(plan, mastered),
        remarks=tuple(remarks),
    )
    return write_mix(plan, stems, made, mastered.samples, names, progress)


def _within(ends: Ends, window: MusicWindow, decay_s: float) -> Ends:
    """Keep noise before and after what is played out of the music."""
    earliest_s = min(window.earliest_s - window.from_s, ends.music_to_s)
    from_s = max(ends.music_from_s, earliest_s)
    latest_s = window.latest_s + decay_s - window.from_s
    return Ends(from_s, max(from_s, min(ends.music_to_s, latest_s)))


def _made_master(plan: MixPlan, mastered: Mastered) -> MadeMaster:
    """Return what is told of the master, but for what a second meter says."""
    target = TARGETS[plan.sound.loudness]
    measured = measure_programme(mastered.samples, sample_rate=SAMPLE_RATE)
    return MadeMaster(
        target=target.name,
        target_lufs=target.loudness_lufs,
        ceiling_dbtp=target.ceiling_dbtp,
        gain_db=mastered.gain_db,
        limited_db=mastered.limited_db,
        limited_share=mastered.limited_share,
        programme=Programme(**asdict(measured)),
    )


def _note(
    plan: MixPlan,
    made: MadeMix,
    out: Path,
    wishes: MixWishes,
    stems: Sequence[Stem],
    *,
    whole: bool,
) -> None:
    """Remember the mix, and forget stems that are no longer in use."""
    store = plan.material.store
    old = store.last("mix") if plan.stems else None
    files = [*made.files, *(stem.file for stem in made.stems if stem.file)]
    kept = replace(
        made,
        files=tuple(kept_as(file, store.folder) for file in made.files),
        stems=tuple(
            replace(stem, file=kept_as(stem.file, store.folder)) if stem.file else stem
            for stem in made.stems
        ),
    )
    record: dict[str, Any] = {
        "key": plan.key(),
        "whole": whole,
        "out": kept_as(out, store.folder),
        "wishes": asdict(wishes),
        "files": {kept_as(file, store.folder): identity(file) for file in files},
        "made": write_mix_json(kept),
    }
    store.save("mix", "", record)
    if old is not None and old["out"] == record["out"]:
        _forget_stems({k: v for k, v in old["files"].items() if k not in record["files"]}, store)
    StemFiles(store.folder).keep_only({key for stem in stems for key in (stem.key, stem.raw_key)})


def _forget_stems(files: dict[str, str], store: Store) -> None:
    """Delete stems of an older mix, of parts that are gone, if nobody has touched them since."""
    for file, known_by in files.items():
        path = found(file, store.folder)
        if path.is_file() and identity(path) == known_by:
            with system_errors(path):
                path.unlink()
