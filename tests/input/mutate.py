"""Broken inputs from good ones: a tree of values is changed in one place, or its text is damaged.

Everything comes from a seeded generator, so that case 217 is the same case tomorrow.
"""

from __future__ import annotations

import copy
import json
import random
from collections.abc import Callable, Iterator
from typing import Any

#: Values that no key asks for, as TOML text.
ABSURD: tuple[str, ...] = (
    "true", "false", "0", "-1", "-0.0", "nan", "inf", "-inf", "1e308", "-1e308", "5e-324", str(2**63),
    str(-(2**70)), "9" * 5000, "0x" + "f" * 5000, "1e99999", '""', '" "', '"nan"', '"7"', '"true"', "[]", "{}",
    "[[]]", "[1, 'a', true]", "{ a = { b = { c = 1 } } }", "1979-05-27", "07:32:00", "1979-05-27T07:32:00Z",
    '"\\u0000"', '"\\u202egnp.exe"', '"' + "\\U0001F525" * 40 + '"', '"e\\u0301"', '"../../etc/passwd"', '"CON"',
    '"con"', '"nul"', '"a/b"', '"a."', '"a b"', '"Ä"', '"factory "', '"(a+)+$"', '"("', '"[a-"', '"a{1,99999}"',
    '"' + "x" * 30_000 + '"', "[" * 2000 + "]" * 2000, "[" + "1," * 100_000 + "]", "1_0", "+5", "0o17", '"""\n\n"""',
)  # fmt: skip


class Raw(str):
    """TOML text of a value, written as it stands."""

    __slots__ = ()


def to_toml(value: Any) -> str:
    """A value as TOML; tables inline."""
    if isinstance(value, Raw):
        return str(value)
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, dict):
        return "{ " + ", ".join(f"{_key(k)} = {to_toml(v)}" for k, v in value.items()) + " }"
    if isinstance(value, list):
        return "[" + ", ".join(to_toml(v) for v in value) + "]"
    return json.dumps(value)


def _key(key: str) -> str:
    return str(key) if isinstance(key, Raw) else json.dumps(key)


def document(tables: dict[str, Any]) -> str:
    """A whole TOML document with headed tables at the top."""
    plain = "".join(f"{_key(k)} = {to_toml(v)}\n" for k, v in tables.items() if not _headed(v))
    headed = ""
    for name, value in tables.items():
        if not _headed(value):
            continue
        many = isinstance(value, list)
        for entry in value if many else [value]:
            headed += f"\n[[{_key(name)}]]\n" if many else f"\n[{_key(name)}]\n"
            headed += "".join(f"{_key(k)} = {to_toml(v)}\n" for k, v in entry.items())
    return plain + headed


def _headed(value: Any) -> bool:
    return isinstance(value, dict) or (
        isinstance(value, list) and bool(value) and all(isinstance(entry, dict) for entry in value)
    )


def places(tree: Any, path: tuple[Any, ...] = ()) -> Iterator[tuple[Any, ...]]:
    """Every place of a tree but its root."""
    inner = tree.items() if isinstance(tree, dict) else enumerate(tree) if isinstance(tree, list) else ()
    for key, value in inner:
        yield (*path, key)
        yield from places(value, (*path, key))


def at(tree: Any, path: tuple[Any, ...]) -> Any:
    for key in path:
        tree = tree[key]
    return tree


def changed(tree: dict[str, Any], rng: random.Random) -> dict[str, Any]:
    """The tree with one change."""
    tree = copy.deepcopy(tree)
    path = rng.choice(list(places(tree)))
    holder, key = at(tree, path[:-1]), path[-1]
    kind = rng.randrange(7)
    if kind <= 2 or (isinstance(holder, list) and kind == 4):
        holder[key] = Raw(rng.choice(ABSURD))
    elif kind == 3:
        del holder[key]
    elif kind == 4:
        holder[_misspelled(key, rng)] = holder.pop(key)
    elif kind == 5 and isinstance(holder, list):
        holder.extend(copy.deepcopy(holder[key]) for _ in range(rng.choice([1, 2000])))
    else:
        holder[key] = [holder[key]] if rng.random() < 0.5 else {"value": holder[key]}
    return tree


def _misspelled(key: str, rng: random.Random) -> str:
    spot = rng.randrange(len(key))
    return rng.choice(
        [
            key[:spot] + key[spot + 1 :] or "x",
            key[:spot] + "ü" + key[spot:],
            key.upper(),
            key + "s",
            "",
            "\u202e",
        ]
    )


def damaged(text: str, rng: random.Random) -> bytes:
    """The text with a fault of its bytes, its syntax or its encoding."""
    spot = rng.randrange(1, max(2, len(text)))
    faults: list[Callable[[], bytes]] = [
        lambda: text[:spot].encode(),
        lambda: (text[:spot] + rng.choice("[]{}\"'=\n,#\\") + text[spot:]).encode(),
        lambda: text.encode()[:spot] + bytes(rng.randrange(256) for _ in range(8)) + text.encode()[spot:],
        lambda: text.encode("utf-16"),
        lambda: b"\xef\xbb\xbf" + text.encode(),
        lambda: text.encode("utf-32"),
        lambda: text.replace("\n", "\r").encode(),
        lambda: text.replace("\n", "\r\n").encode(),
        lambda: text.encode() + b"\x00" * 50,
        lambda: b"",
        lambda: b"\n" * 100_000,
        lambda: b"[" * 5_000,
        lambda: b"a." * 20_000 + b"a = 1\n" + text.encode(),
        lambda: b'[ "' + b" " * 200_000 + b'" ]\n' + text.encode(),
        lambda: text.encode() * 2,
        lambda: b"".join(b"[[titles]]\nname = 't%d'\n" % n for n in range(100_000)),
        lambda: b"# " + b"x" * (5 << 20) + b"\n" + text.encode(),
        lambda: bytes(rng.randrange(256) for _ in range(3_000)),
        lambda: b"PK\x03\x04" + bytes(rng.randrange(256) for _ in range(500)),
        lambda: b"<html><body>Sign in</body></html>",
    ]
    return rng.choice(faults)()
