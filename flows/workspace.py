"""The workspace: one folder that holds settings, codebooks, plans, store, keys and versions."""

from dataclasses import dataclass
from pathlib import Path

from flows.configuration import read_settings
from flows.runner import PREFECT_FOLDER
from flows.schema import SCHEMA_FILE, write_codebook_schema
from pipeline.store.file import create_file, make_folder
from pipeline.store.ledger import Store, create_store, open_store
from pipeline.store.pseudonym import PseudonymKey, create_key, load_key
from schemas.errors import SettingsError
from schemas.settings import Settings

SETTINGS = "network.yaml"

_TEMPLATE = """\
# Settings of this workspace. Back up the folder keys/ apart from everything else: without it no later
# delivery can be linked to the patients that are here, and whoever has it can link pseudonyms.
network: {network}
date_policy: strict        # strict: of a date only the year is kept; month: year and month
smallest_count: 11         # no published number rests on fewer patients
shared_clinician_numbers: {shared}
authors: []
"""


@dataclass(frozen=True)
class Workspace:
    """An opened workspace.

    Attributes
    ----------
    root : pathlib.Path
        Its folder.
    settings : Settings
        Its settings.
    store : Store
        Its store.
    """

    root: Path
    settings: Settings
    store: Store

    @property
    def published(self) -> Path:
        """Folder of published versions."""
        return self.root / "published"

    def key(self) -> PseudonymKey:
        """Load the pseudonym key.

        Returns
        -------
        PseudonymKey
            The key; it is read only where it is needed.
        """
        return load_key(self.root / "keys")


def create_workspace(root: Path, network: str, *, shared_clinicians: bool = False) -> Workspace:
    """Make a new workspace.

    Parameters
    ----------
    root : pathlib.Path
        A folder that is empty or does not exist.
    network : str
        Name of the network.
    shared_clinicians : bool
        True where clinicians are numbered across the network.

    Returns
    -------
    Workspace
        The new workspace.

    Raises
    ------
    SettingsError
        If the folder holds anything, or cannot be made.
    """
    if root.exists() and not (
        root.is_dir() and {p.name for p in root.iterdir()} <= {PREFECT_FOLDER}
    ):
        raise SettingsError(
            str(root), "the folder is not empty", "Name a folder that does not exist yet."
        )
    quoted = '"' + network.replace("\\", "\\\\").replace('"', '\\"') + '"'
    settings = _TEMPLATE.format(network=quoted, shared=str(shared_clinicians).lower())
    try:
        for name in ("codebooks", "plans", "published"):
            make_folder(root / name)
        write_codebook_schema(root / "codebooks" / SCHEMA_FILE)
        create_file(root / SETTINGS, settings.encode())
        create_key(root / "keys")
        create_store(root)
    except OSError as problem:
        raise SettingsError(
            str(root),
            f"cannot be made ({problem.strerror})",
            "Name a folder that you may write to.",
        ) from problem
    return open_workspace(root)


def open_workspace(root: Path) -> Workspace:
    """Open a workspace.

    Parameters
    ----------
    root : pathlib.Path
        Its folder.

    Returns
    -------
    Workspace
        The workspace.

    Raises
    ------
    SettingsError
        If the folder is no workspace.
    """
    if not (root / SETTINGS).is_file():
        raise SettingsError(
            str(root),
            f"this is no workspace: there is no {SETTINGS} in it",
            "Run the command in the workspace's folder or name it with --workspace; "
            "“arcgain init FOLDER” makes a new one.",
        )
    return Workspace(root, read_settings(root / SETTINGS), open_store(root))
