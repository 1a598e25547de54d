"""Sound on the clip's clock.

What is read is judged by correlation with what was written, and by imageio-ffmpeg's own program as
a second reader.
"""

from __future__ import annotations

import subprocess
from collections.abc import Callable
from pathlib import Path

import imageio_ffmpeg
import numpy as np
import pytest
import soundfile
from scipy import signal

from syncvid.arrays import Audio, Sound
from syncvid.errors import MediaError, MediaNotFoundError
from syncvid.media.probe import probe
from syncvid.media.sound import SoundFile, read_sound, resample

from .conftest import RATE, ticks

Maker = Callable[..., Path]


def lag_samples(heard: Audio, written: Audio) -> float:
    """How much later `heard` is, from the peak of the plain correlation between samples."""
    up = 8
    tall = np.abs(signal.correlate(heard, written, mode="full"))
    peak = int(tall.argmax())
    around = signal.resample(tall[peak - 32 : peak + 32], 64 * up)
    return peak - 32 + int(around.argmax()) / up - (written.size - 1)


@pytest.mark.parametrize(
    ("name", "codec"),
    [("a.mp4", "aac"), ("a.mov", "aac"), ("a.webm", "libopus"), ("a.mkv", "libopus"),
     ("a.m4a", "aac"), ("a.flac", "flac"), ("a.wav", "pcm_s16le"), ("a.mp3", "libmp3lame"),
     ("a.mka", "flac")],
)  # fmt: skip
def test_sound_lies_where_it_was_put_whatever_the_file(
    made: Maker, rng: np.random.Generator, name: str, codec: str
) -> None:
    written = ticks(rng, 3.0)
    heard = read_sound(probe(made(name, written, sound_codec=codec)), mono=True).samples[0]
    assert lag_samples(heard, written) == pytest.approx(0.0, abs=0.5)


def test_the_priming_that_a_stream_cannot_tell_of_is_left_in(
    made: Maker, rng: np.random.Generator
) -> None:
    # AAC priming is 1024 samples; MPEG-TS has no field for it, and its timestamps include it.
    written = ticks(rng, 3.0)
    heard = read_sound(probe(made("a.ts", written)), mono=True).samples[0]
    assert lag_samples(heard, written) == pytest.approx(1024, abs=0.5)


@pytest.mark.parametrize("rate", [16_000, 44_100])
def test_another_rate_moves_nothing(made: Maker, rng: np.random.Generator, rate: int) -> None:
    written = ticks(rng, 3.0)
    path = made("a.flac", written, sound_codec="flac")
    heard = read_sound(probe(path), sample_rate=rate, mono=True).samples[0]
    back = signal.resample(heard, round(heard.size * RATE / rate)).astype(np.float32)
    assert lag_samples(back, written) == pytest.approx(0.0, abs=0.5)


def test_sound_that_starts_late_stays_late(made: Maker, rng: np.random.Generator) -> None:
    written = ticks(rng, 2.0)
    path = made("late.mp4", written, sound_from_s=0.25, pictures=50)
    media = probe(path)
    assert media.zero == 0
    heard = read_sound(media, mono=True).samples[0]
    # ISO/IEC 14496-12 counts an empty edit in the movie's timescale, here milliseconds.
    assert lag_samples(heard, written) == pytest.approx(0.25 * RATE, abs=RATE / 1000)


def test_time_zero_is_the_earliest_of_both_streams(made: Maker, rng: np.random.Generator) -> None:
    written = ticks(rng, 2.0)
    media = probe(
        made(
            "late.mkv",
            written,
            sound_codec="flac",
            sound_from_s=1.0,
            pictures=25,
            picture_from_s=1.4,
        )
    )
    assert float(media.zero) == pytest.approx(1.0, abs=0.002)
    assert media.video is not None
    assert media.video.first_s == pytest.approx(0.4, abs=0.002)


def test_a_gap_in_the_recording_stays_a_gap(made: Maker, rng: np.random.Generator) -> None:
    first, second = ticks(rng, 1.0), ticks(rng, 1.0)
    gap = np.zeros(RATE // 2, np.float32)
    one = made("one.mkv", first, sound_codec="flac")
    two = made("two.mkv", second, sound_codec="flac", sound_from_s=1.5)
    joined = join_with_gap(one, two)
    heard = read_sound(probe(joined), mono=True).samples[0]
    wanted = np.concatenate([first, gap, second])
    assert np.abs(heard[: wanted.size] - wanted).max() < 1e-3


def join_with_gap(one: Path, two: Path) -> Path:
    """Copy the packets of two files into one, with the timestamps that they have."""
    import av

    out = one.with_name("joined.mkv")
    with av.open(str(out), "w") as joined, av.open(str(one)) as a, av.open(str(two)) as b:
        stream = joined.add_stream_from_template(a.streams.audio[0])
        for source in (a, b):
            for packet in source.demux(source.streams.audio[0]):
                if packet.dts is not None:
                    packet.stream = stream
                    joined.mux(packet)
    return out


def test_stereo_is_mixed_down_by_the_mean(tmp_path: Path, rng: np.random.Generator) -> None:
    both = rng.uniform(-0.5, 0.5, (RATE, 2))
    soundfile.write(tmp_path / "s.wav", both, RATE, subtype="FLOAT")
    media = probe(tmp_path / "s.wav")
    assert np.abs(read_sound(media).samples - both.T).max() < 1e-6
    assert np.abs(read_sound(media, mono=True).samples[0] - both.mean(axis=1)).max() < 1e-6


def test_reading_in_pieces_is_reading_at_once(made: Maker, rng: np.random.Generator) -> None:
    path = made("a.mp4", ticks(rng, 4.0))
    whole = read_sound(probe(path)).samples
    source = SoundFile(path)
    pieces = [source.read(t, t + 0.7, RATE) for t in np.arange(0, 4.2, 0.7)]
    joined = np.concatenate(pieces, axis=1)
    length = min(joined.shape[1], whole.shape[1])
    assert np.array_equal(joined[:, :length], whole[:, :length])
    assert np.array_equal(source.read(1.0, 1.5, RATE), whole[:, RATE : RATE + RATE // 2])
    assert not source.read(-2.0, -1.0, RATE).any()
    assert source.read(100.0, 101.0, RATE).shape[1] == RATE


def test_another_reader_hears_the_same(made: Maker, rng: np.random.Generator) -> None:
    path = made("a.m4a", ticks(rng, 2.0))
    command = [imageio_ffmpeg.get_ffmpeg_exe(), "-v", "error", "-i", str(path)]
    raw = subprocess.run([*command, "-f", "f32le", "-"], capture_output=True, check=True).stdout
    other = np.frombuffer(raw, np.float32)
    ours = read_sound(probe(path), mono=True).samples[0]
    length = min(other.size, ours.size)
    assert np.abs(ours[:length] - other[:length]).max() < 1e-5


def test_a_second_sound_is_not_mixed_in(tmp_path: Path, rng: np.random.Generator) -> None:
    # The first stream counts unless the file calls another one its default.
    command = [imageio_ffmpeg.get_ffmpeg_exe(), "-v", "error", "-y"]
    for pitch in (440, 1000):
        command += ["-f", "lavfi", "-i", f"sine=frequency={pitch}:duration=1:sample_rate=48000"]
    path = tmp_path / "two.mkv"
    subprocess.run([*command, "-map", "0", "-map", "1", "-c:a", "flac", str(path)], check=True)
    heard = read_sound(probe(path), mono=True).samples[0]
    spectrum = np.abs(np.fft.rfft(heard[:RATE]))
    assert spectrum.argmax() == 440
    assert spectrum[1000] < spectrum[440] / 1000


def test_silence_between_rates_keeps_its_length() -> None:
    sound = Sound(np.zeros((2, 44_100), np.float32), 44_100)
    assert resample(sound, 16_000).samples.shape[1] == pytest.approx(16_000, abs=1)
    assert resample(sound, 44_100) is sound


class TestBadInput:
    """Each with its own words, and never a crash."""

    def test_missing(self, tmp_path: Path) -> None:
        with pytest.raises(MediaNotFoundError, match="no such file"):
            probe(tmp_path / "gone.mov")

    def test_empty(self, tmp_path: Path) -> None:
        (tmp_path / "zero.mp4").touch()
        with pytest.raises(MediaError, match="The file is empty"):
            probe(tmp_path / "zero.mp4")

    def test_folder(self, tmp_path: Path) -> None:
        with pytest.raises(MediaError, match="a folder"):
            probe(tmp_path)

    def test_no_media(self, tmp_path: Path) -> None:
        (tmp_path / "letter.mp4").write_text("Dear all, here is my part.\n" * 50)
        with pytest.raises(MediaError, match=r"letter\.mp4"):
            probe(tmp_path / "letter.mp4")

    def test_cut_off_before_its_table(self, made: Maker, rng: np.random.Generator) -> None:
        path = made("cut.mp4", ticks(rng, 2.0), pictures=50)
        path.write_bytes(path.read_bytes()[: path.stat().st_size // 2])
        with pytest.raises(MediaError, match="sent again"):
            probe(path)

    def test_cut_off_in_the_middle(self, made: Maker, rng: np.random.Generator) -> None:
        written = ticks(rng, 4.0)
        path = made("cut.mkv", written, sound_codec="flac")
        path.write_bytes(path.read_bytes()[: path.stat().st_size // 2])
        heard = read_sound(probe(path), mono=True).samples[0]
        assert 0.5 * RATE < heard.size < 4.0 * RATE
        length = heard.size - 4096
        assert np.abs(heard[:length] - written[:length]).max() < 1e-3

    def test_no_sound(self, made: Maker) -> None:
        media = probe(made("mute.mp4", None, pictures=10))
        assert media.sound is None
        with pytest.raises(MediaError, match="no sound"):
            read_sound(media)

    @pytest.mark.parametrize("name", ["-dash.mp4", "take2:final.mp4", 'a "b"\n ü 東京 🎻 %03d.mp4'])
    def test_ugly_names_open(
        self, tmp_path: Path, made: Maker, rng: np.random.Generator, name: str,
        monkeypatch: pytest.MonkeyPatch,
    ) -> None:  # fmt: skip
        made("plain.mp4", ticks(rng, 1.0)).rename(tmp_path / name)
        monkeypatch.chdir(tmp_path)
        assert probe(name).sound is not None
