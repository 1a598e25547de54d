"""The files of a mix: where they lie, whether they may be written, and writing them."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np

from syncvid.arrays import Audio, give_back_memory
from syncvid.errors import ProductionError
from syncvid.handoff.mix_statement import mix_statement
from syncvid.media.check_sound import measure_file
from syncvid.media.sound_file import write_integers
from syncvid.mix.dither import to_24_bit
from syncvid.production.files import (
    MADE_WITH,
    check_target,
    refuse_foreign,
    system_errors,
    write_whole,
)
from syncvid.production.material import Material, refuse_sources
from syncvid.production.mix_json import MIX_FORMAT, write_mix_json
from syncvid.production.mix_made import MadeMix, MadeStem
from syncvid.production.stem_files import StemFiles
from syncvid.progress import Progress
from syncvid.steps.mix_plan import MixPlan, default_out
from syncvid.steps.stems import SAMPLE_RATE, Stem

ENDINGS = (".wav", ".flac")
"""What a mix is written as: both, whatever is asked for."""


# The loudest stem stays so far below full scale, for its dither.
_STEM_ROOM_DB = 0.01

# Disks take names of 255 bytes; a letter may have four.
_LONGEST_NAME = 50


def names_of(out: Path) -> dict[str, Path]:
    """Return where everything is written."""
    out = out.absolute()
    return {
        ".wav": out.with_suffix(".wav"),
        ".flac": out.with_suffix(".flac"),
        "figures": out.with_suffix(".json"),
        "statement": out.with_suffix(".txt"),
        "stems": out.parent / f"{out.stem} stems",
    }


def kept_as(path: str | Path, work: Path) -> str:
    """Return a path as it is kept: a production takes what lies in it along wherever it goes."""
    absolute, folder = Path(path).absolute(), work.absolute().parent
    near = absolute.is_relative_to(folder)
    return absolute.relative_to(folder).as_posix() if near else str(absolute)


def found(kept: str, work: Path) -> Path:
    """Return where a path that was kept lies now."""
    return work.absolute().parent / kept


def written_before(material: Material) -> Path | None:
    """Return where the mix was written before; None without one, or where its folder is gone."""
    known = material.store.last("mix")
    out = found(known["out"], material.store.folder) if known else None
    return out if out is not None and out.parent.is_dir() else None


def check_targets(
    material: Material,
    out: Path,
    names: dict[str, Path],
    *,
    keep: Sequence[Path] = (),
) -> None:
    """Refuse at the door what could not be written at the end, or what would destroy a source.

    Parameters
    ----------
    material : Material
        What is worked on.
    out : Path
        The mix.
    names : dict
        See `names_of`.
    keep : sequence of Path
        More files that are not to be written over.
    """
    if out.suffix.lower() not in ENDINGS:
        raise ProductionError(
            f"The mix is written as {' and '.join(ENDINGS)}.",
            where=str(out),
            fix=f"Write {out.stem}.wav.",
        )
    targets = [names[key] for key in (*ENDINGS, "figures", "statement")]
    refuse_sources(material, *targets, keep=keep)
    if out.absolute() == default_out(material).absolute():
        with system_errors(out.parent):
            out.parent.mkdir(parents=True, exist_ok=True)
    for target in targets:
        check_target(target)
        # By its mark, not by its name: where we once wrote, somebody may have put a file since.
        refuse_foreign(target, mark=MIX_FORMAT if target == names["figures"] else MADE_WITH)


def first_sample(plan: MixPlan) -> int:
    """Return the reference sample at which stems begin."""
    return round(plan.window.from_s * SAMPLE_RATE)


def write_mix(
    plan: MixPlan,
    stems: Sequence[Stem],
    made: MadeMix,
    samples: Audio,
    names: dict[str, Path],
    progress: Progress,
) -> MadeMix:
    """Write all files of a mix.

    Parameters
    ----------
    plan : MixPlan
        Whether stems are wanted too.
    stems : sequence of Stem
        What was mixed.
    made : MadeMix
        What is known of it.
    samples : ndarray, shape (2, samples), float32
        The mix.
    names : dict
        See `names_of`.
    progress : Progress
        Told how far it is.

    Returns
    -------
    MadeMix
        With the names of its files, and the figures of the second meter.
    """
    for path in _stem_paths(stems, names["stems"]) if plan.stems else []:
        refuse_foreign(path)
    progress.advance(0.8, 1.0, "writing the mix")
    whole = to_24_bit(samples)
    del samples
    for ending in ENDINGS:
        write_integers(names[ending], whole, sample_rate=SAMPLE_RATE, title=made.title)
    del whole
    give_back_memory()
    progress.advance(0.9, 1.0, "measuring the mix again")
    second = measure_file(names[ENDINGS[0]])
    softer_db = _softer_db(stems) if plan.stems else 0.0
    made = replace(
        made,
        stems=tuple(_stem_files(plan, stems, made, names["stems"], softer_db)),
        remarks=(*made.remarks, *_on_softer(softer_db)),
        files=tuple(str(names[ending]) for ending in ENDINGS),
        master=replace(
            made.master, second_lufs=second.loudness_lufs, second_dbtp=second.true_peak_dbtp
        ),
    )
    write_told(made, names)
    return made


def write_told(made: MadeMix, names: dict[str, Path]) -> None:
    """Write what is told of a mix: its figures, and what was done in words."""
    write_whole(names["figures"], write_mix_json(made))
    write_whole(names["statement"], f"{mix_statement(made)}\n{MADE_WITH}.\n")


def _softer_db(stems: Sequence[Stem]) -> float:
    """Return by how much all stems must be softer, so that the loudest fits into its file."""
    return max(0.0, *(stem.measure.peak_dbfs + _STEM_ROOM_DB for stem in stems))


def _on_softer(softer_db: float) -> list[str]:
    """Say that stems are softer than they were recorded."""
    if softer_db < 0.05:
        return []
    return [
        f"The stems are all {softer_db:.1f} dB softer than they were recorded and cleaned, so that "
        "the loudest of them fits into its file; their balance is as it was."
    ]


def _stem_files(
    plan: MixPlan, stems: Sequence[Stem], made: MadeMix, folder: Path, softer_db: float
) -> Iterator[MadeStem]:
    """Write the stems as files of the mix's length, if that was asked for; yield what is told."""
    files = StemFiles(plan.material.store.folder)
    first = round(made.from_s * SAMPLE_RATE) - first_sample(plan)
    length = round((made.to_s - made.from_s) * SAMPLE_RATE)
    paths = _stem_paths(stems, folder)
    for stem, row, path in zip(stems, made.stems, paths, strict=True):
        if not plan.stems:
            yield row
            continue
        kept = files.open(stem.key)
        samples = np.zeros((kept.shape[0], length), np.float32)
        begin, end = max(0, first), min(kept.shape[1], first + length)
        samples[:, begin - first : end - first] = kept[:, begin:end]
        samples *= np.float32(10 ** (-softer_db / 20))
        with system_errors(folder):
            folder.mkdir(parents=True, exist_ok=True)
        # Its head says by whom it was made, so that it is known as ours the next time.
        write_integers(path, to_24_bit(samples), sample_rate=SAMPLE_RATE)
        yield replace(row, file=str(path))


def _stem_paths(stems: Sequence[Stem], folder: Path) -> list[Path]:
    """Return where stems are written as files of their own."""
    paths = []
    for number, stem in enumerate(stems, 1):
        safe = "".join(c if c.isalnum() or c in " ()+-_" else "_" for c in stem.name).strip()
        paths.append(folder / f"{number:02d} {safe[:_LONGEST_NAME]}.wav")
    return paths
