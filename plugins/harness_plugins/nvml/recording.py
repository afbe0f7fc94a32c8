"""Records what a driver answered, byte for byte, and answers the same again where there is no card.

Both stand underneath :class:`harness_plugins.nvml.library.Library`, at the C functions, so that a replay
runs all of this plugin's own code. A recording is JSON: function -> question -> answers in order; an answer
is the return code and the bytes of each output argument.
"""

from __future__ import annotations

import ctypes
import json
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any

from harness_plugins.nvml.codes import CallFailed
from harness_plugins.nvml.library import Pointer

Answer = list[Any]
Answers = dict[str, dict[str, list[Answer]]]

_BYREF = type(ctypes.byref(ctypes.c_int()))


class Recorder:
    """A pointer source that passes every call on and keeps question and answer.

    Args:
        pointer: Where the calls go.
        most: Answers kept for one question; further ones are passed on but not kept.
    """

    def __init__(self, pointer: Pointer, most: int = 200) -> None:
        self._pointer = pointer
        self._most = most
        self.answers: Answers = {}

    def __call__(self, name: str) -> Callable[..., int]:
        try:
            function = self._pointer(name)
        except CallFailed as error:
            self.answers.setdefault(name, {})["*"] = [[error.code]]
            raise

        def recorded(*arguments: Any) -> int:
            question = _question(arguments)
            code = int(function(*arguments))
            answers = self.answers.setdefault(name, {}).setdefault(question, [])
            if len(answers) < self._most:
                answers.append([code, *(_content(a).hex() for a in arguments if _is_output(a))])
            return code

        return recorded

    def write(self, path: Path, facts: Mapping[str, Any]) -> None:
        """Write the recording with some facts about where it comes from."""
        path.write_text(json.dumps({"facts": dict(facts), "answers": self.answers}, indent=0) + "\n", "ascii")


class Replay:
    """A pointer source that answers from a recording; after the last answer it repeats that one.

    ``faults`` may be changed at any time: function name -> code that it returns instead, with its outputs
    left untouched, as a driver does that refuses. ``calls`` counts the calls of each function.
    """

    def __init__(self, answers: Answers, faults: Mapping[str, int] | None = None) -> None:
        self._answers = answers
        self._next: dict[tuple[str, str], int] = {}
        self.faults: dict[str, int] = dict(faults or {})
        self.calls: dict[str, int] = {}

    @classmethod
    def from_file(cls, path: Path) -> Replay:
        return cls(json.loads(path.read_text("ascii"))["answers"])

    def __call__(self, name: str) -> Callable[..., int]:
        def replayed(*arguments: Any) -> int:
            self.calls[name] = self.calls.get(name, 0) + 1
            if name in self.faults:
                return self.faults[name]
            code, *outputs = self._answer(name, _question(arguments))
            targets = [a for a in arguments if _is_output(a)]
            for target, content in zip(targets, outputs, strict=False):
                _fill(target, bytes.fromhex(content))
            return int(code)

        return replayed

    def _answer(self, name: str, question: str) -> Answer:
        known = self._answers.get(name)
        if known is None:
            return [13]
        if question not in known:  # a question that was not recorded: the function's first answer
            question = next(iter(known))
        index = self._next.get((name, question), 0)
        answers = known[question]
        self._next[name, question] = min(index + 1, len(answers) - 1)
        return answers[index]


def _is_output(argument: Any) -> bool:
    return isinstance(argument, _BYREF | ctypes.Array)


def _target(argument: Any) -> Any:
    """The object behind a ``byref``, else the argument itself."""
    return getattr(argument, "_obj", argument)


def _content(argument: Any) -> bytes:
    target = _target(argument)
    return bytes(ctypes.string_at(ctypes.addressof(target), ctypes.sizeof(target)))


def _fill(argument: Any, content: bytes) -> None:
    target = _target(argument)
    ctypes.memmove(ctypes.addressof(target), content, min(len(content), ctypes.sizeof(target)))


def _question(arguments: tuple[Any, ...]) -> str:
    """What was asked, without what only the answer fills and without times; a card's handle is "card"."""
    words = []
    for argument in arguments:
        if argument is None:
            words.append("none")
        elif isinstance(argument, ctypes.Array):
            words.append("buffer")
        elif isinstance(argument, ctypes.c_ulonglong):
            words.append("since")  # a time stamp
        elif isinstance(argument, ctypes.c_char_p):
            words.append((argument.value or b"").decode())
        elif isinstance(argument, _BYREF):
            target = _target(argument)
            plain = isinstance(target, ctypes._SimpleCData | ctypes._Pointer)
            words.append("out" if plain else _content(argument).hex())
        elif isinstance(argument, ctypes._Pointer):
            words.append("card")
        else:
            words.append(str(argument.value))
    return " ".join(words)
