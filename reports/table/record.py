"""Tables of the records: range before and after, retests by clinic, why retests are missing."""

from pipeline.summary import BeforeAfter, Retests
from reports.figure.before_after import group_label
from reports.number import estimate, share_of
from reports.phrase import capital, isolated
from reports.table.content import Column, Row, Table, patients_column
from reports.wording_en import TEXT


def before_after_table(content: BeforeAfter, smallest_count: int) -> Table:
    """Make the table of mean pretest, retest and gain by group of starting range.

    Parameters
    ----------
    content : BeforeAfter
        The groups.
    smallest_count : int
        No number rests on fewer patients.

    Returns
    -------
    Table
        The same numbers as the figure.
    """
    n_groups = len(content.groups)
    rows = tuple(
        Row(capital(group_label(place, n_groups)), (cells[0], *cells))
        for place, cells in enumerate(content.groups)
    )
    columns = (
        patients_column(),
        _mean("pretest", TEXT["pretest_mean_title"]),
        _mean("retest", TEXT["retest_mean_title"]),
        _mean("gain", TEXT["gain_mean_title"]),
    )
    caption = TEXT["caption_before_after"].format(motion=isolated(content.motion))
    return Table("before_after", caption, TEXT["group_label"], columns, rows, smallest_count)


def retests_table(content: Retests, smallest_count: int) -> Table:
    """Make the table of retests documented, by clinic.

    Parameters
    ----------
    content : Retests
        One row a clinic, then all.
    smallest_count : int
        No number rests on fewer patients.

    Returns
    -------
    Table
        Treated sides, retested in full, in part and not, and the share in full.
    """
    share = (("", "value"), ("_low", "low"), ("_high", "high"), ("_base", "base"))
    columns = (
        Column("treated", TEXT["treated_title"]),
        Column("full", TEXT["full_title"]),
        Column("partial", TEXT["partial_title"]),
        Column("none", TEXT["none_title"]),
        Column("share_full", TEXT["share_title"], share_of, share),
    )
    rows = tuple(
        Row(r.label, (r.treated, r.full, r.partial, r.none, r.share_full)) for r in content.rows
    )
    return Table(
        "retests",
        TEXT["caption_retests"],
        TEXT["clinic_title"],
        columns,
        rows,
        smallest_count,
        (TEXT["retests_note"],),
    )


def reasons_table(content: Retests, smallest_count: int) -> Table:
    """Make the table of reasons why a treated side is not documented in full.

    Parameters
    ----------
    content : Retests
        Its reasons.
    smallest_count : int
        No number rests on fewer patients.

    Returns
    -------
    Table
        One row a reason.
    """
    columns = (Column("count", TEXT["treated_title"]),)
    rows = tuple(Row(capital(cell.label), (cell,)) for cell in content.reasons)
    return Table(
        "retest_reasons",
        TEXT["caption_reasons"],
        TEXT["reason_title"],
        columns,
        rows,
        smallest_count,
    )


def _mean(name: str, title: str) -> Column:
    return Column(
        name,
        title,
        estimate,
        (("", "value"), ("_low", "low"), ("_high", "high"), ("_n_pairs", "n_pairs")),
    )
