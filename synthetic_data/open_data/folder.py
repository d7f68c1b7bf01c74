"""Where the open data lie."""

from importlib.resources import files
from pathlib import Path


def open_data_folder() -> Path:
    """Give the folder of the open data.

    Returns
    -------
    pathlib.Path
        Folder with ``hips.csv``, its codebook ``hips.yaml`` and ``README.md``.
    """
    return Path(str(files("synthetic_data.open_data")))
