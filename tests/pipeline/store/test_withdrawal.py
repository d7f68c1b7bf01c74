"""A withdrawal beside readers and writers, and where it has to look."""

import threading
from datetime import date

from pipeline.store.holding import read_holding
from pipeline.store.ledger import read_ledger
from pipeline.store.lock import hold_shared
from pipeline.store.part import write_part
from pipeline.store.pseudonym import pseudonym
from pipeline.store.snapshot import take_snapshot
from pipeline.store.withdrawal import withdraw_patient
from tests.conftest import KEY
from tests.pipeline.store.conftest import NOW

A1, B2 = (pseudonym(KEY, "patient", "harbour", number) for number in ("A1", "B2"))


def withdraw(made, patient=A1, clinic="harbour"):
    return withdraw_patient(made.store, KEY, clinic, patient, NOW)


def test_a_withdrawal_waits_for_writers_at_work_and_sweeps_what_they_leave(made):
    made.commit({(A1, "1"): 1})
    worker = threading.Thread(target=withdraw, args=(made,))
    with hold_shared(made.store.lock):  # as a writer does
        worker.start()
        worker.join(timeout=0.3)
        assert worker.is_alive()
        frame = made.frame([{"patient": A1}], {"clinic": "harbour", "codebook_version": 1})
        left = write_part(made.store, "parts/visit/harbour", "0" * 12, frame)
    worker.join(timeout=30)
    assert not worker.is_alive()
    assert not (made.store.folder / left.path).exists()
    assert read_ledger(made.store)[-1].event == "withdrawn"


def test_the_same_text_at_another_clinic_stays(made):
    made.commit({(A1, "1"): 1})
    made.commit({(A1, "1"): 1}, clinic="mill")
    withdraw(made)
    assert take_snapshot(made.store).tables["visit"]["clinic"].to_list() == ["mill"]


def test_a_patient_known_from_raw_rows_alone_is_found_and_stays_away(made):
    made.commit({(B2, "1"): 1}, raw=[A1, B2])
    assert withdraw(made).rows == {"raw": 1}
    receipt = made.commit({(B2, "1"): 2}, raw=[A1, B2], exported_on=date(2026, 6, 2))
    held = read_holding(read_ledger(made.store)).find(receipt.delivery)
    assert held.parts["raw"].rows == 1


def test_a_later_withdrawal_never_reuses_the_name_of_a_deleted_file(made):
    # A slow reader could take the new file for the old one.
    made.commit({(A1, "1"): 1, (B2, "1"): 2, ("c", "1"): 3})
    names = set()
    for patient in (None, A1, B2):
        if patient:
            withdraw(made, patient)
        (held,) = read_holding(read_ledger(made.store)).deliveries
        names.add(held.parts["visit"].path)
    assert len(names) == 3
