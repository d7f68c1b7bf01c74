"""The command line's door: ``arcgain`` checks that nothing hides its parts, then runs a command.

It imports nothing of the program before that check, so that a user's own ``pipeline.py`` is named
instead of ending in a traceback. Exit codes: 0 done, 1 done but something needs a look (``check`` and
``verify``), 2 refused with a message.
"""

import importlib.util
import sys
from pathlib import Path

PACKAGES = ("schemas", "pipeline", "reports", "flows", "synthetic_data")


def main() -> None:
    """Run the command line."""
    sys.exit(run(sys.argv[1:]))


def run(arguments: list[str]) -> int:
    """Run one command and give its exit code.

    Parameters
    ----------
    arguments : list of str
        Words of the command.

    Returns
    -------
    int
        0 done, 1 done but something needs a look, 2 refused.
    """
    hidden = _hidden_package()
    if hidden:
        sys.stderr.write(hidden)
        return 2
    from cyclopts import CycloptsError

    from flows.command import app
    from flows.terminal import say_error
    from schemas.errors import ArcgainError

    try:
        result = app(arguments, exit_on_error=False, print_error=True, result_action="return_value")
    except ArcgainError as error:
        say_error(error)
        return 2
    except CycloptsError:  # it has printed what is wrong with the words of the command
        return 2
    return int(result) if isinstance(result, int) else 0


def _hidden_package() -> str:
    """Say so if a file of the user's hides one of the five packages."""
    root = Path(__file__).resolve().parent.parent
    for name in PACKAGES:
        spec = importlib.util.find_spec(name)
        origin = Path(spec.origin).resolve() if spec and spec.origin else None
        if origin is None or origin.parent.parent != root:
            return (
                f"{origin or name}: this file hides a part of arcgain that is named “{name}”\n"
                "Remedy: rename the file, or run the command from another folder.\n"
            )
    return ""
