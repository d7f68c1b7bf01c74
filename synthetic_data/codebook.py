"""The codebooks of the two clinics, as the YAML text that lies beside each export."""

import io
from collections.abc import Mapping
from datetime import date
from typing import Any

from ruamel.yaml import YAML

from schemas.codebook import Codebook
from synthetic_data.layout import HARBOUR_CODES, MILLRACE_CODES, MISSING_WORD

_REVIEW = {"reviewed_by": "data manager (invented)", "reviewed_on": date(2024, 1, 2)}


def codebook_text(clinic: str) -> str:
    """Write the codebook of a clinic.

    Parameters
    ----------
    clinic : str
        ``harbour`` or ``millrace``.

    Returns
    -------
    str
        YAML text.
    """
    return as_yaml({"harbour": _harbour, "millrace": _millrace}[clinic]())


def as_yaml(content: Mapping[str, Any]) -> str:
    """Write a mapping as YAML, in the order given.

    Parameters
    ----------
    content : mapping of str to object
        What to write.

    Returns
    -------
    str
        YAML text.
    """
    writer = YAML(typ="safe", pure=True)
    writer.default_flow_style = None
    writer.sort_base_mapping_type_on_output = False  # type: ignore[assignment]  # ships as None
    writer.allow_unicode = True
    writer.width = 4096  # a list of codes stays on one line
    text = io.StringIO()
    writer.dump(dict(content), text)
    return text.getvalue()


def read_codebook(text: str) -> Codebook:
    """Read a codebook.

    Parameters
    ----------
    text : str
        YAML text.

    Returns
    -------
    Codebook
        The validated codebook.
    """
    return Codebook.model_validate(YAML(typ="safe", pure=True).load(text))


def _coded(field: str, codes: Mapping[str, str]) -> dict[str, Any]:
    return {"field": field, "codes": dict(codes)}


def _field(field: str, **options: str) -> dict[str, Any]:
    return {"field": field, **options}


def _harbour() -> dict[str, Any]:
    codes = HARBOUR_CODES
    person = {"joint": "hip", "episode": "first"}
    return {
        "codebook": "harbour-events",
        "clinic": "harbour",
        "version": 1,
        **_REVIEW,
        "delivery": {"kind": "increment"},
        "file": {"encoding": "utf-8", "delimiter": ",", "decimal_mark": "."},
        "columns": {
            "PatientNo": _field("patient"),
            "Sex": _coded("sex", codes["Sex"]),
            "Age": _field("age_years"),
            "VisitNo": _field("visit"),
            "VisitDate": _field("visit_date", date_format="%Y-%m-%d"),
            "Therapist": _field("clinician"),
            "Hip": _coded("side", codes["Hip"]),
            "Diagnosis": _coded("condition", codes["Diagnosis"]),
            "Months": _field("duration", unit="mo"),
            "Seq": _field("event"),
            "Row": _field("row_kind"),
            "Test": _coded("definition", codes["Test"]),
            "Trial": _field("trial"),
            "Device": _coded("instrument", codes["Device"]),
            "Angle": _field("angle", unit="deg"),
            "NPRS": _field("pain", scale="0-10"),
            "EndFeel": _coded("end_feel", codes["EndFeel"]),
            "Technique": _coded("technique", codes["Technique"]),
            "Grade": _field("grade", scale="oscillatory"),
            "Bias": _coded("bias_direction", codes["Bias"]),
            "Manner": _coded("bias_manner", codes["Manner"]),
            "Sets": _field("sets"),
            "Seconds": _field("seconds_per_set", unit="s"),
            "Stopped": _coded("stopped_early", codes["Stopped"]),
        },
        "ignore": {"Comment": "free text, not needed for the analyses"},
        "records": [
            {"table": "patient"},
            {"table": "joint_episode", "set": person},
            {"table": "visit", "set": {"episode": "first"}},
            {"table": "range_test", "when": {"Row": ["T"]}, "set": {"joint": "hip"}},
            {"table": "treatment", "when": {"Row": ["M"]}, "set": {"joint": "hip"}},
        ],
    }


def _millrace() -> dict[str, Any]:
    codes = MILLRACE_CODES
    person = {"joint": "hip", "episode": "first"}
    return {
        "codebook": "millrace-messungen",
        "clinic": "millrace",
        "version": 1,
        **_REVIEW,
        "delivery": {"kind": "full"},
        "file": {
            "encoding": "cp1252",
            "delimiter": ";",
            "decimal_mark": ",",
            "missing": [MISSING_WORD],
        },
        "columns": {
            "Patient": _field("patient"),
            "Geschlecht": _coded("sex", codes["Geschlecht"]),
            "Alter": _field("age_years"),
            "Datum": _field("visit_date", date_format="%d.%m.%Y"),
            "Behandler": _field("clinician"),
            "Seite": _coded("side", codes["Seite"]),
            "Diagnose": _coded("condition", codes["Diagnose"]),
            "Dauer_Wochen": _field("duration", unit="wk"),
            "Phase": _coded("phase", codes["Phase"]),
            "Messung": _coded("definition", codes["Messung"]),
            "Gerät": _coded("instrument", codes["Gerät"]),
            "Winkel_rad": _field("angle", unit="rad"),
            "Schmerz_mm": _field("pain", scale="0-100"),
            "Endgefühl": _coded("end_feel", codes["Endgefühl"]),
            "Technik": _coded("technique", codes["Technik"]),
            "Grad": _field("grade", scale="oscillatory"),
            "Vorspannung": _coded("bias_direction", codes["Vorspannung"]),
            "Art": _coded("bias_manner", codes["Art"]),
            "Serien": _field("sets"),
            "Sekunden": _field("seconds_per_set", unit="s"),
            "Abbruch": _coded("stopped_early", codes["Abbruch"]),
        },
        "records": [
            {"table": "patient"},
            {"table": "joint_episode", "set": person},
            {"table": "visit", "set": {"episode": "first"}},
            {"table": "range_test", "set": {"joint": "hip", "trial": 1}},
            {
                "table": "treatment",
                "where_filled": ["Technik"],
                "set": {"joint": "hip", "phase": "treatment"},
                "repeats": True,
            },
        ],
    }
