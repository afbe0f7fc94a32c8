"""Packages that not everybody needs: told by ``doctor``, and not needed for a report."""

from __future__ import annotations

import importlib.metadata
import importlib.util
import sys

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


def test_the_script_library_that_is_kept_is_used_only_as_it_was_written(monkeypatch, tmp_path):
    pytest.importorskip("vl_convert", reason="the extra interactive is not installed")
    monkeypatch.setattr(script_library.mpl, "get_cachedir", lambda: str(tmp_path))
    monkeypatch.setattr("vl_convert.javascript_bundle", lambda snippet: "made('anew');\n")

    def bundle() -> str:
        script_library.bundle.cache_clear()
        try:
            return script_library.bundle()
        finally:
            script_library.bundle.cache_clear()

    assert bundle() == "made('anew');\n"
    (kept,) = tmp_path.iterdir()
    monkeypatch.setattr("vl_convert.javascript_bundle", lambda snippet: "another time")
    assert bundle() == "made('anew');\n"
    kept.write_bytes(kept.read_bytes()[:-3])
    assert bundle() == "another time"
