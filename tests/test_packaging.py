"""What an installed levelrig consists of."""

from __future__ import annotations

import subprocess
import sys
import tomllib
import zipfile
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]
PLUGINS = ROOT / "plugins" / "harness_plugins"


@pytest.fixture(scope="module")
def wheel_names(tmp_path_factory) -> set[str]:
    folder = tmp_path_factory.mktemp("wheel")
    subprocess.run(
        [sys.executable, "-m", "build", "--wheel", "--no-isolation", "--outdir", str(folder), str(ROOT)],
        check=True,
        capture_output=True,
    )
    (wheel,) = folder.glob("*.whl")
    with zipfile.ZipFile(wheel) as archive:
        return set(archive.namelist())


def test_every_module_and_data_file_of_both_packages_is_in_the_wheel(wheel_names):
    wanted = {
        path.relative_to(base).as_posix()
        for base, package in ((ROOT, ROOT / "harness"), (ROOT / "plugins", PLUGINS))
        for path in package.rglob("*")
        if path.is_file() and "__pycache__" not in path.parts
    }
    assert wanted <= wheel_names


def test_every_plugin_folder_has_an_entry_point_and_every_entry_point_a_folder():
    pyproject = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))
    listed = pyproject["project"]["entry-points"]["harness.plugins"]
    folders = {path.parent.name for path in PLUGINS.glob("*/__init__.py")}
    assert {target.removeprefix("harness_plugins.") for target in listed.values()} == folders
    assert list(listed) == sorted(listed)


def test_the_top_level_holds_only_what_it_may():
    tracked = subprocess.run(["git", "ls-files"], cwd=ROOT, check=True, capture_output=True, text=True).stdout
    top = {line.split("/")[0] for line in tracked.splitlines() if not line.startswith(".")}
    allowed = {
        "README.md",
        "DEVELOPERS.md",
        "LICENSE",
        "pyproject.toml",
        "harness",
        "plugins",
        "tests",
        "plans",
    }
    assert top <= allowed


def test_the_harness_never_imports_its_plugins():
    found = [
        path
        for path in (ROOT / "harness").rglob("*.py")
        for line in path.read_text(encoding="utf-8").splitlines()
        if line.lstrip().startswith(("import harness_plugins", "from harness_plugins"))
    ]
    assert found == []
