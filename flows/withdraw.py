"""Withdraw a patient. Plain functions: an orchestrator's history must not learn a person number."""

import shutil
from pathlib import Path

from flows.clock import now
from flows.feedback import FOLDER
from flows.workspace import open_workspace
from pipeline.store.pseudonym import pseudonym
from pipeline.store.withdrawal import Withdrawal, withdraw_patient


def withdraw(workspace: Path, clinic: str, number: str) -> Withdrawal:
    """Remove every record of one patient from the store, and the clinic's feedback files.

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
    done = withdraw_patient(place.store, key, clinic, patient, now())
    # What the clinic was told of its rows may name rows of this patient; it can be written anew.
    shutil.rmtree(place.root / FOLDER / clinic, ignore_errors=True)
    return done
