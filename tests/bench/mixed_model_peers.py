"""Other programs fitting the same mixed models, each in a process of its own.

``python -m tests.bench.mixed_model_peers glmm M1 10000`` prints JSON, one line for each stage: the
fit (data in memory before the clock starts), then the degrees of freedom. Every program has one BLAS
thread; what else it spreads over cores is its own business. Short fits are repeated and the fastest
counts. A program that is missing says how to install it.
"""

import json
import os
import resource
import shutil
import subprocess
import sys
import tempfile
import time
import warnings
from collections.abc import Callable
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path
from typing import Any

import polars as pl

from tests.bench.mixed_model_rows import rows_of

SCRIPT = Path(__file__).with_suffix(".R")

INSTALL = {
    "glmm": "python -m pip install --group bench",
    "mixedlm": "python -m pip install --group bench",
    "statsmodels": "pip install statsmodels",
    "lme4": "Debian: apt-get install r-base-core r-cran-lme4 r-cran-lmertest libopenblas0-serial",
}
"""Programs, and how to come by them."""

FIXED = {
    "gain": "gain_deg ~ technique * pretest_deg + bias + purpose + grade + t",
    "InstEval": "y ~ service",
}

RANDOM = {
    "M1": "(1 | patient) + (1 | clinician) + (1 | clinic)",
    "M2": "(1 + t | patient) + (1 | clinician) + (1 | clinic)",
    "M3": "(1 | patient) + (1 | hip) + (1 | hip_visit) + (1 | clinician) + (1 | clinic) + (1 | cell)",
    "InstEval": "(1 | s) + (1 | d)",
}

GROUPS = {
    "hip": ("patient", "side"),
    "hip_visit": ("patient", "side", "visit"),
    "cell": ("clinic", "technique"),
}
"""Groups named by several columns, numbered beforehand: not every program can name them so."""

ENOUGH_SECONDS = 2.0
"""A fit is repeated, at most five times, while all of them together took less."""

ONE_THREAD = {"OMP_NUM_THREADS": "1", "OPENBLAS_NUM_THREADS": "1", "MKL_NUM_THREADS": "1"}


def run_peer(peer: str, model: str, n_rows: int, *, limit: float, df: bool = True) -> dict:
    """Seconds and memory of one program; a limit that was hit is a lower bound of its seconds."""
    words = [sys.executable, "-m", "tests.bench.mixed_model_peers"]
    asked = {"peer": peer, "model": model, "rows": n_rows}
    return asked | in_process([*words, peer, model, str(n_rows), "df" if df else ""], limit)


def in_process(words: list[str], limit: float) -> dict:
    """Run words that print a JSON object for each stage; put together what was printed."""
    started, said = time.perf_counter(), {}
    with tempfile.TemporaryFile("w+", encoding="utf-8") as errors:
        child = subprocess.Popen(
            words,
            stdout=subprocess.PIPE,
            stderr=errors,
            text=True,
            env=os.environ | ONE_THREAD,
            start_new_session=True,
        )
        try:
            out, _ = child.communicate(timeout=limit)
        except subprocess.TimeoutExpired:
            said["stopped_after"] = round(time.perf_counter() - started, 1)
            said["stopped_cpu_seconds"] = _cpu_of_group(child.pid)
            os.killpg(child.pid, 9)  # the child and its own children alone
            out, _ = child.communicate()
        errors.seek(0)
        for line in out.splitlines():
            said |= json.loads(line) if line.startswith("{") else {}
        if child.returncode and "stopped_after" not in said:
            told = errors.read().strip().splitlines()
            said["failed"] = told[-1] if told else f"ended by signal {-child.returncode}"
    return said


class Watch:
    """Seconds of the clock and of the processors, and memory added, since it was made."""

    def __init__(self) -> None:
        Path("/proc/self/clear_refs").write_text("5")  # the peak begins anew
        self.resident = _status("VmRSS")
        self.cpu, self.clock = _cpu(), time.perf_counter()

    def read(self, prefix: str = "") -> dict[str, float]:
        clock, cpu = time.perf_counter() - self.clock, _cpu() - self.cpu
        added = _status("VmHWM") - self.resident
        return {
            f"{prefix}seconds": round(clock, 4),
            f"{prefix}cpu_seconds": round(cpu, 4),
            f"{prefix}peak_added_mb": round(added, 1),
        }


def fastest(work: Callable[[], Any]) -> tuple[Any, dict[str, float]]:
    """Result and cost of a piece of work; short work is repeated. Memory is that of the first run."""
    runs: list[dict[str, float]] = []
    while True:
        watch = Watch()
        done = work()
        runs.append(watch.read())
        if len(runs) == 5 or sum(run["seconds"] for run in runs) > ENOUGH_SECONDS:
            best = min(runs, key=lambda run: run["seconds"])
            return done, best | {"peak_added_mb": runs[0]["peak_added_mb"], "runs": len(runs)}


def numbered(frame: pl.DataFrame) -> pl.DataFrame:
    """Add the groups that several columns name."""
    if "patient" not in frame.columns:
        return frame
    return frame.with_columns(
        pl.struct(columns).rank("dense").cast(pl.Int32).alias(name)
        for name, columns in GROUPS.items()
    )


def formula(model: str) -> str:
    return f"{FIXED.get(model, FIXED['gain'])} + {RANDOM[model]}"


def fit_glmm(frame: pl.DataFrame, model: str, df: bool) -> None:
    import glmm

    data = frame.to_pandas()
    fitted, cost = fastest(lambda: glmm.fit(data, formula(model), satterthwaite=False))
    show(cost | {"criterion": -2 * float(fitted.loglik), "version": version("glmm")})
    if df:  # its fit has them or not: the difference is theirs
        whole, with_df = fastest(lambda: glmm.fit(data, formula(model)))
        seconds = max(0.0, with_df["seconds"] - cost["seconds"])
        show({"df_seconds": round(seconds, 4), "df": [float(x) for x in whole.coef_df]})


def fit_mixedlm(frame: pl.DataFrame, model: str, df: bool) -> None:
    import mixedlm

    data = frame.to_pandas()
    control = mixedlm.lmerControl(calc_derivs=False, use_analytic_gradient=True)
    fitted, cost = fastest(lambda: mixedlm.lmer(formula(model), data, control=control))
    show(cost | {"criterion": float(fitted.deviance), "version": version("mixedlm")})
    if df:  # once: the fit keeps them
        watch = Watch()
        found = [float(x) for x in mixedlm.satterthwaite_df(fitted).df]
        show(watch.read("df_") | {"df": found})


def fit_statsmodels(frame: pl.DataFrame, model: str, df: bool) -> None:
    """Crossed intercepts are variance components of one group that holds all rows; no df."""
    import numpy as np
    from statsmodels.regression.mixed_linear_model import MixedLM

    if model != "M1":
        show({"skipped": "only M1 is tried: dense matrices over all rows"})
        return
    data = frame.to_pandas()
    groups = np.ones(len(data))
    parts = {name: f"0 + C({name})" for name in ("patient", "clinician", "clinic")}
    watch = Watch()
    fixed = FIXED["gain"]
    fitted = MixedLM.from_formula(fixed, data, re_formula="0", groups=groups, vc_formula=parts)
    criterion = -2 * float(fitted.fit(reml=True).llf)
    show(watch.read() | {"criterion": criterion, "version": version("statsmodels")})


def fit_lme4(frame: pl.DataFrame, model: str, df: bool) -> None:
    with tempfile.TemporaryDirectory() as folder:
        rows = Path(folder) / "rows.csv"
        # R puts levels in order of name
        in_order = (
            pl.format("{} {}", pl.col(name).to_physical(), pl.col(name).cast(pl.String)).alias(name)
            for name, dtype in frame.schema.items()
            if isinstance(dtype, pl.Enum)
        )
        frame.with_columns(in_order).write_csv(rows)
        limits = [str(ENOUGH_SECONDS), "df" if df else ""]
        subprocess.run(["Rscript", str(SCRIPT), str(rows), formula(model), *limits], check=True)


FITS = {
    "glmm": fit_glmm,
    "mixedlm": fit_mixedlm,
    "statsmodels": fit_statsmodels,
    "lme4": fit_lme4,
}


def missing(peer: str) -> str | None:
    """Why a program cannot be compared with, and how to come by it; None where it is there."""
    there = _has_lme4() if peer == "lme4" else _has(peer)
    return None if there else f"{peer} is not installed ({INSTALL[peer]})"


def show(stage: dict) -> None:
    print(json.dumps(stage), flush=True)


def _has(package: str) -> bool:
    try:
        version(package)
    except PackageNotFoundError:
        return False
    return True


def _has_lme4() -> bool:
    if shutil.which("Rscript") is None:
        return False
    asked = ["Rscript", "-e", "stopifnot(requireNamespace('lmerTest'))"]
    return subprocess.run(asked, capture_output=True, check=False).returncode == 0


def _cpu() -> float:
    used = resource.getrusage(resource.RUSAGE_SELF)
    return used.ru_utime + used.ru_stime


def _cpu_of_group(group: int) -> float:
    """Processor seconds so far of a process and its children, start-up included."""
    ticks = 0
    for status in Path("/proc").glob("[0-9]*/stat"):
        try:
            words = status.read_text(encoding="utf-8").rpartition(")")[2].split()
        except OSError:  # it has ended
            continue
        ticks += int(words[11]) + int(words[12]) if int(words[2]) == group else 0
    return ticks / os.sysconf("SC_CLK_TCK")


def _status(name: str) -> float:
    """A size that the kernel keeps for this process, in MB."""
    lines = Path("/proc/self/status").read_text(encoding="utf-8").splitlines()
    return next(int(line.split()[1]) for line in lines if line.startswith(name)) / 1000


def _main(peer: str, model: str, n_rows: str, df: str = "") -> None:
    why = missing(peer)
    if why:
        show({"skipped": why})
        return
    warnings.simplefilter("ignore")  # of the peers: singular fits are seen from their criterion
    FITS[peer](numbered(rows_of(model, int(n_rows))), model, df == "df")


if __name__ == "__main__":
    _main(*sys.argv[1:])
