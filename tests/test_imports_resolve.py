"""Every module can be imported, and every import finds its name, also those inside functions.

The type checker looks at the same files; this looks at what is really there when the program runs.
"""

from __future__ import annotations

import ast
import importlib
import importlib.util
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]
HOMES = (ROOT, ROOT / "plugins")
MODULES = sorted(
    (".".join(path.relative_to(home).with_suffix("").parts).removesuffix(".__init__"), path)
    for home, package in zip(HOMES, ("harness", "harness_plugins"), strict=True)
    for path in (home / package).rglob("*.py")
)


def missing(module: str, path: Path) -> list[str]:
    """``line: name`` of every import of ours in that file that is not there."""
    package = module if path.name == "__init__.py" else module.rpartition(".")[0]
    found = []
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        wanted: list[tuple[str, str]] = []
        if isinstance(node, ast.Import):
            wanted = [(name.name, "") for name in node.names]
        elif isinstance(node, ast.ImportFrom):
            home = importlib.util.resolve_name("." * node.level + (node.module or ""), package)
            wanted = [(home, name.name) for name in node.names]
        for home, name in wanted:
            if home.partition(".")[0] in ("harness", "harness_plugins") and not _there(home, name):
                found.append(f"{node.lineno}: {home} {name}")
    return found


def _there(home: str, name: str) -> bool:
    try:
        if not name or hasattr(importlib.import_module(home), name):
            return bool(importlib.import_module(home))
        return bool(importlib.import_module(f"{home}.{name}"))
    except ImportError:
        return False


def test_there_are_modules_to_look_at():
    assert len(MODULES) > 200


@pytest.mark.parametrize(("module", "path"), MODULES, ids=[module for module, _ in MODULES])
def test_the_module_and_all_that_it_imports_are_there(module, path):
    if not module.endswith("__main__"):
        importlib.import_module(module)
    assert missing(module, path) == []


def test_an_import_that_is_not_there_is_seen(tmp_path):
    path = tmp_path / "odd.py"
    path.write_text("def f():\n    from harness.clock import Sundial\n    import harness.no_such\n")
    assert missing("odd", path) == ["2: harness.clock Sundial", "3: harness.no_such "]
