"""Diagnostics of a fit: residuals by fitted value, their quantiles, their spread by group.

Numbers only; a reader's page draws them. Every number is over many rows where ``least`` says so, so
that no point stands for one patient.

References
----------
Gelman A, Hill J (2007). Data analysis using regression and multilevel/hierarchical models.
Cambridge University Press, section 5.6, for binned residuals (from memory).
Hazen A (1914). Storage to be provided in impounding reservoirs. Transactions of the American
Society of Civil Engineers 77:1539-1640, for (i - 1/2) / n (from memory).
"""

import numpy as np
import polars as pl
from scipy.special import ndtr, ndtri

from pipeline.mixed_model.exact_sums import Array
from pipeline.mixed_model.expected_outcome import complete_rows, expected_outcome
from pipeline.mixed_model.fit import MixedModel
from pipeline.mixed_model.tally import Index
from pipeline.mixed_model.usable_row import used_columns

BLOCK_ROWS = 2**18
"""Rows that are evaluated at a time."""


def residuals(model: MixedModel, frame: pl.DataFrame) -> pl.DataFrame:
    """Give what the model expects of each row of the records, and what it leaves.

    Parameters
    ----------
    model : MixedModel
        The fit.
    frame : polars.DataFrame, shape (n, ...)
        The rows that the model was fitted to.

    Returns
    -------
    polars.DataFrame, shape (n, 3)
        ``fitted``: fixed part and conditional modes; ``residual``: outcome less fitted;
        ``standardised``: the residual in residual standard deviations, which depend on the row's
        weight. Null for rows that the fit left out.

    Raises
    ------
    ModelError
        A column is missing, or a row is of a group or level that the fit did not have.
    """
    complete = complete_rows(frame, used_columns(model.description))
    weights = model.description.weights
    if weights is not None:
        complete &= frame[weights] > 0
    parts = [_of_block(model, block) for block in frame.filter(complete).iter_slices(BLOCK_ROWS)]
    found = np.full((frame.height, 3), np.nan)
    found[complete.to_numpy()] = np.concatenate([np.zeros((0, 3)), *parts])
    return pl.DataFrame(found, schema=["fitted", "residual", "standardised"]).fill_nan(None)


def binned_residuals(found: pl.DataFrame, *, n_bins: int = 20) -> pl.DataFrame:
    """Average residuals over rows whose fitted values are alike.

    Parameters
    ----------
    found : polars.DataFrame, shape (n, 3)
        As ``residuals`` gives them; nulls don't count.
    n_bins : int
        Bins of about equally many rows; fewer come back where fitted values repeat.

    Returns
    -------
    polars.DataFrame, shape (at most n_bins, 6)
        ``low``, ``high`` and ``mean_fitted`` of the bin's fitted values, ``mean_residual`` with its
        ``standard_error`` (null for a single row) as if rows were independent, and ``n_rows``.
    """
    known = found.drop_nulls(["fitted", "residual"])
    fitted = known["fitted"].to_numpy()
    inner = np.linspace(0.0, 1.0, n_bins + 1)[1:-1]
    edges = np.unique(np.quantile(fitted, inner)) if len(fitted) else np.zeros(0)
    # A fitted value on an edge goes up, all that equal it with it.
    bins = known.with_columns(bin=np.searchsorted(edges, fitted, side="right"))
    return (
        bins.group_by("bin")
        .agg(
            low=pl.col("fitted").min(),
            high=pl.col("fitted").max(),
            mean_fitted=pl.col("fitted").mean(),
            mean_residual=pl.col("residual").mean(),
            standard_error=pl.col("residual").std() / pl.len().sqrt(),
            n_rows=pl.len().cast(pl.Int64),
        )
        .sort("bin")
        .drop("bin")
    )


def quantiles(values: Array, *, most: int = 200, least: int = 1) -> pl.DataFrame:
    """Set sorted values against the normal quantiles of their ranks.

    Parameters
    ----------
    values : ndarray, shape (n,)
        Residuals, or the conditional modes of one random effect; nan doesn't count.
    most : int
        At most so many points, 2 or more.
    least : int
        Every point stands for so many values at least (all of them if there are fewer).

    Returns
    -------
    polars.DataFrame, shape (at most most, 3)
        ``normal``, ``value`` and ``n_values``: means over neighbours in rank. Where there are more
        values than points, points lie about evenly along the normal quantiles, so that the tails
        are seen.
    """
    ordered = np.sort(values[~np.isnan(values)])
    if not len(ordered):
        return pl.DataFrame(
            schema={"normal": pl.Float64, "value": pl.Float64, "n_values": pl.Int64}
        )
    starts = _starts(len(ordered), most, least)
    counts = np.diff(starts, append=len(ordered))
    normal = ndtri((np.arange(len(ordered)) + 0.5) / len(ordered))
    return pl.DataFrame(
        {
            "normal": np.add.reduceat(normal, starts) / counts,
            "value": np.add.reduceat(ordered, starts) / counts,
            "n_values": counts,
        }
    )


def spread_by_group(
    found: pl.DataFrame, labels: pl.Series, *, column: str = "standardised"
) -> pl.DataFrame:
    """Compare the spread of residuals between groups, such as instruments.

    Parameters
    ----------
    found : polars.DataFrame, shape (n, 3)
        As ``residuals`` gives them; nulls don't count.
    labels : polars.Series, shape (n,)
        Group of each row; rows without one don't count.
    column : str
        Which residuals.

    Returns
    -------
    polars.DataFrame, shape (n_groups, 4)
        The label under its own name, ``n_rows``, ``mean`` and ``sd`` (null for a single row), in
        order of the labels.
    """
    rows = pl.DataFrame({"label": labels, "value": found[column]}).drop_nulls()
    by_label = rows.group_by("label").agg(
        n_rows=pl.len().cast(pl.Int64), mean=pl.col("value").mean(), sd=pl.col("value").std()
    )
    return by_label.sort("label").rename({"label": labels.name})


def _of_block(model: MixedModel, rows: pl.DataFrame) -> Array:
    fitted = expected_outcome(model, rows, known=model.description.random)
    residual = rows[model.description.outcome].cast(pl.Float64).to_numpy() - fitted
    deviation = np.full(rows.height, np.sqrt(model.sigma2))
    if model.description.weights is not None:
        deviation /= np.sqrt(rows[model.description.weights].cast(pl.Float64).to_numpy())
    return np.column_stack([fitted, residual, residual / deviation])


def _starts(n: int, most: int, least: int) -> Index:
    """Say at which rank each point's values begin."""
    n_points = max(1, n // least)
    if n_points <= most:
        return np.arange(n_points) * n // n_points
    # Even steps of the normal quantile from the lowest value to the middle, widened where they hold
    # too few values; the upper half mirrors them. Steps hold ever more towards the middle, so
    # that those after a widened one hold enough.
    half = most // 2
    steps = np.floor(n * ndtr(np.linspace(ndtri(0.5 / n), 0.0, half + 1)[:-1])).astype(np.int64)
    lower = np.maximum(steps, np.arange(half) * least)
    return np.concatenate([lower, [n // 2], n - lower[:0:-1]])
