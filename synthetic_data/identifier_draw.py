"""Draw invented identifiers, one function for each kind: text, class, kind and country.

Telephone numbers are of ranges kept free for fiction where a country has one (from memory); web and
mail addresses are of example domains (RFC 2606) and network addresses of documentation ranges
(RFC 5737, RFC 3849).
"""

from collections.abc import Callable, Sequence

import numpy as np

from synthetic_data.identifier_form import (
    FAMILY,
    GIVEN,
    MONTHS,
    OTHER_SCRIPTS,
    STREETS,
    TELEPHONES,
    TITLES,
)

Draw = np.random.Generator
Made = tuple[str, str, str, str]
"""Text, letter, kind, country."""
CODED = ("end_feel", "condition", "instrument", "reason_not_done")
"""Fields of columns of codes in which an identifier hides."""
NUMERIC = ("angle", "dose", "pain")
"""Fields of columns of numbers in which an identifier hides."""


def draw_digits(rng: Draw, n: int, first: str = "") -> str:
    """Draw digits.

    Parameters
    ----------
    rng : numpy.random.Generator
        Source of randomness.
    n : int
        How many, those of ``first`` among them.
    first : str
        With what they begin.

    Returns
    -------
    str
        The digits.
    """
    return first + "".join(map(str, rng.integers(0, 10, n - len(first))))


def draw_one(rng: Draw, items: Sequence[str]) -> str:
    """Draw one of several texts.

    Parameters
    ----------
    rng : numpy.random.Generator
        Source of randomness.
    items : sequence of str
        The texts.

    Returns
    -------
    str
        One of them.
    """
    return items[int(rng.integers(len(items)))]


def _name(rng: Draw) -> Made:
    country = draw_one(rng, tuple(GIVEN))
    given, family = draw_one(rng, GIVEN[country]), draw_one(rng, FAMILY[country])
    title = draw_one(rng, TITLES[country])
    form = draw_one(
        rng,
        (
            "{g} {f}", "{f}, {g}", "{t} {f}", "{t} {g} {f}", "{i}. {f}", "{f} {i}.", "{f} {g}", "{g} {i}. {f}", "{gl} {fl}", "{gu} {fu}", "{f},{g}",
        ),
    )  # fmt: skip
    text = form.format(
        g=given,
        f=family,
        t=title,
        i=given[0],
        gl=given.lower(),
        fl=family.lower(),
        gu=given.upper(),
        fu=family.upper(),
    )
    return text, "A", "name of a person", country


def _lone_name(rng: Draw) -> Made:
    country = draw_one(rng, tuple(GIVEN))
    family, given = draw_one(rng, FAMILY[country]), draw_one(rng, GIVEN[country])
    form = draw_one(rng, ("{f}", "{fu}", "{fl}", "{g}", "{gl}.{fl}"))
    text = form.format(f=family, fu=family.upper(), fl=family.lower(), g=given, gl=given.lower()[0])
    return text, "A", "single name among numbers", country


def _address(rng: Draw) -> Made:
    country = draw_one(rng, tuple(STREETS))
    text = draw_one(rng, STREETS[country]).format(n=int(rng.integers(1, 140)))
    return text, "B", "street address", country


def _postcode(rng: Draw) -> Made:
    forms = {
        "GB": "ZZ{a} {b}ZZ", "US": "{five}-{four}", "CA": "K1A {b}B1", "NL": "{four1} ZX", "DE": "{five} Quillstadt",
        "FR": "F-{five}", "SE": "{three} {two} Björkdalen", "PL": "{two}-{three} Brzozogaj", "PT": "{four1}-{three}", "CH": "{four1} Ravignac",
    }  # fmt: skip
    country = draw_one(rng, tuple(forms))
    text = forms[country].format(
        a=int(rng.integers(1, 99)), b=int(rng.integers(1, 10)), five=draw_digits(rng, 5, "1"), four=draw_digits(rng, 4),
        four1=draw_digits(rng, 4, "3"), three=draw_digits(rng, 3, "4"), two=draw_digits(rng, 2, "7"),
    )  # fmt: skip
    return text, "B", "postcode", country


def _day(rng: Draw) -> Made:
    y, m, d = int(rng.integers(1928, 2026)), int(rng.integers(1, 13)), int(rng.integers(2, 29))
    if rng.random() < 0.5:
        country = draw_one(rng, tuple(MONTHS))
        return draw_one(rng, MONTHS[country]).format(d=d, y=y), "C", "date in words", country
    forms = (
        "{y}-{m:02d}-{d:02d}", "{d:02d}.{m:02d}.{y}", "{d}.{m}.{s:02d}", "{m:02d}/{d:02d}/{y}", "{d}/{m}/{s:02d}", "{y}/{m:02d}/{d:02d}",
        "{d:02d}-{m:02d}-{y}", "{y}{m:02d}{d:02d}", "{y}-{m:02d}", "{m:02d}/{y}", "{d:02d} . {m:02d} . {y}", "{y}-{m:02d}-{d:02d}T09:30:00", "{d:02d}{m:02d}{y}",
    )  # fmt: skip
    return draw_one(rng, forms).format(y=y, m=m, d=d, s=y % 100 or 1), "C", "date in numbers", ""


def _age(rng: Draw) -> Made:
    forms = {
        "GB": ["{a} years", "aged {a}", "{a} y.o.", "{a}yo", "{a}-year-old"],
        "DE": ["{a} Jahre", "{a} J.", "{a}-jährig", "Alter {a}"],
        "FR": ["{a} ans"],
        "ES": ["{a} años"],
        "IT": ["{a} anni"],
        "NL": ["{a} jaar"],
        "SE": ["{a} år"],
    }
    country = draw_one(rng, tuple(forms))
    return (
        draw_one(rng, forms[country]).format(a=int(rng.integers(90, 105))),
        "C",
        "age over 89",
        country,
    )


def _telephone(rng: Draw) -> Made:
    country = draw_one(rng, tuple(TELEPHONES))
    text = draw_one(rng, TELEPHONES[country]).format(
        a=draw_digits(rng, 2), b=draw_digits(rng, 3), c=draw_digits(rng, 2)
    )
    return text, "D", "telephone number", country


def _fax(rng: Draw) -> Made:
    word = draw_one(rng, ("Fax", "fax:", "Telefax", "FAX no."))
    return f"{word} 030 23125{draw_digits(rng, 3)}", "E", "fax number", "DE"


def _mail(rng: Draw) -> Made:
    country = draw_one(rng, tuple(GIVEN))
    who = draw_one(rng, ("k.quill", "penhollow_m", "r-castro", "tann.hofer", "info+hip", "QUILL.K"))
    form = draw_one(
        rng,
        (
            "{w}{n}@example.org",
            "{w}{n}@mail.example.com",
            "{w}{n} (at) example.org",
            "<{w}{n}@example.net>",
            "{w}{n}[at]example.org",
            "{w}{n}@klinik.example",
        ),
    )
    return form.format(w=who, n=int(rng.integers(1, 99))), "F", "e-mail address", country


def _web(rng: Draw) -> Made:
    form = draw_one(
        rng,
        (
            "https://example.org/p/{n}",
            "www.example.com/{n}",
            "http://192.0.2.7/{n}",
            "example.net/people/{n}",
            "ftp://files.example.org/{n}",
            "profile.example.org",
            "HTTPS://EXAMPLE.ORG/{n}",
        ),
    )
    return form.format(n=int(rng.integers(1, 9999))), "N", "web address", ""


def _network(rng: Draw) -> Made:
    n = int(rng.integers(1, 255))
    form = draw_one(
        rng,
        (
            "192.0.2.{n}",
            "198.51.100.{n}",
            "203.0.113.{n}",
            "2001:db8::{n:x}",
            "2001:db8:0:0:0:0:0:{n:x}",
            "2001:DB8:A::{n:X}",
            "192.0.2.{n}:8080",
        ),
    )
    return form.format(n=n), "O", "network address", ""


def _print(rng: Draw) -> Made:
    form = draw_one(
        rng,
        (
            "fingerprint{n}.wsq",
            "voice_{n}.wav",
            "iris scan {n}",
            "left thumb fingerprint",
            "p{n}_voice.mp3",
            "voiceprint {n}",
            "face template {n}",
        ),
    )
    return form.format(n=int(rng.integers(1, 999))), "P", "biometric identifier", ""


def _picture(rng: Draw) -> Made:
    form = draw_one(
        rng,
        (
            "face{n}.jpg",
            "IMG_{n}.JPEG",
            "portrait-{n}.png",
            "scan/{n}.tiff",
            "pat{n}.heic",
            "data:image/png;base64,iVBOR",
        ),
    )
    return form.format(n=int(rng.integers(1, 999))), "Q", "photograph", ""


def _foreign_name(rng: Draw) -> Made:
    return draw_one(rng, OTHER_SCRIPTS), "A", "name in another script", ""


def _surname_among_codes(rng: Draw) -> Made:
    country = draw_one(rng, tuple(FAMILY))
    return (
        draw_one(rng, [f for f in FAMILY[country] if " " not in f]),
        "A",
        "single surname among codes",
        country,
    )


def _initials(rng: Draw) -> Made:
    letters = "ABDEFGHKLMPRST"
    return (
        draw_one(rng, tuple(letters)) + draw_one(rng, tuple(letters)),
        "A",
        "initials of a clinician",
        "",
    )


def _town_alone(rng: Draw) -> Made:
    towns = (
        "Quillmere",
        "Brackwater",
        "Tannhofen",
        "Ravignac",
        "Castromar",
        "Lagorosso",
        "Oosterweide",
        "Brzozogaj",
    )
    return draw_one(rng, towns), "B", "town among codes", ""


def _four_pairs(rng: Draw) -> Made:
    pairs = rng.integers(20, 60, 4)
    return " ".join(map(str, pairs)), "D", "telephone number that looks like readings", "DK"


KINDS: tuple[tuple[Callable[[Draw], Made], int, tuple[str, ...]], ...] = (
    (_name, 300, (*CODED, "angle", "patient", "clinician")),
    (_lone_name, 120, ("patient", "clinician")),
    (_foreign_name, 30, (*CODED, "patient")),
    (_surname_among_codes, 25, CODED),
    (_initials, 10, ("clinician",)),
    (_town_alone, 20, CODED),
    (_four_pairs, 2, NUMERIC),
    (_address, 180, (*CODED, "dose")),
    (_postcode, 100, (*CODED, "angle")),
    (_day, 220, (*CODED, *NUMERIC)),
    (_age, 60, (*CODED, "dose")),
    (_telephone, 220, (*CODED, *NUMERIC)),
    (_fax, 40, CODED),
    (_mail, 120, (*CODED, *NUMERIC, "patient", "clinician", "visit_date")),
    (_web, 80, (*CODED, "patient", "angle")),
    (_network, 80, (*CODED, "patient", "angle")),
    (_print, 50, CODED),
    (_picture, 50, (*CODED, "patient")),
)
"""What draws one, how many, and the fields of columns in which they hide."""
