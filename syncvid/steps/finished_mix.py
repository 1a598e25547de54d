"""A finished mix that somebody else has made: what its user should know, measured once and kept."""

from __future__ import annotations

from dataclasses import asdict

from syncvid.errors import MediaError, SignalError
from syncvid.listen.broad_tops import BroadTops
from syncvid.listen.finished import Finished, judge_finished
from syncvid.listen.tops import FlatTops
from syncvid.media.probe import probe
from syncvid.media.sound import read_sound
from syncvid.production.material import Material, SourceFile
from syncvid.production.store import Store

# Raised when what is measured changes, so that old records are made again.
_FINISHED = "finished-mix/1"


def finished_mix_remarks(material: Material) -> tuple[str, ...]:
    """Say what is uncommon about a production's finished mix.

    Parameters
    ----------
    material : Material
        The production.

    Returns
    -------
    tuple of str
        Sentences for the user; none if all is well, if there is no mix, or if it cannot be read:
        whoever lays clips against it tells that.
    """
    if material.mix is None:
        return ()
    try:
        return finished_of(material.mix, material.store).sentences()
    except MediaError:
        return ()
    except SignalError as exc:
        return (f"The mix cannot be judged. {exc.what}",)


def finished_of(source: SourceFile, store: Store) -> Finished:
    """Return what is kept of a mix, or judge it.

    Raises
    ------
    MediaError
        It cannot be read, or has no sound.
    SignalError
        It holds values that are not finite.
    """
    name = f"finished-mix-{source.identity}"
    record = store.load(name, _FINISHED)
    if record is not None:
        tops = FlatTops(**record["flat_tops"])
        return Finished(**{
            **record, "flat_tops": tops, "broad_tops": BroadTops(**record["broad_tops"])
        })  # fmt: skip
    sound = read_sound(probe(source.path))
    finished = judge_finished(sound.samples, sample_rate=sound.sample_rate)
    store.save(name, _FINISHED, asdict(finished))
    return finished
