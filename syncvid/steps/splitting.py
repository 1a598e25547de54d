"""Several takes in one file become takes of the plan."""

from __future__ import annotations

from pathlib import Path

from syncvid.errors import ProductionError
from syncvid.production.edit import PlanEditor
from syncvid.production.material import open_production, plan_path
from syncvid.production.results import ClipSync
from syncvid.steps.explaining import find_clip
from syncvid.steps.syncing import stored_sync


def split_file(folder: Path, file: str) -> tuple[ClipSync, ...]:
    """Write every take that sync found in a file into ``production.toml``.

    Parameters
    ----------
    folder : Path
        The production.
    file : str
        The file, as it stands in the plan or by its last name; or its part/take.

    Returns
    -------
    tuple of ClipSync
        The takes with the stretches of the file that hold them; the one that is there comes first.

    Raises
    ------
    ProductionError
        No such file, the places are not found yet, or the file holds one take.
    MediaError
        The folder cannot be written.
    """
    editor = PlanEditor(plan_path(folder))
    material = open_production(folder)
    with material.store.locked(str(folder)):
        result = stored_sync(material)
        if result is None:
            raise ProductionError(
                "The places of the clips as they are now are not found yet.",
                where=str(folder),
                fix=f"Run `syncvid sync {folder}` first.",
            )
        listed = [clip for clip in result.clips if clip.listed]
        main = find_clip(listed, file, where=str(folder))
        takes = (main, *(c for c in result.clips if c.file == main.file and not c.listed))
        if len(takes) < 2:
            raise ProductionError(
                "Sync found one take in this file, so it stays whole.", where=file
            )
        at = next(
            at
            for at, take in enumerate(editor.names)
            if (take.file, take.part, take.take) == (main.file, main.part, main.take)
        )
        editor.split(at, [(take.take, take.stretch) for take in takes])
        editor.save()
    return takes
