"""Tables as CSV that a spreadsheet shows as text, never as a formula.

The rule, also stated in ``datapackage.json``: a text cell or column name that begins with ``=``, ``+``,
``-``, ``@``, a tab or a carriage return gets an apostrophe in front, unless it is a plain number; numbers
stay as they are; line ends in text are line feeds. (The signs are those of OWASP's page on CSV injection,
from memory.)
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

if TYPE_CHECKING:
    import pandas as pd

RULE: Final = (
    "Text that begins with =, +, -, @, a tab or a carriage return has an apostrophe in front, so that "
    "spreadsheets take it for text; numbers stay as they are; line ends in text are line feeds. The Parquet "
    "tables hold the text unchanged."
)
_DANGEROUS: Final = ("=", "+", "-", "@", "\t", "\r")
_NUMERIC_KINDS: Final = "biufcmM"


def plain_cell(value: object) -> object:
    """A cell as it is written; all but dangerous text is given back as it is."""
    if not isinstance(value, str):
        return value
    text = value.replace("\r\n", "\n").replace("\r", "\n")  # a lone CR ends a row for many readers
    if not value.startswith(_DANGEROUS):
        return text
    try:
        float(value)
    except ValueError:
        return "'" + text
    return "'" + text if value[0] in "\t\r" else text


def csv_text(frame: pd.DataFrame) -> str:
    """The table as CSV with a header, UTF-8, LF line ends, by the module's rule."""
    safe = frame.rename(columns=plain_cell)
    for position, dtype in enumerate(frame.dtypes):
        if getattr(dtype, "kind", "O") not in _NUMERIC_KINDS:
            column = frame.iloc[:, position].astype(object)
            safe.isetitem(position, column.map(plain_cell, na_action="ignore").to_numpy())
    return str(safe.to_csv(index=False, lineterminator="\n"))
