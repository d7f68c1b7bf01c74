"""What the command line shows: results as tables or JSON, errors, and a moving line while it works."""

import json
import sys
from collections.abc import Callable, Sequence
from contextlib import AbstractContextManager, nullcontext
from dataclasses import asdict
from typing import TYPE_CHECKING, Any

from rich import box
from rich.console import Console
from rich.table import Table
from rich.text import Text

from schemas.errors import ArcgainError
from schemas.reason import REASON_TEXT

if TYPE_CHECKING:
    from flows.intake import Taken
    from flows.publication import Published

_MOST_SHOWN = 10


def report_all(results: Sequence[Any], show: Callable[..., None], *, as_json: bool) -> int:
    """Show what was done and what was refused.

    Parameters
    ----------
    results : sequence
        Results and errors of the user's.
    show : Callable
        Shows the results.
    as_json : bool
        Whether as JSON.

    Returns
    -------
    int
        Exit code: 2 if anything was refused.
    """
    refused = [result for result in results if isinstance(result, ArcgainError)]
    show([result for result in results if not isinstance(result, ArcgainError)], as_json=as_json)
    for error in refused:
        say_error(error)
    return 2 if refused else 0


def show_taken(results: "Sequence[Taken]", *, as_json: bool) -> None:
    """Show what became of exports.

    Parameters
    ----------
    results : sequence of Taken
        What became of each.
    as_json : bool
        Whether as JSON.
    """
    if as_json:
        print_json({"deliveries": [asdict(taken) for taken in results]})
        return
    for taken in results:
        say(_headline(taken))
        if taken.is_new:
            _show_account(taken)
            _show_quarantine(taken)


def show_published(results: "Sequence[Published]", *, as_json: bool) -> None:
    """Show what became of plans.

    Parameters
    ----------
    results : sequence of Published
        What became of each.
    as_json : bool
        Whether as JSON.
    """
    if as_json:
        print_json({"versions": [{**vars(done), "page": str(done.page)} for done in results]})
        return
    for done in results:
        say(f"{done.report} {done.identifier}: {'published' if done.is_new else 'unchanged'}")
        for sentence in done.findings:
            say(f"  {sentence}")
        say(f"  Open {done.page}")


def show_table(title: str, columns: Sequence[str], rows: Sequence[dict[str, Any]]) -> None:
    """Print a table; numbers to the right, cells as plain text.

    Parameters
    ----------
    title : str
        Title; may be empty.
    columns : sequence of str
        Keys of the rows, in order, which are the headings as well.
    rows : sequence of dict
        The rows.
    """
    if not rows:
        say(f"{title}: none")
        return
    table = Table(title=title or None, box=box.SIMPLE_HEAD, title_justify="left")
    for column in columns:
        is_number = all(isinstance(row.get(column), int) for row in rows)
        table.add_column(column, justify="right" if is_number else "left", overflow="fold")
    for row in rows:
        table.add_row(*(Text("" if row.get(c) is None else str(row[c])) for c in columns))
    Console().print(table)


def say(text: str) -> None:
    """Print a line.

    Parameters
    ----------
    text : str
        The line.
    """
    sys.stdout.write(text + "\n")


def say_error(error: ArcgainError) -> None:
    """Print a user's mistake: place, problem and remedy.

    Parameters
    ----------
    error : ArcgainError
        The mistake.
    """
    sys.stderr.write(f"{error}\n")


def print_json(content: object) -> None:
    """Print a result for scripts.

    Parameters
    ----------
    content : object
        Plain data; dates become text.
    """
    say(json.dumps(content, ensure_ascii=False, indent=2, sort_keys=True, default=str))


def busy(what: str) -> AbstractContextManager[Any]:
    """Show a moving line on a terminal, and nothing elsewhere.

    Parameters
    ----------
    what : str
        What is being done.

    Returns
    -------
    AbstractContextManager
        The line stands while it is open.
    """
    if not sys.stderr.isatty():
        return nullcontext()
    return Console(stderr=True).status(f"{what} …")


def _headline(taken: "Taken") -> str:
    name = f"{taken.export} ({taken.clinic}/{taken.codebook})"
    if not taken.is_new:
        return f"{name}: taken in before as delivery {taken.delivery}; nothing has changed."
    if not taken.is_stored:
        return f"{name}: a dry run, nothing was stored."
    return f"{name}: stored as delivery {taken.delivery}."


def _show_account(taken: "Taken") -> None:
    rare = [
        fate
        for fate in ("out_of_scope", "withdrawn")
        if any(counts.get(fate) for counts in taken.account.values())
    ]
    used = ["read", "accepted", "quarantined", "duplicate", *rare]
    rows = [
        {"facts": table.replace("_", " "), **{f.replace("_", " "): counts.get(f, 0) for f in used}}
        for table, counts in taken.account.items()
    ]
    show_table("", ("facts", *(fate.replace("_", " ") for fate in used)), rows)


def _show_quarantine(taken: "Taken") -> None:
    if not taken.n_quarantined:
        return
    shown = taken.problems[:_MOST_SHOWN]
    rows: list[dict[str, Any]] = [
        {**row, "first line": row["line"], **_words(str(row["reason"]))} for row in shown
    ]
    files = ("file",) if len({row["file"] for row in shown}) > 1 else ()
    title = (
        f"{taken.n_quarantined} quarantined facts ({len(shown)} of {len(taken.problems)} problems)"
    )
    columns = ("facts", *files, "first line", "column", "value", "problem", "remedy")
    show_table(title, columns, rows)


def _words(reason: str) -> dict[str, str]:
    text = REASON_TEXT[reason]
    return {"problem": text.label, "remedy": text.remedy}
