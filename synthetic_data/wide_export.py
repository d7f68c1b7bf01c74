"""A wide export of any size for benchmarks, in tarnside's shape: one row per visit and hip.

Its numbers are plausible but follow no truth, and nothing is planted in it; use ``make_network`` to
recover effects.
"""

from collections.abc import Iterable
from pathlib import Path

import numpy as np
import polars as pl
from numpy.typing import NDArray

from synthetic_data.codebook import as_yaml
from synthetic_data.layout import triplet
from synthetic_data.tarnside import CODES, COLUMNS, tarnside_codebook

WIDE_COLUMNS = COLUMNS[:-1]
"""Headers of the wide export: those of tarnside without the notes."""

ROWS_OF_PATIENT = 6
"""Rows of one patient: three visits of both hips."""

_CHUNK = 198_000  # a multiple of ROWS_OF_PATIENT, so that no patient lies in two chunks
_FIRST_DAY = np.datetime64("2024-01-08")
_DOSES = ("1x30s", "2x30s", "2x45s", "3 x 1 min")
_GRADES = tuple(
    f"gr {n}{m}" for n in (1, 2, 3, 4) for m in (("", "+", "-") if n > 2 else ("", "", ""))
)


def write_wide(path: Path, n_rows: int, seed: int) -> None:
    """Write a wide CSV file in pieces, in memory that does not grow with it.

    Parameters
    ----------
    path : pathlib.Path
        Where to write.
    n_rows : int
        Data rows.
    seed : int
        Seed; equal seeds give equal bytes, and a longer file begins with the shorter one's patients.
    """
    with path.open("wb") as file:
        for number, start in enumerate(range(0, max(n_rows, 1), _CHUNK)):
            rng = np.random.default_rng([seed, number])
            rows = _rows(start, rng).head(n_rows - start)
            rows.write_csv(file, include_header=start == 0)


def wide_codebook() -> str:
    """Write the codebook of the wide export.

    Returns
    -------
    str
        YAML text.
    """
    content = tarnside_codebook() | {"codebook": "tarnside-wide"}
    del content["ignore"]
    return as_yaml(content)


def _rows(start: int, rng: np.random.Generator) -> pl.DataFrame:
    n_patients = _CHUNK // ROWS_OF_PATIENT
    patient = np.repeat(np.arange(n_patients), ROWS_OF_PATIENT)
    visit = np.tile(np.repeat([0, 1, 2], 2), n_patients)
    side = np.tile([0, 1], _CHUNK // 2)
    per_patient = rng.integers(0, [500, 2, 60, 200], (n_patients, 4))[patient]
    per_hip = rng.integers(0, [4, 60], (n_patients, 2, 2))[patient, side]
    per_visit = rng.integers(0, [len(_DOSES), len(_GRADES), 3, 3, 2, 2, 7], (_CHUNK, 7))
    days = _FIRST_DAY + (per_patient[:, 0] + 9 * visit).astype("timedelta64[D]")
    number = pl.Series(start // ROWS_OF_PATIENT + patient + 1).cast(pl.String)
    neutral = per_visit[:, 3] == 0
    columns = {
        "Chart No": "TW" + number.str.zfill(8),
        "Gender": _words(CODES["Gender"], per_patient[:, 1]),
        "Age": pl.Series(25 + per_patient[:, 2]),
        "Visit date": pl.Series(days).cast(pl.Date).dt.to_string("%m/%d/%Y"),
        "Provider": "N" + pl.Series(per_patient[:, 3] + 1).cast(pl.String).str.zfill(4),
        "Hip": _words(CODES["Hip"], side),
        "Problem": _words(CODES["Problem"], per_hip[:, 0]),
        "Since (years)": pl.Series(per_hip[:, 1] / 4),
        "Tool": _words(CODES["Tool"], np.zeros_like(side)),
        "Technique": _words(CODES["Technique"], per_visit[:, 2]),
        "Grade": _words(_GRADES, per_visit[:, 1]),
        "Dose": _words(_DOSES, per_visit[:, 0]),
        "Rotation": _words(CODES["Rotation"], per_visit[:, 3]),
        "How": _words(CODES["How"], np.where(neutral, 0, 1 + per_visit[:, 4])),
        "Stopped": _words(CODES["Stopped"], per_visit[:, 5]),
    }
    measured = _measured(per_visit[:, 6] == 0, rng)
    return pl.DataFrame(columns).hstack(measured).select(WIDE_COLUMNS)


def _measured(is_missing: NDArray[np.bool_], rng: np.random.Generator) -> pl.DataFrame:
    """Give the cells before and after; those after are empty where the retest is missing."""
    low, high = np.array([5, 15, 80, -10]), np.array([45, 55, 135, 21])
    before = rng.integers(low, high, (_CHUNK, 4))
    after = before + rng.integers(-3, 8, (_CHUNK, 4))
    columns: dict[str, pl.Expr] = {}
    for word, angles in (("before", before), ("after", after)):
        internal, external, flexion, extension = (pl.lit(pl.Series(angles[:, n])) for n in range(4))
        feel, pain = rng.integers(0, [4, 11], (_CHUNK, 2)).T
        columns[f"ROT {word}"] = triplet(external, internal)
        columns[f"S {word}"] = pl.lit("S ") + triplet(extension, flexion)
        columns[f"Pain {word}"] = pl.lit(pl.Series(pain))
        columns[f"IR feel {word}"] = pl.lit(_words(CODES["IR feel"], feel))
    missing = pl.lit(pl.Series(is_missing))
    emptied = [
        pl.when(~missing).then(pl.col(name)).alias(name) for name in columns if "after" in name
    ]
    return pl.select(expr.alias(name) for name, expr in columns.items()).with_columns(emptied)


def _words(words: Iterable[str], index: NDArray[np.int64]) -> pl.Series:
    return pl.Series(list(words), dtype=pl.String).gather(pl.Series(index))
