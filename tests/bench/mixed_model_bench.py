"""The mixed-model engine beside other programs, and its cost against rows beside a floor.

``python -m tests.bench mixed_model`` measures this part alone. Ours and each peer fit the same rows in
processes of their own, one after the other in one run; the floor is one DuckDB scan of the same
columns, and sums of the same numbers over the patients.
"""

import os
import sys
from functools import cache

import numpy as np
import polars as pl

from tests.bench.mixed_model_peers import (
    Watch,
    fastest,
    in_process,
    missing,
    run_peer,
    show,
)
from tests.bench.mixed_model_rows import describe, rows_of

MODELS = ("M1", "M2", "M3")

WORDS = {
    "M1": "patient, clinician, clinic",
    "M2": "the same and a slope by patient",
    "M3": "patient > hip > visit, clinician, clinic, technique by clinic",
    "InstEval": "students × lecturers, fully crossed",
}

BEST_PYTHON = ("glmm", "mixedlm")

PEERS = (*BEST_PYTHON, "lme4")

SPEEDUPS = {
    ("M1", 1_000_000): (40.0, 4.0),
    ("M2", 1_000_000): (60.0, 6.0),
    ("M3", 1_000_000): (40.0, 4.0),
    ("InstEval", 73_421): (None, 1.0),
}
"""How often our time goes into lme4's, and into that of the faster Python library, at least."""

DF_SPEEDUP = 500.0
"""Degrees of freedom of all coefficients beside lmerTest, at 100k rows."""

SMALL, SMALL_FACTOR = 10_000, 1.2
"""At this size: our time beside that of the fastest, at most."""

PEAK_MB = 400.0
"""Memory that a fit at 1M rows may add."""

COMPARED = (
    *((model, n_rows) for n_rows in (10_000, 100_000, 1_000_000) for model in MODELS),
    ("InstEval", 73_421),
)

COST_ROWS = (10_000, 100_000, 1_000_000, 10_000_000)

DF_ROWS = 100_000
"""Degrees of freedom are compared up to this many rows: the others take too long beyond."""

LIMIT = 900.0
"""Seconds after which a peer is stopped; its time is then a lower bound."""

SAME_CRITERION = 1e-3
"""Criteria within this count as the same optimum."""


def run() -> list[dict]:
    """Every figure of this part, with its bound where one was set."""
    there = []
    for peer in PEERS:
        why = missing(peer)
        print(f"skipped: {why}" if why else f"compared with {peer}", file=sys.stderr)
        there += [] if why else [peer]
    return [_row("load of the machine at the start", os.getloadavg()[0], "processes"), *_all(there)]


def _all(peers: list[str]) -> list[dict]:
    rows = [row for name, n in COMPARED for row in _beside(name, n, peers)]
    return rows + [row for n in COST_ROWS for row in _cost(n)]


def _beside(model: str, n_rows: int, names: list[str]) -> list[dict]:
    """One model at one size: ours, then each peer, and how often ours goes into theirs."""
    ours, df = _ours(model, n_rows), n_rows <= DF_ROWS
    peers = {name: run_peer(name, model, n_rows, limit=LIMIT, df=df) for name in names}
    peers = {name: peer for name, peer in peers.items() if _time(peer)}
    what = f"{model} at {n_rows:,} rows"
    rows = [_row(f"fit {what} ({WORDS[model]})", ours["seconds"], "s")]
    rows += [
        _row(f"fit {what}: {_label(name, p, ours)}", _time(p), "s") for name, p in peers.items()
    ]
    rows += _speed(model, n_rows, ours, peers)
    return rows + (_freedoms(n_rows, what, ours, peers.get("lme4", {})) if df else [])


def _speed(model: str, n_rows: int, ours: dict, peers: dict[str, dict]) -> list[dict]:
    """Ratios to lme4 and to the faster Python library, with the bounds set at this size."""
    what = f"{model} at {n_rows:,} rows"
    best = min((n for n in BEST_PYTHON if n in peers), key=lambda n: _time(peers[n]), default=None)
    rows = []
    for name, place in (("lme4", 0), (best, 1)):
        if name in peers:
            least = SPEEDUPS.get((model, n_rows), (None, None))[place]
            ratio = _time(peers[name]) / ours["seconds"]
            rows.append(_row(f"speed {what}: {name}'s time in ours", ratio, "×", at_least=least))
        if name in peers and "cpu_seconds" in peers[name]:
            ratio = peers[name]["cpu_seconds"] / ours["cpu_seconds"]
            rows.append(_row(f"speed {what}: {name}'s processor time in ours", ratio, "×"))
    if n_rows == SMALL and peers:
        ratio = ours["seconds"] / min(_time(peer) for peer in peers.values())
        rows.append(_row(f"{what}: ours beside the fastest", ratio, "×", at_most=SMALL_FACTOR))
    return rows


def _freedoms(n_rows: int, what: str, ours: dict, lme4: dict) -> list[dict]:
    """Degrees of freedom of all coefficients, and the largest relative difference from lmerTest's."""
    rows = [_row(f"all df, {what}", ours["df_seconds"], "s")]
    if "df_seconds" not in lme4:
        return rows
    ratio = lme4["df_seconds"] / ours["df_seconds"]
    least = DF_SPEEDUP if n_rows == DF_ROWS else None
    pairs = zip(sorted(ours["df"]), sorted(lme4["df"]), strict=True)  # columns in different order
    apart = max(abs(a / b - 1.0) for a, b in pairs)
    return [
        *rows,
        _row(f"all df, {what}: lmerTest", lme4["df_seconds"], "s"),
        _row(f"all df, {what}: lmerTest's time in ours", ratio, "×", at_least=least),
        _row(f"all df, {what}: largest difference from lmerTest", 100.0 * apart, "%"),
    ]


def _cost(n_rows: int) -> list[dict]:
    """Statistics and optimisation apart, memory, and the floor, at one number of rows."""
    floor, rows = _work("floor", "M1", n_rows), []
    rows.append(_row(f"floor: scan of {n_rows:,} rows", floor["scan_seconds"], "s"))
    rows.append(_row(f"floor: sums by patient, {n_rows:,} rows", floor["sum_seconds"], "s"))
    for model in MODELS:
        ours, what = _ours(model, n_rows), f"{model}, {n_rows:,} rows"
        beside = ours["statistics_seconds"] / (floor["scan_seconds"] + floor["sum_seconds"])
        most = PEAK_MB if n_rows == 1_000_000 else None
        rows += [
            _row(f"statistics: {what}", ours["statistics_seconds"], "s"),
            _row(f"statistics beside scan and sums: {what}", beside, "×"),
            _row(
                f"optimisation: {what} ({ours['levels']:,} levels)", ours["optimise_seconds"], "s"
            ),
            _row(f"memory added: {what}", ours["peak_added_mb"], "MB", at_most=most),
        ]
    return rows


@cache
def _ours(model: str, n_rows: int) -> dict:
    return _work("ours", model, n_rows)


def _work(what: str, model: str, n_rows: int) -> dict:
    words = [sys.executable, "-m", "tests.bench.mixed_model_bench", what, model, str(n_rows)]
    done = in_process(words, 3 * LIMIT)
    if "failed" in done:
        raise RuntimeError(f"{what} {model} at {n_rows:,} rows: {done['failed']}")
    return done


def _time(peer: dict) -> float | None:
    """Seconds of a fit, or the limit it was stopped at; None where it failed."""
    return peer.get("seconds", peer.get("stopped_after"))


def _label(name: str, peer: dict, ours: dict) -> str:
    """A peer, its version and what has to be known beside its time."""
    if "seconds" not in peer:
        return f"{name}, stopped: at least"
    over = peer["criterion"] - ours["criterion"]
    told = peer["version"] if name in peer["version"] else f"{name} {peer['version']}"
    return told if abs(over) < SAME_CRITERION else f"{told}, criterion {over:+.4f} beside ours"


def _row(
    name: str,
    figure: float,
    unit: str,
    *,
    at_most: float | None = None,
    at_least: float | None = None,
) -> dict:
    """One figure; a bound that has to be passed from below says so."""
    met = (at_most is None or figure <= at_most) and (at_least is None or figure >= at_least)
    bound = at_most if at_least is None else f"≥ {at_least:g}"
    return {"name": name, "figure": _rounded(figure), "unit": unit, "bound": bound, "met": met}


def _rounded(figure: float) -> float:
    """Give it three digits at least after the first that counts."""
    return float(f"{figure:.4g}") if abs(figure) < 1000 else round(figure, 0)


def _fit_ours(frame: pl.DataFrame, model: str) -> None:
    """Fit from rows; then statistics, optimisation and degrees of freedom each alone."""
    from pipeline.mixed_model.degrees_of_freedom import satterthwaite
    from pipeline.mixed_model.fit import fit
    from pipeline.mixed_model.sufficient_statistics import collect

    description = describe(model)
    fitted, whole = fastest(lambda: fit(frame, description))
    show(whole | {"criterion": fitted.criterion, "theta": [float(x) for x in fitted.theta]})
    sums, statistics = fastest(lambda: collect(frame, description))
    fitted, optimisation = fastest(lambda: fit(sums))
    show({"statistics_seconds": statistics["seconds"]})
    show({"optimise_seconds": optimisation["seconds"]})
    show({"levels": sum(part.n_levels for part in fitted.components)})
    each = np.eye(len(fitted.coefficients))
    watch = Watch()  # once: the fit keeps what they share
    found = [float(satterthwaite(fitted, weights)) for weights in each]
    show(watch.read("df_") | {"df": found})


def _floor(frame: pl.DataFrame, model: str) -> None:
    """What any single pass costs: a scan, and plain sums of the numbers by patient."""
    import duckdb

    connection = duckdb.connect()
    connection.register("bouts", frame.to_arrow())
    numbers = ", ".join(f"sum({name})" for name in ("pretest_deg", "t", "gain_deg"))
    others = (name for name in frame.columns if name not in {"pretest_deg", "t", "gain_deg"})
    scan = f"SELECT {numbers}, {', '.join(f'max({name})' for name in others)} FROM bouts"
    by = f"SELECT patient, count(*), {numbers} FROM bouts GROUP BY patient"
    _, scanned = fastest(lambda: connection.execute(scan).fetchall())
    _, summed = fastest(lambda: connection.execute(by).fetchnumpy())
    show({"scan_seconds": scanned["seconds"], "sum_seconds": summed["seconds"]})


if __name__ == "__main__":
    asked, asked_model, asked_rows = sys.argv[1:]
    work = {"ours": _fit_ours, "floor": _floor}[asked]
    work(rows_of(asked_model, int(asked_rows)), asked_model)
