"""The written exports read again by csv, openpyxl, json and pyarrow: nothing of the pipeline."""

import csv
import datetime as dt
import json

import openpyxl
import pyarrow.parquet as pq
import pytest
from ruamel.yaml import YAML

from synthetic_data.export import write_exports
from synthetic_data.network import make_network

CSV = {
    "harbour": ("utf-8", ","),
    "millrace": ("cp1252", ";"),
    "tarnside": ("utf-8-sig", ","),
}
SHEETS = {
    "patienten": ("Patiënten", 3),
    "heupen": ("Heupen", 1),
    "bezoeken": ("Bezoeken", 1),
    "rotatie": ("Rotatie", 3),
    "buiging": ("Buiging", 3),
    "behandelingen": ("Behandelingen", 1),
}


def as_text(value):
    """Write a typed value as it would be shown; None for an empty cell."""
    if value is None or value == "":
        return None
    if isinstance(value, bool):
        return str(value).upper()
    if isinstance(value, dt.datetime | dt.date):
        return value.strftime("%Y-%m-%d")
    if isinstance(value, float):
        return f"{value:g}"
    return str(value)


def read_csv(path, encoding, delimiter):
    with path.open(encoding=encoding, newline="") as file:
        header, *lines = csv.reader(file, delimiter=delimiter)
    return [
        {h: c or None for h, c in zip(header, line, strict=True)}
        if len(line) == len(header)
        else None
        for line in lines
    ]


def read_sheets(path):
    book = openpyxl.load_workbook(path, data_only=True)
    assert [sheet.title for sheet in book] == [*(name for name, _ in SHEETS.values()), "Legenda"]
    parts = {}
    for part, (name, header_row) in SHEETS.items():
        header, *lines = list(book[name].iter_rows(min_row=header_row, values_only=True))
        parts[part] = [{h: as_text(c) for h, c in zip(header, line, strict=True)} for line in lines]
    return parts


def read_lines(path):
    parts = {"visits": [], "hips": [], "tests": [], "bouts": []}
    for line in path.read_text(encoding="utf-8").splitlines():
        try:
            content = json.loads(line, parse_int=str, parse_float=str)
        except ValueError:
            for rows in parts.values():
                rows.append(None)
            continue
        visit = {f"patient.{k}": v for k, v in content["patient"].items()}
        visit |= {f"visit.{k}": v for k, v in content["visit"].items()}
        parts["visits"].append(visit)
        for hip in content["hips"]:
            lists = {"tests": hip.pop("tests"), "bouts": hip.pop("bouts")}
            around = visit | {f"hips.{k}": v for k, v in hip.items()}
            parts["hips"].append(around)
            for name, items in lists.items():
                for item in items:
                    row = {f"hips.{name}.{k}": _plain(v) for k, v in item.items()}
                    parts[name].append(around | row)
    return parts


def _plain(value):
    return str(value).lower() if isinstance(value, bool) else value


def read_folder(path):
    parts = {}
    for file in sorted(path.iterdir()):
        rows = [{h: as_text(v) for h, v in row.items()} for row in pq.read_table(file).to_pylist()]
        parts.setdefault(file.stem.split("_")[0], []).extend(rows)
    return parts


def read_again(export):
    """Give the rows of each part; None stands for a row or line that cannot be read."""
    if export.clinic in CSV:
        return {"": read_csv(export.path, *CSV[export.clinic])}
    readers = {"lindeveen": read_sheets, "saltgrove": read_lines, "brackwell": read_folder}
    return readers[export.clinic](export.path)


PATIENT = {
    "harbour": "PatientNo",
    "millrace": "Patient",
    "tarnside": "Chart No",
    "lindeveen": "Dossier",
    "saltgrove": "patient.id",
    "brackwell": "patient",
}
KEY = {"lindeveen": ("Bezoek", "bezoeken"), "brackwell": ("visit_id", "visits")}


def patient_of(defect, parts):
    """Give the patient of a defect; None where the row cannot be read or finds no visit."""
    row, header = parts[defect.part][defect.record - 1], PATIENT[defect.clinic]
    if row is None or header in row:
        return row and row[header]
    key, visits = KEY[defect.clinic]
    return next((visit[header] for visit in parts[visits] if visit[key] == row[key]), None)


def codes_of(export):
    """Give header to value to canonical code, from the YAML of the codebook."""
    content = YAML(typ="safe", pure=True).load(export.codebook_path.read_text(encoding="utf-8"))
    parts = content.get("parts") or {"": content}
    return {
        header: column["codes"]
        for part in parts.values()
        for header, column in part["columns"].items()
        if "codes" in column
    }


@pytest.fixture(scope="session")
def made(tmp_path_factory):
    """A network of the least size, with its exports."""
    network = make_network(11, 300)
    return network, write_exports(network, tmp_path_factory.mktemp("exports"))


@pytest.fixture(scope="session")
def rows(made):
    """Give file, then part, then rows."""
    return {export.path.name: read_again(export) for export in made[1]}
