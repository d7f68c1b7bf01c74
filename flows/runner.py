"""Prefect: set up before it is imported, and the runner that spreads tasks over threads.

The embedded server is the default and needs nothing installed; a set ``PREFECT_API_URL`` points to a
shared one. Prefect wraps the stages and computes nothing: the ledger and the manifests are the record.
"""

import os
from pathlib import Path

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
        Prefect keeps its files in it, not in the user's home.
    """
    os.environ.setdefault("PREFECT_HOME", str((workspace / ".prefect").resolve()))
    for name, value in _QUIET.items():
        os.environ.setdefault(name, value)
