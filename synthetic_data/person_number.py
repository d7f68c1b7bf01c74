"""Invented national person numbers of many countries, with check digits that hold.

The rules are those of each scheme, from memory, computed here and by no library.
"""

from collections.abc import Callable

import numpy as np

from synthetic_data.check_digit import codice_fiscale, ean, luhn, verhoeff, weighted

Draw = np.random.Generator


def _digits(rng: Draw, n: int) -> str:
    return "".join(map(str, rng.integers(0, 10, n)))


def _day(rng: Draw) -> tuple[int, int, int]:
    return int(rng.integers(30, 99)), int(rng.integers(1, 13)), int(rng.integers(1, 29))


def _united_states(rng: Draw) -> str:
    return f"{int(rng.integers(1, 600)):03d}-{int(rng.integers(1, 99)):02d}-{int(rng.integers(1, 9999)):04d}"


def _health_service(rng: Draw) -> str:
    while True:
        body = str(int(rng.integers(400_000_000, 799_999_999)))
        check = 11 - weighted(body, range(10, 1, -1)) % 11
        if check != 10:
            return body + str(check % 11)


def _national_insurance(rng: Draw) -> str:
    return f"{'AECH'[int(rng.integers(4))]}{'BEHL'[int(rng.integers(4))]} {_digits(rng, 2)} {_digits(rng, 2)} {_digits(rng, 2)} {'ABCD'[int(rng.integers(4))]}"


def _pension_insurance(rng: Draw) -> str:
    year, month, day = _day(rng)
    letter, serial = chr(65 + int(rng.integers(26))), f"{int(rng.integers(100)):02d}"
    body = f"65{day:02d}{month:02d}{year:02d}{ord(letter) - 64:02d}{serial}"
    products = (int(d) * w for d, w in zip(body, (2, 1, 2, 5, 7, 1, 2, 1, 2, 1, 2, 1), strict=True))
    check = sum(p // 10 + p % 10 for p in products) % 10
    return f"65 {day:02d}{month:02d}{year:02d} {letter} {serial}{check}"


def _france(rng: Draw) -> str:
    year, month, _ = _day(rng)
    body = f"{int(rng.integers(1, 3))}{year:02d}{month:02d}{int(rng.integers(10, 95)):02d}{int(rng.integers(1, 500)):03d}{int(rng.integers(1, 990)):03d}"
    return body + f"{97 - int(body) % 97:02d}"


def _spain(rng: Draw) -> str:
    body = int(rng.integers(10_000_000, 99_999_999))
    return f"{body}{'TRWAGMYFPDXBNJZSQVHLCKE'[body % 23]}"


def _italy(rng: Draw) -> str:
    year, month, day = _day(rng)
    body = f"QLLXNN{year:02d}{'ABCDEHLMPRST'[month - 1]}{day:02d}H501"
    return body + codice_fiscale(body)


def _netherlands(rng: Draw) -> str:
    while True:
        body = str(int(rng.integers(10_000_000, 99_999_999)))
        check = weighted(body, range(9, 1, -1)) % 11
        if check != 10:
            return body + str(check)


def _sweden(rng: Draw) -> str:
    year, month, day = _day(rng)
    body = f"{year:02d}{month:02d}{day:02d}{int(rng.integers(1, 999)):03d}"
    return f"{body[:6]}-{body[6:]}{luhn(body)}"


def _norway(rng: Draw) -> str:
    while True:
        year, month, day = _day(rng)
        body = f"{day:02d}{month:02d}{max(year, 54):02d}{int(rng.integers(0, 499)):03d}"
        first = (11 - weighted(body, (3, 7, 6, 1, 8, 9, 4, 5, 2)) % 11) % 11
        second = (11 - weighted(f"{body}{first % 10}", (5, 4, 3, 2, 7, 6, 5, 4, 3, 2)) % 11) % 11
        if first != 10 and second != 10:
            return f"{body}{first}{second}"


def _finland(rng: Draw) -> str:
    year, month, day = _day(rng)
    serial = int(rng.integers(2, 899))
    rest = int(f"{day:02d}{month:02d}{year:02d}{serial:03d}") % 31
    return f"{day:02d}{month:02d}{year:02d}-{serial:03d}{'0123456789ABCDEFHJKLMNPRSTUVWXY'[rest]}"


def _poland(rng: Draw) -> str:
    year, month, day = _day(rng)
    body = f"{year:02d}{month:02d}{day:02d}{_digits(rng, 4)}"
    return body + str(-weighted(body, (1, 3, 7, 9, 1, 3, 7, 9, 1, 3)) % 10)


def _switzerland(rng: Draw) -> str:
    body = f"756{_digits(rng, 9)}"
    whole = body + ean(body)
    return f"{whole[:3]}.{whole[3:7]}.{whole[7:11]}.{whole[11:]}"


def _belgium(rng: Draw) -> str:
    year, month, day = _day(rng)
    body = f"{year:02d}{month:02d}{day:02d}{int(rng.integers(1, 998)):03d}"
    return f"{year:02d}.{month:02d}.{day:02d}-{body[6:]}.{97 - int(body) % 97:02d}"


def _canada(rng: Draw) -> str:
    body = str(int(rng.integers(10_000_000, 79_999_999)))
    body = f"{1 + int(body[0]) % 7}{body[1:]}"
    whole = body + luhn(body)
    return f"{whole[:3]}-{whole[3:6]}-{whole[6:]}"


def _brazil(rng: Draw) -> str:
    body = _digits(rng, 9)
    first = weighted(body, range(10, 1, -1)) * 10 % 11 % 10
    second = weighted(f"{body}{first}", range(11, 1, -1)) * 10 % 11 % 10
    return f"{body[:3]}.{body[3:6]}.{body[6:]}-{first}{second}"


def _india(rng: Draw) -> str:
    body = str(int(rng.integers(20_000_000_000, 99_999_999_999)))
    whole = body + verhoeff(body)
    return f"{whole[:4]} {whole[4:8]} {whole[8:]}"


def _australia(rng: Draw) -> str:
    while True:
        body = str(int(rng.integers(10_000_000, 99_999_999)))
        for last in range(10):
            if weighted(f"{body}{last}", (1, 4, 3, 7, 5, 8, 6, 9, 10)) % 11 == 0:
                return f"{body}{last}"


PERSON_NUMBERS: dict[str, Callable[[Draw], str]] = {
    "US social security": _united_states,
    "GB health service": _health_service,
    "GB national insurance": _national_insurance,
    "DE pension insurance": _pension_insurance,
    "FR NIR": _france,
    "ES DNI": _spain,
    "IT codice fiscale": _italy,
    "NL BSN": _netherlands,
    "SE personnummer": _sweden,
    "NO fødselsnummer": _norway,
    "FI henkilötunnus": _finland,
    "PL PESEL": _poland,
    "CH AHV": _switzerland,
    "BE national register": _belgium,
    "CA social insurance": _canada,
    "BR CPF": _brazil,
    "IN Aadhaar": _india,
    "AU tax file": _australia,
}
"""Country and scheme to what draws one number."""


def draw_person_number(rng: Draw, scheme: str) -> str:
    """Draw a number of a scheme.

    Parameters
    ----------
    rng : numpy.random.Generator
        Source of randomness.
    scheme : str
        Key of ``PERSON_NUMBERS``.

    Returns
    -------
    str
        As it is usually written.
    """
    return PERSON_NUMBERS[scheme](rng)
