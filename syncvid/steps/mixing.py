"""The mix from the clips' own sound: takes in, a mastered mix with its figures out."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import asdict, dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np

from syncvid.arrays import Audio, Sound, give_back_memory
from syncvid.errors import ProductionError, SignalError, SyncvidError
from syncvid.handoff.mix_statement import mix_statement
from syncvid.media.check_sound import measure_file
from syncvid.media.probe import probe
from syncvid.media.sound import read_sound
from syncvid.media.sound_file import write_integers, write_sound
from syncvid.mix.balance import Balanced, starting_balance
from syncvid.mix.bus import Room, Strand, mix_down
from syncvid.mix.dither import to_24_bit
from syncvid.mix.ends import find_ends, set_ends
from syncvid.mix.master import TARGETS, Mastered, master
from syncvid.mix.measures import BANDS_HZ
from syncvid.mix.rooms import AMOUNTS, ROOMS, decay_of, make_room, use_response
from syncvid.mix.tone import match_tones, tone_filter
from syncvid.production.files import (
    MADE_WITH,
    check_target,
    identity,
    refuse_foreign,
    system_errors,
    write_whole,
)
from syncvid.production.material import Material, refuse_sources
from syncvid.production.mix_json import MIX_FORMAT, read_mix_json, write_mix_json
from syncvid.production.mix_made import (
    MadeMaster,
    MadeMix,
    MadePassage,
    MadeRoom,
    MadeStem,
    Programme,
)
from syncvid.production.stem_files import StemFiles
from syncvid.production.store import Store
from syncvid.progress import SILENT, Progress
from syncvid.signals.programme import measure_programme
from syncvid.steps.findings import find_places_of
from syncvid.steps.mix_plan import MixPlan, MixWishes, default_out, plan_mix
from syncvid.steps.stems import SAMPLE_RATE, Stem, make_stems

ENDINGS = (".wav", ".flac")
"""What a mix is written as: both, whatever is asked for."""


# Disks take names of 255 bytes; a letter may have four.
_LONGEST_NAME = 50


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
    named = out is not None
    if out is None:
        out = written_before(material) or default_out(material)
    if wishes is None:
        wishes = MixWishes(**known["wishes"]) if known else MixWishes()
    wishes = wishes.wherever()
    names = _names(out)
    keep = [Path(wishes.room_file)] if wishes.room_file else []
    _check_targets(material, out, names, keep, named=named)
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
            _write_told(made, names)
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
        path = _found(file, store.folder)
        if not path.is_file() or identity(path) != known_by:
            return None
    made = read_mix_json(known["made"], where=str(store.folder))
    return replace(
        made,
        files=tuple(str(_found(file, store.folder)) for file in made.files),
        stems=tuple(
            replace(stem, file=str(_found(stem.file, store.folder))) if stem.file else stem
            for stem in made.stems
        ),
    )


def _kept_as(path: str | Path, work: Path) -> str:
    """Return a path as it is kept: a production takes what lies in it along wherever it goes."""
    absolute, folder = Path(path).absolute(), work.absolute().parent
    near = absolute.is_relative_to(folder)
    return absolute.relative_to(folder).as_posix() if near else str(absolute)


def _found(kept: str, work: Path) -> Path:
    """Return where a path that was kept lies now."""
    return work.absolute().parent / kept


def written_before(material: Material) -> Path | None:
    """Return where the mix was written before; None without one, or where its folder is gone."""
    known = material.store.last("mix")
    out = _found(known["out"], material.store.folder) if known else None
    return out if out is not None and out.parent.is_dir() else None


def wishes_of(material: Material) -> MixWishes | None:
    """Return what was asked for when the production's mix was made; None where it has none."""
    known = material.store.last("mix")
    return MixWishes(**known["wishes"]) if known else None


def strands_of(
    plan: MixPlan, stems: Sequence[Stem]
) -> tuple[list[Strand], list[MadeStem], list[str]]:
    """Return the stems at their gains and places, what is told of each, and remarks.

    Muted ones are not among the strands.
    """
    balance = starting_balance([_balanced(plan, stem) for stem in stems])
    tones = match_tones(
        [stem.measure.bands_db for stem in stems],
        [_group(plan, stem) for stem in stems],
        strength=plan.sound.match,
    )
    files = StemFiles(plan.material.store.folder)
    strands, made = [], []
    for stem, starting_db, tone_db in zip(stems, balance.starting_db, tones, strict=True):
        row = _made_stem(plan, stem, starting_db, tone_db)
        made.append(row)
        if row.muted or stem.measure.loudness_lufs is None:
            continue
        strands.append(
            Strand(
                files.open(stem.key),
                gain=10 ** ((row.starting_db + row.wish_db) / 20),
                pan=row.pan,
                tone=tone_filter(tone_db, sample_rate=SAMPLE_RATE) if any(tone_db) else None,
                room=10 ** (row.room_db / 20),
            )
        )
    return strands, made, list(balance.remarks)


def _balanced(plan: MixPlan, stem: Stem) -> Balanced:
    """Return a stem as the balance sees it."""
    wishes = stem.parts[0].wishes
    names = {name for part in stem.parts for name in (part.part, part.name)}
    return Balanced(
        stem.name,
        stem.measure,
        group=_group(plan, stem),
        melody=bool(names & set(plan.sound.melody)),
        wish_db=wishes.gain_db,
        muted=wishes.muted,
    )


def _group(plan: MixPlan, stem: Stem) -> str:
    """Return the section of a stem."""
    part = stem.parts[0]
    return plan.material.groups.get((part.part, part.player), "")


def _made_stem(plan: MixPlan, stem: Stem, starting_db: float, tone_db: Sequence[float]) -> MadeStem:
    """Return what is told of a stem."""
    part = stem.parts[0]
    pans = [plan.pans.get((each.part, each.player), 0.0) for each in stem.parts]
    return MadeStem(
        name=stem.name,
        passages=tuple(_made_passages(plan, stem)),
        splices=tuple(
            replace(splice, step_ratio=ratio)
            for splice, ratio in zip(part.splices, stem.step_ratios, strict=True)
            if plan.window.from_s < splice.at_s < plan.window.to_s
        ),
        cleaning=stem.cleaning,
        loudness_lufs=stem.measure.loudness_lufs,
        starting_db=starting_db,
        wish_db=part.wishes.gain_db,
        pan=sum(pans) / len(pans),
        shift_ms=part.wishes.shift_ms,
        muted=part.wishes.muted,
        tone_db=tuple(zip(BANDS_HZ, tone_db, strict=True)) if any(tone_db) else (),
        room_db=part.wishes.room_db,
    )


def _made_passages(plan: MixPlan, stem: Stem) -> Iterator[MadePassage]:
    """Yield what is heard in a stem, within the window."""
    for passage in stem.parts[0].passages:
        sounding = passage.entry.sound
        assert sounding is not None
        begin_s, end_s = (passage.line.to_reference(at) for at in sounding.take.stretch_s)
        from_s = max(passage.from_s, begin_s, plan.window.from_s)
        to_s = min(passage.to_s, end_s, plan.window.to_s)
        if to_s <= from_s:
            continue
        yield MadePassage(
            take=passage.entry.recording.take,
            file=sounding.source.file,
            from_s=from_s,
            to_s=to_s,
            offset_s=passage.line.offset_s,
            drift_ppm=passage.line.drift_ppm,
            gain_db=passage.gain_db,
        )


def room_of(plan: MixPlan) -> tuple[Room, MadeRoom] | None:
    """Return the room that all parts share; None for a dry mix.

    Raises
    ------
    ProductionError
        The file that the plan names is no impulse response.
    MediaError
        It cannot be read.
    """
    sound, source = plan.sound, plan.material.room
    if sound.room_amount == "none":
        return None
    if sound.room_file and source is not None:
        heard = read_sound(probe(source.path), sample_rate=SAMPLE_RATE)
        try:
            response = use_response(heard.samples, sample_rate=SAMPLE_RATE)
        except SignalError as exc:
            raise ProductionError(exc.what, where=source.file, fix=exc.fix) from exc
    else:
        response = make_room(ROOMS[sound.room], sample_rate=SAMPLE_RATE)
    room = Room(
        response, AMOUNTS[sound.room_amount], sound.predelay_ms / 1000, sound.room_low_cut_hz
    )
    decay_s = decay_of(response, sample_rate=SAMPLE_RATE)
    return room, MadeRoom(
        amount=sound.room_amount,
        name=sound.room,
        decay_s=0.0 if math.isnan(decay_s) else decay_s,
        predelay_ms=sound.predelay_ms,
        low_cut_hz=sound.room_low_cut_hz,
        under_db=room.under_db,
    )


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
    total, cut = set_ends(
        total, ends, sample_rate=SAMPLE_RATE, head_s=sound.head_s, tail_s=sound.tail_s
    )
    progress.advance(0.6, 1.0, "mastering")
    mastered = master(total, sample_rate=SAMPLE_RATE, target=TARGETS[sound.loudness])
    del total
    give_back_memory()
    from_s = _first_sample(plan) / SAMPLE_RATE + cut / SAMPLE_RATE
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
    return _written(plan, stems, made, mastered.samples, names, progress)


def _first_sample(plan: MixPlan) -> int:
    """Return the reference sample at which stems begin."""
    return round(plan.window.from_s * SAMPLE_RATE)


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


def _written(
    plan: MixPlan,
    stems: Sequence[Stem],
    made: MadeMix,
    samples: Audio,
    names: dict[str, Path],
    progress: Progress,
) -> MadeMix:
    """Write all files; return the mix with their names and the second meter's figures."""
    progress.advance(0.8, 1.0, "writing the mix")
    whole = to_24_bit(samples)
    del samples
    for ending in ENDINGS:
        write_integers(names[ending], whole, sample_rate=SAMPLE_RATE, title=made.title)
    del whole
    give_back_memory()
    progress.advance(0.9, 1.0, "measuring the mix again")
    second = measure_file(names[ENDINGS[0]])
    made = replace(
        made,
        stems=tuple(_stem_files(plan, stems, made, names["stems"])),
        files=tuple(str(names[ending]) for ending in ENDINGS),
        master=replace(
            made.master, second_lufs=second.loudness_lufs, second_dbtp=second.true_peak_dbtp
        ),
    )
    _write_told(made, names)
    return made


def _write_told(made: MadeMix, names: dict[str, Path]) -> None:
    """Write what is told of a mix: its figures, and what was done in words."""
    write_whole(names["figures"], write_mix_json(made))
    write_whole(names["statement"], f"{mix_statement(made)}\n{MADE_WITH}.\n")


def _stem_files(
    plan: MixPlan, stems: Sequence[Stem], made: MadeMix, folder: Path
) -> Iterator[MadeStem]:
    """Write the stems as files of the mix's length, if that was asked for; yield what is told."""
    files = StemFiles(plan.material.store.folder)
    first = round(made.from_s * SAMPLE_RATE) - _first_sample(plan)
    length = round((made.to_s - made.from_s) * SAMPLE_RATE)
    for number, (stem, row) in enumerate(zip(stems, made.stems, strict=True), 1):
        if not plan.stems:
            yield row
            continue
        kept = files.open(stem.key)
        samples = np.zeros((kept.shape[0], length), np.float32)
        begin, end = max(0, first), min(kept.shape[1], first + length)
        samples[:, begin - first : end - first] = kept[:, begin:end]
        safe = "".join(c if c.isalnum() or c in " ()+-_" else "_" for c in stem.name).strip()
        path = folder / f"{number:02d} {safe[:_LONGEST_NAME]}.wav"
        with system_errors(folder):
            folder.mkdir(parents=True, exist_ok=True)
        write_sound(path, Sound(samples, SAMPLE_RATE))
        yield replace(row, file=str(path))


def _names(out: Path) -> dict[str, Path]:
    """Return where everything is written."""
    out = out.absolute()
    return {
        ".wav": out.with_suffix(".wav"),
        ".flac": out.with_suffix(".flac"),
        "figures": out.with_suffix(".json"),
        "statement": out.with_suffix(".txt"),
        "stems": out.parent / f"{out.stem} stems",
    }


def _check_targets(
    material: Material, out: Path, names: dict[str, Path], keep: Sequence[Path], *, named: bool
) -> None:
    """Refuse at the door what could not be written at the end, or what would destroy a source."""
    if out.suffix.lower() not in ENDINGS:
        raise ProductionError(
            f"The mix is written as {' and '.join(ENDINGS)}.",
            where=str(out),
            fix=f"Write {out.stem}.wav.",
        )
    known = material.store.last("mix") or {}
    ours = {_found(file, material.store.folder) for file in known.get("written", ())}
    targets = [names[key] for key in (*ENDINGS, "figures", "statement")]
    refuse_sources(material, *targets, keep=keep)
    if out.absolute() == default_out(material).absolute():
        with system_errors(out.parent):
            out.parent.mkdir(parents=True, exist_ok=True)
    for target in targets:
        check_target(target)
        if target not in ours and not (named and target == out.absolute()):
            refuse_foreign(target, mark=MIX_FORMAT if target == names["figures"] else MADE_WITH)


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
    store, names = plan.material.store, _names(out)
    old = store.last("mix") if plan.stems else None
    files = [*made.files, *(stem.file for stem in made.stems if stem.file)]
    told = [str(names[key]) for key in ("figures", "statement")]
    kept = replace(
        made,
        files=tuple(_kept_as(file, store.folder) for file in made.files),
        stems=tuple(
            replace(stem, file=_kept_as(stem.file, store.folder)) if stem.file else stem
            for stem in made.stems
        ),
    )
    record: dict[str, Any] = {
        "key": plan.key(),
        "whole": whole,
        "out": _kept_as(out, store.folder),
        "wishes": asdict(wishes),
        "files": {_kept_as(file, store.folder): identity(file) for file in files},
        "written": [_kept_as(file, store.folder) for file in (*files, *told)],
        "made": write_mix_json(kept),
    }
    store.save("mix", "", record)
    if old is not None and old["out"] == record["out"]:
        _forget_stems({k: v for k, v in old["files"].items() if k not in record["files"]}, store)
    StemFiles(store.folder).keep_only({key for stem in stems for key in (stem.key, stem.raw_key)})


def _forget_stems(files: dict[str, str], store: Store) -> None:
    """Delete stems of an older mix, of parts that are gone, if nobody has touched them since."""
    for file, known_by in files.items():
        path = _found(file, store.folder)
        if path.is_file() and identity(path) == known_by:
            with system_errors(path):
                path.unlink()
