"""Packages that not everybody needs: told by ``doctor``, and not needed for a report."""

from __future__ import annotations

import importlib.metadata
import importlib.util
import sys

import pytest

from harness import doctor
from harness.report.charts import interactive


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
    interactive.bundle.cache_clear()
    try:
        assert interactive.bundle() == ""
    finally:
        interactive.bundle.cache_clear()
