"""Write the feedback to a clinic: a page and a workbook, beside each other."""

from dataclasses import dataclass
from datetime import date
from pathlib import Path

from flows.clock import now
from flows.workspace import Workspace, open_workspace
from pipeline.feedback import Feedback, make_feedback
from pipeline.store.file import replace_file
from pipeline.store.holding import read_holding
from pipeline.store.ledger import read_ledger
from pipeline.store.resolution import split_replaced
from pipeline.store.snapshot import take_snapshot
from reports.feedback import feedback_page, feedback_workbook
from schemas.errors import SettingsError, nearest_names

FOLDER = "feedback"
"""Folder of the workspace that holds a folder for each clinic."""


@dataclass(frozen=True)
class FeedbackFiles:
    """What was written for a clinic.

    Attributes
    ----------
    clinic : str
        Code of the clinic.
    ledger_number : int
        State of the store that the files describe.
    page, workbook : pathlib.Path
        The files.
    n_facts : int
        Quarantined facts, rows that could not be used among them.
    n_places : int
        Cells and whole rows to correct.
    """

    clinic: str
    ledger_number: int
    page: Path
    workbook: Path
    n_facts: int
    n_places: int


def write_feedback(
    workspace: Path, clinic: str, folder: Path | None = None, *, made_on: date | None = None
) -> FeedbackFiles:
    """Write what a clinic is told about its exports; nothing else is changed.

    Parameters
    ----------
    workspace : pathlib.Path
        The workspace.
    clinic : str
        Code of the clinic.
    folder : pathlib.Path or None
        Where the two files go; None for ``feedback/<clinic>`` of the workspace. Files of the same state
        of the store are replaced.
    made_on : datetime.date or None
        Day that stands in the files; None for today.

    Returns
    -------
    FeedbackFiles
        Where they are, and how much is to be corrected.

    Raises
    ------
    SettingsError
        If the clinic has sent nothing, or the folder cannot be written to.
    """
    place = open_workspace(workspace)
    feedback = _collect(place, clinic)
    day = made_on or now().date()
    where = folder if folder is not None else place.root / FOLDER / clinic
    stem = f"feedback_{feedback.ledger_number:08d}"
    page, workbook = where / f"{stem}.html", where / f"{stem}.xlsx"
    network = place.settings.network
    try:
        # Whoever opens the page finds the workbook that it speaks of.
        replace_file(workbook, feedback_workbook(feedback, network, day))
        replace_file(page, feedback_page(feedback, network, day))
    except OSError as problem:
        raise SettingsError(
            str(where),
            f"the feedback cannot be written ({problem.strerror})",
            "Close the files if they are open, or name a folder that you may write to.",
        ) from problem
    return FeedbackFiles(
        clinic, feedback.ledger_number, page, workbook, feedback.n_facts, feedback.n_places
    )


def _collect(place: Workspace, clinic: str) -> Feedback:
    """Read what the store says of one clinic.

    Raises
    ------
    SettingsError
        If the clinic has sent nothing.
    """
    snapshot = take_snapshot(place.store, clinics=(clinic,))
    holding = read_holding(read_ledger(place.store, snapshot.number))
    deliveries = holding.of_clinic(clinic)
    if not deliveries:
        known = {held.clinic for held in holding.deliveries}
        raise SettingsError(
            f"clinic {clinic}",
            "the store holds no export of it",
            f"Check the code of the clinic ({nearest_names(clinic, known)}), or ingest its export first.",
        )
    _, replaced = split_replaced(deliveries)
    return make_feedback(
        clinic,
        snapshot.quarantine,
        snapshot.account[clinic],
        snapshot.deliveries,
        replaced={held.delivery for held in replaced},
        ledger_number=snapshot.number,
    )
