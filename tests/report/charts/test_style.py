"""Contrast and colour blindness, checked against published formulas and a colour library."""

import itertools
import warnings

import numpy as np
import pytest

from harness.report.charts import style

with warnings.catch_warnings():
    warnings.simplefilter("ignore")
    colorspacious = pytest.importorskip("colorspacious")


def rgb(value: str) -> list[float]:
    return [int(value[i : i + 2], 16) / 255 for i in (1, 3, 5)]


def contrast(a: str, b: str) -> float:
    """Source: WCAG 2.2, definitions of relative luminance and contrast ratio."""

    def luminance(value: str) -> float:
        linear = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in rgb(value)]
        return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]

    low, high = sorted((luminance(a), luminance(b)))
    return (high + 0.05) / (low + 0.05)


@pytest.mark.parametrize("ground", ["light", "dark"])
@pytest.mark.parametrize("role", [style.INK, style.QUIET_INK, style.ALERT, style.GOOD], ids=lambda r: r.name)
def test_text_stands_out_from_every_ground_it_is_printed_on(role: style.Role, ground: str) -> None:
    """Source: WCAG 2.2, success criterion 1.4.3: at least 4.5 to 1."""
    grounds = (
        [style.PAPER] if role in (style.ALERT, style.GOOD) else [style.PAPER, style.PHASE_A, style.PHASE_B]
    )
    for paper in grounds:
        assert contrast(getattr(role, ground), getattr(paper, ground)) >= 4.5


@pytest.mark.parametrize("ground", ["light", "dark"])
@pytest.mark.parametrize("role", [*style.PROFILE_ROLES, style.BAND_EDGE], ids=lambda r: r.name)
def test_marks_and_lines_stand_out_from_the_ground(role: style.Role, ground: str) -> None:
    """Source: WCAG 2.2, success criterion 1.4.11: at least 3 to 1."""
    assert contrast(getattr(role, ground), getattr(style.PAPER, ground)) >= 3.0


@pytest.mark.parametrize("ground", ["light", "dark"])
@pytest.mark.parametrize("kind", ["", "deuteranomaly", "protanomaly", "tritanomaly"])
def test_any_two_profiles_can_be_told_apart_without_full_colour_vision(kind: str, ground: str) -> None:
    """Source: Machado, Oliveira & Fernandes 2009 (simulation) and Luo, Cui & Li 2006 (CAM02-UCS), as
    implemented by colorspacious. A distance of 1 is about just noticeable; 14 is far more than that."""
    seen = []
    for role in style.PROFILE_ROLES:
        value = np.array(rgb(getattr(role, ground)))
        if kind:
            space = {"name": "sRGB1+CVD", "cvd_type": kind, "severity": 100}
            value = np.clip(colorspacious.cspace_convert(value, space, "sRGB1"), 0, 1)
        seen.append(colorspacious.cspace_convert(value, "sRGB1", "CAM02-UCS"))
    assert min(np.linalg.norm(a - b) for a, b in itertools.combinations(seen, 2)) >= 13.5


def test_profiles_differ_by_mark_and_dash_as_well_as_by_colour() -> None:
    looks = style.profile_looks([f"p{i}" for i in range(20)], "p3")
    assert looks["p3"].role.name == "p0", "the reference takes the first colour"
    assert len({(v.role.name, v.mark) for v in looks.values()}) == 20
    assert len({v.mark for v in list(looks.values())[:8]}) == 8
    assert len({v.dash for v in list(looks.values())[:8]}) == 8


def test_every_light_value_belongs_to_one_role_only() -> None:
    values = [role.light for role in style.ROLES]
    assert len(set(values)) == len(values), "a drawing's colours are swapped for CSS variables by their value"
