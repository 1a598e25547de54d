"""The formats: each writes a clip, from a seed, and says what is due in it when."""

from __future__ import annotations

import json
import os
import shutil
import subprocess
from collections.abc import Callable
from dataclasses import dataclass, replace
from fractions import Fraction
from pathlib import Path

import numpy as np
import soundfile
from coded_clips import Coded, Film, draw
from PIL import Image

from tests.boxes import boxes, rebuilt, with_edits

# Seconds of picture that a clip has where its format does not ask for something else.
LENGTH_S = 5.6

Times = list[Fraction]


@dataclass
class Draft:
    """What a format is made with: chance, a folder, the clip's number and kind."""

    rng: np.random.Generator
    folder: Path
    clip: int
    kind: str

    def path(self, ending: str = "mp4") -> Path:
        # Short: the name is written in the tile.
        return self.folder / f"c{self.clip:02d}.{ending}"

    def film(self, times: Times, ending: str = "mp4", **how: object) -> Film:
        options = how.pop("options", None) or self.x264()
        return Film(self.kind, self.clip, self.path(ending), times, options=options, **how)  # type: ignore[arg-type]

    def x264(self, *more: str) -> dict[str, str]:
        rng = self.rng
        wanted = [
            f"keyint={rng.integers(8, 70)}",
            f"bframes={rng.integers(0, 4)}",
            f"open-gop={rng.integers(0, 2)}",
            "min-keyint=4",
            "scenecut=0",
            *more,
        ]
        return {"preset": "superfast", "crf": "20", "x264-params": ":".join(wanted)}

    def steady(self, rate: Fraction = Fraction(30), length_s: float = LENGTH_S) -> Times:
        return [n / rate for n in range(int(length_s * rate))]

    def coded(self, film: Film, **how: object) -> Coded:
        """Write a film that begins at clip time 0, and describe it."""
        times = [float(time) for time in film.times_s]
        end_s = times[-1] + times[-1] - times[-2]
        path = film.write()
        return Coded(self.kind, path, times, range(len(times)), end_s, self.clip, **how)  # type: ignore[arg-type]


Form = Callable[[Draft], Coded]
FORMS: dict[str, Form] = {}


def form(name: str) -> Callable[[Form], Form]:
    """Enter a format under a name."""

    def enter(make: Form) -> Form:
        FORMS[name] = make
        return make

    return enter


BROKEN = {
    "23.976": Fraction(24000, 1001),
    "29.97": Fraction(30000, 1001),
    "59.94": Fraction(60000, 1001),
}


def _rate(name: str) -> None:
    rate = BROKEN.get(name) or Fraction(name)

    @form(f"{name} a second")
    def make(draft: Draft) -> Coded:
        return draft.coded(draft.film(draft.steady(rate), clock=rate.numerator))


for _name in ("23.976", "24", "25", "29.97", "30", "50", "59.94", "60", "120"):
    _rate(_name)


def _wandering(rng: np.random.Generator, clock: int, gaps: bool) -> Times:
    """Return the moments of a phone's pictures, in whole ticks of a clock."""
    steps = rng.uniform(0.6, 1.8, 400) / 30
    if gaps:
        steps[rng.integers(20, 120, 3)] = rng.uniform(0.3, 0.8, 3)
    at = np.concatenate([[0.0], np.cumsum(steps)])
    return [Fraction(round(t * clock), clock) for t in at[at < LENGTH_S]]


@form("variable rate")
def _(draft: Draft) -> Coded:
    return draft.coded(draft.film(_wandering(draft.rng, 90_000, False)))


@form("variable rate, gaps")
def _(draft: Draft) -> Coded:
    return draft.coded(draft.film(_wandering(draft.rng, 90_000, True)))


@form("variable rate, clock of 600")
def _(draft: Draft) -> Coded:
    return draft.coded(draft.film(_wandering(draft.rng, 600, True), "mov", clock=600))


MATRICES = {
    "turned 90": (0, 1, -1, 0),
    "turned 180": (-1, 0, 0, -1),
    "turned 270": (0, -1, 1, 0),
    "mirrored": (-1, 0, 0, 1),
    "upside down mirrored": (1, 0, 0, -1),
    "mirrored, turned 90": (0, 1, 1, 0),
    "mirrored, turned 270": (0, -1, -1, 0),
}


def _turned(name: str, matrix: tuple[int, int, int, int]) -> None:
    @form(name)
    def make(draft: Draft) -> Coded:
        shape = (360, 640) if matrix[0] == 0 else (640, 360)
        return draft.coded(draft.film(draft.steady(), shape=shape, matrix=matrix))


for _name, _matrix in MATRICES.items():
    _turned(_name, _matrix)

VP9 = {"deadline": "realtime", "cpu-used": "8", "b": "3M", "g": "40"}


@form("odd size, VP9")
def _(draft: Draft) -> Coded:
    shape = tuple(int(n) for n in draft.rng.integers(150, 330, 2) * 2 + 1)
    return draft.coded(
        draft.film(
            _to_ms(draft.steady(Fraction(25))),
            "webm",
            shape=shape,
            codec="libvpx-vp9",
            options=VP9,
            clock=1000,
            sound_codec="libopus",
        )
    )


@form("odd size, 4:4:4")
def _(draft: Draft) -> Coded:
    film = draft.film(draft.steady(), shape=(643, 361), pixels="yuv444p")
    return draft.coded(film)


@form("tall and narrow")
def _(draft: Draft) -> Coded:
    return draft.coded(draft.film(draft.steady(), shape=(202, 640)))


@form("pixels 4:3")
def _(draft: Draft) -> Coded:
    return draft.coded(draft.film(draft.steady(), shape=(640, 360), size=(480, 360)))


@form("pixels 16:15, PAL")
def _(draft: Draft) -> Coded:
    return draft.coded(
        draft.film(
            draft.steady(Fraction(25)), shape=(768, 576), size=(720, 576), colour=(5, 6, 5, 1)
        )
    )


def _interlaced(name: str, second: int, word: str) -> None:
    @form(name)
    def make(draft: Draft) -> Coded:
        rate = [Fraction(25), Fraction(30000, 1001)][draft.rng.integers(2)]
        film = draft.film(
            draft.steady(rate),
            shape=(720, 576),
            fields=second,
            clock=rate.numerator,
            options=draft.x264(f"{word}=1"),
        )
        return draft.coded(film)


_interlaced("interlaced, top first", 1, "tff")
_interlaced("interlaced, bottom first", 2, "bff")


def _coloured(name: str, **how: object) -> None:
    @form(name)
    def make(draft: Draft) -> Coded:
        return draft.coded(draft.film(draft.steady(), **how))  # type: ignore[arg-type]


HEVC = {"preset": "ultrafast", "crf": "20", "x265-params": "log-level=none:keyint=40"}
_coloured("BT.601", colour=(6, 6, 6, 1))
_coloured("untagged", colour=(2, 2, 2, 0))
_coloured("full range", colour=(1, 1, 1, 2), pixels="yuvj420p")
_coloured("HEVC", codec="libx265", options=HEVC)
_coloured(
    "HEVC 10 bit HLG",
    ending="mov",
    codec="libx265",
    options=HEVC,
    pixels="yuv420p10le",
    colour=(9, 18, 9, 1),
)
_coloured(
    "HEVC 10 bit PQ", codec="libx265", options=HEVC, pixels="yuv420p10le", colour=(9, 16, 9, 1)
)
_coloured("H.264 4:2:2", pixels="yuv422p")
_coloured(
    "motion JPEG",
    ending="mov",
    codec="mjpeg",
    options={"q": "3"},
    pixels="yuvj420p",
    colour=(1, 1, 1, 2),
)


@form("MPEG-4 in AVI")
def _(draft: Draft) -> Coded:
    options = {"b": "4M"}
    film = draft.film(
        draft.steady(), "avi", codec="mpeg4", options=options, sound_codec="libmp3lame", clock=30
    )
    coded = draft.coded(film)
    # An AVI knows no timestamps: where its writer has left a gap, ffprobe tells.
    times = [round(time * 30) / 30 for time in _presented_s(film.path)]
    return replace(coded, times_s=times, numbers=range(len(times)))


_coloured(
    "phone: HEVC HLG turned 90",
    ending="mov",
    codec="libx265",
    options=HEVC,
    pixels="yuv420p10le",
    colour=(9, 18, 9, 1),
    shape=(360, 640),
    matrix=(0, 1, -1, 0),
    clock=600,
)
_coloured("H.264 10 bit", pixels="yuv420p10le")
_coloured("ProRes", ending="mov", codec="prores_ks", options={"profile": "1"}, pixels="yuv422p10le")
_coloured("AV1", codec="libsvtav1", options={"preset": "10", "crf": "14", "svtav1-params": "lp=1"})


def _to_ms(times: Times) -> Times:
    """Round as Matroska does: to milliseconds."""
    return [Fraction(round(time * 1000), 1000) for time in times]


@form("WebM without length")
def _(draft: Draft) -> Coded:
    return draft.coded(
        draft.film(
            _to_ms(draft.steady()),
            "webm",
            codec="libvpx-vp9",
            options=VP9,
            clock=1000,
            container="webm",
            pipe=True,
            sound_codec="libopus",
        )
    )


@form("Matroska")
def _(draft: Draft) -> Coded:
    return draft.coded(draft.film(_to_ms(draft.steady()), "mkv", clock=1000, sound_from_s=None))


def _presented_s(path: Path) -> list[float]:
    """Return when each picture is presented, as Debian's ffprobe says."""
    command = ["ffprobe", "-v", "error", "-select_streams", "v", "-show_entries"]
    command += ["frame=pts_time", "-of", "json", str(path)]
    done = subprocess.run(command, capture_output=True, check=True, text=True)
    frames = json.loads(done.stdout)["frames"]
    return [float(frame["pts_time"]) for frame in frames if "pts_time" in frame]


def _starts_s(path: Path, stream: str) -> float:
    """Return when a stream's first packet is presented, as Debian's ffprobe says."""
    command = ["ffprobe", "-v", "error", "-select_streams", stream, "-show_entries"]
    command += ["packet=pts_time", "-of", "json", str(path)]
    done = subprocess.run(command, capture_output=True, check=True, text=True)
    return min(float(p["pts_time"]) for p in json.loads(done.stdout)["packets"])


@form("MPEG-TS")
def _(draft: Draft) -> Coded:
    coded = draft.coded(draft.film(draft.steady(), "ts", container="mpegts"))
    # Here the coder's priming is presented: the sound begins before the picture.
    video_s, sound_s = _starts_s(coded.path, "v"), _starts_s(coded.path, "a")
    return _later(coded, video_s - min(video_s, sound_s))


def _copied(draft: Draft, coded: Coded, ending: str, *how: str) -> Coded:
    """Copy the streams of a clip with ffmpeg; what is presented when, its ffprobe says."""
    out = draft.folder / f"r{draft.clip:02d}.{ending}"
    command = ["ffmpeg", "-v", "error", "-i", str(coded.path), "-c", "copy", *how, str(out)]
    subprocess.run(command, check=True)
    coded.path.unlink()
    times = _presented_s(out)
    floor_s = 0.0 if ending in ("mp4", "mov") else -1e9
    zero_s = min(times[0], max(floor_s, _starts_s(out, "a")))
    return replace(
        coded, path=out, times_s=[t - zero_s for t in times], end_s=times[-1] + 1 / 30 - zero_s
    )


@form("no edit list")
def _(draft: Draft) -> Coded:
    coded = draft.coded(draft.film(draft.steady()))
    return _copied(draft, coded, "mp4", "-use_editlist", "0")


@form("MPEG-TS from 26 hours on")
def _(draft: Draft) -> Coded:
    # Its clock of 33 bit starts again at 0 after 95443.7 s.
    coded = draft.coded(draft.film(draft.steady()))
    return _copied(draft, coded, "ts", "-output_ts_offset", "95430")


@form("MPEG-TS whose clock starts again")
def _(draft: Draft) -> Coded:
    coded = draft.coded(draft.film(draft.steady()))
    return _copied(draft, coded, "ts", "-output_ts_offset", "95439.8")


@form("camcorder: MPEG-2 interlaced")
def _(draft: Draft) -> Coded:
    film = draft.film(
        draft.steady(Fraction(25)),
        "mpg",
        shape=(1024, 576),
        size=(720, 576),
        codec="mpeg2video",
        options={"b": "6M", "g": "12", "bf": "2"},
        fields=1,
        sound_codec="mp2",
        colour=(5, 6, 5, 1),
        clock=25,
    )
    coded = draft.coded(film)
    return _copied(draft, coded, "ts")


@form("picture of the cover first")
def _(draft: Draft) -> Coded:
    coded = draft.coded(draft.film(draft.steady(), clock=30_000))
    cover, out = draft.folder / "cover.png", draft.folder / f"v{draft.clip:02d}.mp4"
    Image.fromarray(draw(4000, 31, (320, 320), (320, 320))).save(cover)
    command = ["ffmpeg", "-v", "error", "-i", str(cover), "-i", str(coded.path), "-map", "0"]
    command += ["-map", "1", "-c", "copy", "-disposition:v:0", "attached_pic", str(out)]
    subprocess.run(command, check=True)
    coded.path.unlink()
    return replace(coded, path=out)


def _later(coded: Coded, by_s: float) -> Coded:
    """Move all pictures of a clip."""
    return replace(coded, times_s=[t + by_s for t in coded.times_s], end_s=coded.end_s + by_s)


def _edited(draft: Draft, edits: list[tuple[float | None, float]], **how: object) -> Coded:
    """Write a clip whose edit list shows some stretches of it."""
    film = draft.film(draft.steady(), clock=30_000, **how)
    times = [float(t) for t in film.times_s]
    film.write()
    film.path.write_bytes(with_edits(film.path.read_bytes(), edits))
    shown: list[tuple[float, int]] = []
    at_s = 0.0
    for media_s, length_s in edits:
        if media_s is not None:
            for number, begin_s in enumerate(times):
                is_over, is_to_come = begin_s + 1 / 30 <= media_s, begin_s >= media_s + length_s
                if not is_over and not is_to_come:
                    shown.append((at_s + max(0.0, begin_s - media_s), number))
        at_s += length_s
    ends_s = at_s
    return Coded(
        draft.kind, film.path, [t for t, _ in shown], [n for _, n in shown], ends_s, draft.clip
    )


@form("cut on a picture")
def _(draft: Draft) -> Coded:
    return _edited(draft, [(0.6, 4.8)])


@form("cut between pictures")
def _(draft: Draft) -> Coded:
    return _edited(draft, [(round(0.6 + float(draft.rng.uniform(0.003, 0.03)), 3), 4.8)])


@form("several cuts")
def _(draft: Draft) -> Coded:
    first, second, third = (
        round(float(x), 3) for x in draft.rng.uniform((0, 1.6, 3.2), (0.5, 2, 3.6))
    )
    return _edited(draft, [(first, 1.1), (third, 1.7), (second, 1.4)])


@form("picture late")
def _(draft: Draft) -> Coded:
    late = Fraction(int(draft.rng.integers(100, 700)), 1000)
    film = draft.film([t + late for t in draft.steady()])
    return draft.coded(film)


@form("sound late")
def _(draft: Draft) -> Coded:
    return draft.coded(draft.film(draft.steady(), sound_from_s=float(draft.rng.uniform(0.1, 0.7))))


@form("sound late, QuickTime")
def _(draft: Draft) -> Coded:
    return draft.coded(
        draft.film(draft.steady(), "mov", sound_from_s=float(draft.rng.uniform(0.1, 0.7)))
    )


@form("timecode track first")
def _(draft: Draft) -> Coded:
    film = draft.film(draft.steady(), clock=30_000)
    coded = draft.coded(film)
    out = draft.path("tc.mov")
    command = ["ffmpeg", "-v", "error", "-i", str(coded.path), "-c", "copy"]
    subprocess.run([*command, "-timecode", "01:00:00:00", str(out)], check=True)
    data = out.read_bytes()
    moov = next(each for each in boxes(data) if each.kind == b"moov")
    inside = boxes(moov.body)
    tracks = [each for each in inside if each.kind == b"trak"]
    body = b"".join(each.whole for each in inside if each.kind == b"mvhd")
    body += b"".join(track.whole for track in (tracks[-1], *tracks[:-1]))
    body += b"".join(each.whole for each in inside if each.kind not in (b"mvhd", b"trak"))
    out.write_bytes(rebuilt(data, moov, body))
    coded.path.unlink()
    return replace(coded, path=out)


@form("open groups")
def _(draft: Draft) -> Coded:
    options = {**draft.x264(), "x264-params": "keyint=20:bframes=3:b-adapt=0:open-gop=1:scenecut=0"}
    return draft.coded(draft.film(draft.steady(), options=options))


@form("no key pictures but the first")
def _(draft: Draft) -> Coded:
    options = {
        **draft.x264(),
        "x264-params": "keyint=infinite:bframes=3:scenecut=0:intra-refresh=0",
    }
    return draft.coded(draft.film(draft.steady(), options=options))


@form("fragments")
def _(draft: Draft) -> Coded:
    film = draft.film(draft.steady())
    coded = draft.coded(film)
    out = draft.folder / f"f{draft.clip:02d}.mp4"
    command = ["ffmpeg", "-v", "error", "-i", str(coded.path), "-c", "copy", "-movflags"]
    subprocess.run([*command, "frag_keyframe+empty_moov", str(out)], check=True)
    coded.path.unlink()
    # Without an edit list the delay of the reordered pictures is presented.
    video_s, sound_s = _starts_s(out, "v"), _starts_s(out, "a")
    return _later(replace(coded, path=out), video_s - min(video_s, max(sound_s, 0.0)))


@form("stream copy from 1.3 s")
def _(draft: Draft) -> Coded:
    coded = draft.coded(draft.film(draft.steady(), clock=30_000))
    out = draft.folder / f"k{draft.clip:02d}.mp4"
    command = ["ffmpeg", "-v", "error", "-ss", "1.3", "-i", str(coded.path), "-c", "copy"]
    subprocess.run([*command, str(out)], check=True)
    coded.path.unlink()
    shown = [(max(0.0, t - 1.3), n) for n, t in enumerate(coded.times_s) if t + 1 / 30 > 1.3001]
    return replace(
        coded,
        path=out,
        times_s=[t for t, _ in shown],
        numbers=[n for _, n in shown],
        end_s=coded.end_s - 1.3,
    )


@form("early end")
def _(draft: Draft) -> Coded:
    return draft.coded(draft.film(draft.steady(length_s=float(draft.rng.uniform(2.0, 3.4)))))


@form("picture ends before sound")
def _(draft: Draft) -> Coded:
    coded = draft.coded(draft.film(draft.steady(length_s=2.5), sound_from_s=None))
    sound = draft.folder / "longer.wav"
    soundfile.write(sound, draft.rng.normal(0, 0.03, 48_000 * 5), 48_000)
    out = draft.folder / f"s{draft.clip:02d}.mp4"
    command = ["ffmpeg", "-v", "error", "-i", str(coded.path), "-i", str(sound), "-c:v", "copy"]
    subprocess.run([*command, "-c:a", "aac", str(out)], check=True)
    coded.path.unlink()
    sound.unlink()
    return replace(coded, path=out)


@form("picture without sound")
def _(draft: Draft) -> Coded:
    return draft.coded(draft.film(draft.steady(), sound_from_s=None))


@form("damaged stretch")
def _(draft: Draft) -> Coded:
    options = {**draft.x264(), "x264-params": "keyint=15:bframes=2:scenecut=0"}
    coded = draft.coded(draft.film(draft.steady(), options=options))
    data = bytearray(coded.path.read_bytes())
    at = int(len(data) * draft.rng.uniform(0.35, 0.55))
    data[at : at + 3000] = bytes(3000)
    coded.path.write_bytes(data)
    return replace(coded, held=30)


@form("long, drift 150 ppm")
def _(draft: Draft) -> Coded:
    return draft.coded(draft.film(draft.steady(length_s=65)))


@form("the same file twice, first")
def _(draft: Draft) -> Coded:
    coded = draft.coded(draft.film(draft.steady()))
    shutil.copy(coded.path, draft.folder / "twin.mp4")
    return coded


@form("the same file twice, second")
def _(draft: Draft) -> Coded:
    path = draft.path()
    os.replace(draft.folder / "twin.mp4", path)
    times = [float(t) for t in draft.steady()]
    return Coded(draft.kind, path, times, range(len(times)), times[-1] + 1 / 30, draft.clip - 1)


def _still(name: str, ending: str, shape: tuple[int, int]) -> None:
    @form(name)
    def make(draft: Draft) -> Coded:
        luma = draw(draft.clip, draft.clip, shape, shape)
        image = Image.fromarray(luma)
        path = draft.path(ending)
        if ending == "jpg":
            exif = Image.Exif()
            exif[0x0112] = 6  # to be turned clockwise by 90 degrees
            image.transpose(Image.Transpose.ROTATE_90).save(path, quality=92, exif=exif)
        else:
            image.save(path)
        return Coded(draft.kind, path, [-1e9], [draft.clip], 1e9, draft.clip)


_still("still image", "png", (640, 360))
_still("photo, turned", "jpg", (480, 640))


@form("sound alone")
def _(draft: Draft) -> Coded:
    path = draft.path("wav")
    soundfile.write(path, draft.rng.normal(0, 0.03, 48_000 * 5), 48_000)
    return Coded(draft.kind, path, [], [], 5.0, draft.clip, shown=False)
