"""Runs where wgpu and some Vulkan driver are, a software one too; skipped elsewhere."""

from __future__ import annotations

import csv
import subprocess
import sys
from pathlib import Path

import pytest

from harness_plugins.scene.doctor import gpu_finding


def run(folder: Path, *words: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-m", "harness_plugins.scene", *words],
        cwd=folder,
        capture_output=True,
        text=True,
        check=False,
        timeout=120,
    )


@pytest.fixture(scope="module")
def adapters(tmp_path_factory: pytest.TempPathFactory) -> list[str]:
    done = run(tmp_path_factory.mktemp("adapters"), "--adapters")
    found = [line for line in done.stdout.splitlines() if line.startswith(("card ", "program "))]
    if done.returncode != 0 or not any("Vulkan" in line or "D3D12" in line for line in found):
        pytest.skip("no wgpu, or no Vulkan driver")
    return found


@pytest.mark.parametrize("scene", ["tarn-ridge", "ember-swarm", "slow-tide"])
def test_a_scene_is_drawn_on_a_graphics_adapter_with_the_times_of_card_and_rig(
    scene: str, adapters: list[str], tmp_path: Path
) -> None:
    picture = tmp_path / "last.png"
    done = run(
        tmp_path,
        *("--backend", "gpu", "--scene", scene, "--resolution", "96x54", "--load", "0.05"),
        *("--frames", "12", "--frames-per-pass", "5", "--picture", str(picture)),
    )
    assert done.returncode == 0, done.stderr
    assert "ready" in done.stdout
    assert done.stdout.count("pass ") == 2
    with (tmp_path / "frames.csv").open() as file:
        rows = list(csv.DictReader(file))
    assert len(rows) == 12
    ends_s = [float(row["end_s"]) for row in rows]
    assert ends_s == sorted(ends_s)
    on_card_ms = [float(row["gpu_ms"]) for row in rows if row["gpu_ms"]]
    assert all(0 < value < 10_000 for value in on_card_ms)
    import matplotlib.image

    pixels = matplotlib.image.imread(picture)
    assert pixels.shape[:2] == (54, 96)
    assert pixels[..., :3].std() > 0


def test_an_adapter_that_is_not_there_is_refused_with_those_that_are(
    adapters: list[str], tmp_path: Path
) -> None:
    done = run(tmp_path, "--backend", "gpu", "--adapter", "no-such-card")
    assert done.returncode == 1
    assert "no graphics adapter 'no-such-card' (there: " in done.stdout


@pytest.mark.parametrize(
    ("exit_code", "output", "state", "words"),
    [
        (0, "program soft (CPU, Vulkan)\ncard Kestrel 9 (DiscreteGPU, Vulkan)\n", "ok", "Kestrel 9"),
        (0, "program soft (CPU, Vulkan)\n", "missing", "only a software driver"),
        (0, "", "missing", "no graphics adapter"),
        (1, "error the gpu backend needs wgpu (none); install levelrig[gpu]\n", "missing", "wgpu"),
        (-11, "", "missing", "exit code -11"),
    ],
)
def test_doctor_says_what_the_list_of_adapters_means(
    exit_code: int, output: str, state: str, words: str
) -> None:
    finding = gpu_finding(exit_code, output)
    assert (finding.state, words in finding.detail) == (state, True)
