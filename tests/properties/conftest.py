"""What the properties share: how many examples run, what is done to bytes, and exports to do it to.

``ARCGAIN_FUZZ=long`` runs many more examples, other ones each time.
"""

import os
from dataclasses import dataclass, field
from datetime import date
from pathlib import Path

import polars as pl
import pytest
from hypothesis import HealthCheck, settings
from hypothesis import strategies as st

from flows.configuration import read_codebook
from pipeline.intake import SignedCodebook, prepare_delivery
from pipeline.reading.export import read_export
from schemas.settings import Settings
from synthetic_data.export import write_exports
from synthetic_data.network import make_network
from tests.conftest import KEY

IS_LONG = os.environ.get("ARCGAIN_FUZZ") == "long"
SHARED = Settings(shared_clinician_numbers=True)
SEED = 23
"""Seed of the network; the fixed tests use other ones."""


def examples(few: int, many: int = 5000) -> settings:
    """So many stated examples, or many other ones each time under ``ARCGAIN_FUZZ=long``."""
    return settings(
        max_examples=many if IS_LONG else few,
        derandomize=not IS_LONG,
        database=None,
        deadline=None,
        suppress_health_check=[HealthCheck.too_slow, HealthCheck.data_too_large],
    )


changes = st.lists(
    st.tuples(
        st.sampled_from(["set", "cut", "repeat", "insert"]),
        st.integers(0, 2**20),
        st.binary(min_size=1, max_size=4)
        | st.sampled_from([b'"', b"\n", b"\r", b",", b"\0", b"\xff"]),
    ),
    min_size=1,
    max_size=4,
)
"""Changes to bytes: what is done, where, and what with."""


def mutated(received: bytes, edits) -> bytes:
    for kind, number, new in edits:
        at = number % (len(received) + 1)
        match kind:
            case "set":
                received = received[:at] + new + received[at + len(new) :]
            case "cut":
                received = received[:at] if at % 3 else received[:at] + received[at + at % 97 :]
            case "repeat":
                received = received[:at] + received[max(at - 50, 0) :]
            case "insert":
                received = received[:at] + new + received[at:]
    return received


@dataclass(frozen=True)
class Sent:
    """One export of the invented network, on disk, with its codebook."""

    clinic: str
    path: Path
    signed: SignedCodebook = field(repr=False)  # a failing example is shown without it
    codebook_path: Path
    exported_on: date


def take(path: Path, signed: SignedCodebook, exported_on: date):
    """Read an export and take it through every stage up to the store."""
    book = signed.codebook
    reading = read_export(path, book.file, book.places, book.set_aside)
    return reading, prepare_delivery(reading, signed, SHARED, KEY, exported_on)


def check_account(reading, delivery, n_looked_up=0):
    """Every row and every fact that was read has one fate, and the tables say the same.

    Rows of a part without records are no rows of their own where another row looks them up.
    """
    counts = delivery.account["source_row"]
    assert counts["read"] == sum(part.n_rows for part in reading.parts.values()) - n_looked_up
    for table, counts in delivery.account.items():
        assert counts["read"] == sum(n for what, n in counts.items() if what != "read"), table
        assert min(counts.values()) >= 0
        assert counts["quarantined"] == delivery.quarantine.filter(pl.col("table") == table).height
        if table != "source_row":
            assert counts["accepted"] == delivery.tables[table].height
    assert set(delivery.tables) == set(delivery.account) - {"source_row"}


@pytest.fixture(scope="session")
def network():
    return make_network(SEED, 300)


@pytest.fixture(scope="session")
def sent(network, tmp_path_factory) -> tuple[Sent, ...]:
    """The exports of the six clinics, in order of sending."""
    exports = write_exports(network, tmp_path_factory.mktemp("exports"))
    return tuple(
        Sent(e.clinic, e.path, read_codebook(e.codebook_path), e.codebook_path, e.exported_on)
        for e in exports
    )
