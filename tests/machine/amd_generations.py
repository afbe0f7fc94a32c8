"""Boot values and ranges of AMD generations: values are invented, kinds of entries the kernel's."""

from __future__ import annotations

from dataclasses import dataclass, field


@dataclass(frozen=True)
class Generation:
    """One generation: its boot values and ranges.

    Attributes:
        engine: Which rules it has; see the module.
        boot: Entry of the table -> value after boot.
        ranges: Name in OD_RANGE -> lowest, highest.
        cap_w: Lowest (where the kernel states one), default and highest power limit; empty without.
        memory_mib: Memory of its own.
        apu: A processor with graphics.
        metrics: Revision of ``gpu_metrics``; None without.
        lowest_ceiling_mhz: Lowest value of ``s 1``, where it is another than the one shown (smu13: the limits
            of lowest and highest clock are two, and the range shows one end of each).
    """

    engine: str
    boot: dict[str, int]
    ranges: dict[str, tuple[int, int]]
    cap_w: tuple[int, int, int] | tuple[()] = ()
    memory_mib: int = 8192
    apu: bool = False
    metrics: tuple[int, int] | None = (1, 3)
    lowest_ceiling_mhz: int = 0
    fan: dict[str, int] = field(default_factory=dict)


def _levels(name: str, *levels: tuple[int, int]) -> dict[str, int]:
    return {
        f"{name}.{index}.{unit}": value
        for index, level in enumerate(levels)
        for unit, value in zip(("mhz", "mv"), level, strict=True)
    }


_FAN = {f"fan_curve.{index}.{unit}": 0 for index in range(5) for unit in ("c", "pct")} | {
    "acoustic_limit_rpm_threshold": 2000,
    "acoustic_target_rpm_threshold": 1350,
    "fan_target_temperature": 83,
    "fan_minimum_pwm": 15,
}
_CURVE_RANGES = {
    f"VDDC_CURVE_{what}[{point}]": limits
    for point in range(3)
    for what, limits in (("SCLK", (808, 2200)), ("VOLT", (738, 1218)))
}

GENERATIONS: dict[str, Generation] = {
    "polaris": Generation(
        "smu7",
        _levels(
            "sclk",
            (300, 750),
            (588, 765),
            (952, 910),
            (1041, 969),
            (1106, 1019),
            (1168, 1075),
            (1209, 1131),
            (1266, 1150),
        )
        | _levels("mclk", (300, 750), (1000, 800), (1750, 900)),
        {"SCLK": (300, 2000), "MCLK": (300, 2250), "VDDC": (750, 1200)},
        (0, 145, 217),
        metrics=None,
    ),
    "vega10": Generation(
        "vega10",
        _levels(
            "sclk",
            (852, 800),
            (991, 900),
            (1084, 950),
            (1138, 1000),
            (1200, 1050),
            (1401, 1100),
            (1536, 1150),
            (1630, 1200),
        )
        | _levels("mclk", (167, 800), (500, 800), (800, 950), (945, 1100)),
        {"SCLK": (852, 2400), "MCLK": (167, 1500), "VDDC": (800, 1200)},
        (0, 220, 330),
        metrics=None,
    ),
    "vega20": Generation(
        "vega20",
        {"sclk.0": 808, "sclk.1": 1801, "mclk.1": 1000}
        | _levels("vc", (808, 726), (1304, 822), (1801, 1093)),
        {"SCLK": (808, 2200), "MCLK": (351, 1200)} | _CURVE_RANGES,
        (0, 250, 300),
        memory_mib=16384,
        metrics=(1, 0),
    ),
    "navi10": Generation(
        "navi10",
        {"sclk.0": 800, "sclk.1": 2100, "mclk.1": 875} | _levels("vc", (800, 769), (1450, 790), (2100, 1192)),
        {"SCLK": (800, 2150), "MCLK": (625, 950)} | _CURVE_RANGES,
        (100, 195, 234),
    ),
    "navi21": Generation(
        "sienna",
        {"sclk.0": 500, "sclk.1": 2581, "mclk.0": 97, "mclk.1": 1000, "vo": 0},
        {"SCLK": (500, 2800), "MCLK": (674, 1075)},
        (100, 203, 233),
        memory_mib=16384,
    ),
    "navi21-early": Generation(  # firmware before 58.41 has no offset: sienna_cichlid_ppt.c 6.12:1396
        "sienna",
        {"sclk.0": 500, "sclk.1": 2581, "mclk.0": 97, "mclk.1": 1000},
        {"SCLK": (500, 2800), "MCLK": (674, 1075)},
        (100, 203, 233),
        memory_mib=16384,
    ),
    "navi31": Generation(
        "smu13",
        {"sclk.0": 500, "sclk.1": 2965, "mclk.0": 97, "mclk.1": 1249, "vo": 0},
        {"SCLK": (500, 5000), "MCLK": (97, 1500), "VDDGFX_OFFSET": (-450, 0)},
        (303, 339, 402),
        memory_mib=24576,
        lowest_ceiling_mhz=1000,
        fan=_FAN,
    ),
    "navi33": Generation(
        "smu13",
        {"sclk.0": 500, "sclk.1": 2700, "mclk.0": 97, "mclk.1": 1124, "vo": 0},
        {"SCLK": (500, 5000), "MCLK": (97, 1250), "VDDGFX_OFFSET": (-450, 0)},
        (145, 165, 182),
        fan=_FAN,
    ),
    "navi48": Generation(
        "smu14",
        {"sclk_offset": 0, "mclk.0": 97, "mclk.1": 1258, "vo": 0},
        {"SCLK_OFFSET": (-500, 1000), "MCLK": (97, 1500), "VDDGFX_OFFSET": (-200, 0)},
        (213, 304, 340),
        memory_mib=16384,
        fan=_FAN,
    ),
    "vangogh": Generation(
        "vangogh",
        {"sclk.0": 200, "sclk.1": 1600, "cclk.0": 1400, "cclk.1": 3500},
        {"SCLK": (200, 1600), "CCLK": (1400, 3500)},
        (0, 15, 29),
        memory_mib=1024,
        apu=True,
        metrics=(2, 3),
    ),
    "rembrandt": Generation(
        "apu",
        {"sclk.0": 200, "sclk.1": 2400},
        {"SCLK": (200, 2400)},
        memory_mib=512,
        apu=True,
        metrics=(2, 1),
    ),
}
