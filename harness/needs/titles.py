"""What each title of a plan needs to give a result, as far as the plan's text tells. Pure."""

from __future__ import annotations

from collections.abc import Iterator

from harness.needs.lines import conflicts, never_matches
from harness.needs.need import Need, NeedState
from harness.plan.locate import Path
from harness.plan.schema import Plan, SettingSpec, TitleSpec, rules_in_force


def settings_of(plan: Plan, workload: str) -> Iterator[tuple[Path, TitleSpec, SettingSpec]]:
    """Each setting of each title of that workload, with its place in the plan."""
    for index, title in enumerate(plan.titles):
        if title.workload == workload:
            for number, setting in enumerate(title.settings):
                yield ("titles", index, "settings", number), title, setting


def setting_needs(plan: Plan) -> Iterator[Need]:
    """Settings of one title that differ in nothing but their names."""
    for index, title in enumerate(plan.titles):
        seen: dict[str, str] = {}
        for number, setting in enumerate(title.settings):
            rest = repr(setting.model_dump(exclude={"name", "label", "expect_lines"}))
            if (same := seen.setdefault(rest, setting.name)) != setting.name:
                what = f"setting {setting.name} differs from {same} in its name only"
                remedy = "give each its own arguments, values or environment, or leave one out"
                yield Need(("titles", index, "settings", number), "doubtful", what, remedy, of_plan=True)


def result_need(path: Path, title: TitleSpec, *, frames: bool, score: bool) -> Iterator[Need]:
    """A title gives frames or a score, or says that it gives neither on purpose."""
    if frames or score or title.without_frames:
        return
    yield Need(
        path,
        "missing",
        f"title {title.name} has neither a frame_log nor a score_line, so its runs would give no result",
        "add frame_log (`levelrig map FILE` proposes its lines), frames = 'capture' on Linux where it writes "
        "none, or score_line; without_frames = true where only power, temperatures and the like are wanted",
        of_plan=True,
    )


def length_need(path: Path, plan: Plan, title: TitleSpec, ends_after_s: float, by: str) -> Iterator[Need]:
    """A title that ends by itself lasts until its warm-up and its window are over.

    Args:
        path: Place in the plan of what ends it.
        plan: The plan.
        title: The title, with what its setting overrides.
        ends_after_s: It ends so long after it was ready, s.
        by: The key that says so.
    """
    waits = {
        stage.word: stage.forecast(rule, lambda seconds, _: seconds).shortest_s
        for stage, rule in rules_in_force(plan.conditions, title)
        if stage.place == "in-title"
    }
    before_s, window_s = sum(waits.values()), title.measure_s
    parts = ", ".join(f"{word} {wait_s:g} s" for word, wait_s in waits.items() if wait_s)
    if before_s >= ends_after_s:
        what = f"{by} ends it after {ends_after_s:g} s, before its window begins ({parts})"
        remedy = "shorten these, as with warm_up = { seconds = 0 } in the title, or let it run longer"
        yield Need(path, "missing", what, remedy, of_plan=True)
    elif window_s is not None and before_s + window_s > ends_after_s + 0.5:
        over = f"{parts} and its window of {window_s:g} s" if parts else f"its window of {window_s:g} s"
        what = f"{by} ends it after {ends_after_s:g} s, before {over} are over"
        remedy = f"let it run {before_s + window_s:g} s at least, or leave measure_s out: until it ends"
        yield Need(path, "missing", what, remedy, of_plan=True)


def pattern_needs(path: Path, patterns: dict[str, str]) -> Iterator[Need]:
    """Patterns that no line can match, and patterns of one title that get in each other's way.

    Args:
        path: Table that holds them.
        patterns: Key -> pattern.
    """
    for key, text in patterns.items():
        why = never_matches(text)
        if why is not None:
            what = f"no line can ever match {text!r}: {why}"
            yield Need((*path, *_key(key)), "missing", what, "fix the pattern", of_plan=True)
    for key, what, remedy in conflicts(patterns):
        state: NeedState = "missing" if key in ("fail_line", "end_line") else "doubtful"
        yield Need((*path, key), state, what, remedy, of_plan=True)


def _key(key: str) -> Path:
    name, _, place = key.partition("[")
    return (name, int(place.removesuffix("]"))) if place else (name,)
