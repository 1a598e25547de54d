"""What other colours become in BT.709: HLG and PQ recordings, and wide gamuts.

Phones that record HDR write HLG or PQ (Recommendation ITU-R BT.2100) with the primaries of BT.2020.
Beside ordinary tiles such a picture, untreated, looks dull and grey.  Here it is displayed, in
numbers, on the display that it was made for, its luminance is brought down by method C of Report
ITU-R BT.2446-1, and what lies outside BT.709 is brought inside.  Method C puts HDR reference white
(Report ITU-R BT.2408: 203 cd/m2, which is 75 % HLG and 58 % PQ) at 96 % of the SDR signal, and
highlights at up to 109 %, which players cut off.  So from reference white on a curve of our own
goes on with the same slope and reaches 100 % at the brightest that the system can say.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import Any

import numpy as np

from syncvid.arrays import Floats

# ITU-T H.273: transfer characteristics.
_PQ, _HLG = 16, 18

# ITU-T H.273: primaries as chromaticities x, y of red, green and blue.  All have the white of D65;
# 11, the cinema's P3, has another one, which recordings that carry this number do not mean.
_WHITE = (0.3127, 0.3290)
_BT709 = 1
_BT2020 = 9
_P3 = ((0.680, 0.320), (0.265, 0.690), (0.150, 0.060))
_PRIMARIES = {
    _BT709: ((0.640, 0.330), (0.300, 0.600), (0.150, 0.060)),
    _BT2020: ((0.708, 0.292), (0.170, 0.797), (0.131, 0.046)),
    11: _P3,
    12: _P3,
}

# Recommendation ITU-R BT.2100-2, table 5: HLG; the nominal peak and gamma of its display.
_HLG_A = 0.17883277
_HLG_B = 1 - 4 * _HLG_A
_HLG_C = 0.5 - _HLG_A * np.log(4 * _HLG_A)
_HLG_PEAK_CD_M2, _HLG_GAMMA = 1000.0, 1.2

# Recommendation ITU-R BT.2100-2, table 4: PQ.
_PQ_M1, _PQ_M2 = 2610 / 16384, 2523 / 4096 * 128
_PQ_C1, _PQ_C2, _PQ_C3 = 3424 / 4096, 2413 / 4096 * 32, 2392 / 4096 * 32
_PQ_PEAK_CD_M2 = 10_000.0

# Report ITU-R BT.2446-1, section 6.1.4, luminance in cd/m2.  The bend lies where SDR is at 80 %;
# the Report rounds 58.535 to 58.5, which would let the two branches miss each other by 0.03 cd/m2.
_K1, _K2, _K3, _K4 = 0.83802, 15.09968, 0.74204, 78.99439
_BEND_CD_M2 = 100 * 0.8**2.4 / _K1

# Section 6.1.2 there: the share of the other two channels that luminance is taken with, between 0
# and 0.33.  Greys do not depend on it; the more, the less a deep blue light is blown up.
_CROSSTALK = 0.165

# Report ITU-R BT.2408: HDR reference white.
_REFERENCE_WHITE_CD_M2 = 203.0

# Recommendation ITU-R BT.1886 with black at 0, and the white that method C is made for.
SDR_GAMMA, _SDR_WHITE_CD_M2 = 2.4, 100.0


@dataclass(frozen=True, slots=True)
class Colours:
    """How a picture's three values are meant, as far as it matters here.

    Attributes
    ----------
    transfer : int
        16 for PQ, 18 for HLG, otherwise 1: a display's gamma (ITU-T H.273).
    primaries : int
        As in ITU-T H.273; only wide ones.
    """

    transfer: int
    primaries: int


def colours_of(picture: Any) -> Colours | None:
    """Return what is to be converted; None for the ordinary colours of SDR recordings.

    The primaries of old television differ little from those of BT.709 and are taken for them, as
    players do.
    """
    transfer, primaries = int(picture.color_trc), int(picture.color_primaries)
    if transfer in (_PQ, _HLG):
        return Colours(transfer, primaries if primaries in _PRIMARIES else _BT2020)
    if primaries in _PRIMARIES and primaries != _BT709:
        return Colours(_BT709, primaries)
    return None


def to_bt709(values: Floats, colours: Colours) -> Floats:
    """Convert R'G'B' values to those of BT.709.

    Parameters
    ----------
    values : ndarray, shape (..., 3), 0 to 1
        The signal, full range.
    colours : Colours
        How it is meant.

    Returns
    -------
    ndarray, shape (..., 3), 0 to 1
        For a display with a gamma of 2.4 (Recommendation ITU-R BT.1886).
    """
    return np.asarray(np.clip(light_of(values, colours), 0.0, 1.0) ** (1 / SDR_GAMMA))


def light_of(values: Floats, colours: Colours) -> Floats:
    """Return the light of BT.709 that R'G'B' values are to be shown as.

    Parameters
    ----------
    values : ndarray, shape (..., 3), 0 to 1
        The signal, full range.
    colours : Colours
        How it is meant.

    Returns
    -------
    ndarray, shape (..., 3), at most 1
        Negative where a colour lies outside BT.709.
    """
    to_bt2020 = _to_primaries(colours.primaries, _BT2020)
    to_bt709 = _to_primaries(_BT2020, _BT709)
    if colours.transfer == _HLG:
        hdr = _displayed_hlg(_scene_light(values) @ to_bt2020.T)
        light = _tone_map(hdr, _HLG_PEAK_CD_M2) / _SDR_WHITE_CD_M2
    elif colours.transfer == _PQ:
        hdr = _displayed_pq(values) @ to_bt2020.T
        light = _tone_map(hdr, _PQ_PEAK_CD_M2) / _SDR_WHITE_CD_M2
    else:
        light = np.clip(values, 0.0, 1.0) ** SDR_GAMMA @ to_bt2020.T
    return _bring_down(light @ to_bt709.T)


def tone(luminance: Floats, peak_cd_m2: float) -> Floats:
    """Bring a luminance from HDR to SDR.

    Parameters
    ----------
    luminance : ndarray, cd/m2
        As displayed in HDR.
    peak_cd_m2 : float
        The brightest that the HDR system can say; it becomes 100.

    Returns
    -------
    ndarray, cd/m2
        Strictly increasing, continuous in value and slope.

    References
    ----------
    Report ITU-R BT.2446-1 (03/2021), section 6.1.4, up to 203 cd/m2.
    """
    below = np.minimum(luminance, _REFERENCE_WHITE_CD_M2)
    bent = _K2 * np.log(np.maximum(below, _BEND_CD_M2) / _BEND_CD_M2 - _K3) + _K4
    found = np.where(below < _BEND_CD_M2, _K1 * below, bent)
    white = _K2 * np.log(_REFERENCE_WHITE_CD_M2 / _BEND_CD_M2 - _K3) + _K4
    slope = _K2 / (_REFERENCE_WHITE_CD_M2 - _K3 * _BEND_CD_M2)
    # A branch of a hyperbola through (0, 0) and (1, 1) that begins with the slope at white.
    room = _SDR_WHITE_CD_M2 - white
    above = (luminance - below) / (peak_cd_m2 - _REFERENCE_WHITE_CD_M2)
    steep = slope * (peak_cd_m2 - _REFERENCE_WHITE_CD_M2) / room
    return np.asarray(found + room * steep * above / (1 + (steep - 1) * above))


def _scene_light(values: Floats) -> Floats:
    """Return the light of the scene, 0 to 1 (BT.2100-2, table 5: HLG inverse OETF)."""
    values = np.clip(values, 0.0, 1.0)
    return np.where(
        values <= 0.5, values**2 / 3, (np.exp((values - _HLG_C) / _HLG_A) + _HLG_B) / 12
    )


def _displayed_hlg(scene: Floats) -> Floats:
    """Return the light of the display in cd/m2 (BT.2100-2, table 5: HLG OOTF)."""
    luminance = np.maximum(scene @ _luminance_weights(_BT2020), 0.0)[..., np.newaxis]
    return np.asarray(_HLG_PEAK_CD_M2 * luminance ** (_HLG_GAMMA - 1) * scene)


def _displayed_pq(values: Floats) -> Floats:
    """Return the light of the display in cd/m2 (BT.2100-2, table 4: PQ EOTF)."""
    power = np.clip(values, 0.0, 1.0) ** (1 / _PQ_M2)
    share = np.maximum(power - _PQ_C1, 0.0) / (_PQ_C2 - _PQ_C3 * power)
    return np.asarray(_PQ_PEAK_CD_M2 * share ** (1 / _PQ_M1))


def _tone_map(light: Floats, peak_cd_m2: float) -> Floats:
    """Bring light of BT.2020 from HDR to SDR, cd/m2 (Report ITU-R BT.2446-1, 6.1.2 to 6.1.6).

    The Report mixes the channels, brings the luminance of the mixture down, keeps its chromaticity,
    and undoes the mixing.  What keeps its chromaticity is multiplied by one number, so the mixing
    and its undoing leave nothing but the luminance that this number is taken from.
    """
    mixed = light * (1 - 3 * _CROSSTALK) + _CROSSTALK * light.sum(axis=-1, keepdims=True)
    luminance = np.maximum(mixed @ _luminance_weights(_BT2020), 1e-9)
    return np.asarray(light * (tone(luminance, peak_cd_m2) / luminance)[..., np.newaxis])


def _bring_down(light: Floats) -> Floats:
    """Bring what is brighter than BT.709 can show down to 1, half by dimming and half by paling.

    Cutting the channels off one by one would turn a bright orange yellow.  Dimming until it fits
    keeps the hue and loses the light, paling until it fits keeps the light and loses the colour.
    """
    most = np.maximum(light.max(axis=-1, keepdims=True), 1.0)
    luminance = np.maximum(light, 0.0) @ _luminance_weights(_BT709)
    grey = np.minimum(luminance, 1.0)[..., np.newaxis]
    share = (1 - grey) / np.maximum(most - grey, 1e-9)
    pale = np.where(most > 1.0, grey + share * (light - grey), light)
    return np.asarray((light / most + pale) / 2)


@lru_cache
def _to_xyz(primaries: int) -> Floats:
    """Return the matrix from linear RGB to CIE XYZ (SMPTE RP 177)."""
    columns = np.array([(x / y, 1.0, (1 - x - y) / y) for x, y in _PRIMARIES[primaries]]).T
    x, y = _WHITE
    return columns * np.linalg.solve(columns, np.array([x / y, 1.0, (1 - x - y) / y]))


def _to_primaries(source: int, target: int) -> Floats:
    """Return the matrix between two sets of primaries, linear."""
    return np.asarray(np.linalg.solve(_to_xyz(target), _to_xyz(source)))


def _luminance_weights(primaries: int) -> Floats:
    """Return what red, green and blue give to luminance."""
    return np.asarray(_to_xyz(primaries)[1])
