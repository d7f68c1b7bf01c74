"""Lindeveen: a workbook of several sheets with Dutch headers, joined by the number of the visit."""

from typing import Any

import polars as pl

from synthetic_data.event import Events
from synthetic_data.layout import (
    HIP_AT_VISIT,
    REVIEW,
    Parts,
    coded,
    column,
    encoder,
    marked,
    tests_of,
    whole,
    with_person,
)
from synthetic_data.truth import DEFINITIONS

CODES: dict[str, dict[str, str]] = {
    "Geslacht": {"V": "female", "M": "male"},
    "Zijde": {"L": "left", "R": "right"},
    "Diagnose": {
        "artrose": "osteoarthritis",
        "kapselstijfheid": "capsular_stiffness",
        "spierverkorting": "muscular_restriction",
        "impingement": "impingement_syndrome",
    },
    "Richting": {"endorotatie": DEFINITIONS[0], "exorotatie": DEFINITIONS[1]},
    "Instrument": {"IN": "bubble_inclinometer", "GM": "universal_goniometer"},
    "Eindgevoel": {
        "kapsulair": "capsular",
        "spier": "muscular",
        "bot op bot": "bone_to_bone",
        "leeg": "empty",
    },
    "Techniek": {
        "lateraal": "lateral_distraction",
        "longitudinaal": "long_axis_distraction",
        "caudaal": "inferior_glide",
    },
    "Rotatiestand": {"neutraal": "neutral", "endo": "internal", "exo": "external"},
    "Wijze": {"geen": "not_applicable", "gehouden": "held", "gecombineerd": "combined"},
    "Gestopt": {"ja": "yes", "nee": "no"},
}
"""Column of the workbook (without before or after) to its values and their canonical codes."""

SHEETS: dict[str, tuple[str, int]] = {
    "patienten": ("Patiënten", 3),
    "heupen": ("Heupen", 1),
    "bezoeken": ("Bezoeken", 1),
    "rotatie": ("Rotatie", 3),
    "buiging": ("Buiging", 3),
    "behandelingen": ("Behandelingen", 1),
}
"""Part to the name of its sheet and the row of its header; rows above are a title."""

LEGEND = "Legenda"
"""Sheet that explains the codes and is ignored on purpose."""

_MEASURED = tuple(
    f"{what} {word}" for word in ("voor", "na") for what in ("Hoek", "Pijn", "Eindgevoel")
)
_BENT = tuple(header.replace("Hoek", "Buiging") for header in _MEASURED)

COLUMNS: dict[str, tuple[str, ...]] = {
    "patienten": ("Dossier", "Geslacht", "Leeftijd"),
    "heupen": ("Dossier", "Zijde", "Diagnose", "Duur (mnd)"),
    "bezoeken": ("Bezoek", "Dossier", "Datum", "Therapeut"),
    "rotatie": ("Bezoek", "Zijde", "Richting", "Instrument", *_MEASURED),
    "buiging": ("Bezoek", "Zijde", "Instrument", *_BENT),
    "behandelingen": (
        *("Dossier", "Datum", "Zijde", "Techniek", "Graad", "Rotatiestand", "Wijze"),
        *("Series", "Seconden", "Gestopt"),
    ),
}
"""Headers of each sheet, in order."""

NUMBERS = (
    *("Leeftijd", "Duur (mnd)", "Bezoek", "Series", "Seconden"),
    *(header for header in (*_MEASURED, *_BENT) if not header.startswith("Eindgevoel")),
)
"""Headers of the columns whose cells are stored as numbers, where they are numbers."""

DATES = {"bezoeken": "Datum"}
"""Part to the header of the column whose cells are stored as dates."""

UNKNOWN, NOT_TESTED = "onbekend", "NG"
"""Words for what was not recorded and for a test that was not done."""

_ARABIC = {"I": "1", "II": "2", "III": "3", "IV": "4"}
_PHASES = (("voor", "pretest"), ("na", "retest"))


def lay_out_lindeveen(events: Events) -> Parts:
    """Lay out the sheets of lindeveen's workbook.

    Parameters
    ----------
    events : Events
        True events.

    Returns
    -------
    dict of str to polars.DataFrame
        Part to its cells as text (dates as ``YYYY-MM-DD``), then marks.
    """
    code = encoder(CODES)
    here = pl.col("clinic") == "lindeveen"
    visits = events.visits.filter(here).with_row_index("number", offset=1001)
    tests = tests_of(events, "lindeveen").join(
        visits.select("patient", "visit", Bezoek=pl.col("number").cast(pl.String)),
        on=["patient", "visit"],
        how="left",
        maintain_order="left",
    )
    is_flexion = pl.col("definition") == DEFINITIONS[2]
    bent = _before_and_after(
        tests.filter(is_flexion).with_columns(angle_deg=180 - pl.col("angle_deg"))
    ).rename({f"Hoek {word}": f"Buiging {word}" for word, _ in _PHASES})
    written = {
        "patienten": events.patients.filter(here).with_columns(
            Dossier="patient",
            Geslacht=code("Geslacht", "sex"),
            Leeftijd=pl.col("age_years").cast(pl.String),
        ),
        "heupen": events.hips.filter(here & pl.col("is_treated")).with_columns(
            Dossier="patient",
            Zijde=code("Zijde", "side"),
            Diagnose=code("Diagnose", "condition"),
            **{"Duur (mnd)": pl.col("duration_months").cast(pl.String)},
        ),
        "bezoeken": visits.with_columns(
            Bezoek=pl.col("number").cast(pl.String),
            Dossier="patient",
            Datum=pl.col("date").dt.to_string("%Y-%m-%d"),
            Therapeut="clinician",
        ),
        "rotatie": _before_and_after(tests.filter(~is_flexion)),
        "buiging": bent,
        "behandelingen": _treatments(events),
    }
    return {name: marked(rows, COLUMNS[name]) for name, rows in written.items()}


def lindeveen_codebook() -> dict[str, Any]:
    """Write lindeveen's codebook.

    Returns
    -------
    dict
        The codebook.
    """
    look_up = {"bezoeken": {"on": {"Bezoek": "Bezoek"}, "take": ["Dossier", "Datum"]}}
    declared: dict[str, dict[str, Any]] = {
        "patienten": {"columns": _columns("Dossier", "Geslacht", "Leeftijd")},
        "heupen": {"columns": _columns("Dossier", "Zijde", "Diagnose", "Duur (mnd)")},
        "bezoeken": {"columns": _columns("Bezoek", "Dossier", "Datum", "Therapeut")},
        "rotatie": {"look_up": look_up, "columns": _columns(*COLUMNS["rotatie"])},
        "buiging": {"look_up": look_up, "columns": _columns(*COLUMNS["buiging"])},
        "behandelingen": {
            "columns": _columns(*COLUMNS["behandelingen"])
            | {"Datum": column("visit_date", date_format="%d-%m-%Y")}
        },
    }
    parts = {
        name: {"sheet": sheet, "header_row": row, **declared[name]}
        for name, (sheet, row) in SHEETS.items()
    }
    return {
        "codebook": "lindeveen-werkmap",
        "clinic": "lindeveen",
        "version": 1,
        **REVIEW,
        "delivery": {"kind": "full"},
        "file": {"format": "workbook", "missing": [UNKNOWN]},
        "ignore": {LEGEND: "explains the codes"},
        "parts": parts,
        "records": [
            {"table": "patient", "part": "patienten"},
            {"table": "joint_episode", "part": "heupen", "set": {"episode": "first"}},
            {"table": "visit", "part": "bezoeken", "set": {"episode": "first"}},
            _measured("rotatie", "Hoek", {"trial": 1}),
            _measured("buiging", "Buiging", {"trial": 1, "definition": DEFINITIONS[2]}),
            {"table": "treatment", "part": "behandelingen", "set": {"phase": "treatment"}},
        ],
    }


def _columns(*headers: str) -> dict[str, Any]:
    angle = {"unit": "deg", "not_tested": [NOT_TESTED]}
    known: dict[str, Any] = {
        "Dossier": column("patient"),
        "Geslacht": coded("sex", CODES["Geslacht"]),
        "Leeftijd": column("age_years"),
        "Zijde": coded("side", CODES["Zijde"]),
        "Diagnose": coded("condition", CODES["Diagnose"]),
        "Duur (mnd)": column("duration", unit="mo"),
        "Bezoek": column("link"),
        "Datum": column("visit_date", date_format="%Y-%m-%d"),
        "Therapeut": column("clinician"),
        "Richting": coded("definition", CODES["Richting"]),
        "Instrument": coded("instrument", CODES["Instrument"]),
        "Techniek": coded("technique", CODES["Techniek"]),
        "Graad": column("grade", scale="oscillatory"),
        "Rotatiestand": coded("bias_direction", CODES["Rotatiestand"]),
        "Wijze": coded("bias_manner", CODES["Wijze"]),
        "Series": column("sets"),
        "Seconden": column("seconds_per_set", unit="s"),
        "Gestopt": coded("stopped_early", CODES["Gestopt"]),
    }
    for word, _ in _PHASES:
        known |= {
            f"Hoek {word}": column("angle", **angle),
            f"Buiging {word}": column("angle", **angle, zero="straight_180"),
            f"Pijn {word}": column("pain", scale="0-10"),
            f"Eindgevoel {word}": coded("end_feel", CODES["Eindgevoel"]),
        }
    return {header: known[header] for header in headers}


def _measured(part: str, angle: str, constants: dict[str, Any]) -> dict[str, Any]:
    return {
        "table": "range_test",
        "part": part,
        "set": constants,
        "each": [
            {
                "where_filled": [f"{angle} {word}"],
                "set": {"phase": phase},
                "take": {
                    "angle": f"{angle} {word}",
                    "pain": f"Pijn {word}",
                    "end_feel": f"Eindgevoel {word}",
                },
            }
            for word, phase in _PHASES
        ],
    }


def _before_and_after(tests: pl.DataFrame) -> pl.DataFrame:
    code = encoder(CODES)
    key = [*HIP_AT_VISIT, "Bezoek", "definition", "instrument"]
    sides = [
        tests.filter(pl.col("block") == phase).select(
            *key,
            whole("angle_deg").alias(f"Hoek {word}"),
            whole("pain_0_10").fill_null(UNKNOWN).alias(f"Pijn {word}"),
            code("Eindgevoel", "end_feel").alias(f"Eindgevoel {word}"),
            pl.col("n_bouts").alias(f"n_bouts_{word}"),
        )
        for word, phase in _PHASES
    ]
    rows = sides[0].join(sides[1], on=key, how="full", coalesce=True)
    order = pl.col("definition").replace_strict({d: n for n, d in enumerate(DEFINITIONS)})
    return rows.sort("patient", "visit", "side", order).with_columns(
        Zijde=code("Zijde", "side"),
        Richting=code("Richting", "definition"),
        Instrument=code("Instrument", "instrument"),
        n_bouts=pl.coalesce("n_bouts_na", "n_bouts_voor"),
        block=pl.lit("test"),
    )


def _treatments(events: Events) -> pl.DataFrame:
    code = encoder(CODES)
    rows = with_person(events, events.bouts.filter(pl.col("clinic") == "lindeveen"))
    return rows.with_columns(
        Dossier="patient",
        Datum=pl.col("date").dt.to_string("%d-%m-%Y"),
        Zijde=code("Zijde", "side"),
        Techniek=code("Techniek", "technique"),
        Graad=pl.col("grade").replace_strict(_ARABIC)
        + pl.col("grade_modifier").replace("none", ""),
        Rotatiestand=code("Rotatiestand", "bias_direction"),
        Wijze=code("Wijze", "bias_manner"),
        Series=pl.col("sets").cast(pl.String),
        Seconden=pl.col("seconds_per_set").cast(pl.String),
        Gestopt=pl.when("stopped_early").then(pl.lit("ja")).otherwise(pl.lit("nee")),
        block=pl.lit("bout"),
    )
