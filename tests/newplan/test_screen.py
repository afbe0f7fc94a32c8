"""A screen's mode from its identification data.

The timings are those of CTA-861 (video code 16: 1920 x 1080 at 60 Hz is 148.5 MHz over 2200 x 1125) and VESA
CVT reduced blanking (2560 x 1440 at 59.951 Hz is 241.5 MHz over 2720 x 1481).
"""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from harness.newplan.screen import screen_of


def edid(clock_khz, across, across_blank, down, down_blank, *, interlaced=False) -> bytes:
    block = bytearray(128)
    block[:8] = bytes((0, 255, 255, 255, 255, 255, 255, 0))
    block[54:56] = (clock_khz // 10).to_bytes(2, "little")
    block[56:59] = bytes((across & 255, across_blank & 255, across >> 8 << 4 | across_blank >> 8))
    block[59:62] = bytes((down & 255, down_blank & 255, down >> 8 << 4 | down_blank >> 8))
    block[71] = 0x80 if interlaced else 0
    block[127] = -sum(block) % 256
    return bytes(block)


@pytest.mark.parametrize(
    ("timing", "width", "height", "refresh_hz"),
    [
        ((148_500, 1920, 280, 1080, 45), 1920, 1080, 60.0),
        ((241_500, 2560, 160, 1440, 41), 2560, 1440, 59.951),
    ],
)
def test_published_timings(timing, width, height, refresh_hz):
    found = screen_of(edid(*timing))
    assert found is not None
    assert (found.width_px, found.height_px) == (width, height)
    assert found.refresh_hz == pytest.approx(refresh_hz, abs=0.001)


def test_broken_data_is_no_screen():
    whole = edid(148_500, 1920, 280, 1080, 45)
    assert screen_of(whole[:100]) is None
    assert screen_of(whole[:60] + b"x" + whole[61:]) is None
    assert screen_of(b"") is None


@given(st.binary(max_size=300))
def test_any_data_is_taken(data):
    screen_of(data)
