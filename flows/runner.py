"""Prefect: set up before it is imported, and the runner that spreads tasks over threads.

The embedded server is the default and needs nothing installed; a set ``PREFECT_API_URL`` points to a
shared one. Prefect wraps the stages and computes nothing: the ledger and the manifests are the record.
"""

import os
from pathlib import Path

from schemas.errors import ArcgainError

PREFECT_FOLDER = ".prefect"
"""Folder of a workspace that holds the orchestrator's own files; it can be deleted at any time."""

_QUIET = {
    "DO_NOT_TRACK": "1",
    "PREFECT_SERVER_ANALYTICS_ENABLED": "false",
    "PREFECT_LOGGING_LEVEL": "CRITICAL",
    "PREFECT_LOGGING_TO_API_ENABLED": "false",
    "PREFECT_SERVER_LOGGING_LEVEL": "CRITICAL",
    "PREFECT_SERVER_EPHEMERAL_STARTUP_TIMEOUT_SECONDS": "90",
}


def prepare_prefect(workspace: Path) -> None:
    """Set what Prefect reads when it is imported, unless the user has set it.

    Parameters
    ----------
    workspace : pathlib.Path
        Prefect keeps its files in it, not in the user's home; it is made if it does not exist.
    """
    home = (workspace / PREFECT_FOLDER).resolve()
    home.mkdir(parents=True, exist_ok=True)
    os.environ.setdefault("PREFECT_HOME", str(home))
    for name, value in _QUIET.items():
        os.environ.setdefault(name, value)


def settled(result: object) -> object:
    """Pass on what a task gave: its result, or the user's error; a fault of the program is raised.

    Parameters
    ----------
    result : object
        What the task's future holds.

    Returns
    -------
    object
        The result or an ``ArcgainError``.
    """
    if isinstance(result, BaseException) and not isinstance(result, ArcgainError):
        raise result
    return result
