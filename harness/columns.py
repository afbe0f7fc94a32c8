"""A column of a table: plain values, so that tables can be named and a plan be checked without Arrow."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final, Literal

if TYPE_CHECKING:
    import pyarrow as pa

Kind = Literal["float", "integer", "text", "truth", "words", "instant", "coded text"]

F: Final = "float"
I: Final = "integer"  # noqa: E741
S: Final = "text"
B: Final = "truth"


@dataclass(frozen=True)
class Column:
    """One column: what it holds, unit (empty for none) and meaning in one line."""

    name: str
    type: Kind
    unit: str
    meaning: str
    nullable: bool = True


@dataclass(frozen=True)
class Quantity(Column):
    """A column that a sensor may deliver.

    Attributes:
        within: Smallest and largest value that counts as read, in its unit.
    """

    within: tuple[float, float] = (-math.inf, math.inf)


def schema_of(columns: Sequence[Column]) -> pa.Schema:
    """Arrow schema with each column's unit and meaning in the field's metadata."""
    import pyarrow as pa

    return pa.schema(
        [
            pa.field(c.name, arrow_type(c.type), c.nullable, metadata={"unit": c.unit, "meaning": c.meaning})
            for c in columns
        ]
    )


def arrow_type(kind: Kind) -> pa.DataType:
    """The Arrow type of a column's kind."""
    import pyarrow as pa

    return {
        "float": pa.float64(),
        "integer": pa.int64(),
        "text": pa.string(),
        "truth": pa.bool_(),
        "words": pa.list_(pa.string()),
        "instant": pa.timestamp("us", "UTC"),
        "coded text": pa.dictionary(pa.int8(), pa.string()),
    }[kind]
