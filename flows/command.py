"""The commands of ``arcgain``.

Each one imports what it needs when it runs, so that help is there at once, and gives its exit code.
"""

from datetime import date
from pathlib import Path
from typing import Annotated

from cyclopts import App, Parameter

from flows.terminal import (
    busy,
    print_json,
    report_all,
    say,
    show_published,
    show_table,
    show_taken,
)


def _version() -> str:
    from importlib.metadata import version

    return version("arcgain")


app = App(
    name="arcgain",
    help="Take in clinics' exports, compare range gains, and publish versioned reports.",
    version=_version,
    version_flags=["--version"],
)
HERE = Path()
Where = Annotated[Path, Parameter(name=["--workspace", "-w"], help="Folder of the workspace.")]
AsJson = Annotated[bool, Parameter(name="--json", negative="", help="Print the result as JSON.")]
Day = Annotated[date | None, Parameter(name="--exported-on", help="Day of the export, YYYY-MM-DD.")]
CodebookPath = Annotated[Path, Parameter(name=["--codebook", "-c"], help="The export's codebook.")]


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
    say(f"The workspace {place.root} is ready. Back up its folder keys/ apart from the rest.")
    say("Next: write a codebook into codebooks/, then “arcgain check EXPORT --codebook FILE”.")
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

    with busy("Checking"):
        taken = check_export(workspace, Request(export, codebook, exported_on))
    show_taken([taken], as_json=as_json)
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
    with busy("Taking in"):
        from flows.ingest import ingest_flow
        from flows.intake import Request

        results = ingest_flow(workspace, [Request(e, codebook, exported_on) for e in exports])
    return report_all(results, show_taken, as_json=as_json)


@app.command
def reread(*, codebook: CodebookPath, workspace: Where = HERE, as_json: AsJson = False) -> int:
    """Read deliveries in the store again with a corrected codebook, and release what it can now read.

    The corrected codebook needs a higher version. Deliveries that were read with an older one are read
    again from what was kept of them; where that is not enough, the export has to be sent again.
    """
    from flows.intake import read_again

    with busy("Reading again"):
        results = read_again(workspace, codebook)
    return report_all(results, show_taken, as_json=as_json)


@app.command
def feedback(
    *, clinic: str, folder: Path | None = None, workspace: Where = HERE, as_json: AsJson = False
) -> int:
    """Write what a clinic has to correct, as a page and a workbook to send back to it.

    Parameters
    ----------
    clinic: str
        Code of the clinic.
    folder: Path
        Where the files go; without it, feedback/CLINIC in the workspace.
    """
    from flows.feedback import write_feedback

    done = write_feedback(workspace, clinic, folder)
    if as_json:
        print_json({**vars(done), "page": str(done.page), "workbook": str(done.workbook)})
        return 0
    say(f"{done.n_facts} facts are quarantined; {done.n_places} places are to be corrected.")
    say(f"Send back {done.workbook} and {done.page}")
    return 0


@app.command
def schema(out: Path | None = None, /) -> int:
    """Write the JSON Schema of a codebook, by which editors complete and check it.

    Parameters
    ----------
    out: Path
        File to write; without it the schema is printed.
    """
    from flows.schema import codebook_schema_text, write_codebook_schema

    if out is None:
        say(codebook_schema_text().rstrip())
        return 0
    write_codebook_schema(out)
    say(f"Written to {out}. Begin a codebook beside it with this line:")
    say(f"# yaml-language-server: $schema={out.name}")
    return 0


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
    with busy("Publishing"):
        from flows.publish import publish_flow

        results = publish_flow(workspace, plan)
    return report_all(results, show_published, as_json=as_json)


@app.command(name="list")
def list_all(*, workspace: Where = HERE, as_json: AsJson = False) -> int:
    """List the deliveries in the store and the published versions."""
    from flows.listing import list_workspace

    listing = list_workspace(workspace)
    if as_json:
        print_json(listing)
        return 0
    show_table("Deliveries", ("delivery", "clinic", "layout", "kind", "exported on", "file"),
           listing["deliveries"])  # fmt: skip
    show_table("Versions", ("report", "identifier", "date", "title", "page"), listing["versions"])
    return 0


@app.command
def verify(*, workspace: Where = HERE, as_json: AsJson = False) -> int:
    """Check every stored and published file against its hash.

    Exit code 1 if anything is wrong.
    """
    from flows.listing import verify_workspace

    problems = verify_workspace(workspace)
    if as_json:
        print_json({"problems": problems})
    elif not problems:
        say("Everything is as it was written: ledger, parts, raw files and published versions.")
    else:
        show_table("Problems", ("place", "problem", "remedy"), problems)
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
        print_json({"clinic": done.clinic, "rows": done.rows, "is_new": done.is_new})
    elif not done.is_new:
        say("This patient was withdrawn before; nothing was left to remove.")
    else:
        say(f"Removed: {', '.join(f'{n} rows of {t}' for t, n in sorted(done.rows.items()))}.")
        say(
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
    with busy("Running the demo"):
        from flows.demo import run_demo

        results = run_demo(folder)
    return report_all(results, show_published, as_json=as_json)
