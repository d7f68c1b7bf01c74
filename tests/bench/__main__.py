"""Measure speed and memory, each figure beside its floor in the same run.

Every measurement runs in a process of its own, alternating with its floor, and the median of several
rounds counts. Writes ``.bench/results.json``: a list of name, figure, unit, bound and met.
``python -m tests.bench intake``, ``mixed_model`` or ``error_rates`` measures one part alone.
"""

import json
import statistics
import subprocess
import sys
import tempfile
import time
from dataclasses import dataclass
from datetime import date
from pathlib import Path

from rich.console import Console
from rich.table import Table

from synthetic_data.export import write_exports
from synthetic_data.network import make_network
from synthetic_data.wide_export import wide_codebook, write_wide
from tests.bench import mixed_model_bench, mixed_model_error_rates

ROUNDS = 3
LONG_ROWS = {"100k": 17_700, "1M": 177_000}
"""Rows of harbour's larger export, and the patients that the generator needs for about as many."""

WIDE_ROWS = {"1M": 1_000_000, "10M": 10_000_000}

READERS = ("brackwell", "lindeveen", "saltgrove")
"""A folder of Parquet files, a workbook and NDJSON, each read against its own floor."""

READER_PATIENTS = 60_000

WORK = "tests.bench.work"


@dataclass(frozen=True)
class Case:
    """One export to be measured."""

    path: Path
    codebook: Path
    day: date


def main(parts: list[str]) -> None:
    if set(parts) - set(PARTS):
        sys.exit(f"parts are {', '.join(PARTS)}")
    results = [row for part in parts or PARTS for row in PARTS[part]()]
    out = Path(".bench")
    out.mkdir(exist_ok=True)
    (out / "results.json").write_text(json.dumps(results, indent=1) + "\n", encoding="utf-8")
    _show(results)


def _exports_in() -> list[dict]:
    results = [_help(), _demo()]
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        for size, n_patients in LONG_ROWS.items():
            results += _intake(_long(folder, size, n_patients), f"long CSV, {size}", (8, 3))
        results += _intake(_wide(folder, "1M"), "wide CSV with composites, 1M", (6, 2))
        for case in _exports(folder):
            results += _reading(case)
        results += _intake(_wide(folder, "10M"), "wide CSV with composites, 10M", (None, 4), 1)
    return results


def _long(folder: Path, size: str, n_patients: int) -> Case:
    sent = write_exports(make_network(1, n_patients), folder / size, clinics=("harbour",))[0]
    return Case(sent.path, sent.codebook_path, sent.exported_on)


def _wide(folder: Path, size: str) -> Case:
    path, codebook = folder / f"wide_{size}.csv", folder / "wide.yaml"
    write_wide(path, WIDE_ROWS[size], 1)
    codebook.write_text(wide_codebook(), encoding="utf-8")
    return Case(path, codebook, date(2026, 1, 1))


def _exports(folder: Path) -> list[Case]:
    sent = write_exports(make_network(1, READER_PATIENTS), folder / "readers", clinics=READERS)
    return [Case(one.path, one.codebook_path, one.exported_on) for one in sent]


def _result(name: str, figure: float, unit: str, bound: float | None = None) -> dict:
    met = bound is None or figure <= bound
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


def _intake(
    case: Case, name: str, bounds: tuple[float | None, float], rounds: int = ROUNDS
) -> list[dict]:
    measured = [
        (_work("floor", case), _work("intake", case), _work("rewrite", case)) for _ in range(rounds)
    ]
    floor = statistics.median(f["seconds"] for f, _, _ in measured)
    ours = statistics.median(o["seconds"] for _, o, _ in measured)
    ratio = statistics.median(o["seconds"] / f["seconds"] for f, o, _ in measured)
    whole = statistics.median(o["seconds"] / (f["seconds"] + w["seconds"]) for f, o, w in measured)
    last = measured[0][1]
    return [
        _result(f"floor: {name} as typed Parquet ({last['rows']:,} rows)", floor, "s"),
        _result(f"export to accepted facts: {name} ({last['facts']:,} facts)", ours, "s"),
        _result(f"export to accepted facts: {name}", ratio, "× floor", bounds[0]),
        _result(f"the same beside reading the export and writing its facts: {name}", whole, "×"),
        _result(f"facts per second: {name}", last["facts"] / ours, "facts/s"),
        _result(
            f"peak memory: {name}",
            max(o["peak_mb"] for _, o, _ in measured) / 1000,
            "GB",
            bounds[1],
        ),
    ]


def _reading(case: Case) -> list[dict]:
    measured = [(_work("floor", case), _work("read", case)) for _ in range(ROUNDS)]
    name = f"{case.path.suffix or 'folder of Parquet'} ({measured[0][1]['rows']:,} rows)"
    ratio = statistics.median(o["seconds"] / f["seconds"] for f, o in measured)
    ours = statistics.median(o["seconds"] for _, o in measured)
    return [
        _result(f"reading strictly: {name}", ours, "s"),
        _result(f"reading strictly: {name}", ratio, "× floor"),
    ]


def _work(what: str, case: Case) -> dict:
    folder = case.path.parent
    words = [str(case.path), str(case.codebook), str(case.day), str(folder)]
    done = subprocess.run(
        [sys.executable, "-m", WORK, what, *words], check=True, capture_output=True, text=True
    )
    return json.loads(done.stdout)


def _show(results: list[dict]) -> None:
    table = Table(title="Benchmarks")
    for column in ("name", "figure", "unit", "bound", "met"):
        table.add_column(column, justify="right" if column in {"figure", "bound"} else "left")
    for row in results:
        bound = "–" if row["bound"] is None else str(row["bound"])
        table.add_row(
            row["name"], f"{row['figure']:,}", row["unit"], bound, "yes" if row["met"] else "no"
        )
    Console().print(table)


PARTS = {
    "intake": _exports_in,
    "mixed_model": mixed_model_bench.run,
    "error_rates": mixed_model_error_rates.run,
}

if __name__ == "__main__":
    main(sys.argv[1:])
