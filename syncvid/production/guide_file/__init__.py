"""The plan of a guide as a TOML file: reading it strictly, and writing it for people to edit.

`tables` says which keys there are and reads their words (`bar_runs`, `place_words`), `building`
puts them together, `checks` tells what cannot be played, `changes` is what is said
beside it, `writing` is the way back.
"""

from __future__ import annotations

from pathlib import Path

from syncvid.errors import ProductionError
from syncvid.production.files import system_errors
from syncvid.production.guide_file.building import build_plan
from syncvid.production.guide_file.changes import Changes, with_changes
from syncvid.production.guide_file.checks import check_plan
from syncvid.production.guide_file.tables import GUIDE_FORMAT, GuideFile
from syncvid.production.guide_file.writing import write_plan
from syncvid.production.guide_plan import GuidePlan
from syncvid.production.toml import Mistake, check_toml, mistakes_error, read_text

__all__ = [
    "GUIDE_FORMAT",
    "Changes",
    "parse_plan",
    "read_plan",
    "with_changes",
    "write_plan",
]

# A plan of the most bars, each in a table of its own, is smaller (project choice).
_LARGEST_BYTES = 4_000_000


def read_plan(path: Path) -> GuidePlan:
    """Read the plan of a guide.

    Parameters
    ----------
    path : Path
        A TOML file in UTF-8.

    Returns
    -------
    GuidePlan

    Raises
    ------
    MediaError
        The file cannot be read.
    ProductionError
        It is no plan; every mistake is told with its line.
    """
    with system_errors(path):
        size = path.stat().st_size
    if size > _LARGEST_BYTES:
        raise ProductionError(
            f"This is no plan of a guide: it has {size / 1e6:.0f} megabytes.",
            where=str(path),
            fix="Name the text file in which the plan stands.",
        )
    return parse_plan(read_text(path), where=str(path))


def parse_plan(text: str, *, where: str) -> GuidePlan:
    """Read the plan of a guide from its text.

    Parameters
    ----------
    text : str
        TOML.
    where : str
        Its file, for messages.

    Returns
    -------
    GuidePlan

    Raises
    ------
    ProductionError
        It is no plan; every mistake is told with its line.
    """
    text = text.removeprefix("\ufeff")
    file = check_toml(text, GuideFile, where=where)
    mistakes: list[Mistake] = []
    plan, origins = build_plan(file, mistakes)
    if plan is not None:
        check_plan(plan, origins, mistakes)
    if plan is None or mistakes:
        raise mistakes_error(mistakes, text, where=where)
    return plan
