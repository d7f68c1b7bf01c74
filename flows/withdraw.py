"""Withdraw a patient. Plain functions: an orchestrator's history must not learn a person number."""

from pathlib import Path

from flows.clock import now
from flows.workspace import open_workspace
from pipeline.store.pseudonym import pseudonym
from pipeline.store.withdrawal import Withdrawal, withdraw_patient


def withdraw(workspace: Path, clinic: str, number: str) -> Withdrawal:
    """Remove every record of one patient from the store.

    Parameters
    ----------
    workspace : pathlib.Path
        The workspace.
    clinic : str
        Code of the clinic.
    number : str
        The clinic's own number of the patient, as it stands in the exports.

    Returns
    -------
    Withdrawal
        How many rows were removed from each table.
    """
    place = open_workspace(workspace)
    key = place.key()
    patient = pseudonym(key, "patient", clinic, number.strip())
    return withdraw_patient(place.store, key, clinic, patient, now())
