"""A table added to a plan's text; everything that stood there stays, sign for sign. Pure.

The new table goes behind the last one of its kind, before the comments that lead to what follows. Whether the
result holds the old plan and the new table, and nothing else, is read back before it is given out. Only where
all tables of the kind stand in one list (``titles = [{...}, ...]``) a library edits that list: elsewhere it
would move comments (tomlkit 0.15 puts a new table below the comment that leads to the next one).
"""

from __future__ import annotations

import re
import tomllib
from collections.abc import Iterator, Mapping, Sequence
from typing import Any, Literal

from harness.errors import PlanError, Problem

Kind = Literal["titles", "profiles"]

_TOKEN = re.compile(
    r'"""(?:\\.|[^\\])*?"""|\'\'\'.*?\'\'\'|"(?:\\.|[^"\\\n])*"|\'[^\'\n]*\'|#[^\n]*|[\[\]{}]|\n', re.DOTALL
)
_HEADER = re.compile(r"\s*\[\[?\s*([^\]]+?)\s*\]\]?\s*(?:#.*)?$")


def with_table(text: str, kind: Kind, table: Mapping[str, Any], lines: Sequence[str], source: str) -> str:
    """The plan's text with one more table.

    Args:
        text: The plan, valid TOML.
        kind: Where it belongs.
        table: What it holds.
        lines: The same as lines of a file, header first.
        source: What to call the plan in messages.
    Raises:
        PlanError: There is no place where it can be added.
    """
    before = tomllib.loads(text.removeprefix("\ufeff"))
    entries = before.get(kind, [])
    wanted = {**before, kind: [*entries, dict(table)]}
    for candidate in _candidates(text, kind, table, lines):
        try:
            if tomllib.loads(candidate.removeprefix("\ufeff")) == wanted:
                return candidate
        except tomllib.TOMLDecodeError:
            continue
    what, remedy = (
        f"no place was found for one more of {kind}",
        f"write them as [[{kind}]] tables, one below the other",
    )
    raise PlanError(source, [Problem(kind, what, remedy)])


def _candidates(text: str, kind: Kind, table: Mapping[str, Any], lines: Sequence[str]) -> Iterator[str]:
    ending = "\r\n" if text.count("\r\n") * 2 > text.count("\n") else "\n"
    written = text.split("\n")
    block = ending.join(lines) + ending
    place = _behind_last(text, kind)
    if place is not None:
        head, tail = "\n".join(written[:place]), "\n".join(written[place:])
        head += "\n" if place < len(written) or not head.endswith("\n") else ""
        if place >= len(written) and not text.endswith("\n"):
            head = text + ending
        first_of_tail = written[place].strip() if place < len(written) else ""
        yield f"{head}{ending}{block}" + (f"{ending}{tail}" if first_of_tail else tail)
    yield _in_list(text, kind, table)
    whole = text if text.endswith("\n") or not text else text + ending
    yield f"{whole}{ending}{block}"


def _behind_last(text: str, kind: str) -> int | None:
    """Number of the line (from 0) before which a table follows the last one of its kind; None without one."""
    lines = text.removeprefix("\ufeff").split("\n")
    top = _top_lines(text.removeprefix("\ufeff"))
    inside, last = False, None
    for number, line in enumerate(lines):
        header = _HEADER.match(line.rstrip("\r")) if number in top else None
        if header:
            inside = header[1].split(".")[0].strip("\"' ") == kind
        if inside and line.strip() and not (number in top and line.lstrip().startswith("#")):
            last = number
    if last is None:
        return None
    end = last + 1
    while end < len(lines) and lines[end].lstrip().startswith("#"):
        end += 1
    if end < len(lines) and lines[end].strip():  # these comments lead to the header that follows them
        end = last + 1
    return end


def _top_lines(text: str) -> set[int]:
    """Numbers of the lines that begin outside of every text and list."""
    found, depth, line = {0}, 0, 0
    for token in _TOKEN.finditer(text):
        sign = token[0]
        if sign == "\n":
            line += 1
            if depth == 0:
                found.add(line)
        elif sign in "[{":
            depth += 1
        elif sign in "]}":
            depth = max(0, depth - 1)
        else:
            line += sign.count("\n")
    return found


def _in_list(text: str, kind: Kind, table: Mapping[str, Any]) -> str:
    """The text with the table in the list of its kind; the text as it was where it has no such list."""
    import tomlkit
    from tomlkit.exceptions import TOMLKitError
    from tomlkit.items import Array

    mark = "\ufeff" if text.startswith("\ufeff") else ""
    try:
        document = tomlkit.parse(text.removeprefix("\ufeff"))
        entries = document.get(kind)
        if not isinstance(entries, Array):
            return text
        entry = tomlkit.inline_table()
        entry.update(table)
        entries.append(entry)
        return mark + tomlkit.dumps(document)
    except TOMLKitError:
        return text


def with_permission(text: str, source: str) -> str:
    """The plan's text with ``allow_hardware_changes = true``. Raises PlanError where it can't be put in."""
    before = tomllib.loads(text.removeprefix("\ufeff"))
    wanted = {**before, "plan": {**before.get("plan", {}), "allow_hardware_changes": True}}
    ending = "\r\n" if text.count("\r\n") * 2 > text.count("\n") else "\n"
    line = f"allow_hardware_changes = true    # answered by you{ending}"
    for candidate in (
        re.sub(r"(?m)^(\s*allow_hardware_changes\s*=\s*)false\b", r"\g<1>true", text, count=1),
        re.sub(r"(?m)^(\ufeff?\s*\[\s*plan\s*\][^\n]*\n)", lambda m: m[1] + line, text, count=1),
    ):
        try:
            if tomllib.loads(candidate.removeprefix("\ufeff")) == wanted:
                return candidate
        except tomllib.TOMLDecodeError:
            continue
    what = "allow_hardware_changes could not be put in"
    raise PlanError(
        source, [Problem("plan", what, "write allow_hardware_changes = true under [plan] by hand")]
    )
