"""Several values in one cell: named pieces, neutral-zero triplets and SFTR.

In the neutral-zero method the middle of three numbers is the start: ``20-0-120`` is 20 of extension and
120 of flexion. Where the start cannot be reached, 0 moves to the end that cannot be reached either:
``0-20-100`` is a lack of extension of 20 with flexion up to 100, and a joint that is fixed at 20 has the
same number twice. SFTR writes a letter for the plane and puts the motion away from the body first.

References
----------
Cave EF, Roberts SM (1936). A method for measuring and recording joint function. J Bone Joint Surg 18.
Gerhardt JJ, Russe OA (1975). International SFTR method of measuring and recording joint motion.
Both from memory; worked examples with their sources stand in the tests.
"""

import re
from collections.abc import Callable, Sequence
from decimal import Decimal
from typing import Literal, NamedTuple

from pipeline.notation.angle import DEGREES_PER_UNIT, read_angle, to_hundredths, without_unit
from pipeline.notation.number import plain_text, read_number
from schemas.reason import Quarantine
from schemas.vocabulary import code_list

ZERO = "zero"
"""Name of the middle value of a neutral-zero triplet."""

SFTR_ORDER = {
    "S": ("extension", ZERO, "flexion"),
    "F": ("abduction", ZERO, "adduction"),
    "R": ("external_rotation", ZERO, "internal_rotation"),
}
"""Plane to the order of its three numbers; T, the transverse plane, is not measured at the hip."""

_LONGEST = 200
"""Characters of the longest cell that is looked at; 13 planes take fewer."""

_ANGLE = r"\d{1,6}(?:[.,]\d{1,20})?\s?[°º]?"
_A_PLANE = re.compile(r"\s{0,5}[SFRT](?![^\W\d_])", re.IGNORECASE)
_PLANE = re.compile(
    r"([A-Z])\s?(?:\(\s?([A-Z])\s?(\d{1,3})\s?[°º]?\s?\))?\s?:?\s?"
    rf"({_ANGLE}(?:\s?[-—/]\s?{_ANGLE}){{1,2}})(?![\d°º])\s{{0,5}}[,;]?\s{{0,5}}",
    re.IGNORECASE,
)


class Component(NamedTuple):
    """Name of one value of a composite cell.

    Attributes
    ----------
    name : str
        A motion, or whatever the codebook's order calls it.
    hip_flexion_deg : int or None
        Hip flexion in degrees where the cell states it, as in ``R(F90)``.
    """

    name: str
    hip_flexion_deg: int | None


def read_composite_angle(
    text: str,
    *,
    order: tuple[str, ...] | Literal["sftr", "by_size"],
    separator: str = "-",
    unit: str = "deg",
    decimal_mark: str = ".",
    read_piece: Callable[[str], int | Quarantine | None] | None = None,
) -> dict[Component, int | Quarantine] | Quarantine:
    """Read the angles of one cell.

    Parameters
    ----------
    text : str
        A cell such as ``35/40``, ``20-0-120`` or ``S 20-0-120 R(F90) 45-0-30``.
    order : tuple of str, or {"sftr", "by_size"}
        Names of the values in their order, one of which may be ``zero``; ``sftr``: the letters in the
        cell say it; ``by_size``: the number that no extension reaches is the flexion.
    separator : str
        What stands between the values, as in ``read_composite``; SFTR has its own.
    unit : {"deg", "rad", "gon"}
        Declared unit.
    decimal_mark : {".", ","}
        Declared decimal mark.
    read_piece : callable or None
        Reads one of plainly listed values (with a sign or rule of its own), giving None where it is
        not recorded. Triplets are not read by it: in them the place says the sign.

    Returns
    -------
    dict of Component to int or Quarantine, or Quarantine
        Hundredths of a degree, or why none, of each value that is recorded; or why the cell as a
        whole cannot be read. A triplet is read in full or not at all.

    Examples
    --------
    >>> found = read_composite_angle("0-20-100", order=("extension", "zero", "flexion"))
    >>> {component.name: hundredths for component, hundredths in found.items()}
    {'extension': -2000, 'flexion': 10000}
    """
    if order == "sftr":
        return _in_hundredths(read_sftr(text, unit=unit, decimal_mark=decimal_mark))
    if order == "by_size" or ZERO in order:
        return _in_hundredths(_triplet(text, order, separator, unit, decimal_mark))
    pieces = read_composite(text, order=order, separator=separator, decimal_mark=decimal_mark)
    if isinstance(pieces, Quarantine):
        return pieces
    read = read_piece or (lambda piece: read_angle(piece, unit=unit, decimal_mark=decimal_mark))
    angles = {Component(name, None): read(piece) for name, piece in pieces.items() if piece}
    return {component: angle for component, angle in angles.items() if angle is not None}


def read_composite(
    text: str, *, order: tuple[str, ...], separator: str, decimal_mark: str = "."
) -> dict[str, str] | Quarantine:
    """Split one cell into named pieces.

    Parameters
    ----------
    text : str
        A cell such as ``35/40`` or ``R 35 L 40``.
    order : tuple of str
        Names of the pieces; with ``zero`` among them the cell is a neutral-zero triplet.
    separator : str
        What stands between the pieces. A blank stands for any number of blanks, a hyphen for a dash
        too. As many words as there are pieces, such as ``R L``, are labels before the pieces, in any order.
    decimal_mark : {".", ","}
        Declared decimal mark: it cannot separate pieces as well.

    Returns
    -------
    dict of str to str, or Quarantine
        Text of each piece, empty where it is not recorded; of a triplet the two values with their
        signs. There are as many pieces as names, or the cell is refused.

    Examples
    --------
    >>> read_composite("5/3", order=("before", "after"), separator="/")
    {'before': '5', 'after': '3'}
    >>> read_composite("L 40 R 35", order=("right", "left"), separator="R L")
    {'right': '35', 'left': '40'}
    """
    if ZERO in order:
        found = _triplet(text, order, separator, "deg", decimal_mark)
        if isinstance(found, Quarantine):
            return found
        return {component.name: f"{value:f}" for component, value in found.items()}
    labels = separator.split()
    if len(labels) == len(order) and all(label.isalpha() for label in labels):
        pieces = _labelled(text, labels)
    else:
        pieces = _separated(text, separator, decimal_mark)
    if pieces is None or len(pieces) != len(order):
        return _unreadable(text)
    return dict(zip(order, pieces, strict=True))


def read_neutral_zero(
    numbers: Sequence[Decimal], order: tuple[str, ...]
) -> dict[str, Decimal] | Quarantine:
    """Give the two motions of a neutral-zero triplet.

    Parameters
    ----------
    numbers : sequence of decimal.Decimal
        Three numbers as they stand in the cell, or two for a joint that is fixed.
    order : tuple of str
        First motion, ``zero``, last motion.

    Returns
    -------
    dict of str to decimal.Decimal, or Quarantine
        Both motions, negative for the one that does not reach zero.

    Examples
    --------
    >>> read_neutral_zero([Decimal(100), Decimal(20), Decimal(0)], ("flexion", "zero", "extension"))
    {'flexion': Decimal('100'), 'extension': Decimal('-20')}
    """
    ends = _ends(numbers)
    if len(order) != 3 or order[1] != ZERO or ends is None:
        return Quarantine.COMPOSITE_UNREADABLE
    return {order[0]: ends[0], order[2]: ends[1]}


def read_sftr(
    text: str, *, unit: str = "deg", decimal_mark: str = "."
) -> dict[Component, Decimal] | Quarantine:
    """Read the planes of SFTR notation.

    Parameters
    ----------
    text : str
        A cell such as ``S 20-0-120 F 45-0-30 R(F90) 45-0-30``; planes are separated by blanks, commas or
        semicolons, numbers by hyphens, dashes or slashes.
    unit : {"deg", "rad", "gon"}
        Declared unit.
    decimal_mark : {".", ","}
        Declared decimal mark.

    Returns
    -------
    dict of Component to decimal.Decimal, or Quarantine
        Degrees of each motion. Only rotation may state the position of the hip: ``S`` with any flexion,
        ``F`` with 0 or 90 alone, since F is the frontal plane as well and 30 may be abduction.

    Examples
    --------
    >>> read_sftr("R(F90) 45-0-30")[Component("internal_rotation", 90)]
    Decimal('30')
    """
    plain = plain_text(text)
    found: dict[Component, Decimal] = {}
    place = 0
    while place < len(plain) <= _LONGEST:
        match = _PLANE.match(plain, place)
        values = None if match is None else _plane(match, unit, decimal_mark)
        if match is None or values is None or found.keys() & values.keys():
            break
        found |= values
        place = match.end()
    return found if found and place == len(plain) else _unreadable(plain)


def _plane(match: re.Match[str], unit: str, decimal_mark: str) -> dict[Component, Decimal] | None:
    letter, plane, flexion = match[1].upper(), (match[2] or "").upper(), match[3]
    pieces = _separated(match[4].replace("/", "-"), "-", decimal_mark)
    numbers = _numbers(pieces, unit, decimal_mark)
    if letter not in SFTR_ORDER or numbers is None:
        return None
    if plane and (letter != "R" or not _is_hip_flexion(plane, int(flexion))):
        return None
    ends = read_neutral_zero(numbers, SFTR_ORDER[letter])
    if isinstance(ends, Quarantine):
        return None
    position = int(flexion) if plane else None
    return {Component(name, position): size for name, size in ends.items()}


def _is_hip_flexion(plane: str, flexion: int) -> bool:
    return (plane == "S" and flexion <= 160) or (plane == "F" and flexion in {0, 90})


def _ends(numbers: Sequence[Decimal]) -> tuple[Decimal, Decimal] | None:
    """Give how far the joint goes to the first and to the last side of zero."""
    if any(number < 0 for number in numbers):
        return None
    if len(numbers) == 2:  # a fixed joint: 0-20 or 20-0
        first, last = numbers
        fixed = last if first == 0 else first
        numbers = (first, fixed, last) if first == 0 or last == 0 else ()
    if len(numbers) != 3:
        return None
    first, middle, last = numbers
    if middle == 0:
        return first, last
    if first == 0 and last >= middle:
        return -middle, last
    return (first, -middle) if last == 0 and first >= middle else None


def _triplet(
    text: str,
    order: tuple[str, ...] | Literal["by_size"],
    separator: str,
    unit: str,
    decimal_mark: str,
) -> dict[Component, Decimal] | Quarantine:
    if order == "by_size" and _A_PLANE.match(text[:_LONGEST]):  # rotation has no size to go by
        return Quarantine.ORDER_UNKNOWABLE
    numbers = _numbers(_separated(text, separator, decimal_mark), unit, decimal_mark)
    if numbers is None:
        return _unreadable(text)
    found = _by_size(numbers) if order == "by_size" else read_neutral_zero(numbers, order)
    if isinstance(found, Quarantine):
        return found
    return {Component(name, None): size for name, size in found.items()}


def _by_size(numbers: Sequence[Decimal]) -> dict[str, Decimal] | Quarantine:
    """Take the outer number that no extension reaches as the flexion."""
    if _ends(numbers) is None:
        return Quarantine.COMPOSITE_UNREADABLE
    limit = code_list("motion")["extension"].details["possible_deg"][1]
    if (numbers[0] > limit) == (numbers[-1] > limit):
        return Quarantine.ORDER_UNKNOWABLE
    order = SFTR_ORDER["S"] if numbers[-1] > limit else SFTR_ORDER["S"][::-1]
    return read_neutral_zero(numbers, order)


def _numbers(pieces: list[str] | None, unit: str, decimal_mark: str) -> list[Decimal] | None:
    """Read the numbers of a triplet in degrees; inexact ones are refused."""
    read = [
        read_number(without_unit(piece, unit), decimal_mark=decimal_mark) for piece in pieces or ()
    ]
    numbers = [number * DEGREES_PER_UNIT[unit] for number in read if isinstance(number, Decimal)]
    return numbers if numbers and len(numbers) == len(read) else None


def _separated(text: str, separator: str, decimal_mark: str) -> list[str] | None:
    """Split at the separator; None where it is also the decimal mark or may be a minus sign."""
    plain = plain_text(text).replace("—", "-")
    between = plain_text(f"|{separator}|").replace("—", "-")[1:-1]  # with the blanks around it
    if len(plain) > _LONGEST or between in {".", decimal_mark}:
        return None
    pieces = [piece.strip() for piece in plain.split(between if between.strip() else None)]
    if between == "-" and not all(pieces):  # beside an empty piece a hyphen may be a minus sign
        return None
    return pieces


def _labelled(text: str, labels: list[str]) -> list[str] | None:
    """Split at labels, each of which stands once before its piece."""
    either = "|".join(re.escape(label) for label in labels)
    parts = re.split(
        rf"(?<!\w)({either})(?=[\W\d]|$)\s?[:=]?", plain_text(text)[: _LONGEST + 1], flags=re.I
    )
    named = {
        label.casefold(): piece.strip(" ,;\t")
        for label, piece in zip(parts[1::2], parts[2::2], strict=True)
    }
    wanted = [label.casefold() for label in labels]
    is_sound = len(text) <= _LONGEST and not parts[0] and len(parts) == 2 * len(labels) + 1
    return [named[label] for label in wanted] if is_sound and set(named) == set(wanted) else None


def _unreadable(text: str) -> Quarantine:
    words = read_number(text) is Quarantine.WORDS_INSTEAD_OF_NUMBER
    return Quarantine.WORDS_INSTEAD_OF_NUMBER if words else Quarantine.COMPOSITE_UNREADABLE


def _in_hundredths(
    found: dict[Component, Decimal] | Quarantine,
) -> dict[Component, int | Quarantine] | Quarantine:
    if isinstance(found, Quarantine):
        return found
    return {component: to_hundredths(degrees) for component, degrees in found.items()}
