"""Sums as bytes, to be kept or sent: exact, readable by anyone, and never run as code.

First the length of a header (8 bytes, little-endian), then the header in JSON with the whole numbers
in decimal, then the sums of the cells as IEEE doubles, little-endian, in row-major order, then the
labels of the cells as an Arrow file. Labels are written as plain text or numbers: categories would
carry names of groups that have no row here.
"""

import json
from fractions import Fraction
from io import BytesIO
from typing import Any

import numpy as np
import polars as pl

from pipeline.mixed_model.description import ModelDescription
from pipeline.mixed_model.exact_sums import Integers
from pipeline.mixed_model.sufficient_statistics import Statistics

LAYOUT = 1
"""Raised whenever the bytes, or the way rows are added up, change their meaning."""

_LENGTH_BYTES = 8


def sums_content(statistics: Statistics) -> bytes:
    """Write sums as bytes.

    Parameters
    ----------
    statistics : Statistics
        The sums.

    Returns
    -------
    bytes
        Their content.
    """
    header = json.dumps(_header(statistics), ensure_ascii=False, sort_keys=True).encode()
    labels = BytesIO()
    _plain(statistics.groups).write_ipc(labels, compression="uncompressed")
    length = len(header).to_bytes(_LENGTH_BYTES, "little")
    sums = np.ascontiguousarray(statistics.sums, dtype="<f8").tobytes()
    return b"".join([length, header, sums, labels.getvalue()])


def sums_from(content: bytes) -> Statistics:
    """Read sums from bytes.

    Parameters
    ----------
    content : bytes
        What ``sums_content`` gave.

    Returns
    -------
    Statistics
        The sums, to the last bit.

    Raises
    ------
    ValueError
        If the bytes have another layout.
    """
    start = _LENGTH_BYTES + int.from_bytes(content[:_LENGTH_BYTES], "little")
    header = json.loads(content[_LENGTH_BYTES:start])
    if header["layout"] != LAYOUT:
        raise ValueError(f"layout {header['layout']} of the sums is not {LAYOUT}")
    shape = header["shape"]
    end = start + 8 * int(np.prod(shape))
    sums = np.frombuffer(content[start:end], dtype="<f8").reshape(shape).astype(np.float64)
    return Statistics(
        description=ModelDescription.model_validate(header["description"]),
        columns=tuple(header["columns"]),
        units=tuple(Fraction(unit) for unit in header["units"]),
        products=_integers(header["products"]),
        varying=tuple(header["varying"]),
        groups=pl.read_ipc(BytesIO(content[end:])),
        sums=sums,
        levels={name: tuple(levels) for name, levels in header["levels"]},
        n_rows=header["n_rows"],
        n_left_out=header["n_left_out"],
        log_weights=float.fromhex(header["log_weights"]),
    )


def _header(statistics: Statistics) -> dict[str, Any]:
    return {
        "layout": LAYOUT,
        "description": statistics.description.model_dump(mode="json"),
        "columns": statistics.columns,
        "units": [str(unit) for unit in statistics.units],
        "products": [[str(value) for value in row] for row in statistics.products],
        "varying": statistics.varying,
        "shape": statistics.sums.shape,
        "levels": list(statistics.levels.items()),
        "n_rows": statistics.n_rows,
        "n_left_out": statistics.n_left_out,
        "log_weights": statistics.log_weights.hex(),
    }


def _integers(rows: list[list[str]]) -> Integers:
    found = np.empty((len(rows), len(rows)), dtype=object)
    for place, row in enumerate(rows):
        found[place] = [int(value) for value in row]
    return found


def _plain(labels: pl.DataFrame) -> pl.DataFrame:
    return labels.with_columns(
        pl.col(name).cast(pl.String)
        for name, kind in labels.schema.items()
        if isinstance(kind, pl.Categorical | pl.Enum)
    )
