"""The parts of scipy that are wanted, loaded when they are first used.

`scipy.signal` alone takes half a second to load; looking at one picture of a finished sync needs
none of it.
"""

from __future__ import annotations

import importlib
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from scipy import fft, ndimage, signal
else:

    class _Later:
        """Stands for a module; importing is safe from any thread, and costs nothing again."""

        def __init__(self, name: str) -> None:
            self._name = name

        def __getattr__(self, attribute: str) -> Any:
            return getattr(importlib.import_module(self._name), attribute)

    fft, ndimage, signal = map(_Later, ("scipy.fft", "scipy.ndimage", "scipy.signal"))

__all__ = ["fft", "ndimage", "signal"]
