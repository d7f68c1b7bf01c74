"""Description of a mixed-effects model as data: outcome, fixed terms, random terms, method.

A description says what is fitted, not how. It is checked when it is made, can be written as JSON
and compared, and is the same for every source of rows.
"""

from enum import StrEnum
from itertools import pairwise
from typing import Annotated, Literal, Self

from pydantic import BaseModel, ConfigDict, Field, model_validator

INTERCEPT = "(intercept)"
"""Name of the column of ones."""

TIMES = " × "
"""Between the parts of a product's name."""


class Method(StrEnum):
    """What is maximised."""

    REML = "reml"
    """Restricted likelihood: for estimates and intervals."""
    ML = "ml"
    """Likelihood: for comparing models whose fixed parts differ."""


class _Part(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid")


class Factor(_Part):
    """A category, in treatment coding: a column for each level but the first.

    Attributes
    ----------
    name : str
        Column of the rows; its values are compared as text.
    levels : tuple of str
        Levels in order, the reference first; levels that are not listed follow in order of name.
    """

    kind: Literal["factor"] = "factor"
    name: str
    levels: tuple[str, ...] = ()


class Number(_Part):
    """A number that enters as it is.

    Attributes
    ----------
    name : str
        Column of the rows.
    """

    kind: Literal["number"] = "number"
    name: str


class Spline(_Part):
    """A natural cubic spline of a number: a curve that is straight beyond the boundary knots.

    Attributes
    ----------
    name : str
        Column of the rows.
    knots : tuple of float
        Inner knots, in the column's unit, increasing.
    boundary : tuple of float
        The two boundary knots.
    """

    kind: Literal["spline"] = "spline"
    name: str
    knots: tuple[float, ...] = Field(min_length=1)
    boundary: tuple[float, float]

    @model_validator(mode="after")
    def _increasing(self) -> Self:
        places = (self.boundary[0], *self.knots, self.boundary[1])
        if any(not a < b for a, b in pairwise(places)):
            raise ValueError(
                f"spline of “{self.name}”: knots must increase and lie between the boundary knots"
            )
        return self


class Interaction(_Part):
    """The product of two or more terms.

    Attributes
    ----------
    of : tuple of str
        Names of terms that are in the model themselves.
    """

    kind: Literal["interaction"] = "interaction"
    of: tuple[str, ...] = Field(min_length=2)


FixedTerm = Annotated[Factor | Number | Spline | Interaction, Field(discriminator="kind")]


class RandomTerm(_Part):
    """What varies at random from one group to the next.

    Attributes
    ----------
    by : tuple of str
        Columns whose combined values name the group: ``("patient", "side")`` is a hip within a
        patient, ``("clinic", "technique")`` a technique within a clinic. Whether terms are nested or
        crossed is seen from the rows.
    slopes : tuple of str
        Numeric columns whose coefficient varies.
    intercept : bool
        True where the level varies.
    correlated : bool
        True where level and slopes of one group may be correlated.
    """

    by: tuple[str, ...] = Field(min_length=1)
    slopes: tuple[str, ...] = ()
    intercept: bool = True
    correlated: bool = True

    @model_validator(mode="after")
    def _not_empty(self) -> Self:
        if not self.columns:
            raise ValueError(f"random term by {self.name}: neither intercept nor slope")
        return self

    @property
    def name(self) -> str:
        """Words of the grouping, such as ``patient × side``."""
        return TIMES.join(self.by)

    @property
    def columns(self) -> tuple[str, ...]:
        """Columns that vary by group: the intercept first, then the slopes."""
        return ((INTERCEPT,) if self.intercept else ()) + self.slopes

    @property
    def n_theta(self) -> int:
        """Number of variance parameters, relative to the residual."""
        q = len(self.columns)
        return q * (q + 1) // 2 if self.correlated else q


class ModelDescription(_Part):
    """A mixed-effects model.

    Attributes
    ----------
    outcome : str
        Numeric column.
    fixed : tuple of FixedTerm
        Fixed part after the intercept; of two terms that say the same the later one is dropped.
    random : tuple of RandomTerm
        At least one.
    method : Method
        REML or ML.
    weights : str or None
        Column of precision weights: the residual variance of a row is sigma2 / weight.
    """

    outcome: str
    fixed: tuple[FixedTerm, ...] = ()
    random: tuple[RandomTerm, ...] = Field(min_length=1)
    method: Method = Method.REML
    weights: str | None = None

    @model_validator(mode="after")
    def _whole(self) -> Self:
        names = [term.name for term in self.main_terms]
        if len(set(names)) < len(names):
            raise ValueError("a fixed term occurs twice")
        for term in self.fixed:
            missing = set(term.of) - set(names) if isinstance(term, Interaction) else set()
            if missing:
                raise ValueError(
                    f"interaction of {sorted(missing)}: not a term of the model itself"
                )
        columns = [(frozenset(t.by), c) for t in self.random for c in t.columns]
        if len(set(columns)) < len(columns):
            raise ValueError("a random term occurs twice")
        return self

    @property
    def main_terms(self) -> tuple[Factor | Number | Spline, ...]:
        """Fixed terms that are no interaction."""
        return tuple(term for term in self.fixed if not isinstance(term, Interaction))

    @property
    def slopes(self) -> tuple[str, ...]:
        """Numeric columns of the random terms, each once."""
        return tuple(dict.fromkeys(s for term in self.random for s in term.slopes))

    @property
    def grouping(self) -> tuple[str, ...]:
        """Columns that name groups, each once."""
        return tuple(dict.fromkeys(c for term in self.random for c in term.by))
