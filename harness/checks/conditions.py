"""Checks of the conditions under which an attempt was measured. Each returns a sentence, or None."""

from __future__ import annotations

import numpy as np

from harness.checks.evidence import AttemptEvidence
from harness.numerals import MINUS, beside_limit
from harness.plan.checks_table import Checks
from harness.telemetry import foreign
from harness.telemetry.limits import ALARMING_BITS, all_reasons

#: So many programs are named in a reason, those that load most.
_NAMED = 3


def driver_reset(seen: AttemptEvidence, _: Checks) -> str | None:
    """The driver was reset or the card was lost."""
    return seen.driver_reset


def driver_error(seen: AttemptEvidence, _: Checks) -> str | None:
    """The driver reported a critical error of the card."""
    return seen.driver_error


def profile_not_in_force(seen: AttemptEvidence, _: Checks) -> str | None:
    """Clocks or power under load are not those of the profile."""
    return "; ".join(seen.profile_messages) or None


def expected_line(seen: AttemptEvidence, _: Checks) -> str | None:
    """The title's output does not show what the plan expects (such as its resolution)."""
    if not seen.missing_lines:
        return None
    wanted = ", ".join(repr(pattern) for pattern in seen.missing_lines)
    return f"the title's output has no line that matches {wanted}"


def foreign_cpu_load(seen: AttemptEvidence, limits: Checks) -> str | None:
    """Other programs used the processor."""
    load, limit = seen.foreign_cpu_load_pct, limits.foreign_cpu_load_at_most_pct
    if load is None or limit is None or load <= limit:
        return None
    return f"other programs used {beside_limit(load, limit, 1)} % of the processor (limit {limit:g} %)"


def foreign_gpu_load(seen: AttemptEvidence, limits: Checks) -> str | None:
    """Other programs used the card: it was busy before the launch, or they loaded it beyond the usual."""
    idle, limit = seen.idle_gpu_load_pct, limits.idle_gpu_load_at_most_pct
    if idle is not None and limit is not None and idle > limit:
        return f"the card was {beside_limit(idle, limit)} % busy before the title started (limit {limit:g} %)"
    if seen.gpu_programs is None:
        return None
    more = foreign.excess(seen.gpu_programs, seen.usual_gpu_programs)
    load, limit = sum(more.values()), limits.foreign_gpu_load_at_most_pct
    if limit is not None and load > limit:
        who = ", ".join(sorted(more, key=lambda name: -more[name])[:_NAMED])
        return (
            f"other programs used {beside_limit(load, limit)} % of the card beyond what is usual tonight "
            f"(limit {limit:g} %): {who}"
        )
    new, extra = (
        foreign.newcomers(seen.gpu_programs, seen.usual_gpu_programs),
        limits.extra_gpu_processes_at_most,
    )
    if extra is None or len(new) <= extra:
        return None
    return f"programs came to the card that were not there before: {', '.join(new[:_NAMED])}"


def limit_reasons(seen: AttemptEvidence, limits: Checks) -> str | None:
    """The driver held the clock down for heat or by a power brake; the plain power limit is normal."""
    limit, masks = limits.alarming_limits_at_most_pct, seen.limit_reasons
    if limit is None or not masks.size:
        return None
    alarming = masks & ALARMING_BITS
    share_pct = 100 * float(np.mean(alarming != 0))
    if share_pct <= limit:
        return None
    words = ", ".join(all_reasons(int(mask) for mask in np.unique(alarming) if mask))
    return f"{words} in {beside_limit(share_pct, limit)} % of the window (limit {limit:g} %)"


def start_temperature(seen: AttemptEvidence, limits: Checks) -> str | None:
    """The start temperature is off the night's usual one."""
    return _off("start temperature", seen.start_temp_c, seen.usual_start_temp_c, limits.start_temp_within_k)


def ambient_temperature(seen: AttemptEvidence, limits: Checks) -> str | None:
    """The ambient temperature is off the night's first one."""
    return _off(
        "ambient temperature", seen.ambient_temp_c, seen.first_ambient_temp_c, limits.ambient_temp_within_k
    )


def _off(name: str, value: float | None, wanted: float | None, band_k: float | None) -> str | None:
    if value is None or wanted is None or band_k is None or abs(value - wanted) <= band_k:
        return None
    off_k = ("+" if value > wanted else MINUS) + beside_limit(abs(value - wanted), band_k, 1)
    return f"{name} {value:.1f} °C is {off_k} K off {wanted:.1f} °C (limit {band_k:g} K)"


def telemetry_gap(seen: AttemptEvidence, limits: Checks) -> str | None:
    """Telemetry, or a quantity that limits, conditions or question need, is missing for too long."""
    gap, limit = seen.telemetry_gap_s, limits.telemetry_gap_at_most_s
    if limit is None:
        return None
    if gap is not None and gap > limit:
        return f"{beside_limit(gap, limit, 1)} s of the window are without telemetry (limit {limit:g} s)"
    found = []
    for group in seen.core_quantities:
        gap = min(_gap_s(seen, quantity) for quantity in group)
        if gap > limit:
            found.append(f"{' and '.join(group)} for {_length(seen, gap, limit)}")
    return f"not read: {', '.join(found)} (limit {limit:g} s)" if found else None


def readings_missing(seen: AttemptEvidence, limits: Checks) -> str | None:
    """A quantity that nothing depends on, such as the sound level, is missing for too long."""
    limit = limits.telemetry_gap_at_most_s
    if limit is None:
        return None
    core = {quantity for group in seen.core_quantities for quantity in group}
    found = [
        f"{quantity} for {_length(seen, gap, limit)}"
        for quantity, gap in seen.reading_gaps_s.items()
        if gap > limit and quantity not in core
    ]
    return f"not read: {', '.join(found)}" if found else None


def _gap_s(seen: AttemptEvidence, quantity: str) -> float:
    """Time without that quantity; the whole window where it was never read."""
    return seen.reading_gaps_s.get(quantity, seen.measured_s or 0.0)


def _length(seen: AttemptEvidence, gap_s: float, limit_s: float) -> str:
    whole = seen.measured_s is not None and gap_s >= 0.99 * seen.measured_s
    return "the whole window" if whole else f"{beside_limit(gap_s, limit_s, 1)} s of the window"


def window_short(seen: AttemptEvidence, limits: Checks) -> str | None:
    """The window is shorter than planned: the title ended early."""
    limit = limits.window_at_least_pct
    if limit is None or not seen.planned_s or seen.measured_s is None:
        return None
    share_pct = 100 * seen.measured_s / seen.planned_s
    if share_pct >= limit:
        return None
    lasted = beside_limit(seen.measured_s, limit / 100 * seen.planned_s, 1)
    reason = f"the window lasted {lasted} s of {seen.planned_s:g} s planned (at least {limit:g} %)"
    if share_pct < 50:
        reason += "; where the title's command only starts it and leaves, name its own program (process_name)"
    return reason


def memory_exhausted(seen: AttemptEvidence, limits: Checks) -> str | None:
    """A memory was full or nearly so."""
    limit = limits.memory_use_at_most_pct
    if limit is None:
        return None
    full = [
        f"{name} was {beside_limit(use, limit, 1)} % full"
        for name, use in seen.memory_use_pct.items()
        if use > limit
    ]
    return f"{' and '.join(full)} (limit {limit:g} %)" if full else None


def power_disputed(seen: AttemptEvidence, _: Checks) -> str | None:
    """Sources of the card's power that should agree do not; marks, and widens the intervals of power."""
    return seen.power_dispute


def power_on_rhythm(seen: AttemptEvidence, _: Checks) -> str | None:
    """The frame rate sits on the rhythm by which the card's sensor looks; marks, and widens them as well."""
    return seen.power_on_rhythm
