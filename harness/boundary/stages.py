"""Whether a stage that a plugin brings is what :class:`harness.stages.Stage` says."""

from __future__ import annotations

import re

from harness.boundary.crossing import printable
from harness.columns import Column
from harness.errors import PluginError
from harness.plan.bearing import unstated
from harness.plan.schema import Conditions, SettingSpec, TitleSpec
from harness.stages import STAGES, Rule, Stage
from harness.stages.stage import PHASE_WORDS
from harness.tables import attempt_columns


def check_stage(stage: object) -> None:
    """Raises PluginError where it is not fit, or where its key or a column of it is taken."""
    if not isinstance(stage, Stage):
        raise PluginError(f"levelrig_stages gave {printable(type(stage).__name__, 60)} where Stage belongs")
    key, rule = getattr(stage, "key", None), getattr(stage, "rule", None)
    if not isinstance(key, str) or not re.fullmatch(r"[a-z][a-z0-9]*(_[a-z0-9]+)*", key):
        raise PluginError(f"{printable(key, 60)} is no key of a stage; write small letters, as in fan_rest")
    if key in STAGES and type(STAGES[key]) is type(stage):
        return
    models = (Conditions, TitleSpec, SettingSpec)
    if any(key in model.model_fields for model in models) or stage.word in PHASE_WORDS:
        raise PluginError(f"stage {key!r}: this key is taken; give it another")
    if not (isinstance(rule, type) and issubclass(rule, Rule)):
        raise PluginError(f"stage {key!r}: its rule is no subclass of harness.stages.Rule")
    if unsaid := unstated(rule):
        raise PluginError(f"stage {key!r}: name in BEARS or APART of its rule: {', '.join(unsaid)}")
    if stage.default is not None:
        raise PluginError(f"stage {key!r}: its default is not None, so it would change every plan")
    if getattr(stage, "place", None) not in ("before-launch", "in-title"):
        raise PluginError(f"stage {key!r}: its place is neither before-launch nor in-title")
    columns = stage.columns()
    names = [column.name for column in columns if isinstance(column, Column)]
    if len(names) != len(columns) or {f"{key}_s", f"{key}_end"} != set(names):
        raise PluginError(f"stage {key!r}: its columns are {key}_s and {key}_end, no others")
    if taken := set(names) & {column.name for column in attempt_columns()}:
        raise PluginError(f"stage {key!r}: there is a column {min(taken)} already")
