"""Split-screen ensemble videos from recordings made at home."""

__version__ = "0.1.0"
