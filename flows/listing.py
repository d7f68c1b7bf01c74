"""What a workspace holds, and whether it is as it was written."""

from dataclasses import asdict
from pathlib import Path
from typing import Any

from flows.workspace import open_workspace
from pipeline.publication import list_versions, verify_versions
from pipeline.store.ledger import read_ledger
from pipeline.store.verification import verify_store


def list_workspace(workspace: Path) -> dict[str, list[dict[str, Any]]]:
    """List deliveries and versions.

    Parameters
    ----------
    workspace : pathlib.Path
        The workspace.

    Returns
    -------
    dict of str to list of dict
        ``deliveries`` in the order they came, ``versions`` by report.
    """
    place = open_workspace(workspace)
    deliveries = [
        {
            "delivery": entry.content["delivery"],
            "clinic": entry.content["clinic"],
            "layout": entry.content["codebook"],
            "kind": entry.content["kind"],
            "exported on": entry.content["exported_on"],
            "file": entry.content["source_name"],
        }
        for entry in read_ledger(place.store)
        if entry.event == "accepted"
    ]
    versions = [
        {
            "report": version.report,
            "identifier": version.identifier,
            "date": version.manifest["date"],
            "title": version.manifest["title"],
            "page": str(version.folder / "index.html"),
        }
        for version in list_versions(place.published)
    ]
    return {"deliveries": deliveries, "versions": versions}


def verify_workspace(workspace: Path) -> list[dict[str, str]]:
    """Check the store and every published version.

    Parameters
    ----------
    workspace : pathlib.Path
        The workspace.

    Returns
    -------
    list of dict
        Place, problem and remedy of everything that is wrong.
    """
    place = open_workspace(workspace)
    stored = [asdict(problem) for problem in verify_store(place.store)]
    return stored + [asdict(damage) for damage in verify_versions(place.published)]
