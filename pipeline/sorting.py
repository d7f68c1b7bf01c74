"""Sort facts by their key, and find keys that occur more than once."""

import polars as pl

_PACKED = "\x1fpacked"


def sort_by_key(facts: pl.DataFrame, key: list[str]) -> tuple[pl.DataFrame, pl.Series]:
    """Sort facts by key; facts of one key come in any order.

    Parameters
    ----------
    facts : polars.DataFrame, shape (n_facts, n_columns)
        Facts, their text plain or as ``Enum`` in the order of the alphabet.
    key : list of str
        Columns, most significant first.

    Returns
    -------
    tuple of polars.DataFrame and polars.Series
        The facts in order, and which of them share their key with another.
    """
    packed = packed_key(facts, key)
    if packed is None:
        facts = facts.sort(*key)
        return facts, facts.select(key).is_duplicated()
    if not packed.is_sorted():
        order = packed.arg_sort()
        facts, packed = facts[order], packed.gather(order)
    again = (packed == packed.shift(1)).fill_null(value=False)
    return facts, again | again.shift(-1).fill_null(value=False)


def packed_key(frame: pl.DataFrame, key: list[str]) -> pl.Series | None:
    """Pack the columns of a key into one whole number each, in the order of the key.

    Parameters
    ----------
    frame : polars.DataFrame
        Facts in compact types.
    key : list of str
        Columns, most significant first; none holds a null.

    Returns
    -------
    polars.Series of UInt64 or None
        Equal numbers are equal keys, and their order is that of the keys; None where 64 bits are too
        few or a column is no number.
    """
    places: list[tuple[pl.Expr, int]] = []
    for name in key:
        column = frame[name]
        if isinstance(column.dtype, pl.Enum):
            places.append((pl.col(name).to_physical(), len(column.dtype.categories)))
        elif column.dtype.is_integer() and column.len():
            low, high = int(column.min()), int(column.max())  # type: ignore[arg-type]  # whole numbers
            places.append((pl.col(name) - low, high - low + 1))
        elif column.len():
            return None
    size = 1
    for _, width in places:
        size *= max(width, 1)
    if size >= 2**64:
        return None
    packed = pl.lit(0, dtype=pl.UInt64)
    for digit, width in places:
        packed = packed * width + digit.cast(pl.UInt64)
    return frame.select(packed.alias(_PACKED)).to_series() if places else None
