"""Deliveries of visits alone, written as short rows, where a test needs no codebook."""

import hashlib
from dataclasses import dataclass
from datetime import UTC, date, datetime

import polars as pl
import pytest

from pipeline.store.bucket import Bucket
from pipeline.store.delivery import Delivery, commit_delivery
from pipeline.store.ledger import create_store
from schemas.table import QUARANTINE, TABLES, empty
from tests.conftest import KEY

NOW = datetime(2026, 7, 1, tzinfo=UTC)


@dataclass(frozen=True)
class Made:
    """Makes and commits deliveries of ``visits``: {(patient, visit): day}."""

    store: object

    def delivery(self, visits, *, raw=None, source=None, **terms):
        own = {
            "clinic": "harbour",
            "codebook": "events",
            "codebook_version": 1,
            "kind": "increment",
        }
        own |= {"exported_on": date(2026, 6, 1)} | terms
        told = repr((visits, raw, sorted(own.items(), key=str)))
        source = source or hashlib.sha256(told.encode()).hexdigest()
        rows = [
            {"patient": patient, "visit": visit, "day_offset": day}
            for (patient, visit), day in visits.items()
        ]
        own["codebook_sha256"] = str(own["codebook_version"]) * 64
        fates = dict.fromkeys(("quarantined", "duplicate", "out_of_scope"), 0)
        cells = raw if raw is not None else [patient for patient, _ in visits]
        return Delivery(
            **own,
            source_name=f"{source[:4]}.csv",
            source_sha256=source,
            buckets=(
                Bucket(
                    tables={"visit": self.frame(rows, own)},
                    quarantine=empty(QUARANTINE).drop("delivery"),
                    raw=pl.DataFrame({"id": cells}, schema={"id": pl.String}),
                    account={"visit": {"read": len(rows), "accepted": len(rows), **fates}},
                ),
            ),
        )

    def frame(self, rows, own):
        filled = [
            row | {"clinic": own["clinic"], "codebook_version": own["codebook_version"]}
            for row in rows
        ]
        return pl.DataFrame(filled, schema=TABLES["visit"].columns).drop("delivery")

    def commit(self, visits, **terms):
        return self.send(self.delivery(visits, **terms))

    def send(self, delivery):
        return commit_delivery(self.store, delivery, KEY, NOW)


@pytest.fixture
def made(tmp_path):
    return Made(create_store(tmp_path / "made"))
