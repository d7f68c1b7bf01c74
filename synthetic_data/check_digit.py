"""Check digits of invented numbers, computed from the published rules and by no library.

So the corpus of identifiers is independent of what searches for it. The rules are those of ISO/IEC 7812
(Luhn), ISO 7064 and ISO 13616 (mod 97), 49 CFR 565.15 (vehicles), and of each national scheme, the
latter from memory.
"""

from collections.abc import Iterable

_VERHOEFF_TIMES = tuple(
    tuple(
        (a + b) % 5
        if a < 5 and b < 5
        else 5 + (a + b) % 5
        if a < 5
        else 5 + (a - b) % 5
        if b < 5
        else (a - b) % 5
        for b in range(10)
    )
    for a in range(10)
)
_VERHOEFF_TURN = (1, 5, 7, 6, 2, 8, 3, 0, 9, 4)
_CODICE_ODD = dict(zip("0123456789", (1, 0, 5, 7, 9, 13, 15, 17, 19, 21), strict=True)) | dict(
    zip(
        "ABCDEFGHIJKLMNOPQRSTUVWXYZ",
        (
            1,
            0,
            5,
            7,
            9,
            13,
            15,
            17,
            19,
            21,
            2,
            4,
            18,
            20,
            11,
            3,
            6,
            8,
            12,
            14,
            16,
            10,
            22,
            25,
            24,
            23,
        ),
        strict=True,
    )
)
_VIN_VALUES = dict(
    zip(
        "ABCDEFGHJKLMNPRSTUVWXYZ",
        (1, 2, 3, 4, 5, 6, 7, 8, 1, 2, 3, 4, 5, 7, 9, 2, 3, 4, 5, 6, 7, 8, 9),
        strict=True,
    )
)


def weighted(digits: str, weights: Iterable[int]) -> int:
    """Sum digits with weights.

    Parameters
    ----------
    digits : str
        Digits.
    weights : iterable of int
        One for each.

    Returns
    -------
    int
        The sum of products.
    """
    return sum(int(digit) * weight for digit, weight in zip(digits, weights, strict=True))


def luhn(digits: str) -> str:
    """Give the Luhn digit (ISO/IEC 7812-1, annex B).

    Parameters
    ----------
    digits : str
        Digits before it.

    Returns
    -------
    str
        The digit.

    Examples
    --------
    >>> luhn("7992739871")
    '3'
    """
    doubled = (int(d) * (2 if place % 2 == 0 else 1) for place, d in enumerate(reversed(digits)))
    return str(-sum(product // 10 + product % 10 for product in doubled) % 10)


def verhoeff(digits: str) -> str:
    """Give the Verhoeff digit.

    Parameters
    ----------
    digits : str
        Digits before it.

    Returns
    -------
    str
        The digit.

    Examples
    --------
    >>> verhoeff("236")
    '3'
    """
    found = 0
    for place, digit in enumerate(reversed(digits), start=1):
        turned = int(digit)
        for _ in range(place % 8):
            turned = _VERHOEFF_TURN[turned]
        found = _VERHOEFF_TIMES[found][turned]
    return str(next(d for d in range(10) if _VERHOEFF_TIMES[found][d] == 0))


def iban(country: str, account: str) -> str:
    """Give an IBAN (ISO 13616, check digits by ISO 7064 mod 97-10).

    Parameters
    ----------
    country : str
        Two letters.
    account : str
        Bank and account, digits and letters.

    Returns
    -------
    str
        Without spaces.

    Examples
    --------
    >>> iban("GB", "WEST12345698765432")
    'GB82WEST12345698765432'
    """
    number = int("".join(str(int(c, 36)) for c in f"{account}{country}00"))
    return f"{country}{98 - number % 97:02d}{account}"


def codice_fiscale(first: str) -> str:
    """Give the control letter of an Italian codice fiscale.

    Parameters
    ----------
    first : str
        Fifteen letters and digits.

    Returns
    -------
    str
        The letter.

    Examples
    --------
    >>> codice_fiscale("RSSMRA85T10A562")
    'S'
    """
    total = 0
    for place, sign in enumerate(first):
        even = int(sign) if sign.isdigit() else ord(sign) - 65
        total += _CODICE_ODD[sign] if place % 2 == 0 else even
    return chr(65 + total % 26)


def vin(before: str, after: str) -> str:
    """Give a vehicle identification number with its check digit.

    Parameters
    ----------
    before : str
        Eight letters and digits.
    after : str
        Eight more.

    Returns
    -------
    str
        Seventeen signs, the ninth being the check digit.

    Examples
    --------
    >>> vin("1M8GDM9A", "KP042788")
    '1M8GDM9AXKP042788'
    """
    weights = (8, 7, 6, 5, 4, 3, 2, 10, 9, 8, 7, 6, 5, 4, 3, 2)
    values = [int(c) if c.isdigit() else _VIN_VALUES[c] for c in before + after]
    rest = sum(v * w for v, w in zip(values, weights, strict=True)) % 11
    return before + "0123456789X"[rest] + after


def ean(digits: str) -> str:
    """Give the check digit of a number with weights 1 and 3 (GS1), as Switzerland uses.

    Parameters
    ----------
    digits : str
        Twelve digits.

    Returns
    -------
    str
        The digit.

    Examples
    --------
    >>> ean("756921707698")
    '5'
    """
    return str(-weighted(digits, (1, 3) * 6) % 10)
