"""How strong a sound is from moment to moment."""

from __future__ import annotations

import numpy as np

from syncvid.arrays import Audio, Floats


def measure_rms(samples: Audio, *, hop: int) -> Floats:
    """Return the root mean square of hops that touch.

    Parameters
    ----------
    samples : ndarray, shape (samples,), float32
        Mono sound; what is left at the end, less than a hop, does not count.
    hop : int
        Samples per hop, at least 1.

    Returns
    -------
    ndarray, shape (samples // hop,), float64

    Examples
    --------
    >>> measure_rms(np.array([3.0, -3.0, 1.0, 1.0, 9.0], np.float32), hop=2).tolist()
    [3.0, 1.0]
    """
    hops = samples[: samples.size // hop * hop].reshape(-1, hop)
    return np.asarray(np.sqrt(np.einsum("ij,ij->i", hops, hops, dtype=np.float64) / hop))
