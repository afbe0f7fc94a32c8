"""Rules of a title's steps that no single step can break: order, sequences, what can never be reached."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from itertools import pairwise
from typing import Any

from harness.plan.complaints import nearest, shown
from harness.plan.findings import Findings
from harness.plan.locate import Path
from harness.plan.placeholders import BUILT_IN, names_in
from harness.plan.steps_table import LEAVE_WITHIN_S, OUTCOMES, POINTS

_TEXTS = ("text", "file", "in_file")


def check_steps(title: Mapping[str, Any], path: Path, found: Findings) -> None:
    """Check a title's raw table; complaints go to ``found``. What is broken as such is passed over."""
    steps = _tables(title.get("steps"))
    sequences = {name: _tables(entries) for name, entries in _mapping(title.get("sequences")).items()}
    surprises = _tables(title.get("surprises"))
    if not steps:
        for key in ("sequences", "surprises", "still_at_most_s"):
            if title.get(key):
                what = f"{key} goes with steps, and the title has none"
                found.add((*path, key), what, "add [[titles.steps]]")
        return
    lists: dict[tuple[str, ...], list[dict[str, Any]]] = {(): steps}
    lists |= {(name,): entries for name, entries in sequences.items()}
    for name, entries in sequences.items():
        _check_sequence(name, entries, path, found)
    _check_points(steps, title, path, found)
    _check_names(lists, surprises, sequences, title, path, found)
    _check_circles(sequences, path, found)
    _check_used(steps, surprises, sequences, path, found)
    for settings in [_text(s.get("name")) for s in _tables(title.get("settings"))] or ["default"]:
        _check_leaving(steps, sequences, title, settings, path, found)


def _place(path: Path, owner: tuple[str, ...], index: int) -> Path:
    return (*path, "sequences", *owner, index) if owner else (*path, "steps", index)


def _check_sequence(name: str, entries: list[dict[str, Any]], path: Path, found: Findings) -> None:
    if name in OUTCOMES:
        what = f"a sequence can't be named {name!r}, which `then` has for itself"
        found.add((*path, "sequences", name), what, "give it another name")
    if not entries:
        found.add((*path, "sequences", name), "it has no steps", "add some, or leave it out")
    for index, step in enumerate(entries):
        for point in POINTS:
            if step.get(point) is not None:
                what = f"{point} stands in a sequence, which may run more than once or never"
                found.add((*path, "sequences", name, index, point), what, "write it into steps itself")


def _check_points(steps: list[dict[str, Any]], title: Mapping[str, Any], path: Path, found: Findings) -> None:
    """ready, begin, end, leave: each once, in this order, for every setting; nothing follows leave."""
    places: dict[str, int] = {}
    for index, step in enumerate(steps):
        here = (*path, "steps", index)
        for point in POINTS:
            if step.get(point) is None:
                continue
            if point in places:
                found.add((*here, point), f"a second step {point}", "leave one of them out")
            places.setdefault(point, index)
            if point != "leave" and step.get("only") is not None:
                what = f"{point} is for some settings only, and every setting is measured"
                found.add((*here, "only"), what, f"leave `only` out of the step {point}")
    if "begin" not in places:
        what = "no step says where the measured window begins"
        found.add((*path, "steps"), what, "add { begin = true } at that place")
    order = [point for point in POINTS if point in places]
    for before, after in pairwise(order):
        if places[before] > places[after]:
            what = f"{after} stands before {before}"
            found.add((*path, "steps", places[after], after), what, f"write it after the step {before}")
    if (leave := places.get("leave")) is not None and leave < len(steps) - 1:
        what = "it can never be reached: the title is left before"
        found.add((*path, "steps", leave + 1), what, "write it before the step that leaves, or leave it out")
    if "leave" in places and "end" not in places and title.get("measure_s") is None:
        what = "the title is left while nothing says where the measured window ends"
        found.add((*path, "steps", places["leave"]), what, "add { end = true } before it, or measure_s")


def _check_names(
    lists: Mapping[tuple[str, ...], list[dict[str, Any]]],
    surprises: list[dict[str, Any]],
    sequences: Mapping[str, list[dict[str, Any]]],
    title: Mapping[str, Any],
    path: Path,
    found: Findings,
) -> None:
    """Sequences, settings and placeholders that steps name."""
    settings = [_text(s.get("name")) for s in _tables(title.get("settings"))] or ["default"]
    values = {*BUILT_IN, *_shared_values(title)}

    def known(name: Any, place: Path) -> None:
        if isinstance(name, str) and name not in sequences:
            remedy = nearest(name, sequences) if sequences else "add it under [titles.sequences]"
            found.add(place, f"the title has no sequence {shown(name)}", remedy)

    for owner, entries in lists.items():
        for index, step in enumerate(entries):
            here = _place(path, owner, index)
            known(step.get("sequence"), (*here, "sequence"))
            if step.get("then") not in OUTCOMES:
                known(step.get("then"), (*here, "then"))
            only = step.get("only")
            for name in only if isinstance(only, list) else ():
                if isinstance(name, str) and name not in settings:
                    what = f"the title has no setting {shown(name)}"
                    found.add((*here, "only"), what, nearest(name, settings))
            for key, text in _texts(step):
                for name in names_in(text):
                    if name not in values:
                        what = f"nothing fills the placeholder {{{name}}}"
                        found.add((*here, key), what, nearest(name, values))
    names: set[str] = set()
    for index, surprise in enumerate(surprises):
        known(surprise.get("sequence"), (*path, "surprises", index, "sequence"))
        name = _text(surprise.get("name"))
        if name in names:
            place = (*path, "surprises", index, "name")
            found.add(place, f"a second surprise named {name!r}", "give it another name")
        names.add(name)


def _check_circles(sequences: Mapping[str, list[dict[str, Any]]], path: Path, found: Findings) -> None:
    """A sequence that leads back to itself never ends."""
    leads = {
        name: {to for step in entries for to in _leads_to(step) if to in sequences}
        for name, entries in sequences.items()
    }
    for name in sequences:
        seen: set[str] = set()
        ahead = set(leads[name])
        while ahead:
            seen |= ahead
            ahead = {further for one in ahead for further in leads[one]} - seen
        if name in seen:
            what = f"sequence {name} leads back to itself, so it would never end"
            found.add((*path, "sequences", name), what, "take that step out; a wait looks again by itself")


def _check_used(
    steps: list[dict[str, Any]],
    surprises: list[dict[str, Any]],
    sequences: Mapping[str, list[dict[str, Any]]],
    path: Path,
    found: Findings,
) -> None:
    used = {to for entries in (steps, *sequences.values()) for step in entries for to in _leads_to(step)}
    used |= {_text(surprise.get("sequence")) for surprise in surprises}
    for name in sequences:
        if name not in used:
            what = f"no step and no surprise leads to the sequence {name}"
            found.add((*path, "sequences", name), what, "name it in a step, or leave it out")


def _check_leaving(
    steps: list[dict[str, Any]],
    sequences: Mapping[str, list[dict[str, Any]]],
    title: Mapping[str, Any],
    setting: str,
    path: Path,
    found: Findings,
) -> None:
    """What follows the window, and what stands between begin and an end by time, have little time."""
    at = {point: index for index, step in enumerate(steps) for point in POINTS if step.get(point) is not None}
    after = at.get("end", at.get("leave", len(steps)) - 1) + 1
    longest_s = sum(
        _longest_s(step, sequences, 0) for step in steps[after:] if setting in (step.get("only") or [setting])
    )
    if longest_s > LEAVE_WITHIN_S:
        what = f"the steps after the window may take {longest_s:g} s, and have {LEAVE_WITHIN_S:g} s"
        found.add((*path, "steps", after), what, "lower their within_s, or do them before the step end")
    measure_s = title.get("measure_s")
    inside = steps[at["begin"] + 1 : after - 1 if "end" in at else after] if "begin" in at else []
    least_s = sum(
        value
        for step in inside
        for value in (step.get("wait_s"), step.get("for_s"))
        if isinstance(value, int | float) and not isinstance(value, bool)
    )
    if isinstance(measure_s, int | float) and not isinstance(measure_s, bool) and least_s > measure_s + 1:
        what = f"the steps between begin and end take {least_s:g} s, longer than measure_s = {measure_s:g}"
        found.add((*path, "steps"), what, "raise measure_s, or leave it out and add a step end")


def _longest_s(step: Mapping[str, Any], sequences: Mapping[str, list[dict[str, Any]]], depth: int) -> float:
    """How long a step may take, s; circles are another's complaint."""
    if depth > len(sequences):
        return 0.0
    if "sequence" in step:
        inner = sequences.get(_text(step["sequence"]), [])
        return sum(_longest_s(one, sequences, depth + 1) for one in inner)
    longest = next((step[key] for key in ("wait_s", "for_s", "within_s") if key in step), 1.0)
    return float(longest) if isinstance(longest, int | float) else 0.0


def _leads_to(step: Mapping[str, Any]) -> Iterator[str]:
    for key in ("sequence", "then"):
        if isinstance(step.get(key), str) and step[key] not in OUTCOMES:
            yield step[key]


def _texts(step: Mapping[str, Any]) -> Iterator[tuple[str, str]]:
    yield from ((key, step[key]) for key in _TEXTS if isinstance(step.get(key), str))
    command = step.get("command")
    yield from (
        ("command", word) for word in (command if isinstance(command, list) else ()) if isinstance(word, str)
    )


def _shared_values(title: Mapping[str, Any]) -> set[str]:
    """Names of ``values`` that every setting has."""

    def own(table: Mapping[str, Any]) -> set[str]:
        return set(_mapping(_mapping(table.get("options")).get("values")))

    each = [own(setting) or own(title) for setting in _tables(title.get("settings"))]
    return set.intersection(*each) if each else own(title)


def _tables(value: Any) -> list[dict[str, Any]]:
    return [entry if isinstance(entry, dict) else {} for entry in value] if isinstance(value, list) else []


def _mapping(value: Any) -> Mapping[str, Any]:
    return value if isinstance(value, dict) else {}


def _text(value: Any) -> str:
    return value if isinstance(value, str) else ""
