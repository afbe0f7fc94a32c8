"""How like a picture is to a part of the screen: against its own formula in NumPy, and on what menus do."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from PIL import Image, ImageDraw

from harness.errors import HarnessError
from harness.steps.likeness import FLOOR, Picture, error_map, find, likeness_pct, load_picture, runner_up_pct

cv2 = pytest.importorskip("cv2")
RANDOM = np.random.default_rng(5)


def noise(height: int, width: int) -> np.ndarray:
    return RANDOM.integers(0, 256, (height, width, 3), dtype=np.uint8)


def button(fill: str, text: str = "Sail", size: tuple[int, int] = (120, 40)) -> np.ndarray:
    image = Image.new("RGB", size, fill)
    draw = ImageDraw.Draw(image)
    draw.rectangle((0, 0, size[0] - 1, size[1] - 1), outline="white", width=2)
    draw.text((size[0] // 3, size[1] // 3), text, fill="white")
    return np.asarray(image)[:, :, ::-1].copy()


def screen_with(part: np.ndarray, x: int, y: int, back: int = 30) -> np.ndarray:
    screen = np.full((200, 300, 3), back, np.uint8)
    screen[y : y + part.shape[0], x : x + part.shape[1]] = part
    return screen


def test_the_same_pixels_are_100_pct_like_and_are_found_where_they_are():
    part = button("#3a5068")
    found = find(screen_with(part, 37, 91), Picture(part))
    assert found is not None
    assert (found.likeness_pct, found.x, found.y) == (100.0, 37, 91)


@pytest.mark.parametrize("offset", range(4))
def test_a_quick_look_finds_the_same_place_as_a_thorough_one(offset: int):
    for part in (button("#3a5068"), button("#3a5068", size=(60, 18)), noise(48, 100)):
        screen = screen_with(part, 37 + offset, 91 - offset)
        screen[20:60, 10:130] = button("#3a5068", "Exit")
        assert find(screen, Picture(part), thorough=False) == find(screen, Picture(part))


def test_the_likeness_is_the_formula_of_the_docstring():
    """Worked out again with plain loops over colours, for a picture of one tile."""
    wanted = noise(9, 14)
    shown = np.clip(wanted.astype(int) + RANDOM.integers(-40, 41, wanted.shape), 0, 255).astype(np.uint8)
    error, own = 0.0, 0.0
    for colour in range(3):
        t, s = wanted[:, :, colour].astype(float), shown[:, :, colour].astype(float)
        error += ((s - t) ** 2).sum()
        own += ((t - t.mean()) ** 2).sum()
    assert 50 < likeness_pct(shown, Picture(wanted)) < 95
    expected = 100 * max(0.0, 1 - error / (own + wanted.size * FLOOR**2))
    assert likeness_pct(shown, Picture(wanted)) == pytest.approx(expected, abs=1e-3)


def test_the_quarter_of_the_tiles_that_fits_worst_counts():
    """Of 4 × 4 tiles of 24 × 16 px, 4 count: of them one is wholly wrong."""
    wanted = noise(64, 96)
    shown = wanted.copy()
    shown[16:32, 24:48] = 255 - shown[16:32, 24:48]
    assert likeness_pct(shown, Picture(wanted)) == pytest.approx(75)


def test_the_map_of_errors_is_the_sum_of_squares_at_each_place():
    """OpenCV's documentation of matchTemplate, TM_SQDIFF, against NumPy."""
    screen, part = noise(20, 25), noise(6, 7)
    errors = error_map(screen, Picture(part))
    for y, x in ((0, 0), (3, 11), (14, 18)):
        area = screen[y : y + 6, x : x + 7].astype(float)
        assert errors[y, x] == pytest.approx(((area - part) ** 2).sum(), rel=1e-4)


@pytest.mark.parametrize(
    ("what", "other"),
    [
        ("lit", button("#d08020")),
        ("another word", button("#3a5068", "Exit to the desktop")),
        ("dimmed", (button("#3a5068") * 0.5).astype(np.uint8)),
        ("a plain area", np.full((40, 120, 3), 60, np.uint8)),
    ],
)
def test_what_a_menu_does_to_a_button_is_told_from_it(what: str, other: np.ndarray):
    assert likeness_pct(other, Picture(button("#3a5068"))) < 80


def test_a_slight_change_of_every_pixel_is_still_like():
    part = button("#3a5068")
    shaken = np.clip(part.astype(int) + RANDOM.integers(-6, 7, part.shape), 0, 255).astype(np.uint8)
    assert likeness_pct(shaken, Picture(part)) > 95


def test_a_dark_plain_picture_is_not_like_a_grey_one():
    dark, grey = np.full((20, 20, 3), 10, np.uint8), np.full((20, 20, 3), 40, np.uint8)
    assert likeness_pct(grey, Picture(dark)) == 0
    assert likeness_pct(dark, Picture(dark)) == 100


def test_transparent_parts_count_as_anything():
    part = button("#3a5068")
    mask = np.ones(part.shape[:2], bool)
    mask[:, 60:] = False
    changed = part.copy()
    changed[:, 60:] = 255
    found = find(screen_with(changed, 50, 60), Picture(part, mask))
    assert found is not None
    assert (found.likeness_pct, found.x, found.y) == (100.0, 50, 60)


def test_the_runner_up_is_the_best_place_elsewhere():
    sail, lit = button("#3a5068"), button("#3a5068", "Exit")
    screen = screen_with(sail, 20, 20)
    screen[120:160, 100:220] = lit
    at = find(screen, Picture(sail))
    assert at is not None
    second = runner_up_pct(screen, Picture(sail), at)
    assert second == pytest.approx(likeness_pct(lit, Picture(sail)), abs=0.01)
    assert second < at.likeness_pct


def test_a_picture_larger_than_the_area_is_nowhere():
    assert find(noise(10, 10), Picture(noise(11, 5))) is None


@pytest.mark.parametrize("content", [b"", b"no picture", b"\x89PNG\r\n\x1a\n" + b"\0" * 40])
def test_a_file_that_is_no_picture_is_refused_with_its_name(content: bytes, tmp_path: Path):
    (tmp_path / "menu.png").write_bytes(content)
    with pytest.raises(HarnessError, match=r"menu\.png"):
        load_picture(tmp_path / "menu.png")


def test_a_picture_of_a_few_pixels_and_one_that_is_transparent_are_refused(tmp_path: Path):
    Image.new("RGB", (3, 3)).save(tmp_path / "dot.png")
    Image.new("RGBA", (30, 30), (0, 0, 0, 0)).save(tmp_path / "clear.png")
    with pytest.raises(HarnessError, match="too few"):
        load_picture(tmp_path / "dot.png")
    with pytest.raises(HarnessError, match="transparent"):
        load_picture(tmp_path / "clear.png")
