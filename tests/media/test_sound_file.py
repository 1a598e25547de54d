"""Sound files: what is read back lies where it was, by our reader and by the system's ffmpeg."""

from __future__ import annotations

import os
import shutil
import subprocess
from pathlib import Path

import av
import numpy as np
import pytest
import soundfile

from syncvid.arrays import Audio, Sound
from syncvid.errors import MediaError
from syncvid.media.probe import probe
from syncvid.media.sound import read_sound
from syncvid.media.sound_file import ENDINGS, write_sound

RATE = 48_000

FFMPEG = shutil.which("ffmpeg")
# Where a change is judged it must be there: the tests then fail, not skip.
needs_ffmpeg = pytest.mark.skipif(
    FFMPEG is None and not os.environ.get("CI"), reason="the system has no ffmpeg"
)

# An M4A ends with a whole packet of 1024 samples (AAC-LC), so that silence may follow the sound.
PACKET = 1024


def clicks(length_s: float = 4.3, channels: int = 1, rate: int = RATE) -> Sound:
    """Short tones at odd moments, the first one after a quarter of a second."""
    samples = np.zeros((channels, round(length_s * rate)), np.float32)
    at = np.arange(round(0.02 * rate)) / rate
    tone = 0.4 * np.sin(2 * np.pi * 2500 * at) * np.exp(-at / 0.004)
    for channel in range(channels):
        for start_s in (0.2513, 0.9, 1.7301, 2.6, 4.0017):
            start = round(start_s * rate) + 37 * channel
            samples[channel, start : start + tone.size] += tone.astype(np.float32)
    return Sound(samples, rate)


def by_ffmpeg(path: Path, channels: int) -> Audio:
    command = [str(FFMPEG), "-v", "error", "-i", str(path), "-f", "f32le", "-"]
    raw = subprocess.run(command, capture_output=True, check=True).stdout
    return np.frombuffer(raw, np.float32).reshape(-1, channels).T


def lag(given: Audio, back: Audio) -> int:
    """Return by how many samples the best fit of two sounds is later."""
    size = 1 << (given.size + back.size).bit_length()
    product = np.fft.rfft(back, size) * np.conj(np.fft.rfft(given, size))
    best = int(np.argmax(np.fft.irfft(product, size)))
    return best if best < size // 2 else best - size


def check_like(given: Sound, back: Audio, ending: str) -> None:
    assert back.shape[0] == given.samples.shape[0]
    count = given.samples.shape[1]
    assert count <= back.shape[1] <= count + (PACKET if ending == ".m4a" else 0)
    for channel, samples in enumerate(given.samples):
        assert lag(samples, back[channel]) == 0
        assert np.abs(back[channel, count:]).max(initial=0.0) < 1e-3
    if ending in (".wav", ".flac"):
        # A step of 24 bits.
        assert np.abs(back - given.samples).max() <= 1 / 2**23


@pytest.mark.parametrize("ending", ENDINGS)
@pytest.mark.parametrize("channels", [1, 2])
def test_our_reader_finds_every_sample_where_it_was(
    ending: str, channels: int, tmp_path: Path
) -> None:
    given, path = clicks(channels=channels), tmp_path / f"guide{ending}"
    write_sound(path, given)
    check_like(given, read_sound(probe(path)).samples, ending)
    assert os.listdir(tmp_path) == [path.name]


@needs_ffmpeg
@pytest.mark.parametrize("ending", ENDINGS)
@pytest.mark.parametrize("channels", [1, 2])
def test_the_systems_ffmpeg_finds_every_sample_where_it_was(
    ending: str, channels: int, tmp_path: Path
) -> None:
    given, path = clicks(channels=channels), tmp_path / f"guide{ending}"
    write_sound(path, given)
    check_like(given, by_ffmpeg(path, channels), ending)


@needs_ffmpeg
@pytest.mark.parametrize("ending", ENDINGS)
@pytest.mark.parametrize("rate", [44_100, 32_000])
@pytest.mark.parametrize("length_s", [0.3, 1.0, 7.003])
def test_other_rates_and_lengths(ending: str, rate: int, length_s: float, tmp_path: Path) -> None:
    given, path = clicks(7.003, rate=rate), tmp_path / f"guide{ending.upper()}"
    given = Sound(given.samples[:, : round(length_s * rate)], rate)
    write_sound(path, given)
    check_like(given, read_sound(probe(path)).samples, ending)
    check_like(given, by_ffmpeg(path, 1), ending)


def test_the_first_sample_is_kept_too(tmp_path: Path) -> None:
    """A click on sample 0 has nothing before it that an encoder could spread it over."""
    given = clicks()
    given = Sound(np.ascontiguousarray(given.samples[:, round(0.2513 * RATE) :]), RATE)
    for ending in ENDINGS:
        path = tmp_path / f"guide{ending}"
        write_sound(path, given)
        back = read_sound(probe(path)).samples
        assert lag(given.samples[0, :4800], back[0, :4800]) == 0


def test_wav_and_flac_have_24_bits_and_m4a_begins_with_its_index(tmp_path: Path) -> None:
    for ending in (".wav", ".flac"):
        write_sound(tmp_path / f"guide{ending}", clicks())
        assert soundfile.info(str(tmp_path / f"guide{ending}")).subtype == "PCM_24"
    write_sound(tmp_path / "guide.m4a", clicks())
    data = (tmp_path / "guide.m4a").read_bytes()
    # ISO/IEC 14496-12: `moov` before `mdat` can be played while it is loading.
    assert data.index(b"moov") < data.index(b"mdat")


@pytest.mark.parametrize(("ending", "codec"), [(".mp3", "mp3float"), (".m4a", "aac")])
def test_what_phones_play_is_small(ending: str, codec: str, tmp_path: Path) -> None:
    path = tmp_path / f"guide{ending}"
    write_sound(path, clicks(60.0))
    with av.open(str(path)) as file:
        assert file.streams.audio[0].codec_context.name == codec
    # 160 kbit/s at most, and some for the head.
    assert path.stat().st_size < 60 * 160_000 / 8 + 20_000


def test_what_cannot_be_written_is_told(tmp_path: Path) -> None:
    with pytest.raises(MediaError, match=r"as \.ogg.*\.wav, \.flac, \.mp3 or \.m4a"):
        write_sound(tmp_path / "guide.ogg", clicks())
    with pytest.raises(MediaError, match="without an ending"):
        write_sound(tmp_path / "guide", clicks())
    with pytest.raises(MediaError, match=r"3 channels.*Mix"):
        write_sound(tmp_path / "guide.wav", clicks(channels=3))
    with pytest.raises(MediaError, match="96000 Hz"):
        write_sound(tmp_path / "guide.mp3", clicks(rate=96_000))
    with pytest.raises(MediaError, match="no such file or folder"):
        write_sound(tmp_path / "nowhere" / "guide.wav", clicks())
    assert os.listdir(tmp_path) == []


def test_a_write_that_fails_leaves_the_old_file(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "guide.flac"
    write_sound(path, clicks())
    before = path.read_bytes()

    def full(*_: object, **__: object) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(soundfile, "write", full)
    with pytest.raises(MediaError, match="disk is full"):
        write_sound(path, clicks(5.0))
    assert path.read_bytes() == before
    assert os.listdir(tmp_path) == [path.name]


def test_a_disk_without_room_is_told(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    usage = shutil.disk_usage(tmp_path)._replace(free=100_000)
    monkeypatch.setattr("syncvid.media.sound_file.shutil.disk_usage", lambda folder: usage)
    with pytest.raises(MediaError, match="no room for it: 1 MB are needed, 0 are free"):
        write_sound(tmp_path / "guide.wav", clicks())
    assert not list(tmp_path.iterdir())
