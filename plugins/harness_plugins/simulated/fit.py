"""Fits a card's model to a measured heating and cooling curve: idle, full load, idle again.

Two steps. The thermal network takes the measured power as given and is fitted to the measured temperature by
least squares; the fan, where it is not reported, is a fan that follows the core temperature with a lag.
Then the parts of the power follow linearly from power, clock and temperature. What a single curve can't tell
apart (air temperature and conductance, board and clock tree) is fixed by assumption, stated at each place.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.optimize import least_squares, nnls

from harness.errors import HarnessError

from .card import CardModel
from .cooling import Cooling
from .curve import Curve
from .governor import Governor
from .power import Power
from .thermal import Network

Array = NDArray[np.float64]
#: Step of the thermal fit.
_FIT_STEP_S = 0.5
#: Share of the load-free power that is taken for the board, the rest being clock tree and leakage.
_BOARD_SHARE = 0.4
_LOADED_PCT = 50.0


class FitError(HarnessError):
    """A trace can't be fitted: too short, no load in it, or a quantity is missing."""

    exit_code = 2


@dataclass(frozen=True)
class Trace:
    """A heating and cooling curve; arrays of shape (samples,), times rising.

    Attributes:
        t_s: Time.
        power_w: Power of the card, as little averaged as the driver offers.
        core_temp_c: Core temperature.
        core_clock_mhz: Core clock.
        gpu_load_pct: Load of the card.
        ambient_c: Temperature of the air; an assumption where it was not measured.
    """

    t_s: Array
    power_w: Array
    core_temp_c: Array
    core_clock_mhz: Array
    gpu_load_pct: Array
    ambient_c: float = 25.0

    def loaded(self) -> NDArray[np.bool_]:
        """Samples under load; dips and peaks shorter than half a second don't count."""
        width = 2 * round(0.5 / float(np.median(np.diff(self.t_s)))) + 1
        smooth = pd.Series(self.gpu_load_pct).rolling(width, center=True, min_periods=1).median()
        return np.asarray(smooth.to_numpy() > _LOADED_PCT)


_TRACE_COLUMNS = ("t_s", "power_w", "core_temp_c", "core_clock_mhz", "gpu_load_pct")


def trace_from_table(table: pd.DataFrame, ambient_c: float | None = None) -> Trace:
    """A trace from telemetry (columns of ``harness.tables.TELEMETRY``); rows that lack a value are left out.

    Raises:
        FitError: A needed column is missing or the trace is too short.
    """
    missing = [name for name in _TRACE_COLUMNS if name not in table or table[name].notna().sum() < 20]
    if missing:
        raise FitError(f"the trace has no {', '.join(missing)}; measure on a card that reports these")
    if ambient_c is None and "ambient_temp_c" in table and table["ambient_temp_c"].notna().any():
        ambient_c = float(table["ambient_temp_c"].mean())
    rows = table.dropna(subset=list(_TRACE_COLUMNS)).sort_values("t_s")
    columns = {name: rows[name].to_numpy(dtype=np.float64) for name in _TRACE_COLUMNS}
    return Trace(
        t_s=columns["t_s"],
        power_w=columns["power_w"],
        core_temp_c=columns["core_temp_c"],
        core_clock_mhz=columns["core_clock_mhz"],
        gpu_load_pct=columns["gpu_load_pct"],
        ambient_c=25.0 if ambient_c is None else ambient_c,
    )


@dataclass(frozen=True)
class CardFit:
    """A fitted model and how well it follows the temperature that it was fitted to.

    Attributes:
        card: The model.
        temperature_rms_k: Root mean square of model less measured temperature, with the measured power.
        fan_start_pct: Fan at the trace's start.
    """

    card: CardModel
    temperature_rms_k: float
    fan_start_pct: float


def fit_card_model(
    trace: Trace, *, name: str = "fitted card", origin: str = "", power_limit_w: float | None = None
) -> CardFit:
    """Fit a card's model to a trace.

    Args:
        trace: At least 20 s without load and 30 s under load.
        name: Card's name, for reports.
        origin: Where the trace comes from.
        power_limit_w: Power limit in force; None: taken from the plateau of the power under load.

    Raises:
        FitError: The trace has no load or no rest in it.
    """
    loaded = trace.loaded()
    step_s = float(np.median(np.diff(trace.t_s)))
    if loaded.sum() * step_s < 30 or (~loaded).sum() * step_s < 20:
        raise FitError(
            "the trace needs at least 30 s under load and 20 s without; "
            f"it has {loaded.sum() * step_s:.0f} s and {(~loaded).sum() * step_s:.0f} s"
        )
    network, cooling, fan_start_pct, rms_k = _fit_thermal(trace)
    plateau_w = float(np.median(trace.power_w[loaded]))
    limit_w = plateau_w if power_limit_w is None else power_limit_w
    curve = _curve(trace, loaded)
    power = _fit_power(trace, loaded, curve)
    card = CardModel(
        name=name,
        origin=origin or "fitted to a measured trace",
        curve=curve,
        power=power,
        network=network,
        cooling=cooling,
        governor=Governor(
            power_limit_w=limit_w,
            power_limit_range_w=(0.4 * limit_w, limit_w),
            temp_limit_c=max(87.0, float(trace.core_temp_c.max()) + 5.0),
            idle_after_s=0.0,
        ),
        memory_k_per_w=None,
        hotspot_k_per_w=None,
    )
    return CardFit(card, rms_k, fan_start_pct)


# -- thermal part ------------------------------------------------------------------------------------------

#: Start values and bounds: die J/K, R K/W, cooler J/K, conductance slow and fast W/K, fan lag s, temperature
#: at which the fan starts to rise °C, span to its full speed K, fan at the start %.
_START = (60.0, 0.03, 400.0, 8.0, 16.0, 40.0, 50.0, 20.0, 10.0)
_LOW = (5.0, 0.002, 30.0, 0.3, 0.5, 1.0, 20.0, 2.0, 0.0)
_HIGH = (600.0, 0.5, 5000.0, 60.0, 120.0, 300.0, 95.0, 60.0, 100.0)


def _fit_thermal(trace: Trace) -> tuple[Network, Cooling, float, float]:
    grid_s = np.arange(trace.t_s[0], trace.t_s[-1], _FIT_STEP_S)
    power_w = np.interp(grid_s, trace.t_s, trace.power_w)
    energy_j = np.concatenate(
        ([0.0], np.cumsum(np.diff(trace.t_s) * (trace.power_w[1:] + trace.power_w[:-1]) / 2))
    )
    ends_j = np.interp(np.append(grid_s, grid_s[-1] + _FIT_STEP_S), trace.t_s, energy_j)
    power_w[:-1] = np.diff(ends_j)[:-1] / _FIT_STEP_S
    measured_c = np.interp(grid_s, trace.t_s, trace.core_temp_c)
    # a whole-degree sensor shows the degree below: half a degree more is the better guess
    half_k = 0.5 if np.all(trace.core_temp_c == np.round(trace.core_temp_c)) else 0.0
    measured_c = measured_c + half_k
    scale = np.asarray(_START)
    steady_w_per_k = _steady_conductance(trace)
    scale[3], scale[4] = steady_w_per_k * 0.7, steady_w_per_k * 1.3

    def residuals(relative: Array) -> Array:
        modelled_c = _simulate(relative * scale, grid_s.size, power_w, measured_c[0], trace.ambient_c)
        return modelled_c - measured_c

    solution = least_squares(
        residuals,
        np.ones(scale.size),
        bounds=(np.asarray(_LOW) / scale, np.asarray(_HIGH) / scale),
        x_scale=1.0,
        diff_step=np.full(scale.size, 1e-3),
        loss="soft_l1",
        max_nfev=60,
    )
    values = solution.x * scale
    rms_k = float(np.sqrt(np.mean(residuals(solution.x) ** 2)))
    network, cooling, fan_start_pct = _parts(values)
    return network, cooling, fan_start_pct, rms_k


def _steady_conductance(trace: Trace) -> float:
    """Conductance by the last tenth of the trace, W/K."""
    last = slice(-max(10, trace.t_s.size // 10), None)
    rise_k = max(3.0, float(trace.core_temp_c[last].mean()) - trace.ambient_c)
    return float(trace.power_w[last].mean()) / rise_k


def _parts(values: Array) -> tuple[Network, Cooling, float]:
    die, link, cooler, slow, fast, lag_s, rise_c, span_k, fan_start_pct = (float(v) for v in values)
    network = Network(die_j_per_k=die, die_to_cooler_k_per_w=link, cooler_j_per_k=cooler)
    cooling = Cooling(
        curve=((rise_c, 0.0), (rise_c + span_k, 100.0)),
        lag_s=lag_s,
        still_w_per_k=slow,
        flow_w_per_k=max(0.0, fast - slow),
        flow_exponent=1.0,
        full_rpm=None,
    )
    return network, cooling, fan_start_pct


def _simulate(values: Array, count: int, power_w: Array, start_c: float, ambient_c: float) -> Array:
    """Core temperature of the model at each step with the power given, °C."""
    network, cooling, fan_pct = _parts(values)
    core_c = start_c
    cooler_c = start_c - float(power_w[0]) * network.die_to_cooler_k_per_w
    steps = [network.step(cooling.conductance_w_per_k(2.0 * fan), _FIT_STEP_S) for fan in range(51)]
    (rise_c, _), (full_c, _) = cooling.curve
    gain = 100.0 / (full_c - rise_c)
    share = _FIT_STEP_S / cooling.lag_s
    modelled_c = np.empty(count)
    for k, power in enumerate(power_w.tolist()):
        modelled_c[k] = core_c
        # between two of the prepared speeds, so that the fit sees a smooth function
        place = fan_pct / 2.0
        low = min(49, int(place))
        part = place - low
        a = steps[low].advance(core_c, cooler_c, power, ambient_c)
        b = steps[low + 1].advance(core_c, cooler_c, power, ambient_c)
        core_c, cooler_c = a[0] + part * (b[0] - a[0]), a[1] + part * (b[1] - a[1])
        wanted_pct = min(100.0, max(0.0, gain * (core_c - rise_c)))
        fan_pct += (wanted_pct - fan_pct) * share
    return modelled_c


# -- power part --------------------------------------------------------------------------------------------


def _curve(trace: Trace, loaded: NDArray[np.bool_]) -> Curve:
    """Clock range from the trace; the voltages are the built-in curve's, stretched to that range."""
    step_mhz = 15.0
    max_mhz = float(trace.core_clock_mhz.max())
    idle_mhz = float(np.median(trace.core_clock_mhz[~loaded]))
    built_in = Curve()
    stretch = max_mhz / built_in.max_clock_mhz
    lowest_mhz = idle_mhz - step_mhz * int(max(0.0, idle_mhz - 210.0) // step_mhz)
    return Curve(
        lowest_clock_mhz=lowest_mhz,
        idle_clock_mhz=idle_mhz,
        max_clock_mhz=max_mhz,
        step_mhz=step_mhz,
        floor_clock_mhz=built_in.floor_clock_mhz * stretch,
        floor_mv=built_in.floor_mv,
        linear_mv_per_mhz=built_in.linear_mv_per_mhz / stretch,
        quadratic_mv_per_mhz2=built_in.quadratic_mv_per_mhz2 / stretch**2,
        guard_band_mv=built_in.guard_band_mv,
    )


def _fit_power(trace: Trace, loaded: NDArray[np.bool_], curve: Curve) -> Power:
    """Parts of the power by non-negative least squares, over a range of leakage slopes."""
    settled = _settled(trace, loaded)
    clock_mhz = trace.core_clock_mhz[settled]
    volt = np.asarray([curve.voltage_mv(float(c)) for c in clock_mhz]) / 1000.0
    cv2f = volt**2 * clock_mhz / 1000.0
    active = loaded[settled].astype(np.float64)
    temp_c, power_w = trace.core_temp_c[settled], trace.power_w[settled]
    idle_w, loaded_w = float(power_w[active == 0].mean()), float(power_w[active == 1].mean())
    # load and rest weigh the same, and each relative to its own power
    weight = np.where(active == 1, 1.0 / loaded_w, 1.0 / idle_w)
    weight /= np.sqrt(np.where(active == 1, active.sum(), (1.0 - active).sum()))
    board_w = _BOARD_SHARE * idle_w
    best: tuple[float, Array, float] | None = None
    for leakage_temp_k in (15.0, 20.0, 25.0, 30.0, 35.0, 40.0, 50.0, 60.0, 80.0):
        leakage = volt**2 * np.exp((temp_c - 50.0) / leakage_temp_k)
        design = np.column_stack([cv2f, cv2f * active, leakage])
        values, misfit = nnls(design * weight[:, None], (power_w - board_w) * weight)
        if best is None or misfit < best[0]:
            best = (float(misfit), values, leakage_temp_k)
    assert best is not None
    tree, switching, leakage_w = (float(v) for v in best[1])
    return Power(
        board_w=board_w,
        memory_w=0.0,
        clock_tree_w=tree,
        switching_w=switching,
        leakage_w=leakage_w,
        leakage_temp_k=best[2],
    )


def _settled(trace: Trace, loaded: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Samples at least 2 s away from every change between load and rest."""
    keep = np.ones(trace.t_s.size, dtype=bool)
    for edge in np.flatnonzero(np.diff(loaded.astype(np.int8))):
        keep &= np.abs(trace.t_s - trace.t_s[edge]) > 2.0
    return keep
