"""Rooms at home: impulse responses and what hums in the background.

The direct sound lies at sample 0 of every response: the place of a clip is defined by it.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.signal import fftconvolve

from .signals import SAMPLE_RATE, add_at, band, db, to_rms

SPEED_OF_SOUND = 343.0


@dataclass(frozen=True, slots=True)
class Room:
    """A shoebox with a player and a phone in it.

    Attributes
    ----------
    size_m : tuple of float
        Length, width, height.
    player_m, phone_m : tuple of float
        Where they are.
    reflection : float
        Share of the pressure that a wall gives back.
    decay_s : float
        Time in which the late sound falls by 60 dB.
    late_db : float
        Level of the late sound at its start against the direct sound.
    noise : str
        What hums: ``fridge``, ``street``, ``fan`` or ``quiet``.
    noise_db : float
        Its level, dB below full scale.
    """

    size_m: tuple[float, float, float]
    player_m: tuple[float, float, float]
    phone_m: tuple[float, float, float]
    reflection: float
    decay_s: float
    late_db: float
    noise: str
    noise_db: float


def _mirrored(position: float, length: float, order: int) -> float:
    """Return the coordinate of the image of the given order along one axis."""
    return order * length + (position if order % 2 == 0 else length - position)


def _early(room: Room, samples: int) -> np.ndarray:
    """Add up the image sources of the shoebox up to the third order."""
    response = np.zeros(samples)
    direct_m = float(np.linalg.norm(np.subtract(room.player_m, room.phone_m)))
    orders = range(-3, 4)
    for nx, ny, nz in ((x, y, z) for x in orders for y in orders for z in orders):
        bounces = abs(nx) + abs(ny) + abs(nz)
        if not 1 <= bounces <= 3:
            continue
        image = [
            _mirrored(p, length, order)
            for p, length, order in zip(room.player_m, room.size_m, (nx, ny, nz), strict=True)
        ]
        path_m = float(np.linalg.norm(np.subtract(image, room.phone_m)))
        gain = room.reflection**bounces * direct_m / path_m
        at = (path_m - direct_m) / SPEED_OF_SOUND * SAMPLE_RATE
        add_at(response, np.array([gain]), at)
    # Walls swallow treble. The direct sound is added afterwards and stays as it is.
    return band(response, high_hz=6_000.0, order=1)


def _late(room: Room, samples: int, rng: np.random.Generator) -> np.ndarray:
    """Shape noise into the late sound: it dies sooner in the treble."""
    at_s = np.arange(samples) / SAMPLE_RATE
    onset = 1.0 - np.exp(-at_s / 0.012)
    tail = np.zeros(samples)
    for low_hz, high_hz, share, decay in (
        (150.0, 900.0, 1.0, 1.0),
        (900.0, 3_000.0, 0.8, 0.85),
        (3_000.0, 9_000.0, 0.5, 0.6),
    ):
        noise = band(rng.normal(size=samples), low_hz=low_hz, high_hz=high_hz)
        tail += share * noise * np.exp(-6.91 * at_s / (room.decay_s * decay))
    # A few thousand weak reflections: scaled to energy, not to peak.
    return tail * onset * db(room.late_db) / np.sqrt(SAMPLE_RATE * 0.02)


def impulse_response(room: Room, seed: int) -> np.ndarray:
    """Return the response from player to phone, direct sound 1.0 at sample 0."""
    samples = int((room.decay_s + 0.1) * SAMPLE_RATE)
    response = _early(room, samples) + _late(room, samples, np.random.default_rng(seed))
    # Filtered reflections must not leak before or onto the direct sound.
    response[:24] = 0.0
    response[0] = 1.0
    return response


def in_room(dry: np.ndarray, room: Room, seed: int) -> np.ndarray:
    """Play a close recording in a room."""
    return fftconvolve(dry, impulse_response(room, seed))[: len(dry)]


def background(room: Room, seconds: float, sample_rate: int, seed: int) -> np.ndarray:
    """Return the room's noise, at the rate of the phone."""
    rng = np.random.default_rng(seed)
    count = int(np.ceil(seconds * sample_rate)) + 1
    at_s = np.arange(count) / sample_rate
    white = rng.normal(size=count)
    hiss = 0.25 * band(white, low_hz=1_500.0, high_hz=7_000.0, sample_rate=sample_rate)
    low = band(white, low_hz=60.0, high_hz=350.0, order=1, sample_rate=sample_rate)
    if room.noise == "fridge":
        hum = sum(np.sin(2 * np.pi * f * at_s) / f for f in (100.0, 150.0, 200.0, 300.0))
        noise = low + hiss + 25.0 * hum
    elif room.noise == "street":
        passing = 0.3 + np.clip(np.sin(2 * np.pi * at_s / 17.0 + rng.uniform(0, 6)), 0, 1) ** 2
        noise = 3.0 * low * passing + hiss
    elif room.noise == "fan":
        noise = low + 2.5 * hiss * (1.0 + 0.15 * np.sin(2 * np.pi * 2.3 * at_s))
    else:
        noise = low + hiss
    return to_rms(noise, room.noise_db)
