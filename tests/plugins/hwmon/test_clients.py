"""Load and memory from the texts that drivers print for each open file of a card.

The forms: i915 ``i915_drm_client.c`` (6.12: lines 110-180), xe ``xe_drm_client.c`` (6.12: ``show_meminfo``,
``show_run_ticks``), both behind the lines of ``drm_show_fdinfo`` (from memory: driver, client, address), with
``Documentation/gpu/drm-usage-stats.rst``.
"""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from harness_plugins.hwmon import clients as module
from harness_plugins.hwmon.clients import Client, Clients, ask_driver, client_of, clients_readers
from harness_plugins.hwmon.graphics import Graphics

CARD = "0000:03:00.0"
OTHER = "0000:00:02.0"


def i915(client: int, render_ns: int, compute_ns: int = 0, local_kib: int = 0, card: str = CARD) -> str:
    return (
        f"pos:\t0\nflags:\t02100002\ndrm-driver:\ti915\ndrm-client-id:\t{client}\ndrm-pdev:\t{card}\n"
        f"drm-total-system0:\t8 KiB\ndrm-resident-system0:\t8 KiB\ndrm-total-local0:\t{2 * local_kib} KiB\n"
        f"drm-resident-local0:\t{local_kib} KiB\ndrm-engine-render:\t{render_ns} ns\n"
        f"drm-engine-copy:\t999999999999 ns\ndrm-engine-compute:\t{compute_ns} ns\n"
        "drm-engine-capacity-compute:\t4\n"
    )


def xe(client: int, busy: int, passed: int, vram_mib: int) -> str:
    return (
        f"drm-driver:\txe\ndrm-client-id:\t{client}\ndrm-pdev:\t{CARD}\ndrm-resident-gtt:\t4 MiB\n"
        f"drm-resident-vram0:\t{vram_mib} MiB\ndrm-resident-stolen:\t0\ndrm-cycles-rcs:\t{busy}\n"
        f"drm-total-cycles-rcs:\t{passed}\ndrm-cycles-bcs:\t{passed}\ndrm-total-cycles-bcs:\t{passed}\n"
    )


class Programs:
    """A ``/proc`` of programs that have a card open."""

    def __init__(self, proc: Path) -> None:
        self.proc = proc

    def show(self, pid: int, number: int, text: str, target: str = "/dev/dri/renderD128") -> None:
        for name in ("fd", "fdinfo"):
            (self.proc / str(pid) / name).mkdir(parents=True, exist_ok=True)
        link = self.proc / str(pid) / "fd" / str(number)
        if not link.is_symlink():
            link.symlink_to(target)
        (self.proc / str(pid) / "fdinfo" / str(number)).write_text(text)


class Seconds:
    def __init__(self) -> None:
        self.now = 100.0

    def __call__(self) -> float:
        return self.now


@pytest.fixture
def programs(tmp_path: Path) -> Programs:
    return Programs(tmp_path)


def test_load_is_the_busiest_kind_of_engine_over_all_programs_of_this_card(programs: Programs) -> None:
    seconds = Seconds()
    card = Clients(CARD, programs.proc, seconds)
    programs.show(10, 3, i915(1, 0, 0, 1024))
    programs.show(11, 3, i915(2, 5_000_000_000, 0, 3072))
    programs.show(11, 4, i915(2, 5_000_000_000, 0, 3072))  # the same client in a second file
    programs.show(12, 3, i915(9, 0, card=OTHER))
    programs.show(13, 5, "pos:\t0\n", "/tmp/some file")
    card.look()
    assert card.load_pct is None  # the first look has no span
    assert card.memory_mib == 4.0
    seconds.now += 2.0
    programs.show(10, 3, i915(1, 500_000_000, 4_000_000_000, 1024))
    programs.show(11, 3, i915(2, 5_900_000_000, 0, 3072))
    programs.show(11, 4, i915(2, 5_900_000_000, 0, 3072))
    programs.show(12, 3, i915(9, 2_000_000_000, card=OTHER))
    card.look()
    # render (0.5 + 0.9) s of 2 s; compute 4 s on four engines: 0.5 of 2 s
    assert card.load_pct == pytest.approx(70.0)


def test_cycles_need_no_clock_and_a_counter_that_falls_back_waits_for_its_larger_value(
    programs: Programs,
) -> None:
    seconds = Seconds()
    card = Clients(CARD, programs.proc, seconds)
    loads = []
    for busy, passed in ((1000, 10_000), (4000, 20_000), (3500, 30_000), (5000, 40_000)):
        programs.show(10, 3, xe(1, busy, passed, 7))
        card.look()
        loads.append(card.load_pct)
        seconds.now += 1.0
    assert loads == [None, pytest.approx(30.0), 0.0, pytest.approx(10.0)]
    assert card.memory_mib == 7.0


def test_a_program_that_ends_or_begins_counts_from_its_second_look(programs: Programs) -> None:
    seconds = Seconds()
    card = Clients(CARD, programs.proc, seconds)
    card.look()
    seconds.now += 1.0
    programs.show(10, 3, xe(1, 10_000, 10_000, 7))
    card.look()
    assert card.load_pct == 0.0
    seconds.now += 1.0
    programs.show(10, 3, xe(1, 15_000, 20_000, 7))
    card.look()
    assert card.load_pct == pytest.approx(50.0)
    (programs.proc / "10" / "fdinfo" / "3").unlink()
    seconds.now += 1.0
    card.look()
    assert (card.load_pct, card.memory_mib) == (0.0, 0.0)


@pytest.mark.parametrize(
    "text", ["", "drm-pdev:\n", "drm-pdev:\t0000:03:00.0\n", "x", "drm-pdev: a\ndrm-client-id: 1"]
)
def test_a_text_without_card_client_or_numbers_is_no_error(text: str) -> None:
    client = client_of(text)
    assert client is None or (client.busy == {} and client.memory_mib is None)


def test_what_the_driver_does_not_tell_is_not_offered(tmp_path, monkeypatch) -> None:  # type: ignore[no-untyped-def]
    card = Graphics(CARD, "xe", tmp_path, None, None)
    for own, offered in (
        (None, []),
        (client_of(xe(1, 0, 0, 0).replace(CARD, OTHER)), []),
        (Client(CARD, "1", {}, {}, {}, None), []),
        (client_of(xe(1, 0, 0, 0)), ["gpu_load_pct", "gpu_memory_used_mib"]),
    ):
        monkeypatch.setattr(module, "asked", lambda card, own=own: own)
        assert [reader.quantity for reader in clients_readers(card, tmp_path)] == offered


@pytest.mark.skipif(os.name == "nt", reason="render files are Linux's")
def test_a_card_without_a_render_file_can_not_be_asked(tmp_path: Path) -> None:
    assert ask_driver(Graphics(CARD, "xe", tmp_path, None, None)) is None
    (tmp_path / "drm" / "renderD999").mkdir(parents=True)
    assert ask_driver(Graphics(CARD, "xe", tmp_path, None, None)) is None
