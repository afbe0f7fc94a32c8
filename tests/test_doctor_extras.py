"""Packages that not everybody needs: told by ``doctor``, and not needed for a report."""

from __future__ import annotations

import hashlib
import importlib.metadata
import importlib.util
import os
import stat
import sys
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from harness import doctor
from harness.report.charts import script_library


def test_each_extra_that_doctor_names_is_one_of_the_package_and_brings_what_is_looked_for():
    declared = importlib.metadata.metadata("levelrig").get_all("Provides-Extra") or []
    assert set(doctor.EXTRAS) <= set(declared)
    for module, _ in doctor.EXTRAS.values():
        assert importlib.util.find_spec(module), f"{module}: installed by the extra dev"


def test_an_extra_that_is_not_installed_is_told_with_how_to_get_it(monkeypatch: pytest.MonkeyPatch):
    monkeypatch.setattr(doctor.importlib.util, "find_spec", lambda name: None)
    (found,) = (f for f in doctor._extras() if f.subject == "extra interactive")
    assert (found.state, found.remedy) == ("missing", "pip install 'levelrig[interactive]'")
    assert "vl_convert is not installed" in found.detail


def test_without_the_script_library_the_page_has_none(monkeypatch: pytest.MonkeyPatch):
    monkeypatch.setitem(sys.modules, "vl_convert", None)
    script_library.bundle.cache_clear()
    try:
        assert script_library.bundle() == ""
    finally:
        script_library.bundle.cache_clear()


@pytest.fixture
def bundle(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> Iterator[Callable[[str], str]]:
    """The library where vl-convert would make the given code; what is kept lies in ``tmp_path``."""
    pytest.importorskip("vl_convert", reason="the extra interactive is not installed")
    monkeypatch.setattr(script_library.mpl, "get_cachedir", lambda: str(tmp_path))
    monkeypatch.setattr(Path, "home", lambda: tmp_path)

    def asked(code: str) -> str:
        monkeypatch.setattr("vl_convert.javascript_bundle", lambda snippet: code)
        script_library.bundle.cache_clear()
        return script_library.bundle()

    yield asked
    script_library.bundle.cache_clear()


def test_the_script_library_that_is_kept_is_used_only_as_it_was_written(
    bundle: Callable[[str], str], tmp_path: Path
):
    assert bundle("made('anew');\n") == "made('anew');\n"
    (kept,) = tmp_path.iterdir()
    assert bundle("another time") == "made('anew');\n"
    kept.write_bytes(kept.read_bytes()[:-3])
    assert bundle("another time") == "another time"


@pytest.mark.skipif(sys.platform == "win32", reason="modes and owners of POSIX")
@pytest.mark.parametrize("how", ["group", "everyone", "link", "owner", "fifo"])
def test_a_script_that_another_user_could_have_planted_is_in_no_page(
    bundle: Callable[[str], str], tmp_path: Path, how: str
):
    mask = os.umask(0)  # others could write what is made now
    try:
        bundle("own()")
    finally:
        os.umask(mask)
    (kept,) = tmp_path.iterdir()
    assert stat.S_IMODE(kept.stat().st_mode) == 0o600
    planted = "planted()"
    kept.write_text(f"{hashlib.sha256(planted.encode()).hexdigest()}\n{planted}")
    assert bundle("own()") == planted  # whole, and the user's own: the hash alone keeps nobody out
    if how == "link":
        kept.rename(tmp_path / "elsewhere")
        kept.symlink_to(tmp_path / "elsewhere")
    elif how == "owner":
        if os.geteuid() != 0:
            pytest.skip("only root can give a file away")
        os.chown(kept, 65534, 65534)
    elif how == "fifo":
        kept.unlink()
        os.mkfifo(kept)
    else:
        kept.chmod(0o620 if how == "group" else 0o602)
    assert bundle("own()") == "own()"
    assert bundle("again()") == "own()", "what was planted is replaced by what is trusted"
