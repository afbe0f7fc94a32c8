"""For all tests: interrupts as in a terminal, Chromium to look at pages, axe-core to check them."""

from __future__ import annotations

import importlib
import os
import shutil
import signal
import sys
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import pytest

# A shell starts what it puts in the background with interrupts ignored, and children inherit that; tests that
# send them mean a terminal's.
if signal.getsignal(signal.SIGINT) is signal.SIG_IGN:
    signal.signal(signal.SIGINT, signal.default_int_handler)


def pytest_xdist_auto_num_workers(config: pytest.Config) -> int:
    """Two for each processor with `-n auto`: many tests mostly wait for real processes."""
    return 2 * (os.cpu_count() or 1)


def pytest_addoption(parser: pytest.Parser) -> None:
    parser.addoption(
        "--as-windows",
        action="store_true",
        help="files are shared and named as on Windows, for the program and all that tests start",
    )


def pytest_collection_modifyitems(config: pytest.Config, items: list[pytest.Item]) -> None:
    if config.getoption("--as-windows"):
        for item in items:
            if item.get_closest_marker("holds_files"):
                item.add_marker(pytest.mark.skip(reason="keeps files open as no dead process does"))


@pytest.fixture(scope="session", autouse=True)
def as_windows(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> None:
    """With ``--as-windows``: tests/emulation/windows_files.py, here and in every Python that is started."""
    if not request.config.getoption("--as-windows"):
        return
    from harness.places import state_folder

    emulation = Path(__file__).parent / "emulation"
    roots = os.pathsep.join((str(tmp_path_factory.getbasetemp()), str(state_folder())))
    os.environ["LEVELRIG_TEST_AS_WINDOWS"] = roots
    os.environ["PYTHONPATH"] = os.pathsep.join(
        part for part in (str(emulation), os.environ.get("PYTHONPATH")) if part
    )
    sys.path.insert(0, str(emulation))
    importlib.import_module("windows_files").install(roots)


@pytest.fixture
def no_cards(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Hides this machine's own cards and kernel files from the plugins of this process."""
    from harness_plugins.nvml.codes import LIBRARY_NOT_FOUND, CallFailed

    def none_here() -> Any:
        raise CallFailed("nvmlInitWithFlags", LIBRARY_NOT_FOUND)

    monkeypatch.setattr("harness_plugins.nvml.library_is_here", lambda: False)
    monkeypatch.setattr("harness_plugins.nvml.card.installed_cards", none_here)
    monkeypatch.setattr("harness_plugins.hwmon.sysfs.ROOT", tmp_path / "no-sys")


@pytest.fixture(scope="session")
def browser() -> Iterator[Any]:
    """Chromium with no way to the network but the loopback address."""
    path = shutil.which("chromium") or shutil.which("chromium-browser") or shutil.which("google-chrome")
    if path is None:
        pytest.skip("no Chromium on this machine; on Debian: apt-get install chromium")
    sync_api = pytest.importorskip("playwright.sync_api", reason="the playwright package is not installed")
    with sync_api.sync_playwright() as playwright:
        arguments = ["--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run", "--disable-sync"]
        chromium = playwright.chromium.launch(executable_path=path, args=arguments)
        yield chromium
        chromium.close()


@dataclass
class Visit:
    """A page with what it asked for and what went wrong in it."""

    page: Any
    requests: list[str] = field(default_factory=list)
    errors: list[str] = field(default_factory=list)

    def abroad(self) -> list[str]:
        """Requests that left this machine."""
        near = ("http://127.0.0.1:", "file:", "data:", "blob:", "about:")
        return [url for url in self.requests if not url.startswith(near)]


@pytest.fixture
def visit(browser: Any) -> Iterator[Callable[..., Visit]]:
    contexts = []

    def open_page(address: str, width: int = 1400, scheme: str = "light", **options: Any) -> Visit:
        context = browser.new_context(
            viewport={"width": width, "height": 1000}, color_scheme=scheme, **options
        )
        contexts.append(context)
        made = Visit(context.new_page())
        made.page.set_default_timeout(15_000)
        made.page.on("request", lambda r: made.requests.append(r.url))
        made.page.on("pageerror", lambda e: made.errors.append(str(e)))
        made.page.on("dialog", lambda d: (made.errors.append(f"dialog {d.message}"), d.dismiss()))
        made.page.goto(address)
        return made

    yield open_page
    for context in contexts:
        context.close()


@pytest.fixture(scope="session")
def axe_violations() -> Callable[[Any], list[str]]:
    """Accessibility rules of axe-core that a page breaks."""
    module = pytest.importorskip("axe_playwright_python", reason="axe-core is not installed")
    script = (Path(module.__file__).parent / "axe.min.js").read_text(encoding="utf-8")

    def check(page: Any) -> list[str]:
        page.evaluate(script)
        found = page.evaluate("async () => (await axe.run()).violations")
        return [f"{v['id']}: {v['nodes'][0]['html'][:160]} ({len(v['nodes'])})" for v in found]

    return check
