"""Gives the plan's models a key for each stage there is, again when a plugin brings another."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from pydantic import BaseModel
from pydantic.fields import FieldInfo

from harness.stages import AnyStage, Rule


def set_stage_keys(
    conditions: type[BaseModel],
    own_rules: Sequence[type[BaseModel]],
    outer: Sequence[type[BaseModel]],
    stages: Iterable[AnyStage],
) -> None:
    """Give each model its stages' keys, which bear, take away what is no stage any more, and build it again.

    Args:
        conditions: The model of ``[conditions]``: every stage.
        own_rules: Models with rules of their own, which replace those: stages in the title only.
        outer: Models that hold these, the inner ones first.
        stages: Every stage.
    """
    stages = list(stages)
    in_title = [stage for stage in stages if stage.place == "in-title"]
    for model, wanted in ((conditions, stages), *((model, in_title) for model in own_rules)):
        had = [key for key, field in model.model_fields.items() if _is_rule(field)]
        for key in had:
            del model.model_fields[key]
        for stage in wanted:
            model.model_fields[stage.key] = _field(stage, own=model is not conditions)
        bears = [name for name in str(model.__dict__["BEARS"]).split() if name not in had]
        setattr(model, "BEARS", " ".join([*bears, *(stage.key for stage in wanted)]))  # noqa: B010
    for model in (conditions, *own_rules, *outer):
        for field in model.model_fields.values():
            if isinstance(field.default, conditions):
                field.default = conditions()  # one that has the keys of now
        model.model_rebuild(force=True)


def _field(stage: AnyStage, *, own: bool) -> FieldInfo:
    if own or stage.default is None:
        return FieldInfo.from_annotated_attribute(stage.rule | None, None)  # type: ignore[arg-type]
    return FieldInfo.from_annotated_attribute(stage.rule, stage.default)


def _is_rule(field: FieldInfo) -> bool:
    parts = getattr(field.annotation, "__args__", (field.annotation,))
    return any(isinstance(part, type) and issubclass(part, Rule) for part in parts)
