"""A card whose sensors look now and then is examined through the seams, on a clock that takes no time."""

from __future__ import annotations

import bisect
from collections.abc import Sequence

import numpy as np
import pytest

from harness.card import GraphicsCard
from harness.cli import main
from harness.clock import Clock
from harness.errors import ConditionsNotMet, WorkloadFailed
from harness.hookspecs import hookimpl
from harness.plugins import PluginHost
from harness.power_models import keep_model, known_model, model_path
from harness.power_probe import examine_power
from harness.power_sensor.course import Course
from harness.power_sensor.model import PowerSensorModel, SourceModel
from harness.power_sensor.program import Program
from harness.power_sensor.readings import would_say
from harness.testing import FakeClock

CARD = GraphicsCard("GPU-1", "Levelrig Model Card", "simulated", "0000:01:00.0")
OFF_W, ON_W = 140.0, 420.0


def flawed(
    name: str,
    kind: str,
    refresh_s: float,
    rhythm_s: float | None,
    look_s: float,
    span_s: float,
    delay_s: float,
) -> SourceModel:
    quantity = {"counter": "energy_j", "reading": "power_average_w", "buffer": "power_w"}[kind]
    return SourceModel(
        name=name, kind=kind, quantity=quantity, source=name, refresh_s=refresh_s, rhythm_s=rhythm_s,
        look_s=look_s, span_s=span_s, delay_s=delay_s,
    )  # fmt: skip


class Bench:
    """A card, its load and its flawed sources: a plugin."""

    def __init__(self, clock: FakeClock, truths: Sequence[SourceModel], follows: bool = True) -> None:
        self.clock, self.truths, self.follows = clock, truths, follows
        self.what = "a load that takes no card"
        self._began_s: float | None = None
        self._program: Program | None = None
        self.said: dict[str, tuple[list[float], list[float]]] = {}

    @hookimpl
    def graphics_cards(self) -> Sequence[GraphicsCard]:
        return [CARD]

    @hookimpl
    def power_sources(self, clock: Clock, card: GraphicsCard) -> Sequence[object]:
        return [Source(self, truth) for truth in self.truths]

    @hookimpl
    def open_pulse_load(self, clock: Clock, card: GraphicsCard) -> object:
        return self

    def start(self, program: Program) -> None:
        self._began_s, self._program = self.clock.now_s() + 0.5, program
        course = self.course()
        rng = np.random.default_rng(7)
        for truth in self.truths:
            on_w = ON_W if self.follows else OFF_W
            times_s, values = would_say(
                truth,
                course,
                self._began_s - 1,
                self._began_s + program.seconds + 3,
                OFF_W,
                on_w,
                rng.random(),
            )
            noise = rng.normal(0, 0.05 if truth.kind == "counter" else 1.5, len(values))
            self.said[truth.name] = times_s.tolist(), (values + noise).tolist()

    def began_s(self) -> float | None:
        return self._began_s

    def ended(self) -> bool:
        assert self._program is not None
        assert self._began_s is not None
        return self.clock.now_s() >= self._began_s + self._program.seconds

    def course(self) -> Course:
        assert self._program is not None
        assert self._began_s is not None
        begin_s = self._began_s + self._program.begin_s
        return Course(begin_s, begin_s + self._program.length_s)

    def stop(self) -> None: ...


class Source:
    def __init__(self, bench: Bench, truth: SourceModel) -> None:
        self._bench = bench
        self.name, self.kind, self.quantity, self.source = (
            truth.name,
            truth.kind,
            truth.quantity,
            truth.source,
        )
        self.burst_s = None
        self.period_s = 0.05 if truth.kind == "buffer" else 0.004
        self._given = 0

    def read(self) -> Sequence[tuple[float | None, float]]:
        times_s, values = self._bench.said[self.name]
        until = bisect.bisect_right(times_s, self._bench.clock.now_s())
        if self.kind != "buffer":
            return [(None, values[until - 1])] if until else []
        first, self._given = min(self._given, until), until
        return [
            (t_s + 1e9, value) for t_s, value in zip(times_s[first:until], values[first:until], strict=True)
        ]


@pytest.fixture(scope="module")
def examined() -> PowerSensorModel:
    clock = FakeClock()
    truths = [
        flawed("energy counter", "counter", 0.1, 0.02, 0.0115, 0.1, 0.07),
        flawed("instant reading", "reading", 0.1, 0.1, 0.0115, 0.0115, 0.03),
        flawed("sample buffer", "buffer", 0.02, 0.02, 0.0115, 0.0115, 0.02),
    ]
    return examine_power(PluginHost({"bench": Bench(clock, truths)}), clock, CARD, "1.2.3", scale=0.34)


def test_each_sources_ways_are_found_through_the_seams(examined: PowerSensorModel):
    counter, instant, buffer = examined.sources
    assert counter.rhythm_s == pytest.approx(0.02, rel=0.02)
    assert instant.rhythm_s == pytest.approx(0.1, rel=0.02)
    assert buffer.rhythm_s == pytest.approx(0.02, rel=0.02)
    for one in examined.sources:
        assert one.look_s == pytest.approx(0.0115, rel=0.1)
    assert counter.delay_s == pytest.approx(0.07, abs=0.006)
    assert instant.delay_s == pytest.approx(0.03, abs=0.006)
    assert (examined.off_w, examined.on_w) == (pytest.approx(OFF_W, abs=5), pytest.approx(ON_W, abs=5))


def test_the_ladder_shows_errors_that_the_model_lets_expect(examined: PowerSensorModel):
    assert len(examined.rungs) > 20
    for rung in examined.rungs:
        for name, error in rung.error.items():
            assert abs(error) <= rung.bound[name] + 0.03, (rung.rate_hz, name)
    locked = [r.error["energy counter"] for r in examined.rungs if r.asked_hz == 50.0]
    assert max(map(abs, locked)) > 0.2
    assert max(one.worst or 0 for one in examined.sources) > 0.2


def test_a_model_is_kept_for_its_card_and_driver_and_found_again(examined: PowerSensorModel, tmp_path):
    path = keep_model(examined, model_path(examined.card, examined.driver_version, tmp_path))
    assert path.parent.parent == tmp_path
    assert known_model(CARD.name, "1.2.3", tmp_path) == examined
    assert known_model(CARD.name, "1.2.4", tmp_path) is None
    path.write_text("{}", encoding="utf-8")
    assert known_model(CARD.name, "1.2.3", tmp_path) is None


def test_sources_that_do_not_follow_the_load_are_refused_with_their_names():
    clock = FakeClock()
    truth = flawed("energy counter", "counter", 0.1, 0.02, 0.0115, 0.1, 0.07)
    with pytest.raises(ConditionsNotMet, match="energy counter"):
        examine_power(
            PluginHost({"bench": Bench(clock, [truth], follows=False)}), clock, CARD, "1", scale=0.1
        )


def test_a_card_without_sources_or_without_a_load_is_refused():
    clock = FakeClock()

    class Blind:
        @hookimpl
        def graphics_cards(self) -> Sequence[GraphicsCard]:
            return [CARD]

    with pytest.raises(ConditionsNotMet, match="no reading of power"):
        examine_power(PluginHost({"blind": Blind()}), clock, CARD, "1")

    class Idle(Bench):
        @hookimpl
        def open_pulse_load(self, clock: Clock, card: GraphicsCard) -> object:
            return None

    truth = flawed("energy counter", "counter", 0.1, 0.02, 0.0115, 0.1, 0.07)
    with pytest.raises(WorkloadFailed, match="can make"):
        examine_power(PluginHost({"idle": Idle(clock, [truth])}), clock, CARD, "1")


def test_doctor_says_once_whether_the_readings_worth_is_known(
    examined: PowerSensorModel, monkeypatch, tmp_path
):
    from harness import doctor, power_models

    monkeypatch.setattr(power_models, "state_folder", lambda: tmp_path)
    host = PluginHost({"bench": Bench(FakeClock(), [])})
    unknown = doctor._power_readings(host, CARD)
    assert (unknown.state, "doctor --power" in unknown.remedy) == ("missing", True)
    known = examined.model_copy(update={"driver_version": power_models.driver_of({}, CARD.driver)})
    keep_model(known)
    found = doctor._power_readings(host, CARD)
    assert found.state == "ok"
    assert "energy counter every 20.0 ms" in found.detail


def test_the_command_measures_keeps_draws_and_shows(monkeypatch, tmp_path, capsys):
    from harness import power_models
    from harness.commands import doctor_power

    clock = FakeClock()
    truth = flawed("energy counter", "counter", 0.1, 0.02, 0.0115, 0.1, 0.07)
    monkeypatch.setattr(power_models, "state_folder", lambda: tmp_path)
    monkeypatch.setattr(doctor_power, "PluginHost", lambda: PluginHost({"bench": Bench(clock, [truth])}))
    monkeypatch.setattr(doctor_power, "SystemClock", lambda: clock)
    monkeypatch.setattr(doctor_power, "other_runs", list)  # those of other tests beside this one
    monkeypatch.setattr("harness.guard.lock.state_folder", lambda: tmp_path)
    assert main(["doctor", "--power", "--seconds", "60", "--readings-into", str(tmp_path / "read")]) == 0
    shown = " ".join(capsys.readouterr().out.split())
    assert "energy counter every 100.0 ms every 20.00 ms" in shown
    (kept,) = (tmp_path / "power-sensors").glob("*.json")
    assert kept.with_suffix(".png").stat().st_size > 10_000
    assert {path.name for path in (tmp_path / "read").iterdir()} == {"recognise.npz", "ladder.npz"}
