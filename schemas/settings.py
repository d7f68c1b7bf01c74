"""Settings of a workspace (``network.yaml``), read once at the edge and passed down."""

from enum import StrEnum

from pydantic import BaseModel, ConfigDict, Field


class DatePolicy(StrEnum):
    """What is kept of a visit's date beside the offset from a hidden index date."""

    STRICT = "strict"  # the year alone, as the Safe Harbor rule asks (45 CFR 164.514(b)(2))
    MONTH = "month"  # year and month, where the data holder has confirmed that it may be kept


class Settings(BaseModel):
    """Settings of one workspace.

    Attributes
    ----------
    network : str
        Name of the network, shown in reports.
    date_policy : DatePolicy
        What is kept of dates. Strict unless a person has decided otherwise.
    smallest_count : int
        No published number rests on fewer patients; 11 is the widespread rule that no cell of 1 to
        10 is shown. A plan may ask for more, never for less.
    shared_clinician_numbers : bool
        True where clinics declare one numbering of clinicians, so that a clinician who works at two
        of them is recognised.
    authors : tuple of str
        Named in the citation of published versions.
    runner : {"threads"}
        How deliveries are spread over workers.
    """

    model_config = ConfigDict(frozen=True, extra="forbid")

    network: str = Field(default="Unnamed network", min_length=1, max_length=200)
    date_policy: DatePolicy = DatePolicy.STRICT
    smallest_count: int = Field(default=11, ge=1)
    shared_clinician_numbers: bool = False
    authors: tuple[str, ...] = ()
    runner: str = Field(default="threads", pattern="^threads$")
