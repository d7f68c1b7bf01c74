"""Measure speed and memory, each figure beside its floor in the same run.

Every measurement runs in a process of its own, alternating with its floor, and the median of several
rounds counts. Writes ``.bench/results.json``: a list of name, figure, unit, bound and met.
"""

import json
import statistics
import subprocess
import sys
import tempfile
import time
from pathlib import Path

from rich.console import Console
from rich.table import Table

from synthetic_data.export import write_exports
from synthetic_data.network import make_network

ROUNDS = 3
SIZES = {"100k": 5_900, "1M": 59_000}
"""Rows of the larger export, and the patients that the generator needs for about as many."""

WORK = "tests.bench.work"


def main() -> None:
    results = [_help(), _demo()]
    with tempfile.TemporaryDirectory() as folder:
        for name, n_patients in SIZES.items():
            results += _intake(Path(folder) / name, name, n_patients)
    out = Path(".bench")
    out.mkdir(exist_ok=True)
    (out / "results.json").write_text(json.dumps(results, indent=1) + "\n", encoding="utf-8")
    _show(results)


def _result(name: str, figure: float, unit: str, bound: float, *, at_most: bool = True) -> dict:
    met = figure <= bound if at_most else figure >= bound
    return {"name": name, "figure": round(figure, 3), "unit": unit, "bound": bound, "met": met}


def _seconds(words: list[str]) -> float:
    start = time.perf_counter()
    subprocess.run([sys.executable, *words], check=True, capture_output=True)
    return time.perf_counter() - start


def _help() -> dict:
    words = ["-c", "from flows.cli import run; run(['--help'])"]
    return _result("arcgain --help", statistics.median(_seconds(words) for _ in range(5)), "s", 0.5)


def _demo() -> dict:
    with tempfile.TemporaryDirectory() as folder:
        words = ["-c", f"from flows.cli import run; run(['demo', {folder + '/demo'!r}])"]
        return _result("arcgain demo, both reports", _seconds(words), "s", 60)


def _intake(folder: Path, name: str, n_patients: int) -> list[dict]:
    folder.mkdir()
    export = write_exports(make_network(1, n_patients), folder)[0]
    rounds = [
        (_work("floor", export, folder), _work("intake", export, folder)) for _ in range(ROUNDS)
    ]
    n_rows = rounds[0][1]["rows"]
    floor = statistics.median(f["seconds"] for f, _ in rounds)
    ours = statistics.median(o["seconds"] for _, o in rounds)
    ratio = statistics.median(o["seconds"] / f["seconds"] for f, o in rounds)
    peak = max(o["peak_mb"] for _, o in rounds) / 1000
    return [
        _result(f"floor: {name} rows as typed Parquet ({n_rows} rows)", floor, "s", float("inf")),
        _result(f"export to accepted facts, {name}", ours, "s", float("inf")),
        _result(f"export to accepted facts, {name}", ratio, "× floor", 8),
        _result(f"rows per second, {name}", n_rows / ours, "rows/s", 0, at_most=False),
        _result(f"peak memory, {name}", peak, "GB", 3),
    ]


def _work(what: str, export: object, folder: Path) -> dict:
    words = [str(export.path), str(export.codebook_path), str(export.exported_on), str(folder)]
    done = subprocess.run(
        [sys.executable, "-m", WORK, what, *words], check=True, capture_output=True, text=True
    )
    return json.loads(done.stdout)


def _show(results: list[dict]) -> None:
    table = Table(title="Benchmarks")
    for column in ("name", "figure", "unit", "bound", "met"):
        table.add_column(column, justify="right" if column in {"figure", "bound"} else "left")
    for row in results:
        bound = "–" if row["bound"] in {0, float("inf")} else str(row["bound"])
        table.add_row(
            row["name"], f"{row['figure']:,}", row["unit"], bound, "yes" if row["met"] else "no"
        )
    Console().print(table)


if __name__ == "__main__":
    main()
