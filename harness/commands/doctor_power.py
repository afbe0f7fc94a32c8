"""``doctor --power``: measures what this card's own power readings are worth."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import Any

import numpy as np

from harness.card import GraphicsCard, choose_card
from harness.clock import SystemClock
from harness.commands import print_json
from harness.errors import ConditionsNotMet, HardwareBusy, StoreError
from harness.guard import HardwareLock
from harness.plugins import PluginHost, machine_facts
from harness.power_models import driver_of as version_of
from harness.power_models import keep_model
from harness.power_probe import Played, examine_power
from harness.power_sensor.model import PowerSensorModel, SourceModel
from harness.terminal import console, print_table
from harness.titlewatch import other_runs


def doctor_power(arguments: argparse.Namespace) -> int:
    """The command."""
    host = PluginHost()
    words = [("--card", arguments.card)] if arguments.card else []
    card = choose_card(host.graphics_cards(), words)
    if card is None:
        raise ConditionsNotMet("no graphics card that a plugin can see; see `levelrig doctor`")
    if others := other_runs():
        raise HardwareBusy(
            f"another levelrig (process {', '.join(map(str, others))}) runs titles on this machine, which "
            "the loads would disturb; wait for its end"
        )
    lock = HardwareLock.take("try", Path.cwd(), patience_s=0.0)
    out = console()

    def tell(what: str, seconds: float) -> None:
        if not arguments.json:
            out.print(f"{what}: about {seconds:.0f} s", markup=False)

    try:
        model = examine_power(
            host,
            SystemClock(),
            card,
            driver_of(host, card),
            scale=arguments.seconds / USUAL_S,
            on_part=tell,
            keep=_keeper(arguments.readings_into),
        )
    finally:
        lock.release()
    path = keep_model(model, arguments.power_into)
    picture = _draw(model, path)
    if arguments.json:
        print_json({"model": model.model_dump(mode="json"), "file": str(path), "picture": str(picture)})
        return 0
    show(model, path, picture)
    return 0


#: Length of the whole, s.
USUAL_S = 190.0


def driver_of(host: PluginHost, card: GraphicsCard) -> str:
    """The version of the card's driver."""
    return version_of(machine_facts(host, card).facts.get("card", {}), card.driver)


def show(model: PowerSensorModel, path: Path, picture: Path | None) -> None:
    """What was found, on the screen."""
    out = console()
    print_table(
        out,
        f"power readings of {model.card}, driver {model.driver_version}",
        ["source", "new value", "looks", "each over", "averages", "late by", "worst error", "fit"],
        [_row(one) for one in model.sources],
    )
    for name in model.silent:
        out.print(f"{name}: its values tell too little of the load; nothing is claimed of it", markup=False)
    out.print(
        f"Between loads {model.off_w:.0f} W, under load {model.on_w:.0f} W. The worst error is the largest "
        "on the ladder, as a share of the difference between the two.",
        markup=False,
    )
    out.print(f"model: {path}", markup=False)
    if picture is not None:
        out.print(f"picture: {picture}", markup=False)
    out.print("Nothing was changed on the card.")


def _row(one: SourceModel) -> list[str]:
    looks = "all of the time" if one.rhythm_s is None else f"every {one.rhythm_s * 1e3:.2f} ms"
    return [
        one.name,
        f"every {one.refresh_s * 1e3:.1f} ms",
        looks,
        "" if one.rhythm_s is None else f"{one.look_s * 1e3:.1f} ms",
        f"{one.span_s * 1e3:.0f} ms",
        f"{one.delay_s * 1e3:.0f} ms",
        "" if one.worst is None else f"{100 * one.worst:.1f} %",
        f"{100 * one.explained:.1f} %",
    ]


def _draw(model: PowerSensorModel, path: Path) -> Path | None:
    if not model.rungs:
        return None
    from harness.report.charts.power_ladder import write_picture

    try:
        return write_picture(model, path.with_suffix(".png"))
    except OSError as error:
        raise StoreError(f"{path.with_suffix('.png')}: can't be written ({error})") from error


def _keeper(folder: Path | None) -> Any:
    """Writes all that was read into a folder, where one is named."""

    def keep(name: str, played: Played) -> None:
        if folder is None:
            return
        folder.mkdir(parents=True, exist_ok=True)
        arrays: dict[str, Any] = {
            "began_s": np.asarray(played.began_s),
            "planned_begin_s": played.program.begin_s,
            "planned_length_s": played.program.length_s,
            "begin_s": played.course.begin_s,
            "end_s": played.course.end_s,
        }
        for one in played.recorded:
            key = one.name.replace(" ", "_")
            arrays |= {
                f"{key}.seen_s": one.seen_s,
                f"{key}.before_s": one.before_s,
                f"{key}.value": one.value,
            }
            arrays[f"{key}.about"] = np.asarray([one.kind, one.quantity, one.source, f"{one.read_s:.6f}"])
        np.savez_compressed(folder / f"{name}.npz", **arrays)

    return keep
