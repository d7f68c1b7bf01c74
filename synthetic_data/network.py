"""The invented Lowmoor Network: six clinics with a known truth and an answer key."""

from collections.abc import Callable
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from schemas.export_file import ROWS
from synthetic_data.answer_key import AnswerKey, FactCount, count_facts, count_retests
from synthetic_data.brackwell import lay_out_brackwell
from synthetic_data.clinic import CLINICS
from synthetic_data.codebook import codebook_text, read_codebook
from synthetic_data.course import follow_course
from synthetic_data.defect import plant
from synthetic_data.delivery import Delivery
from synthetic_data.event import Events, collect_events
from synthetic_data.harbour import lay_out_harbour
from synthetic_data.layout import Parts
from synthetic_data.lindeveen import lay_out_lindeveen
from synthetic_data.millrace import lay_out_millrace
from synthetic_data.patient import draw_people
from synthetic_data.reading import read_tests
from synthetic_data.saltgrove import lay_out_saltgrove
from synthetic_data.tarnside import lay_out_tarnside
from synthetic_data.truth import Truth

NETWORK_NAME = "Lowmoor Network"
"""Name of the invented network."""

LEAST_PATIENTS = 300
"""Fewer would not hold the planted defects, each on a patient of its own."""


_LAYOUTS: dict[str, Callable[[Events, np.random.Generator], Parts]] = {
    "harbour": lambda events, rng: {ROWS: lay_out_harbour(events, rng)},
    "millrace": lambda events, _: {ROWS: lay_out_millrace(events)},
    "tarnside": lambda events, rng: {ROWS: lay_out_tarnside(events, rng)},
    "lindeveen": lambda events, _: lay_out_lindeveen(events),
    "saltgrove": lambda events, _: lay_out_saltgrove(events),
    "brackwell": lambda events, _: lay_out_brackwell(events),
}


@dataclass(frozen=True)
class Network:
    """An invented network of six clinics.

    Attributes
    ----------
    seed : int
        Seed from which everything follows.
    truth : Truth
        Effects and variance components.
    events : Events
        What truly happened, as frames.
    deliveries : tuple of Delivery
        The exports with their planted defects, in order of sending; laid out when first asked for.
    answer_key : AnswerKey
        Every planted defect, and how many facts each export holds; made when first asked for.
    """

    seed: int
    truth: Truth
    events: Events

    def sent_by(self, clinic: str) -> tuple[Delivery, ...]:
        """Lay out the exports of one clinic, with their defects; nothing is kept.

        Parameters
        ----------
        clinic : str
            Code of the clinic.

        Returns
        -------
        tuple of Delivery
            In order of sending; the same whether or not other clinics are laid out.
        """
        rng = np.random.default_rng([self.seed, 1, CLINICS.index(clinic)])
        parts = _LAYOUTS[clinic](self.events, rng)
        return plant(clinic, parts, read_codebook(codebook_text(clinic)), rng)

    @cached_property
    def deliveries(self) -> tuple[Delivery, ...]:  # noqa: D102 - described with the attributes
        sent = [delivery for clinic in CLINICS for delivery in self.sent_by(clinic)]
        return tuple(sorted(sent, key=lambda delivery: delivery.exported_on))

    @cached_property
    def answer_key(self) -> AnswerKey:  # noqa: D102 - described with the attributes
        facts: list[FactCount] = []
        for sent in self.deliveries:
            codebook = read_codebook(codebook_text(sent.clinic))
            facts += count_facts(sent.parts, codebook, sent.file, sent.defects)
        return AnswerKey(
            defects=tuple(defect for sent in self.deliveries for defect in sent.defects),
            facts=tuple(facts),
            retests=count_retests(self.events.tests),
        )


def make_network(seed: int, n_patients: int = 600, *, truth: Truth | None = None) -> Network:
    """Make an invented network of six clinics.

    Parameters
    ----------
    seed : int
        Seed; equal seeds give equal bytes in every export.
    n_patients : int
        Patients of all clinics together, at least 300.
    truth : Truth or None
        Effects and variance components; None for those of ``Truth``.

    Returns
    -------
    Network
        The network with its truth and true events.

    Raises
    ------
    ValueError
        If there are too few patients for the planted defects.
    """
    if n_patients < LEAST_PATIENTS:
        raise ValueError(f"n_patients must be at least {LEAST_PATIENTS}, not {n_patients}")
    chosen = truth or Truth()
    rng = np.random.default_rng([seed, 0])
    people = draw_people(chosen, n_patients, rng)
    course = follow_course(chosen, people, rng)
    readings = read_tests(chosen, people, course, rng)
    return Network(seed=seed, truth=chosen, events=collect_events(people, course, readings))
