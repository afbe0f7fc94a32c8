"""What on this machine can be read, controlled and run, and what is missing for the rest. Reads only."""

from __future__ import annotations

import functools
import importlib.util
import itertools
import statistics
from collections.abc import Sequence
from dataclasses import dataclass

from harness.card import CardChoiceError, GraphicsCard, candidates, choose_card
from harness.clock import Clock, StillRunning, SystemClock
from harness.errors import HarnessError
from harness.hookspecs import Finding
from harness.plugins import PluginHost, machine_facts
from harness.rig import Channel, Reading, Sensor
from harness.stages import STAGES

#: How long a sensor is watched for changes of its readings, s.
WATCH_S = 2.0
#: Fewer changes than this say nothing about how often a reading can change.
LEAST_CHANGES = 4
#: Reads of one sensor may take this long beyond the watching, s.
ANSWER_S = 10.0
#: A quantity that can't change more often than this is not worth watching.
SLOW_S = 1.0

#: Extra, the package that it brings, and what for.
EXTRAS = {
    "interactive": (
        "vl_convert",
        "interactive charts in the report; without it they are drawings",
    ),
    "watch": ("starlette", "the live page"),
    "notify": ("apprise", "messages to a phone or a mailbox"),
}


@dataclass(frozen=True)
class Watched:
    """What watching one quantity for a while showed.

    Attributes:
        value: Last reading; None if every read failed.
        read_us: Median time that one read of this quantity alone took, µs.
        period_ms: Median time between two changes of its value, ms; None where it hardly changed. It can't
            be shorter than the time between two looks.
        reads: How often it was read.
    """

    value: Reading
    read_us: float
    period_ms: float | None
    reads: int


def watch(sensor: Sensor, clock: Clock, watch_s: float = WATCH_S) -> dict[str, Watched]:
    """Read every quantity of a sensor in turn, as fast as it goes, and time reads and changes.

    What its channel says to change no more than once a second is read at the start and at the end only.

    Raises:
        SensorUnavailable: The source vanished meanwhile.
    """
    channels = sensor.channels()
    quantities = [channel.quantity for channel in channels]
    slow = {channel.quantity for channel in channels if channel.period_s >= SLOW_S}
    taken: dict[str, list[float]] = {q: [] for q in quantities}
    changed: dict[str, list[float]] = {q: [] for q in quantities}
    last: dict[str, Reading] = {}
    end_s = clock.now_s() + watch_s
    first, final = True, False
    while not final:
        final = clock.now_s() >= end_s
        for quantity in quantities:
            if quantity in slow and not (first or final):
                continue
            begin_s = clock.now_s()
            value = sensor.read((quantity,)).get(quantity)
            after_s = clock.now_s()
            taken[quantity].append(after_s - begin_s)
            if value is not None and value != last.get(quantity, value):
                changed[quantity].append((begin_s + after_s) / 2)
            last[quantity] = value if value is not None else last.get(quantity)
        first = False
        clock.sleep_s(0.001)
    return {
        q: Watched(last.get(q), statistics.median(taken[q]) * 1e6, _median_step_ms(changed[q]), len(taken[q]))
        for q in quantities
    }


def examine(host: PluginHost, clock: Clock | None = None, watch_s: float = WATCH_S) -> list[Finding]:
    """Everything that ``levelrig doctor`` shows, in the order: devices, quantities, controls, the rest.

    Args:
        host: The loaded plugins.
        clock: A real clock; by default the machine's own.
        watch_s: How long each sensor is watched.
    """
    clock = clock or SystemClock()
    told = [f for _, f in host.ask_all("examine", lambda f: isinstance(f, Finding), clock=clock)]
    chosen, shown = _cards(host.graphics_cards())
    quantities: list[Finding] = []
    delivered: set[str] = set()
    for number, card in enumerate(shown or [None]):
        found, names = _quantities(host, clock, watch_s, card, machine=number == 0)
        quantities += found
        delivered |= names
    chosen += [_power_readings(host, card) for card in shown]
    found = chosen + [f for f in told if f.subject not in delivered] + quantities + _kinds(host)
    return found + _extras() + _failures(host)


def _cards(cards: Sequence[GraphicsCard]) -> tuple[list[Finding], list[GraphicsCard]]:
    """Which card a plan is about that names none, and the cards whose readings are shown."""
    subject = "the card of a plan"
    try:
        card = choose_card(cards, [])
    except CardChoiceError as error:
        return [Finding(subject, "missing", error.what, error.remedy)], candidates(cards)
    if card is None:
        return [Finding(subject, "absent", "no graphics card that a plugin can see")], []
    beside = [str(other) for other in cards if other != card]
    left = f"; named by card under [rig] only: {', '.join(beside)}" if beside else ""
    return [Finding(subject, "ok", f"{card}{left}")], [card]


def _power_readings(host: PluginHost, card: GraphicsCard) -> Finding:
    """Whether it is known what this card's own power readings are worth."""
    from harness.power_models import driver_of, known_model

    subject = f"power readings of {card.device}"
    driver_version = driver_of(machine_facts(host, card).facts.get("card", {}), card.driver)
    model = known_model(card.name, driver_version)
    if model is None:
        what = f"what they are worth under capped frame rates was not measured with driver {driver_version}"
        return Finding(subject, "missing", what, "run `levelrig doctor --power`; it takes about four minutes")
    looks = [
        f"{one.name} every {1e3 * one.rhythm_s:.1f} ms" for one in model.sources if one.rhythm_s is not None
    ]
    detail = f"measured {model.measured_utc[:10]} with driver {driver_version}; the card looks at its power: "
    return Finding(subject, "ok", detail + (", ".join(looks) or "all of the time"))


def _extras() -> list[Finding]:
    """What levelrig can do with packages that not everybody needs."""
    return [
        Finding(f"extra {extra}", "ok", what)
        if importlib.util.find_spec(module)
        else Finding(
            f"extra {extra}",
            "missing",
            f"{what}: {module} is not installed",
            f"pip install 'levelrig[{extra}]'",
        )
        for extra, (module, what) in EXTRAS.items()
    ]


def _failures(host: PluginHost) -> list[Finding]:
    """Plugins that are left out, and hooks that failed since the host was made."""
    told, host.news[:] = list(host.news), []
    remedy = "reinstall or uninstall it"
    return [
        *(Finding(f"plugin {p.name} {p.source}".strip(), "missing", p.error, remedy) for p in host.broken),
        *(Finding("plugins", "missing", sentence, remedy) for sentence in told),
    ]


def _quantities(
    host: PluginHost, clock: Clock, watch_s: float, card: GraphicsCard | None, *, machine: bool
) -> tuple[list[Finding], set[str]]:
    """One line per quantity of each sensor that works here, as read and measured; and their names.

    Args:
        host: Opens the sensors.
        clock: A real clock.
        watch_s: How long each is watched.
        card: The card whose readings are shown.
        machine: Those of the machine itself too.
    """
    findings: list[Finding] = []
    delivered: dict[str, str] = {}
    for sensor in host.open_sensors(clock, [], card):
        if not machine and not any(channel.device for channel in sensor.channels()):
            sensor.close()
            continue
        aside = clock.aside(f"levelrig-{sensor.name}")
        try:
            watched = aside.ask(functools.partial(watch, sensor, clock, watch_s), watch_s + ANSWER_S)
            sources = {channel.quantity: _source(channel) for channel in sensor.channels()}
            empty = {channel.quantity for channel in sensor.channels() if channel.may_be_empty}
        except StillRunning:
            what = f"a read did not return within {ANSWER_S:.0f} s"
            remedy = "look at its driver or instrument; restart the machine if it stays so"
            findings.append(Finding(f"sensor {sensor.name}", "missing", what, remedy))
            continue
        except HarnessError as error:
            findings.append(Finding(f"sensor {sensor.name}", "missing", str(error), "look again in a minute"))
            continue
        finally:
            if not aside.busy:
                sensor.close()
            aside.close()
        for quantity, seen in watched.items():
            if seen.value is None and quantity in empty:
                detail = f"none now, which may be right, from {sources[quantity]}"
                findings.append(Finding(f"{sensor.name} {quantity}", "ok", detail))
            else:
                first = delivered.get(quantity, "")
                findings.append(_quantity(sensor.name, quantity, sources[quantity], seen, first))
            delivered.setdefault(quantity, sensor.name)
    return findings, set(delivered)


def _source(channel: Channel) -> str:
    """Where a reading comes from, of which card, and what is to be known of it."""
    device = f", card {channel.device}" if channel.device else ""
    note = f" ({channel.note})" if channel.note else ""
    return f"{channel.source}{device}{note}"


def _quantity(sensor: str, quantity: str, source: str, seen: Watched, first: str) -> Finding:
    subject = f"{sensor} {quantity}"
    measured = {"read_us": round(seen.read_us, 1)}
    if seen.period_ms is not None:
        measured["period_ms"] = round(seen.period_ms, 1)
    if seen.value is None:
        return Finding(subject, "missing", f"no reading from {source}", "look again under load", measured)
    detail = f"{seen.value:.6g} from {source}" + (f"; not used: {first} delivers it" if first else "")
    return Finding(subject, "ok", detail, measured=measured)


def _kinds(host: PluginHost) -> list[Finding]:
    """What a plan may name, from the plugins that are installed."""
    kinds = [
        Finding(f"{role} {name}", "ok", host.kind(role, name).summary)
        for role in ("control", "workload", "reader")
        for name in host.names(role)
    ]
    places = {"before-launch": "before a title is launched", "in-title": "in the running title"}
    stages = [
        Finding(
            f"stage {stage.key}", "ok", f"waited for {places[stage.place]}; its rule: conditions.{stage.key}"
        )
        for stage in STAGES.added()
    ]
    return kinds + stages


def _median_step_ms(times_s: list[float]) -> float | None:
    if len(times_s) < LEAST_CHANGES:
        return None
    return statistics.median(b - a for a, b in itertools.pairwise(times_s)) * 1000
