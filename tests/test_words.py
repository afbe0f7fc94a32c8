"""What a person reads uses the words of DEVELOPERS.md: earlier words stand in no text of the program.

Read from the source: every literal of ``harness`` and the plugins that is no docstring, and the texts of the
pages. Stored names, which stay as they are, are one word without blanks and so no text. Common practice, no
source.
"""

from __future__ import annotations

import ast
import re
from collections.abc import Iterator
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]
#: Earlier word -> the one that is used now.
EARLIER = {
    r"second looks?": "re-measurement",
    r"far values?": "outlier",
    r"rig (was|is) (lost|down)|rig went down|lost rig|loss(es)? of the rig": "the machine crashed",
    r"wanted repeats?": "planned repeats",
    r"repeats were offered": "all planned repeats done",
    r"mend(s|ed|ing)?": "fix",
    r"anew": "again",
    r"parted": "split",
    r"titles like (these|them)": "similar titles",
    r"drift that stands out": "no significant drift",
    r"FPS per W|1/J": "FPS/W",
}
_OLD = re.compile(rf"\b(?:{'|'.join(EARLIER)})\b", re.IGNORECASE)


def literals(source: str) -> Iterator[tuple[int, str]]:
    """Line and text of each literal that is no docstring; an f-string's with its holes as ``{}``."""
    tree = ast.parse(source)
    silent: set[int] = set()
    for node in ast.walk(tree):
        if isinstance(node, ast.Module | ast.ClassDef | ast.FunctionDef | ast.AsyncFunctionDef):
            first = node.body[0] if node.body else None
            if isinstance(first, ast.Expr) and isinstance(first.value, ast.Constant):
                silent.add(id(first.value))
        elif isinstance(node, ast.JoinedStr):
            silent |= {id(part) for part in node.values}
            yield (
                node.lineno,
                "".join(str(part.value) if isinstance(part, ast.Constant) else "{}" for part in node.values),
            )
        elif isinstance(node, ast.Constant) and isinstance(node.value, str) and id(node) not in silent:
            yield node.lineno, node.value


def texts() -> Iterator[tuple[str, str]]:
    """Place and text of everything that may reach a person: of several words."""
    for folder in (ROOT / "harness", ROOT / "plugins" / "harness_plugins"):
        for path in sorted(folder.rglob("*.py")):
            for line, text in literals(path.read_text(encoding="utf-8")):
                if re.search(r"\s", text.strip()):
                    yield f"{path.relative_to(ROOT)}:{line}", text
        for path in sorted(folder.rglob("*")):
            if path.suffix in {".j2", ".html", ".js"}:
                yield str(path.relative_to(ROOT)), path.read_text(encoding="utf-8")


def test_no_text_of_the_program_uses_an_earlier_word():
    found = [f"{place}: {match[0]}" for place, text in texts() if (match := _OLD.search(text))]
    assert found == []


@pytest.mark.parametrize(
    "source",
    [
        'print("mend it")', 'f"{a} wanted repeats"', 'x = "Second looks"', 'y = ("one " "far value")',
        'f"{f\'titles like these: {a}\'}"',
    ],
)  # fmt: skip
def test_an_earlier_word_is_found_wherever_it_stands(source):
    assert any(_OLD.search(text) for _, text in literals(source))


@pytest.mark.parametrize("source", ['"""mend"""', 'def f():\n    """anew"""', 'x = "amendments"'])
def test_docstrings_and_parts_of_words_are_none(source):
    assert not any(_OLD.search(text) for _, text in literals(source))


def test_the_word_list_of_the_developers_page_names_the_present_words():
    page = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
    for word in ("re-measurement", "outlier", "planned repeat", "similar titles", "fix", "again", "split"):
        assert word in page
