"""Writing of delimited text and of NDJSON: every byte as stated, torn rows and lines included."""

from pathlib import Path

import polars as pl

from synthetic_data.delivery import Delivery
from synthetic_data.layout import Parts
from synthetic_data.saltgrove import COLUMNS, NUMBERS

SURPLUS = "moved"
"""Cell that a torn row has beyond the last column."""


def write_delimited(
    sent: Delivery, path: Path, *, separator: str, encoding: str, line_end: str
) -> None:
    """Write an export of one part as delimited text.

    Parameters
    ----------
    sent : Delivery
        The export.
    path : pathlib.Path
        Where to write.
    separator : str
        Between cells; a cell that holds it stands in quotation marks.
    encoding, line_end : str
        Of the file.
    """
    (rows,) = sent.parts.values()
    quoted = rows.select(
        pl.when(pl.col(header).str.contains(separator, literal=True))
        .then(pl.lit('"') + pl.col(header) + pl.lit('"'))
        .otherwise(pl.col(header))
        .fill_null("")
        .alias(header)
        for header in rows.columns
    )
    last = rows.columns[-1]
    torn = sent.unread("")
    cells = (
        quoted[last]
        .clone()
        .scatter(torn, [f"{quoted[at, last]}{separator}{SURPLUS}" for at in torn])
    )
    text = quoted.with_columns(cells.alias(last)).write_csv(
        separator=separator, line_terminator=line_end, quote_style="never"
    )
    path.write_bytes(text.encode(encoding))


def write_lines(sent: Delivery, path: Path) -> None:
    """Write saltgrove's lines.

    Parameters
    ----------
    sent : Delivery
        The export.
    path : pathlib.Path
        Where to write.
    """
    parts = sent.parts
    place = ["patient.id", "visit.no"]
    at_hip = [*place, "hips.side"]
    hips = parts["hips"].join(
        _list_of(parts, "tests", at_hip), on=at_hip, how="left", maintain_order="left"
    )
    hips = hips.join(_list_of(parts, "bouts", at_hip), on=at_hip, how="left", maintain_order="left")
    hip = _object(
        [
            *_members("hips.", ("hips.side", "hips.condition", "hips.weeks")),
            *_lists("tests", "bouts"),
        ]
    )
    hips = hips.group_by(place, maintain_order=True).agg(hips=hip.str.join(","))
    visits = parts["visits"].join(hips, on=place, how="left", maintain_order="left")
    line = _object(
        [
            pl.lit('"patient":') + _object(_members("patient.", _within(parts, "patient."))),
            pl.lit('"visit":') + _object(_members("visit.", _within(parts, "visit."))),
            *_lists("hips"),
        ]
    )
    lines = visits.select(line.alias("line"))["line"]
    torn = sent.unread("visits")
    cut = [lines[at][: len(lines[at]) // 2] for at in torn]
    lines = lines.clone().scatter(torn, cut)
    with path.open("wb") as file:
        for part in lines.to_frame().iter_slices(50_000):
            file.write(("\n".join(part["line"]) + "\n").encode())


def _within(parts: Parts, prefix: str) -> tuple[str, ...]:
    return tuple(header for header in parts["visits"].columns if header.startswith(prefix))


def _members(prefix: str, headers: tuple[str, ...]) -> list[pl.Expr]:
    """Write each value with its name; null where there is none."""
    members = []
    for header in headers:
        text = pl.lit('"') + pl.col(header) + pl.lit('"')
        if header in NUMBERS:
            plain = pl.col(header).str.contains(r"^(-?\d+(\.\d+)?|true|false)$")
            text = pl.when(plain).then(pl.col(header)).otherwise(text)
        members.append(pl.lit(f'"{header.removeprefix(prefix)}":') + text)
    return members


def _lists(*names: str) -> list[pl.Expr]:
    return [pl.lit(f'"{name}":[') + pl.col(name).fill_null("") + pl.lit("]") for name in names]


def _object(members: list[pl.Expr]) -> pl.Expr:
    return pl.lit("{") + pl.concat_str(members, separator=",", ignore_nulls=True) + pl.lit("}")


def _list_of(parts: Parts, name: str, at_hip: list[str]) -> pl.DataFrame:
    prefix = f"hips.{name}."
    headers = tuple(header for header in COLUMNS[name] if header.startswith(prefix))
    items = parts[name].select(*at_hip, _object(_members(prefix, headers)).alias(name))
    return items.group_by(at_hip, maintain_order=True).agg(pl.col(name).str.join(","))
