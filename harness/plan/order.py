"""The order of the night: which cell is measured when. Pure; randomness comes from the plan's seed.

A block is one repeat of each profile of one title and setting. ``balanced`` runs the blocks of all titles
round by round, so that a night that ends early has measured every title about equally often, and orders
the profiles inside the blocks by a Williams design: over the design's rows each profile stands equally
often in each place and follows each other profile equally often, so that neither the place in the block
nor the heat left by the profile before favours one of them.
"""

from __future__ import annotations

import random
from collections.abc import Iterator, Sequence

from harness.plan.night_tables import Sentinels
from harness.plan.schema import Cell, Plan, Slot


def arrange(plan: Plan, cells: Sequence[Cell]) -> tuple[Slot, ...]:
    """Put ``plan.plan.repeats_at_most`` repeats of each cell in order.

    ``balanced``: Williams rows within blocks, blocks in rounds. ``shuffled``: in each round all cells in
    random order by the plan's seed. ``as-listed``: every cell's repeats one after the other, as the plan
    lists the cells (the fewest changes of profile and title, and no protection against drift).
    """
    groups = _groups(cells)
    order, repeats = plan.plan.order, plan.plan.repeats_at_most
    if order == "as-listed":
        queue = [(cell.cell_id, repeat) for cell in cells for repeat in range(1, repeats + 1)]
    elif order == "shuffled":
        draw = random.Random(plan.plan.seed)
        queue = []
        for repeat in range(1, repeats + 1):
            ids = [cell.cell_id for cell in cells]
            draw.shuffle(ids)
            queue += [(cell_id, repeat) for cell_id in ids]
    else:
        queue = _balanced(groups, repeats)
    group_of = {cell.cell_id: index for index, group in enumerate(groups) for cell in group}
    slots = [
        Slot(
            position=position,
            block=(repeat - 1) * len(groups) + group_of[cell_id] + 1,
            cell_id=cell_id,
            repeat_index=repeat,
        )
        for position, (cell_id, repeat) in enumerate(queue, start=1)
    ]
    return tuple(slots if plan.sentinels is None else _with_sentinels(plan, plan.sentinels, cells, slots))


def _with_sentinels(
    plan: Plan, rule: Sentinels, cells: Sequence[Cell], slots: Sequence[Slot]
) -> Iterator[Slot]:
    """Put a sentinel before the first repeat, after every ``every`` repeats, and after the last one.

    Sentinels count their repeats beyond the wanted ones, so that no repeat has two meanings; each belongs
    to the block of the repeat after it (the last one to the block before it).
    """
    watched = sentinel_cell(plan, rule, cells)
    count = 0
    position = 0
    for index, slot in enumerate(slots):
        if index % rule.every == 0:
            count, position = count + 1, position + 1
            yield _sentinel(watched, position, slot.block, plan.plan.repeats_at_most + count)
        position += 1
        yield slot.model_copy(update={"position": position})
    if slots:
        yield _sentinel(watched, position + 1, slots[-1].block, plan.plan.repeats_at_most + count + 1)


def _sentinel(cell: Cell, position: int, block: int, repeat: int) -> Slot:
    return Slot(position=position, block=block, cell_id=cell.cell_id, repeat_index=repeat, sentinel=True)


def sentinel_cell(plan: Plan, rule: Sentinels, cells: Sequence[Cell]) -> Cell:
    """The cell that sentinels measure: the plan's reference profile on the rule's title and setting."""
    for cell in cells:
        title, setting = cell.title.name, cell.setting.name
        if (
            cell.profile.name == plan.plan.reference
            and title == (rule.title or title)
            and setting == (rule.setting or setting)
        ):
            return cell
    raise ValueError(f"no cell of {plan.plan.reference!r} matches the sentinels' title and setting")


def williams_rows(n: int) -> list[list[int]]:
    """Rows of a design for ``n`` treatments that is balanced for first-order carry-over.

    n rows for even n, 2n for odd n; any n consecutive rows (cyclically) from the start of a half are a
    Latin square. Source: E. J. Williams, Aust. J. Sci. Res. A 2, 149-168, 1949.
    """
    if n < 1:
        raise ValueError(f"a design needs at least one treatment, got {n}")
    base = [(place + 1) // 2 if place % 2 else (n - place // 2) % n for place in range(n)]
    rows = [[(treatment + shift) % n for treatment in base] for shift in range(n)]
    return rows if n % 2 == 0 or n == 1 else rows + [row[::-1] for row in rows]


def _groups(cells: Sequence[Cell]) -> list[list[Cell]]:
    """Cells of the same title and setting, in the order of their first cell."""
    groups: dict[tuple[str, str], list[Cell]] = {}
    for cell in cells:
        groups.setdefault((cell.title.name, cell.setting.name), []).append(cell)
    return list(groups.values())


def _balanced(groups: Sequence[Sequence[Cell]], repeats: int) -> list[tuple[str, int]]:
    queue: list[tuple[str, int]] = []
    for repeat in range(1, repeats + 1):
        for index, group in enumerate(groups):
            rows = williams_rows(len(group))
            # Each title goes on in the design where the title before it ended: few repeats of many titles
            # are then balanced over all titles together.
            row = rows[(index * repeats + repeat - 1) % len(rows)]
            queue += [(group[place].cell_id, repeat) for place in row]
    return queue
