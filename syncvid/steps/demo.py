"""The whole job on the clips that come with the package."""

from __future__ import annotations

import importlib.resources
from dataclasses import dataclass
from pathlib import Path

from syncvid.errors import ProductionError
from syncvid.production.edit import PlanEditor
from syncvid.production.files import written_path
from syncvid.production.material import Material, is_production, open_production
from syncvid.production.plan import PLAN_FILE, Plan
from syncvid.production.toml import read_toml
from syncvid.progress import SILENT, Progress
from syncvid.steps.composing import Look
from syncvid.steps.mixing import MixOutcome, make_mix
from syncvid.steps.previewing import PreviewOutcome, make_preview
from syncvid.steps.productions import new_production
from syncvid.steps.rendering import RenderOutcome, render

TITLE = "Orchard Round"
SIZE = (1280, 720)

_MEDIA_SUFFIXES = {".mp4", ".mov", ".webm"}


# What the leader of the demo has written into the plan for a mix of the clips' own sound.
_OWN_MIX: dict[str, dict[str, list[str]]] = {
    "Flute": {"passages": ["take 1, bars 1-8", "take 2, bars 9-20"], "clean": ["rests"]},
    "Clarinet": {"clean": ["clipping", "rests"]},
    "Violin": {"clean": ["automatic gain", "rests"]},
    "Viola": {"clean": ["rests"]},
    "Cello": {"clean": ["high-pass", "rests"]},
}


@dataclass(frozen=True, slots=True)
class DemoOutcome:
    """Where the demo's results are; the mix only where the clips' own sound was mixed."""

    material: Material
    rendered: RenderOutcome
    preview: PreviewOutcome
    mixed: MixOutcome | None = None


def demo_media() -> Path:
    """Return the folder of the clips that come with the package.

    Raises
    ------
    ProductionError
        They are not there.
    """
    inside = Path(str(importlib.resources.files("syncvid"))) / "demo_media"
    beside = inside.parent.parent / "demo_media"
    for folder in (inside, beside):
        if (folder / "truth.json").is_file():
            return folder
    raise ProductionError(
        "The demo's clips are missing.",
        where=f"{inside} or {beside}",
        fix="Install syncvid again.",
    )


def run_demo(folder: Path, *, own_mix: bool = False, progress: Progress = SILENT) -> DemoOutcome:
    """Make a production of the demo's clips, find their places, make preview, sheet and video.

    Parameters
    ----------
    folder : Path
        Where to make it; a second run there does only what changed.
    own_mix : bool
        Whether to do without the finished mix, and mix the clips' own sound.
    progress : Progress
        Told how far it is.

    Returns
    -------
    DemoOutcome

    Raises
    ------
    ProductionError
        The folder holds another production.
    """
    media = demo_media()
    mix = None if own_mix else media / "mix.flac"
    if not is_production(folder):
        clips = sorted(str(p) for p in media.iterdir() if p.suffix.lower() in _MEDIA_SUFFIXES)
        new_production(
            folder,
            clips,
            mix=str(mix) if mix else None,
            guide=str(media / "guide.flac"),
            title=TITLE,
            progress=progress.part(0.05),
        )
        if own_mix:
            _write_wishes(folder)
    elif read_toml(folder / PLAN_FILE, Plan)[0].mix != (written_path(mix, folder) if mix else ""):
        raise ProductionError(
            "This folder holds another production.",
            where=str(folder),
            fix="Choose another one with `--out FOLDER`.",
        )
    material = open_production(folder)
    with material.store.locked(str(folder)):
        mixed = make_mix(material, progress=progress.part(0.3)) if own_mix else None
        rendered = render(
            material,
            folder / "orchard-round.mp4",
            look_of=Look(size=SIZE),
            report=folder / "orchard-round.json",
            progress=progress.part(0.7),
        )
        preview = make_preview(material, progress=progress.part(1.0))
    return DemoOutcome(material, rendered, preview, mixed)


def _write_wishes(folder: Path) -> None:
    """Write into the demo's plan how its leader wants the parts to sound."""
    editor = PlanEditor(folder / PLAN_FILE)
    for part, values in _OWN_MIX.items():
        editor.set_part(part, **values)
    editor.save()
