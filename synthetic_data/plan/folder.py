"""Where the analysis plan of the invented network lies."""

from importlib.resources import files
from pathlib import Path


def plan_folder() -> Path:
    """Give the folder of the plan.

    Returns
    -------
    pathlib.Path
        Folder with ``network.yaml``.
    """
    return Path(str(files("synthetic_data.plan")))
