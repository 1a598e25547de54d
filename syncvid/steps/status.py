"""What a production holds, what is out of date, what comes next."""

from __future__ import annotations

import shlex
from collections import Counter
from dataclasses import dataclass
from pathlib import Path

from syncvid.production.material import Material
from syncvid.production.results import SyncResult
from syncvid.steps.hearing import look
from syncvid.steps.jobs import sources_of
from syncvid.steps.made import outputs_state
from syncvid.steps.previewing import PREVIEW_FOLDER
from syncvid.steps.syncing import stored_sync


@dataclass(frozen=True, slots=True)
class Status:
    """The state of a production.

    Attributes
    ----------
    material : Material
        Its clips and references.
    synced : SyncResult or None
        The findings, if they are those of the clips as they are now.
    was_synced : bool
        Whether there are findings at all.
    outputs : tuple of (Path, bool)
        Videos that were made, each with whether it still shows what the production says now.
    """

    material: Material
    synced: SyncResult | None
    was_synced: bool
    outputs: tuple[tuple[Path, bool], ...]

    @property
    def verdicts(self) -> Counter[str]:
        """How many clips got which verdict; further takes in a file do not count."""
        clips = self.synced.clips if self.synced else ()
        return Counter(clip.finding.verdict for clip in clips if clip.listed)

    @property
    def next_step(self) -> str:
        """What to do next, in one sentence."""
        folder = shlex.quote(str(self.material.folder or Path()))
        if not self.material.recordings:
            return f"Add clips: syncvid add {folder} CLIPS..."
        if self.synced is None:
            return f"Find the clips' places: syncvid sync {folder}"
        if self.verdicts["check"]:
            return f"Look at the clips that want your ear: syncvid preview {folder}"
        preview = (self.material.folder or Path()) / PREVIEW_FOLDER
        videos = [current for path, current in self.outputs if path.parent != preview.absolute()]
        if not videos or not all(videos):
            return f"Make the video: syncvid render {folder} -o video.mp4"
        return "nothing; everything is up to date."


def production_status(material: Material) -> Status:
    """Tell the state of a production; nothing is written."""
    synced = stored_sync(material)
    facts = {}
    if synced is not None:
        for source in sources_of(material.recordings):
            if any(clip.file == source.file for clip in synced.clips):
                facts[source.file] = look(source, material.store)
    return Status(
        material=material,
        synced=synced,
        was_synced=material.store.last("sync") is not None,
        outputs=tuple(outputs_state(material, synced, facts)),
    )
