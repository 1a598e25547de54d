"""Where heads are: judged by planted finds, planted movement, and drawn players.

What OpenCV's classifiers find in photographs of people was tried by hand; no picture of a real
person lies here.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from itertools import cycle

import numpy as np
import pytest

from syncvid.arrays import Plane, Planes
from syncvid.picture.faces import Face
from syncvid.picture.framing import UNKNOWN, Framing, agreed_faces, measure_framing
from syncvid.picture.movement import find_movement, measure_change

HEIGHT, WIDTH = 270, 480
GREY = 126


def room(rng: np.random.Generator, noise: float = 3.0) -> Plane:
    """Draw an empty room: a wall with a gradient, and a phone's noise."""
    wall = np.linspace(90, 150, WIDTH)[None, :] + rng.normal(0, noise, (HEIGHT, WIDTH))
    return wall.clip(16, 235).astype(np.uint8)


def picture(luma: Plane) -> Planes:
    chroma = np.full((HEIGHT // 2, WIDTH // 2), 128, np.uint8)
    return luma, chroma, chroma


def player(luma: Plane, x: float, y: float, size: float) -> Plane:
    """Draw a bright ellipse as head, and a body below it."""
    rows, columns = np.mgrid[:HEIGHT, :WIDTH]
    across, down = (columns - x * WIDTH) / (size * HEIGHT), (rows - y * HEIGHT) / (size * HEIGHT)
    luma = luma.copy()
    luma[(abs(across) < 0.9) & (down > 0.5)] = 60
    luma[np.hypot(across / 0.4, down / 0.5) < 1] = 200
    return luma


def swaying(rng: np.random.Generator, x: float = 0.4, y: float = 0.3) -> list[Planes]:
    return [picture(player(room(rng), x + rng.uniform(-0.02, 0.02), y, 0.25)) for _ in range(7)]


def finds(faces: Sequence[Sequence[Face]]) -> Callable[[Plane], list[Face]]:
    """Stand in for the classifiers; what is planted is in shares of what they are shown."""
    answers = cycle(faces)
    return lambda luma: list(next(answers))


def face_at(x: float, y: float, size: float, shape: tuple[int, ...] = (HEIGHT, WIDTH)) -> Face:
    """Return a square find whose height is a share of the picture's height."""
    return Face(x, y, size * shape[0] / shape[1], size)


def looks_for(x: float, y: float, size: float) -> Callable[[Plane], list[Face]]:
    """Find the planted head's face by its brightness, as a classifier would, wherever it is cut."""

    def find(luma: Plane) -> list[Face]:
        rows, columns = np.nonzero(luma > 180)
        if not rows.size:
            return []
        height, width = luma.shape
        side = size * HEIGHT
        return [Face(columns.mean() / width, rows.mean() / height, side / width, side / height)]

    return find


def test_the_head_is_where_it_was_drawn(rng: np.random.Generator) -> None:
    framing = measure_framing(swaying(rng), looks_for(0.4, 0.3, 0.17))
    (head,) = framing.heads
    assert framing.sure == 1.0
    assert head.x == pytest.approx(0.4, abs=0.02)
    # The find of 0.17 with hair and chin is a head of 0.25, as drawn.
    assert head.height == pytest.approx(0.25, abs=0.02)
    assert head.y == pytest.approx(0.3, abs=0.04)


def test_a_portrait_on_the_wall_is_nobody(rng: np.random.Generator) -> None:
    def hung(planes: Planes) -> Planes:
        luma = planes[0].copy()
        luma[40:80, 270:310] = 220
        luma[55:60, 280:300] = 30
        return (luma, planes[1], planes[2])

    pictures = [hung(planes) for planes in swaying(rng)]
    portrait = Framing(moving=measure_framing(pictures, None).moving)
    assert portrait.moving is not None

    def find(luma: Plane) -> list[Face]:
        at = np.argwhere(luma == 220)
        if not at.size:
            return []
        (top, left), side = at[0], 40
        height, width = luma.shape
        return [Face((left + 20) / width, (top + 20) / height, side / width, side / height)]

    assert measure_framing(pictures, find) == portrait


def test_a_head_above_busy_hands_is_looked_for(rng: np.random.Generator) -> None:
    pictures = []
    for number in range(7):
        luma = player(room(rng), 0.5, 0.3 + 0.015 * (number % 2), 0.2)
        luma[170:260, 150 + 90 * (number % 2) : 240 + 90 * (number % 2)] = 20
        pictures.append(picture(luma))
    framing = measure_framing(pictures, looks_for(0.5, 0.3, 0.13))
    assert framing.moving is not None
    assert framing.moving.top > 0.35
    (head,) = framing.heads
    assert head.y == pytest.approx(0.3, abs=0.05)


def test_an_empty_room_holds_nobody_and_no_movement(rng: np.random.Generator) -> None:
    pictures = [picture(room(rng)) for _ in range(7)]
    always = finds([[face_at(0.5, 0.4, 0.2)]])
    assert measure_framing(pictures, always) == UNKNOWN


def test_a_change_of_exposure_is_no_movement(rng: np.random.Generator) -> None:
    lumas = [
        (16 + (room(rng).astype(float) - 16) * gain).astype(np.uint8)
        for gain in (1.0, 1.3, 0.8, 1.2, 0.7)
    ]
    assert find_movement(measure_change(lumas)) is None


def test_hands_that_move_are_found(rng: np.random.Generator) -> None:
    lumas = []
    for number in range(7):
        luma = room(rng)
        left = 200 + 20 * (number % 2)
        luma[150:190, left : left + 40] = 210
        lumas.append(luma)
    region = find_movement(measure_change(lumas))
    assert region is not None
    assert region.centre[0] == pytest.approx(230 / WIDTH, abs=0.03)
    assert region.centre[1] == pytest.approx(170 / HEIGHT, abs=0.03)
    assert region.right - region.left < 80 / WIDTH


def test_somebody_who_walks_past_once_does_not_count(rng: np.random.Generator) -> None:
    lumas = [room(rng) for _ in range(7)]
    lumas[3][40:260, 20:120] = 40
    assert find_movement(measure_change(lumas)) is None


def test_faces_count_where_most_pictures_agree() -> None:
    there, away = face_at(0.5, 0.3, 0.2), face_at(0.2, 0.7, 0.1)
    ((face, share),) = agreed_faces([[there], [there, away], [there], [], [there], [away], []])
    assert face == there
    assert share == pytest.approx(4 / 7)


@pytest.mark.parametrize(
    "found",
    [
        pytest.param([(0.5, 0.3, 0.2)] * 3 + [None] * 4, id="in too few pictures"),
        pytest.param([(0.5, 0.3, 0.2)] * 3, id="three agree, by chance"),
        pytest.param([(0.1 * k, 0.3, 0.1) for k in range(1, 8)], id="each elsewhere"),
        pytest.param([(0.5, 0.4, 0.05 * 1.7**k) for k in range(5)], id="each of another size"),
        pytest.param([(0.5, 0.5, 0.9)] * 7, id="larger than the picture allows"),
        pytest.param([(0.5, 0.5, 0.02)] * 7, id="smaller than anybody"),
    ],
)
def test_wrong_finds_do_not_count(found: list[tuple[float, float, float] | None]) -> None:
    assert agreed_faces([[face_at(*one)] if one else [] for one in found]) == []


def test_two_players_in_one_picture_both_count() -> None:
    left, right = face_at(0.3, 0.3, 0.2), face_at(0.7, 0.35, 0.15)
    agreed = agreed_faces([[left, right]] * 5 + [[left]])
    assert [face for face, _ in agreed] == [left, right]


def test_two_pictures_prove_nothing(rng: np.random.Generator) -> None:
    assert measure_framing(swaying(rng)[:2], looks_for(0.4, 0.3, 0.17)) == UNKNOWN
