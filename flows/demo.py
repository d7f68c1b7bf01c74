"""The demo: an invented network and an open data set, from export to published report."""

import shutil
from pathlib import Path

from flows.ingest import ingest_flow
from flows.intake import Request
from flows.publication import Published
from flows.publish import publish_flow
from flows.runner import PREFECT_FOLDER
from flows.schema import SCHEMA_LINE
from flows.workspace import create_workspace
from schemas.errors import ArcgainError, SettingsError
from synthetic_data.export import write_exports
from synthetic_data.network import NETWORK_NAME, make_network
from synthetic_data.open_data.folder import open_data_folder
from synthetic_data.plan.folder import plan_folder

SEED = 20261031
N_PATIENTS = 1800
_MARK = ".arcgain-demo"


def run_demo(folder: Path) -> list[Published | ArcgainError]:
    """Run the demo in a workspace of its own.

    Parameters
    ----------
    folder : pathlib.Path
        Where it is made; an earlier demo is replaced, anything else is left alone.

    Returns
    -------
    list of Published or ArcgainError
        The two reports, or what was refused on the way.
    """
    _clear(folder)
    create_workspace(folder, f"{NETWORK_NAME} (invented)", shared_clinicians=True)
    (folder / _MARK).touch()
    requests = _requests(folder)
    taken = ingest_flow(folder, requests)
    refused: list[Published | ArcgainError] = [t for t in taken if isinstance(t, ArcgainError)]
    if refused:
        return refused
    plans = [
        _copied(plan_folder() / "network.yaml", folder / "plans"),
        _copied(open_data_folder() / "hips-plan.yaml", folder / "plans"),
    ]
    return list(publish_flow(folder, plans))


def _clear(folder: Path) -> None:
    if not folder.exists():
        return
    is_fresh = folder.is_dir() and {p.name for p in folder.iterdir()} <= {PREFECT_FOLDER}
    if not is_fresh and not (folder / _MARK).is_file():
        raise SettingsError(
            str(folder), "the folder is not empty and no earlier demo", "Name another folder."
        )
    for child in folder.iterdir():
        if child.name != PREFECT_FOLDER:  # the server of this very process has its files there
            shutil.rmtree(child) if child.is_dir() else child.unlink()


def _requests(folder: Path) -> list[Request]:
    """Write the exports and codebooks, in the order in which they are sent."""
    exports = write_exports(make_network(SEED, N_PATIENTS), folder / "exports")
    requests = [
        Request(export.path, _codebook(export.codebook_path, folder), export.exported_on)
        for export in exports
    ]
    data = _copied(open_data_folder() / "hips.csv", folder / "exports")
    return [*requests, Request(data, _codebook(open_data_folder() / "hips.yaml", folder))]


def _codebook(source: Path, folder: Path) -> Path:
    """Copy a codebook, and tell editors where its schema is."""
    target = folder / "codebooks" / source.name
    target.write_text(SCHEMA_LINE + source.read_text(encoding="utf-8"), encoding="utf-8")
    return target


def _copied(source: Path, folder: Path) -> Path:
    target = folder / source.name
    shutil.copyfile(source, target)
    return target
