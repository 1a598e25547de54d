"""What a production has to do with its guide: it takes it in, and knows who plays."""

from __future__ import annotations

import os
from pathlib import Path

from syncvid.production.files import written_path
from syncvid.production.material import open_production, plan_path
from syncvid.steps.guide_source import GuideSource


def players_of(read: GuideSource) -> tuple[str, ...]:
    """Return the parts, in score order: those of the production, otherwise those of the score."""
    if read.folder is not None and plan_path(read.folder).is_file():
        names = [part for part, _ in open_production(read.folder).parts]
        if names:
            return tuple(dict.fromkeys(names))
    return tuple(part.name for part in read.score.parts) if read.score else ()


def set_guide(folder: Path, guide: Path) -> tuple[str, ...]:
    """Name a guide in a production's plan, if it names none.

    Returns
    -------
    tuple of str
        What to tell: that it was named, or that another one is.
    """
    if not plan_path(folder).is_file():
        return ()
    material = open_production(folder)
    if material.guide is None:
        from syncvid.steps.productions import add_clips

        add_clips(folder, [], guide=str(guide))
        return (f"production.toml names it now: guide = {written_path(guide, folder)!r}.",)
    if os.path.realpath(material.guide.path) != os.path.realpath(guide):
        return (
            f"production.toml names another guide, {material.guide.file}; set `guide` there if "
            "everybody is to record to this one.",
        )
    return ()
