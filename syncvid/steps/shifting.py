"""Measuring how far picture and sound of one file are apart; done when the user asks for it."""

from __future__ import annotations

import numpy as np

from syncvid.errors import MediaError
from syncvid.listen import AROUND_S, Motion, PictureShift, find_strokes, measure_shift
from syncvid.media.pictures import Crop, PictureFile
from syncvid.media.probe import probe
from syncvid.production.material import Material, Recording
from syncvid.production.pick import TakeName, pick_take
from syncvid.progress import SILENT, Progress
from syncvid.steps.hearing import hear
from syncvid.steps.jobs import cut_out
from syncvid.sync import ANALYSIS_RATE

# Size at which motion is measured: a hand is still some pixels wide.
_SMALL = Crop(128, 96)

# Pictures that follow each other faster than this are taken in pairs: a hand must have moved by
# more than the noise from one to the next.
_LEAST_STEP_S = 0.024

# A shift below this is not seen: viewers notice a picture that comes 45 ms late or 125 ms early
# (ITU-R BT.1359-1), and a picture lasts 33 ms.
_UNSEEN_MS = 15.0


def measure_picture_shift(
    material: Material, wanted: str, *, progress: Progress = SILENT
) -> tuple[Recording, PictureShift | None]:
    """Measure by how much the picture of a take comes late behind its sound.

    Parameters
    ----------
    material : Material
        The clips.
    wanted : str
        Which take: part/take, or its file.
    progress : Progress
        Told how far it is.

    Returns
    -------
    (Recording, PictureShift or None)
        The take, and what was measured; None where no clap or stroke can be heard and seen.

    Raises
    ------
    ProductionError
        The name fits no take, or several.
    MediaError
        The file cannot be read, or has no sound or no picture.
    """
    names = [TakeName(r.part, r.player, r.take, r.source.file) for r in material.recordings]
    recording = material.recordings[pick_take(wanted, names, where=str(material.folder or ""))]
    media = probe(recording.source.path)
    if media.video is None or media.sound is None:
        missing = "picture" if media.video is None else "sound"
        raise MediaError(
            f"The file has no {missing}, so nothing can be compared.",
            where=recording.source.file,
            fix="Name a film.",
        )
    samples = hear(recording.source, material.store).samples
    assert samples is not None
    strokes_s = find_strokes(cut_out(samples, recording.stretch), sample_rate=ANALYSIS_RATE)
    pictures = PictureFile(media, fast=True, check=progress.check)
    motions = []
    try:
        for count, stroke_s in enumerate(strokes_s.tolist(), 1):
            motions.append(_motion(pictures, stroke_s - AROUND_S, stroke_s + AROUND_S))
            progress.advance(count, len(strokes_s), "watching the claps")
    finally:
        pictures.close()
    return recording, measure_shift(strokes_s, motions)


def tell_shift(recording: Recording, shift: PictureShift | None) -> list[str]:
    """Say what was measured, and how to set the picture right."""
    if shift is None:
        return [f"{recording.name}: no clap or stroke can be both heard and seen in it."]
    late = f"{abs(shift.shift_ms):.0f} ms {'late' if shift.shift_ms >= 0 else 'early'}"
    strokes = f"{shift.agreeing} of {shift.strokes} claps or strokes"
    if not shift.is_clear:
        return [
            f"{recording.name}: the picture may be {late}, but the evidence is weak: {strokes} "
            "agree. Clap five times before you play: hands together, a moment still, slowly apart."
        ]
    told = f"{recording.name}: the picture is {late} ({strokes} agree to {shift.spread_ms:.0f} ms)."
    if abs(shift.shift_ms) < _UNSEEN_MS:
        return [told, "That cannot be seen; nothing needs to be set."]
    return [
        told,
        f"To set it right, write `picture_shift_ms = {shift.shift_ms:.0f}` under this take in "
        "production.toml.",
    ]


def _motion(pictures: PictureFile, from_s: float, to_s: float) -> Motion:
    """Return how much each picture of a stretch differs from the one before."""
    times_s: list[float] = []
    amounts: list[float] = []
    before: np.ndarray | None = None
    at_s = from_s
    while at_s < to_s:
        pictures.advance(at_s)
        shown_s = pictures.shown_until_s
        if not times_s or shown_s >= times_s[-1] + _LEAST_STEP_S:
            luma = pictures.planes_for([_SMALL])[0][0].astype(np.int16)
            amounts.append(0.0 if before is None else float(np.abs(luma - before).mean()))
            times_s.append(shown_s)
            before = luma
        if pictures.ran_out:
            break
        # Pictures follow each other by no less than this, up to 240 in a second.
        at_s = max(at_s, shown_s) + 1 / 480
    return Motion(np.array(times_s), np.array(amounts))
