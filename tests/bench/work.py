"""One measured piece of work in a process of its own; prints seconds, rows, facts and peak memory."""

import json
import shutil
import sys
import time
from datetime import date
from pathlib import Path

import polars as pl


def floor(export: Path, folder: Path) -> int:
    """What any reader has to do: the export as typed Parquet."""
    out = folder / "floor.parquet"
    if export.is_dir():
        export = max(export.glob("*.parquet"), key=lambda path: path.stat().st_size)
    if export.suffix == ".csv":
        pl.scan_csv(export, ignore_errors=True, infer_schema_length=10_000).sink_parquet(out)
    elif export.suffix == ".ndjson":
        pl.scan_ndjson(export, ignore_errors=True).sink_parquet(out)
    elif export.suffix == ".parquet":
        pl.scan_parquet(export).sink_parquet(out)
    else:
        import fastexcel

        book = fastexcel.read_excel(export)
        return sum(book.load_sheet(name, dtypes="string").height for name in book.sheet_names)
    return int(pl.scan_parquet(out).select(pl.len()).collect().item())


def rewrite(folder: Path) -> int:
    """Write the facts that the store holds again: what any program has to do that keeps them."""
    parts = sorted((folder / "workspace" / "store").rglob("*.parquet"))
    for part in parts:
        pl.scan_parquet(part).sink_parquet(folder / "again.parquet", compression="uncompressed")
    return len(parts)


def without_broken_lines(export: Path, folder: Path) -> Path:
    """Copy an NDJSON file without the lines that polars would refuse the whole file for."""
    whole = folder / "whole.ndjson"
    lines = export.read_text(encoding="utf-8").splitlines()
    whole.write_text("".join(f"{x}\n" for x in lines if x.endswith("}")), encoding="utf-8")
    return whole


def peak_mb() -> float:
    """Most memory of this process; what ``getrusage`` says begins with that of its parent."""
    (line,) = (x for x in Path("/proc/self/status").read_text().splitlines() if "VmHWM" in x)
    return int(line.split()[1]) / 1000  # kilobytes


def prepare(folder: Path) -> Path:
    import pandera.polars  # noqa: F401 - importing is start-up, not work

    from flows.workspace import create_workspace

    workspace = folder / "workspace"
    shutil.rmtree(workspace, ignore_errors=True)
    create_workspace(workspace, "bench")
    return workspace


def intake(export: Path, codebook: Path, day: date, workspace: Path) -> tuple[int, int]:
    """From the export to accepted facts in the store, every stage included but the orchestrator."""
    from flows.intake import Request, take_in

    account = take_in(workspace, Request(export, codebook, day)).account
    facts = sum(counts["read"] for table, counts in account.items() if table != "source_row")
    return account["source_row"]["read"], facts


def read(export: Path, codebook: Path) -> int:
    """The reading alone."""
    from flows.configuration import read_codebook
    from pipeline.reading.export import read_export

    book = read_codebook(codebook).codebook
    reading = read_export(export, book.file, book.places, book.set_aside)
    return sum(part.n_rows for part in reading.parts.values())


if __name__ == "__main__":
    what, export, codebook, day, folder = sys.argv[1:]
    workspace = prepare(Path(folder)) if what == "intake" else Path(folder)
    if what == "floor" and export.endswith(".ndjson"):
        export = without_broken_lines(Path(export), Path(folder))
    start, facts = time.perf_counter(), 0
    if what == "floor":
        rows = floor(Path(export), Path(folder))
    elif what == "rewrite":
        rows = rewrite(Path(folder))
    elif what == "read":
        rows = read(Path(export), Path(codebook))
    else:
        rows, facts = intake(Path(export), Path(codebook), date.fromisoformat(day), workspace)
    seconds = time.perf_counter() - start
    peak = peak_mb()
    print(json.dumps({"seconds": seconds, "rows": rows, "facts": facts, "peak_mb": peak}))
