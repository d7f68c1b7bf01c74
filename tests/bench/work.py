"""One measured piece of work in a process of its own; prints seconds, rows and peak memory."""

import json
import resource
import shutil
import sys
import time
from datetime import date
from pathlib import Path

import polars as pl


def floor(export: Path, folder: Path) -> int:
    """What any reader has to do: the file as typed Parquet, streamed."""
    scan = pl.scan_csv(export, ignore_errors=True, infer_schema_length=10_000)
    scan.sink_parquet(folder / "floor.parquet")
    return int(pl.scan_parquet(folder / "floor.parquet").select(pl.len()).collect().item())


def intake(export: Path, codebook: Path, day: date, workspace: Path) -> int:
    """From the export to accepted facts in the store, every stage included but the orchestrator."""
    taken = take_in(workspace, Request(export, codebook, day))
    return taken.account["source_row"]["read"]


if __name__ == "__main__":
    what, export, codebook, day, folder = sys.argv[1:]
    if what == "floor":
        start = time.perf_counter()
        rows = floor(Path(export), Path(folder))
    else:
        from flows.intake import Request, take_in
        from flows.workspace import create_workspace

        workspace = Path(folder) / "workspace"
        shutil.rmtree(workspace, ignore_errors=True)
        create_workspace(workspace, "bench")
        import pandera.polars  # noqa: F401 - importing is start-up, not work

        start = time.perf_counter()
        rows = intake(Path(export), Path(codebook), date.fromisoformat(day), workspace)
    seconds = time.perf_counter() - start
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1000  # kilobytes on Linux
    print(json.dumps({"seconds": seconds, "rows": rows, "peak_mb": peak}))
