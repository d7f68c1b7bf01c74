"""Numbers of persons, accounts, cards, vehicles and devices, by shape and check digit.

Check digits of national numbers are those of python-stdnum; what it lacks is here. An arbitrary
number passes a check digit one time in ten or so: ``Pattern.chance`` says how often.
"""

import re
from collections.abc import Callable
from importlib import import_module

from stdnum import iban, imei, luhn

from pipeline.identifier.contact import could_be_readings
from pipeline.identifier.pattern import Pattern
from pipeline.identifier.trade_word import is_trade_word

_SEPARATORS = str.maketrans("", "", " -./\N{NO-BREAK SPACE}")


def compact(text: str) -> str:
    """Remove the separators of a number.

    Parameters
    ----------
    text : str
        A number with spaces, hyphens, points or strokes.

    Returns
    -------
    str
        Letters, in capitals, and digits.

    Examples
    --------
    >>> compact("943 476-5919")
    '9434765919'
    """
    return text.strip().translate(_SEPARATORS).upper()


def holds_vin(text: str) -> bool:
    """Check the check digit of a vehicle identification number.

    Parameters
    ----------
    text : str
        Seventeen letters and digits.

    Returns
    -------
    bool
        Whether the ninth is the check digit of 49 CFR 565.15, which North America requires of the
        numbers of ISO 3779.

    References
    ----------
    49 CFR 565.15, tables III to V.

    Examples
    --------
    >>> holds_vin("1M8GDM9AXKP042788"), holds_vin("1M8GDM9A1KP042788")
    (True, False)
    """
    values = dict(zip("ABCDEFGHJKLMNPRSTUVWXYZ", map(int, "12345678123457923456789"), strict=True))
    weights = (8, 7, 6, 5, 4, 3, 2, 10, 0, 9, 8, 7, 6, 5, 4, 3, 2)
    plain = compact(text)
    if not re.fullmatch(r"[A-HJ-NPR-Z0-9]{17}", plain):
        return False
    total = sum(
        w * (int(c) if c.isdigit() else values[c]) for w, c in zip(weights, plain, strict=True)
    )
    return plain[8] == "0123456789X"[total % 11]


def holds_health_insurance_de(text: str) -> bool:
    """Check a German health insurance number: one letter, nine digits, the last the check digit.

    Parameters
    ----------
    text : str
        The number.

    Returns
    -------
    bool
        Whether the digit is that of annex 1 to the rule for § 290 SGB V (from memory).

    Examples
    --------
    >>> holds_health_insurance_de("A123456780"), holds_health_insurance_de("A123456781")
    (True, False)
    """
    plain = compact(text)
    digits = f"{ord(plain[0]) - 64:02d}{plain[1:9]}"
    products = (int(digit) * (1 + place % 2) for place, digit in enumerate(digits))
    return sum(p // 10 + p % 10 for p in products) % 10 == int(plain[9])


def holds_pension_insurance_de(text: str) -> bool:
    """Check a German pension insurance number: area, day of birth, letter, serial, check digit.

    Parameters
    ----------
    text : str
        The number.

    Returns
    -------
    bool
        Whether day, month and check digit of § 2 VKVV (from memory) fit.

    Examples
    --------
    >>> holds_pension_insurance_de("65 170839 J 003"), holds_pension_insurance_de("65170839J004")
    (True, False)
    """
    plain = compact(text)
    digits = f"{plain[:8]}{ord(plain[8]) - 64:02d}{plain[9:11]}"
    weights = (2, 1, 2, 5, 7, 1, 2, 1, 2, 1, 2, 1)
    products = (int(d) * w for d, w in zip(digits, weights, strict=True))
    is_day = 1 <= int(plain[2:4]) <= 81 and 1 <= int(plain[4:6]) <= 12
    return is_day and sum(p // 10 + p % 10 for p in products) % 10 == int(plain[11])


def holds_medicare_au(text: str) -> bool:
    """Check an Australian Medicare card number.

    Parameters
    ----------
    text : str
        Ten or eleven digits.

    Returns
    -------
    bool
        Whether the ninth is the check digit of the first eight (weights 1 3 7 9; from memory).

    Examples
    --------
    >>> holds_medicare_au("2123 45670 1"), holds_medicare_au("2123 45671 1")
    (True, False)
    """
    plain = compact(text)
    total = sum(int(d) * w for d, w in zip(plain[:8], (1, 3, 7, 9) * 2, strict=True))
    return plain[0] in "23456" and total % 10 == int(plain[8])


def _standard(module: str) -> Callable[[str], bool]:
    """Give the check of a module of python-stdnum, which is imported when first needed."""
    return lambda text: bool(import_module(f"stdnum.{module}").is_valid(text.strip()))


def _is_danish(text: str) -> bool:
    """Check day and check digit; numbers given since 2007 may have none and are not found."""
    cpr = import_module("stdnum.dk.cpr")
    return bool(cpr.is_valid(text)) and cpr.checksum(compact(text)) == 0


def _is_social_security(text: str) -> bool:
    return _standard("us.ssn")(text.strip()) or _standard("us.itin")(text.strip())


def _is_card(text: str) -> bool:
    plain = compact(text)
    return plain[0] in "23456" and luhn.is_valid(plain)


def _is_long(text: str) -> bool:
    """Tell one long number from a list of readings; decimals have at most six digits before the mark."""
    return not could_be_readings(text) and not re.fullmatch(r"\d{1,6}\.\d+", text.strip())


def _is_mixed(text: str) -> bool:
    """Find a token of letters and digits in turn, as serial numbers are, that no notation writes."""
    for token in re.findall(r"[A-Za-z0-9]{8,}", text):
        letters = re.findall(r"[A-Za-z]+", token)
        runs = len(re.findall(r"[A-Za-z]+|\d+", token))
        n_digits = sum(c.isdigit() for c in token)
        if (
            n_digits >= 3
            and runs >= 3
            and not all(is_trade_word(run) for run in letters if len(run) > 1)
        ):
            return True
        if n_digits >= 3 and runs >= 5 and sum(len(run) == 1 for run in letters) >= 3:
            return True
    return False


def _is_plate(text: str) -> bool:
    """Say whether a group of letters of a plate's form is no abbreviation of the trade."""
    groups = re.findall(r"[^\W\d_]{2,}", text)
    return bool(groups) and not any(is_trade_word(group) for group in groups)


_PERSON = "a national person number"
_TEN = 1 / 10
"""Chance of a check digit mod 10. That a day of birth fits as well is not counted: the person numbers of
a clinic may begin with a day too."""

_NATIONAL: tuple[tuple[str, str, str, float], ...] = (
    ("gb.nhs", "United Kingdom, NHS", r"\d{3}[ -]?\d{3}[ -]?\d{4}", 1 / 11),
    ("de.idnr", "Germany, tax", r"\d{2}[ ]?\d{3}[ ]?\d{3}[ ]?\d{3}", _TEN),
    ("at.vnr", "Austria", r"\d{4}[ -]?\d{6}", _TEN),
    ("ch.ssn", "Switzerland", r"756\.?\d{4}\.?\d{4}\.?\d{2}", _TEN),
    ("fr.nir", "France", r"[12] ?\d{2} ?\d{2} ?(\d{2}|2[ABab]) ?\d{3} ?\d{3} ?\d{2}", 1 / 97),
    ("be.nn", "Belgium", r"\d{2}[. ]?\d{2}[. ]?\d{2}[- ]?\d{3}[. ]?\d{2}", 1 / 97),
    ("nl.bsn", "Netherlands", r"\d{3}[. ]?\d{3}[. ]?\d{3}|\d{4}[. ]\d{2}[. ]\d{3}", 1 / 11),
    ("es.dni", "Spain", r"\d{2}\.?\d{3}\.?\d{3}[ -]?[A-Za-z]", 1 / 23),
    ("es.nie", "Spain, foreigners", r"[XYZxyz][ -]?\d{7}[ -]?[A-Za-z]", 1 / 23),
    (
        "it.codicefiscale",
        "Italy",
        r"[A-Za-z]{3} ?[A-Za-z]{3} ?\d{2}[A-Za-z]\d{2} ?[A-Za-z]\d{3}[A-Za-z]",
        0.0,
    ),
    ("pt.nif", "Portugal", r"\d{3} ?\d{3} ?\d{3}", 1 / 11),
    ("se.personnummer", "Sweden", r"(\d{2})?\d{6}[-+]?\d{4}", _TEN),
    ("no.fodselsnummer", "Norway", r"\d{6}[ -]?\d{5}", _TEN),
    ("fi.hetu", "Finland", r"\d{6}[-+A-FU-Ya-fu-y]\d{3}[0-9A-Ya-y]", 1 / 31),
    ("is_.kennitala", "Iceland", r"\d{6}[ -]?\d{4}", _TEN),
    ("pl.pesel", "Poland", r"\d{11}", _TEN),
    ("cz.rc", "Czechia and Slovakia", r"\d{6}/?\d{4}", 1 / 11),
    ("ro.cnp", "Romania", r"[1-9]\d{12}", _TEN),
    ("bg.egn", "Bulgaria", r"\d{10}", _TEN),
    ("hr.oib", "Croatia", r"\d{11}", _TEN),
    ("ee.ik", "Estonia and Lithuania", r"[1-8]\d{10}", _TEN),
    ("lv.pvn", "Latvia", r"\d{6}-?\d{5}", _TEN),
    ("tr.tckimlik", "Turkey", r"[1-9]\d{10}", 1 / 100),
    ("ie.pps", "Ireland", r"\d{7}[A-Wa-w][A-IWa-iw]?", 1 / 23),
    ("il.idnr", "Israel", r"\d{9}", _TEN),
    ("za.idnr", "South Africa", r"\d{6} ?\d{4} ?\d{3}", _TEN),
    ("ca.sin", "Canada", r"\d{3}[ -]?\d{3}[ -]?\d{3}", _TEN),
    ("au.tfn", "Australia, tax", r"\d{3} ?\d{3} ?\d{3}", 1 / 11),
    ("nz.ird", "New Zealand, tax", r"\d{2,3}-?\d{3}-?\d{3}", 1 / 11),
    ("br.cpf", "Brazil", r"\d{3}\.?\d{3}\.?\d{3}-?\d{2}", 1 / 100),
    ("cl.rut", "Chile", r"\d{1,2}\.?\d{3}\.?\d{3}-[\dKk]", 1 / 11),
    ("mx.curp", "Mexico", r"[A-Za-z]{4}\d{6}[HMhm][A-Za-z]{5}[0-9A-Za-z]\d", 0.0),
    ("in_.aadhaar", "India", r"[2-9]\d{3}[ -]?\d{4}[ -]?\d{4}", _TEN),
    ("cn.ric", "China", r"\d{17}[\dXx]", 1 / 11),
    ("kr.rrn", "Korea", r"\d{6}-?\d{7}", _TEN),
)

SCHEMES = (
    *(
        Pattern(f"{_PERSON} ({place})", "G", rf"^\s*(?:{shape})\s*$", _standard(module), chance)
        for module, place, shape, chance in _NATIONAL
    ),
    Pattern(f"{_PERSON} (Denmark)", "G", r"^\s*\d{6}[ -]?\d{4}\s*$", _is_danish, 1 / 11),
    Pattern(
        "a Medicare number (Australia)",
        "I",
        r"^\s*[2-6]\d{3} ?\d{5} ?\d( ?\d)?\s*$",
        holds_medicare_au,
        _TEN,
    ),
    Pattern(
        "a health insurance number (Germany)",
        "I",
        r"^\s*[A-Za-z]\d{9}\s*$",
        holds_health_insurance_de,
        _TEN,
    ),
    Pattern(
        "a device number (IMEI)",
        "M",
        r"^\s*\d{2}[ -]?\d{6}[ -]?\d{6}[ -]?\d\s*$",
        imei.is_valid,
        _TEN,
    ),
    Pattern(
        "a payment card number",
        "J",
        r"^\s*[2-6]\d{3}([ -]?\d{4}){2}[ -]?\d{1,7}\s*$|^\s*3[47]\d{2}[ -]?\d{6}[ -]?\d{5}\s*$",
        _is_card,
        _TEN,
    ),
)
"""Numbers with a check digit."""

UNMISTAKABLE = (
    Pattern(
        "a social security number",
        "G",
        r"(^|[^\d-])\d{3}-\d{2}-\d{4}($|[^\d-])",
        lambda text: any(map(_is_social_security, re.findall(r"\d{3}-\d{2}-\d{4}", text))),
    ),
    Pattern(
        "a national insurance number (United Kingdom)",
        "G",
        r"(?i:(^|[^\p{L}\d])[A-CEGHJ-PR-TW-Z][A-CEGHJ-NPR-TW-Z] ?\d{2} ?\d{2} ?\d{2} ?[A-D]($|[^\p{L}\d]))",
    ),
    Pattern(
        "a pension insurance number (Germany)",
        "G",
        r"^\s*\d{2} ?\d{6} ?[A-Za-z] ?\d{3}\s*$",
        holds_pension_insurance_de,
    ),
    Pattern(
        "an account number (IBAN)",
        "J",
        r"(?i:^\s*[A-Z]{2}\d{2} ?([0-9A-Z]{4} ?){2,7}[0-9A-Z]{0,4}\s*$)",
        lambda text: iban.is_valid(text, check_country=False),
    ),
    Pattern(
        "a vehicle number (VIN)",
        "L",
        r"(?i:^\s*[A-HJ-NPR-Z0-9]{8}[0-9X][A-HJ-NPR-Z0-9]{8}\s*$)",
        lambda text: holds_vin(text) and re.search(r"[A-Za-z]{2}", text) is not None,
    ),
)
"""One value is enough, in columns of person numbers as well."""

LONG_NUMBERS = (
    Pattern(
        "a number of nine digits and more",
        "R",
        r"^\s*\d([\d\s./-]){7,}\d\s*$",
        lambda text: _is_long(text) and sum(c.isdigit() for c in text) >= 9,
    ),
    Pattern("a number of seven digits and more", "R", r"(^|[^\d.,])\d{7,}($|[^\d.,])"),
    Pattern(
        "a code with a long number",
        "R",
        r"(?i:\p{L}{2,}[\s_.:#/-]{0,2}(no|nr)?[.:]?\s?\d{5,}|\d{3,}[-/ ]\d{3,}[-/ ]\d{4,}|\d{4,}[-/]\d{5,}|\d{5,}[-/]\d{4,}|(^|[\s_-])\p{L}[-_ ]?\d{6,})",
    ),
    Pattern("a code with a long number", "R", r"\d{3,}[-/ ]\d{3,}[-/ ]\d{3,}", _is_long),
    Pattern("a code of letters and digits", "R", r"(?i:[a-z0-9]{8,})", _is_mixed),
    Pattern(
        "a number plate",
        "L",
        r"(?i:\b(reg|plate|kennz|kennzeichen|kfz|plaque|targa|matr[ií]cula|kenteken)\b\.?:?\s*[\p{L}\d][\p{L}\d\s-]{3,9}\d)|^\s*\p{Lu}{1,3}-\p{Lu}{1,2} ?\d{2,4}[EH]?\s*$|^\s*\p{Lu}{2}-\d{3}-\p{Lu}{2}\s*$",
    ),
    Pattern(
        "a number plate",
        "L",
        r"^\s*(\p{Lu}{1,3}-\p{Lu}{1,2}-\d{1,4}|\d{1,3}-\p{Lu}{2,4}-\d{1,2}|\p{Lu}{2}-\d{2}-\d{2}|\p{Lu}{1,2}-\d{2,3}-\p{Lu}{3}|\d{4} \p{Lu}{3}|\p{Lu}{2}\d{3}\p{Lu}{2}|\p{Lu}{2}\d{2} \p{Lu}{3}|\p{Lu} \d{4} \p{Lu}{2})\s*$",
        _is_plate,
    ),
    Pattern(
        "a number named as one of a person",
        "R",
        r"(?i:\b(mrn|ssn|nhs|pid|dossier|fall(nr|nummer)?|policy|pol|konto|account|acct|licen[cs]e|lic|serial|s/n|sn|npi|lanr|member|insurance|vers|passport|reisepass|id)\b\.?\s?(no|nr)?[.:#]*\s*[\p{L}\d-]*\d{4,})",
    ),
)
"""Long numbers: no measurement is written so, but person and visit numbers may be."""
