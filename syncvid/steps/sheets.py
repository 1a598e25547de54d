"""The players' sheet of a guide, as a page for phones and as a PDF."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from syncvid.handoff.players_sheet import (
    PlayersSheet,
    PracticeVersion,
    Texts,
    pdf_remarks,
    players_sheet,
    players_sheet_pdf,
    read_texts,
    sheet_facts,
    sheet_words,
)
from syncvid.picture.fontfiles import own_files, system_files
from syncvid.picture.fonts import choose_type
from syncvid.production.beats import GuideMap
from syncvid.production.files import system_errors, write_whole
from syncvid.steps.guide_files import GuideFiles
from syncvid.steps.guide_source import GuideSource
from syncvid.steps.practice import Version


def write_sheets(
    read: GuideSource,
    guide: GuideMap,
    files: GuideFiles,
    versions: Sequence[Version],
    parts: Sequence[str],
) -> tuple[str, ...]:
    """Write the players' sheet.

    Parameters
    ----------
    read : GuideSource
        The plan.
    guide : GuideMap
        Its times.
    files : GuideFiles
        Where everything lies.
    versions : sequence of Version
        Those for practice that were made.
    parts : sequence of str
        Names of the parts.

    Returns
    -------
    tuple of str
        What is missing in it: texts, letters.

    Raises
    ------
    ProductionError
        The language is none, or the user's own texts are no TOML.
    MediaError
        A file cannot be written.
    """
    facts = sheet_facts(
        guide,
        read.plan,
        guide=tuple(path.name for path in files.tracks),
        practice=tuple(
            PracticeVersion(files.version(version.label).name, version.speed)
            for version in versions
        ),
        parts=tuple(parts),
        claps=read.plan.sheet.claps,
        send_to=read.plan.sheet.send_to,
        send_by=read.plan.sheet.by_when,
        texts=_texts(read),
    )
    page, pdf = files.sheets
    fonts = _fonts(facts)
    write_whole(page, players_sheet(facts))
    write_whole(pdf, players_sheet_pdf(facts, fonts=fonts))
    return (*facts.texts.remarks, *pdf_remarks(facts, fonts=fonts))


def _fonts(facts: PlayersSheet) -> tuple[Path, ...]:
    """Return fonts that have the sheet's letters, best first."""
    chosen, _ = choose_type(sheet_words(facts))
    faces = [Path(run.face.path) for typeset in chosen for run in typeset.runs]
    return tuple(dict.fromkeys((*faces, *own_files(), *system_files())))


def _texts(read: GuideSource) -> Texts:
    """Read the texts of the plan's language: the user's own lie beside the plan."""
    language = read.plan.sheet.language
    own = read.path.with_name(f"sheet.{language}.toml")
    if not own.is_file():
        return read_texts(language)
    with system_errors(own):
        text = own.read_text(encoding="utf-8", errors="replace")
    return read_texts(language, own=text, where=str(own))
