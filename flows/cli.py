"""The command line: ``arcgain``.

Each command imports what it needs when it runs, so that help is there at once. Exit codes: 0 done,
1 done but something needs a look (``check`` and ``verify``), 2 refused with a message.
"""

import importlib.util
import json
import sys
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

from cyclopts import App, Parameter

if TYPE_CHECKING:
    from collections.abc import Callable

    from flows.intake import Taken
    from flows.publication import Published
    from schemas.errors import ArcgainError

PACKAGES = ("schemas", "pipeline", "reports", "flows", "synthetic_data")

app = App(
    name="arcgain",
    help="Take in clinics' exports, compare range gains, and publish versioned reports.",
    version_flags=["--version"],
)
HERE = Path()
Where = Annotated[Path, Parameter(name=["--workspace", "-w"], help="Folder of the workspace.")]
AsJson = Annotated[bool, Parameter(name="--json", negative="", help="Print the result as JSON.")]
Day = Annotated[date | None, Parameter(name="--exported-on", help="Day of the export, YYYY-MM-DD.")]
CodebookPath = Annotated[Path, Parameter(name=["--codebook", "-c"], help="The export's codebook.")]


def main() -> None:
    """Run the command line."""
    sys.exit(run(sys.argv[1:]))


def run(arguments: list[str]) -> int:
    """Run one command and give its exit code.

    Parameters
    ----------
    arguments : list of str
        Words of the command.

    Returns
    -------
    int
        0 done, 1 done but something needs a look, 2 refused.
    """
    hidden = _hidden_package()
    if hidden:
        sys.stderr.write(hidden)
        return 2
    from schemas.errors import ArcgainError

    try:
        result = app(arguments, exit_on_error=False, print_error=True, result_action="return_value")
    except ArcgainError as error:
        _say_error(error)
        return 2
    except Exception as problem:
        if type(problem).__module__.startswith("cyclopts"):
            return 2  # cyclopts has printed what is wrong with the words of the command
        raise
    return int(result) if isinstance(result, int) else 0


def _hidden_package() -> str:
    """Say so if a file of the user's hides one of the five packages."""
    root = Path(__file__).resolve().parent.parent
    for name in PACKAGES:
        spec = importlib.util.find_spec(name)
        origin = Path(spec.origin).resolve() if spec and spec.origin else None
        if origin is None or origin.parent.parent != root:
            return (
                f"{origin or name}: this file hides a part of arcgain that is named “{name}”\n"
                "Remedy: rename the file, or run the command from another folder.\n"
            )
    return ""


@app.command
def init(folder: Path, /, *, network: str = "Unnamed network") -> int:
    """Make a new workspace with its settings, store and pseudonym key.

    Parameters
    ----------
    folder: Path
        A folder that does not exist yet, or is empty.
    network: str
        Name of the network, as it stands in reports.
    """
    from flows.workspace import create_workspace

    place = create_workspace(folder, network)
    _print(f"The workspace {place.root} is ready. Back up its folder keys/ apart from the rest.")
    _print("Next: write a codebook into codebooks/, then “arcgain check EXPORT --codebook FILE”.")
    return 0


@app.command
def check(
    export: Path,
    /,
    *,
    codebook: CodebookPath,
    exported_on: Day = None,
    workspace: Where = HERE,
    as_json: AsJson = False,
) -> int:
    """Say what would become of an export; store nothing.

    Exit code 1 if any fact would be quarantined.

    Parameters
    ----------
    export: Path
        The clinic's export.
    """
    from flows.intake import Request, check_export

    with _busy("Checking"):
        taken = check_export(workspace, Request(export, codebook, exported_on))
    _show_taken([taken], as_json=as_json)
    return 1 if taken.n_quarantined else 0


@app.command
def ingest(
    *exports: Path,
    codebook: CodebookPath,
    exported_on: Day = None,
    workspace: Where = HERE,
    as_json: AsJson = False,
) -> int:
    """Take one or more exports of one layout into the store, each wholly or not at all.

    Parameters
    ----------
    exports: Path
        The clinic's exports.

    Raises
    ------
    DeliveryError
        If no export is named.
    """
    from schemas.errors import DeliveryError

    if not exports:
        raise DeliveryError("arcgain ingest", "no export was named", "Name one or more files.")
    from flows.workspace import open_workspace

    open_workspace(workspace)  # a wrong folder is told at once, before the server starts
    from flows.runner import prepare_prefect

    prepare_prefect(workspace)
    with _busy("Taking in"):
        from flows.ingest import ingest_flow
        from flows.intake import Request

        results = ingest_flow(workspace, [Request(e, codebook, exported_on) for e in exports])
    return _report_all(results, _show_taken, as_json=as_json)


@app.command
def publish(
    *, plan: Annotated[list[Path], Parameter(name=["--plan", "-p"])], workspace: Where = HERE,
    as_json: AsJson = False,
) -> int:  # fmt: skip
    """Publish a version of each plan's report, or say that nothing has changed.

    Parameters
    ----------
    plan: list[Path]
        One or more analysis plans.
    """
    from flows.workspace import open_workspace

    open_workspace(workspace)
    from flows.runner import prepare_prefect

    prepare_prefect(workspace)
    with _busy("Publishing"):
        from flows.publish import publish_flow

        results = publish_flow(workspace, plan)
    return _report_all(results, _show_published, as_json=as_json)


@app.command(name="list")
def list_all(*, workspace: Where = HERE, as_json: AsJson = False) -> int:
    """List the deliveries in the store and the published versions."""
    from flows.listing import list_workspace

    listing = list_workspace(workspace)
    if as_json:
        _print_json(listing)
        return 0
    _table("Deliveries", ("delivery", "clinic", "layout", "kind", "exported on", "file"),
           listing["deliveries"])  # fmt: skip
    _table("Versions", ("report", "identifier", "date", "title", "page"), listing["versions"])
    return 0


@app.command
def verify(*, workspace: Where = HERE, as_json: AsJson = False) -> int:
    """Check every stored and published file against its hash.

    Exit code 1 if anything is wrong.
    """
    from flows.listing import verify_workspace

    problems = verify_workspace(workspace)
    if as_json:
        _print_json({"problems": problems})
    elif not problems:
        _print("Everything is as it was written: ledger, parts, raw files and published versions.")
    else:
        _table("Problems", ("place", "problem", "remedy"), problems)
    return 1 if problems else 0


@app.command
def withdraw(
    *, clinic: str, patient: str | None = None, workspace: Where = HERE, as_json: AsJson = False
) -> int:
    """Remove every record of one patient, for good.

    Versions published before stay as they are: they hold counts and means, no record.

    Parameters
    ----------
    clinic: str
        Code of the clinic.
    patient: str
        The clinic's own number of the patient. Leave it out to be asked, so that it does not stay in
        the history of your terminal.
    """
    from flows.withdraw import withdraw as withdraw_number

    if patient is None:
        from getpass import getpass

        patient = getpass("The clinic's own number of the patient (not shown): ")
    done = withdraw_number(workspace, clinic, patient)
    if as_json:
        _print_json({"clinic": done.clinic, "rows": done.rows, "is_new": done.is_new})
    elif not done.is_new:
        _print("This patient was withdrawn before; nothing was left to remove.")
    else:
        _print(f"Removed: {', '.join(f'{n} rows of {t}' for t, n in sorted(done.rows.items()))}.")
        _print(
            "Snapshots from before can no longer be reproduced. Remove the patient from backups too."
        )
    return 0


@app.command
def demo(folder: Path = Path("arcgain-demo"), /, *, as_json: AsJson = False) -> int:
    """Take an invented network and an open data set from export to published report.

    Parameters
    ----------
    folder: Path
        Where the demo workspace is made; an earlier demo there is replaced.
    """
    from flows.runner import prepare_prefect

    prepare_prefect(folder)
    with _busy("Running the demo"):
        from flows.demo import run_demo

        results = run_demo(folder)
    return _report_all(results, _show_published, as_json=as_json)


def _report_all(results: "list[Any]", show: "Callable[..., None]", *, as_json: bool) -> int:
    """Show what was done and what was refused."""
    from schemas.errors import ArcgainError

    refused = [result for result in results if isinstance(result, ArcgainError)]
    done = [result for result in results if not isinstance(result, ArcgainError)]
    show(done, as_json=as_json)
    for error in refused:
        _say_error(error)
    return 2 if refused else 0


def _show_taken(results: "list[Taken]", *, as_json: bool) -> None:
    if as_json:
        from dataclasses import asdict

        _print_json({"deliveries": [asdict(taken) for taken in results]})
        return
    for taken in results:
        _print(_headline(taken))
        if taken.is_new:
            _show_account(taken)
            _show_quarantine(taken)


def _headline(taken: "Taken") -> str:
    name = f"{taken.export} ({taken.clinic}/{taken.codebook})"
    if not taken.is_new:
        return f"{name}: taken in before as delivery {taken.delivery}; nothing has changed."
    if not taken.is_stored:
        return f"{name}: a dry run, nothing was stored."
    return f"{name}: stored as delivery {taken.delivery}."


def _show_account(taken: "Taken") -> None:
    fates = ("read", "accepted", "quarantined", "duplicate", "out_of_scope", "withdrawn")
    used = [fate for fate in fates if any(fate in counts for counts in taken.account.values())]
    rows = [
        {
            "facts": table.replace("_", " "),
            **{fate.replace("_", " "): counts.get(fate, 0) for fate in used},
        }
        for table, counts in taken.account.items()
    ]
    _table("", ("facts", *(fate.replace("_", " ") for fate in used)), rows)


def _show_quarantine(taken: "Taken") -> None:
    if not taken.n_quarantined:
        return
    from schemas.reason import REASON_TEXT

    shown = taken.quarantine[:10]
    rows = [
        {
            **row,
            "problem": REASON_TEXT[str(row["reason"])].label,
            "remedy": REASON_TEXT[str(row["reason"])].remedy,
        }
        for row in shown
    ]
    title = f"Quarantined facts ({len(shown)} of {taken.n_quarantined})"
    _table(title, ("record", "column", "value", "problem", "remedy"), rows)


def _show_published(results: "list[Published]", *, as_json: bool) -> None:
    if as_json:
        _print_json({"versions": [{**vars(done), "page": str(done.page)} for done in results]})
        return
    for done in results:
        state = "published" if done.is_new else "unchanged"
        _print(f"{done.report} {done.identifier}: {state}")
        for sentence in done.findings:
            _print(f"  {sentence}")
        _print(f"  Open {done.page}")


def _print(text: str) -> None:
    sys.stdout.write(text + "\n")


def _print_json(content: object) -> None:
    text = json.dumps(content, ensure_ascii=False, indent=2, sort_keys=True, default=str)
    _print(text)


def _table(title: str, columns: "tuple[str, ...]", rows: "list[dict[str, Any]]") -> None:
    from rich import box
    from rich.console import Console
    from rich.table import Table
    from rich.text import Text

    table = Table(title=title or None, box=box.SIMPLE_HEAD, title_justify="left")
    for column in columns:
        numbers = all(isinstance(row.get(column), int) for row in rows)
        table.add_column(column, justify="right" if numbers and rows else "left", overflow="fold")
    for row in rows:
        table.add_row(*(Text("" if row.get(c) is None else str(row[c])) for c in columns))
    console = Console()
    console.print(table if rows else Text(f"{title}: none"))


def _busy(what: str) -> "Any":  # noqa: ANN401 - rich's context manager
    """Show a moving line on a terminal, and nothing elsewhere."""
    from contextlib import nullcontext

    if not sys.stderr.isatty():
        return nullcontext()
    from rich.console import Console

    return Console(stderr=True).status(f"{what} …")


def _say_error(error: "ArcgainError") -> None:
    sys.stderr.write(f"{error}\n")
