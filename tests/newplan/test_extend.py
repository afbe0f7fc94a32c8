"""A table added to a plan: all that stood there stays as it was, sign for sign."""

from __future__ import annotations

import re
import tomllib
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from harness.errors import PlanError
from harness.newplan.extend import with_permission, with_table

PLANS = Path(__file__).parents[2] / "plans"
TABLE = {"name": "new", "measure_s": 3}
LINES = ["[[titles]]", 'name = "new"    # why', "measure_s = 3"]
TEXTS = [
    '# head\n[plan]\nrepeats = 2 # x\n\n# first\n[[titles]]\nname = "a"\n# of a\n\n# sensors\n'
    '[[sensors]]\nkind = "x"\n',
    '[[titles]]\nname = "a"\n[titles.frame_log]\npath = "p"\n[[titles.settings]]\nname = "s"\n# profiles\n'
    '[[profiles]]\nname = "f"',
    '[[titles]]\nname = "a"\ntext = """\n[[sensors]]\n"""\nlist = [\n  ["x"],  # one\n]\n\n\n',
    '[[titles]]\nname = "a"\n\n[[sensors]]\nkind = "x"\n\n[[titles]]\nname = "b"\n# end',
    "[plan]\nrepeats = 1\n",
    "",
]


def rest_of(before: str, after: str) -> str | None:
    """What was put in; None where the old text is not there whole around it."""
    for cut in range(len(before), -1, -1):
        if after.startswith(before[:cut]) and after.endswith(before[cut:]):
            return after[cut : len(after) - (len(before) - cut)]
    return None


@pytest.mark.parametrize("ending", ["\n", "\r\n"])
@pytest.mark.parametrize("mark", ["", "\ufeff"])
@pytest.mark.parametrize("text", TEXTS)
def test_nothing_but_the_new_table_is_put_in(text, mark, ending):
    before = mark + text.replace("\n", ending)
    after = with_table(before, "titles", TABLE, LINES, "plan.toml")
    put_in = rest_of(before, after)
    assert put_in is not None
    assert "# why" in put_in
    assert ending not in before or ending == "\n" or not re.search(r"(?<!\r)\n", after)
    old, new = tomllib.loads(before.removeprefix("\ufeff")), tomllib.loads(after.removeprefix("\ufeff"))
    assert new == {**old, "titles": [*old.get("titles", []), TABLE]}


def test_it_stands_behind_the_last_of_its_kind_and_comments_stay_where_they_belong():
    after = with_table(TEXTS[0], "titles", TABLE, LINES, "plan.toml")
    assert (
        after.index("# of a") < after.index('"new"') < after.index("# sensors") < after.index("[[sensors]]")
    )


@pytest.mark.parametrize("name", ["first-night.toml", "ten-titles.toml"])
@pytest.mark.parametrize("kind", ["titles", "profiles"])
def test_the_plans_of_the_house_are_added_to(name, kind):
    before = (PLANS / name).read_text(encoding="utf-8")
    after = with_table(before, kind, {"name": "new"}, [f"[[{kind}]]", 'name = "new"'], name)
    assert rest_of(before, after) is not None


def test_a_list_of_titles_gets_one_more_and_keeps_its_comments():
    before = 'titles = [\n  { name = "a" }, # one\n  { name = "b" },\n]\n[plan]\nrepeats = 1\n'
    after = with_table(before, "titles", TABLE, LINES, "plan.toml")
    assert "# one" in after
    assert [title["name"] for title in tomllib.loads(after)["titles"]] == ["a", "b", "new"]


@given(
    st.lists(
        st.sampled_from(
            [
                'name = "x"',
                "# [[titles]]",
                "",
                "[[titles]]",
                "[[sensors]]",
                "[titles.log]",
                "a = [",
                "]",
                '  [["titles"]],',
            ]
        )
    )
)
def test_any_text_that_is_toml_is_added_to_or_refused(lines):
    before = "\n".join(lines)
    try:
        old = tomllib.loads(before)
    except tomllib.TOMLDecodeError:
        return
    try:
        after = with_table(before, "titles", TABLE, LINES, "plan.toml")
    except PlanError:
        assert not isinstance(old.get("titles", []), list)
        return
    assert rest_of(before, after) is not None


@pytest.mark.parametrize(
    "text",
    [
        "[plan]  # head\nrepeats = 2\n",
        "[plan]\r\nallow_hardware_changes = false # not yet\r\n",
        "\ufeff[plan]\na = 1",
    ],
)
def test_a_permission_is_put_in(text):
    after = with_permission(text, "plan.toml")
    assert tomllib.loads(after.removeprefix("\ufeff"))["plan"]["allow_hardware_changes"] is True
    assert all(part in after for part in re.findall(r"#.*\w", text))


def test_a_plan_without_its_first_table_is_refused():
    with pytest.raises(PlanError, match="by hand"):
        with_permission("plan = { a = 1 }\n", "plan.toml")
