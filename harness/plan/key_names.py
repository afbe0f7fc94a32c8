"""Names of keys, as a plan writes them. A leaf module; each system's own numbers stand elsewhere."""

from __future__ import annotations

from typing import Final

#: Keys that are no character, by the words on a common English keyboard.
NAMED: Final = frozenset(
    [
        "enter",
        "escape",
        "space",
        "tab",
        "backspace",
        "delete",
        "insert",
        "home",
        "end",
        "page-up",
        "page-down",
        "up",
        "down",
        "left",
        "right",
        "shift",
        "ctrl",
        "alt",
        "super",
        "caps-lock",
        "print",
        "pause",
        "menu",
    ]
) | {f"f{number}" for number in range(1, 25)}
MODIFIERS: Final = frozenset(("shift", "ctrl", "alt", "super"))


def keys_of(chord: str) -> tuple[str, ...]:
    """The keys of ``ctrl+s``, in the order in which they go down; ``+`` alone, or at the end, is the sign.

    Raises:
        ValueError: It names a key that there is none of; the message lists what is close.
    """
    words = chord.split("+") if chord != "+" else ["+"]
    if len(words) > 2 and words[-2:] == ["", ""]:
        words = [*words[:-2], "+"]
    keys = []
    for word in words:
        name = word if len(word) == 1 else word.lower()
        if not (name in NAMED or (len(name) == 1 and name.isprintable() and not name.isspace())):
            raise ValueError(
                f"no key is named {word!r}; write a character or one of: {', '.join(sorted(NAMED))}"
            )
        keys.append(name)
    if any(key not in MODIFIERS for key in keys[:-1]):
        raise ValueError(
            f"{chord!r} holds a key that is no {', '.join(sorted(MODIFIERS))} while another goes down; "
            "write keys that follow each other as a list"
        )
    return tuple(keys)
