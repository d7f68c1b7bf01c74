"""Places smaller than a state: street addresses, postcodes, ZIP codes (class B).

The name of a town alone looks like any other word and is found by its header only.
"""

import re

from pipeline.identifier.pattern import Pattern
from pipeline.identifier.trade_word import is_trade_word, words_of

RESTRICTED_ZIP_PREFIXES = words_of(
    "036 059 063 102 203 556 692 790 821 823 830 831 878 879 884 890 893"
)
"""First three digits of ZIP codes with 20,000 people or fewer, which have to become 000.

Source: guidance of the US Department of Health and Human Services on de-identification, from the
census of 2000; it asks for current figures where the Census Bureau publishes them.
"""

_ENGLISH = "street|st|str|road|rd|avenue|ave|lane|ln|drive|dr|court|ct|close|way|place|pl|square|sq|terrace|boulevard|blvd|crescent|cres|highway|hwy|parkway|pkwy|row|walk|grove|gardens|mews|hill|trail"
_BEFORE = "rue|avenue|av|allée|allee|chemin|quai|impasse|boulevard|bd|place|cours|calle|c/|avenida|avda|plaza|paseo|camino|ronda|carrer|via|viale|piazza|corso|vicolo|largo|strada|rua|travessa|praça|praca|estrada|ul|ulica|aleja|al|aleje|pl|os|plac|ulice|náměstí|chaussée|route"
_AFTER = "strasse|straße|str|weg|gasse|platz|allee|ring|damm|ufer|chaussee|steig|graben|straat|laan|plein|gracht|kade|dijk|singel|dreef|vej|veien|gade|gata|gatan|vägen|vagen|gate|allé|katu|tie|kuja|polku|utca|út|útja|veg"
_NUMBER = r"\d{1,4}\s?[a-zA-Z]?"

_UK_AREAS = words_of(
    """AB AL B BA BB BD BH BL BN BR BS BT CA CB CF CH CM CO CR CT CV CW DA DD DE DG DH DL DN DT DY E EC EH EN EX FK FY G GL
    GU GY HA HD HG HP HR HS HU HX IG IM IP IV JE KA KT KW KY L LA LD LE LL LN LS LU M ME MK ML N NE NG NN NP NR NW OL OX PA PE
    PH PL PO PR RG RH RM S SA SE SG SK SL SM SN SO SP SR SS ST SW SY TA TD TF TN TQ TR TS TW UB W WA WC WD WF WN WR WS WV YO
    ZE ZZ"""
)
"""Postcode areas of the United Kingdom, from memory; ZZ stands for made-up ones."""
_STATES = "AL|AK|AZ|AR|CA|CO|CT|DE|FL|GA|HI|ID|IL|IN|IA|KS|KY|LA|ME|MD|MA|MI|MN|MS|MO|MT|NE|NV|NH|NJ|NM|NY|NC|ND|OH|OK|OR|PA|RI|SC|SD|TN|TX|UT|VT|VA|WA|WV|WI|WY|DC|PR"


def unsafe_zip(text: str) -> bool:
    """Say whether a ZIP code tells more than the rule allows.

    Parameters
    ----------
    text : str
        A cell of a column of ZIP codes.

    Returns
    -------
    bool
        False for three digits whose area is not restricted, and for 000; a code that lost its
        leading zeros by being read as a number is judged with them.

    Examples
    --------
    >>> unsafe_zip("100"), unsafe_zip("000"), unsafe_zip("036"), unsafe_zip("36"), unsafe_zip("10001")
    (False, False, True, True, True)
    """
    plain = text.strip()
    if not re.fullmatch(r"\d{1,3}", plain):
        return True
    return plain.zfill(3) in RESTRICTED_ZIP_PREFIXES


def _no_trade(text: str) -> bool:
    """Say whether a word of four letters and more is none of the trade."""
    return any(not is_trade_word(word) for word in re.findall(r"[^\W\d_]{3,}", text))


def _all_foreign(text: str) -> bool:
    """Say whether no word of three letters and more is one of the trade."""
    return not any(is_trade_word(word) for word in re.findall(r"[^\W\d_]{3,}", text))


def _is_dutch_postcode(text: str) -> bool:
    """Say whether two letters behind four digits are no abbreviation of the trade, or a town follows."""
    alone = re.fullmatch(r"\d{4}\s([A-Z]{2})", text.strip())
    return _no_trade(text) if alone is None else not is_trade_word(alone[1])


def _is_uk_postcode(text: str) -> bool:
    found = re.findall(r"(?i)\b([A-Z]{1,2})\d[A-Z\d]?\s?\d[ABD-HJLNP-UW-Z]{2}\b", text)
    return any(area.upper() in _UK_AREAS for area in found)


PLACES = (
    Pattern(
        "a street address",
        "B",
        rf"(?i:(^|[\s,;:])\d{{1,5}}[a-z]?,?\s+(\p{{L}}[\p{{L}}.'’-]*\s+){{1,3}}({_ENGLISH})\b\.?)",
        _no_trade,
    ),
    Pattern(
        "a street address",
        "B",
        rf"(?i:(^|[\s,;:])\d{{1,4}}\s?(bis|ter)?,?\s+({_BEFORE})\.?\s+(\p{{L}}[\p{{L}}.'’-]*[\s,]*){{1,5}})|(?i:(^|[\s,;:])({_BEFORE})\.?\s*(\p{{L}}[\p{{L}}.'’-]*[\s,]+){{1,5}}(n[º°.]?\s*)?\d{{1,4}})",
        _no_trade,
    ),
    Pattern(
        "a street address",
        "B",
        rf"(?i:\p{{L}}{{3,}}[\s-]?({_AFTER})\.?,?\s*{_NUMBER}($|[\s,;/-]))",
        _no_trade,
    ),
    Pattern(
        "a street address",
        "B",
        r"(?i:\b(am|an der|auf dem|im|zum|zur|unter den|bei der)\s+\p{L}{4,}\s+\d{1,4}\s?[a-z]?($|[,;]))",
        _no_trade,
    ),
    Pattern(
        "a street address",
        "B",
        r"(?i:\b(p\.?\s?o\.?\s?box|postfach|postbus|boîte postale|apartado|casella postale|skrytka pocztowa|postboks)\s*\d+)",
    ),
    Pattern(
        "a postcode",
        "B",
        r"(?i:(^|[\s,])[A-Z]{1,2}\d[A-Z\d]?\s?\d[ABD-HJLNP-UW-Z]{2}($|[\s,]))",
        _is_uk_postcode,
    ),
    Pattern(
        "a postcode",
        "B",
        r"(?i:(^|[\s,])[ABCEGHJ-NPRSTVXY]\d[ABCEGHJ-NPRSTV-Z][ -]?\d[ABCEGHJ-NPRSTV-Z]\d($|[\s,]))",
    ),
    Pattern("a postcode", "B", r"(^|[\s,])\d{5}-\d{3,4}($|[\s,])|^\s*\d{4}-\d{3}\s*$"),
    Pattern("a postcode", "B", rf"\b({_STATES}),?\s+\d{{5}}\b"),
    Pattern(
        "a postcode",
        "B",
        r"(?i:\b(zip|plz|postcode|postal code|code postal|cap|cp)[:\s.]+\w{2,4}[ -]?\w{2,5}\b)",
        lambda t: any(c.isdigit() for c in t),
    ),
    Pattern(
        "a postcode",
        "B",
        r"\b(D|A|CH|F|DE|AT|FR|IT|ES|BE|NL|DK|SE|FIN|PL|CZ|B|I|H|HR|SK|RO|PT)-\d{4,6}\b",
    ),
    Pattern(
        "a postcode",
        "B",
        r"^\s*[1-9]\d{3}\s[A-Z]{2}\s*$|[1-9]\d{3}\s?[A-Z]{2},?\s+\p{Lu}\p{Ll}{2,}",
        _is_dutch_postcode,
    ),
    Pattern(
        "a postcode with its town",
        "B",
        r"(^|[\s,;])(\d{4,6}|\d{2}-\d{3}|\d{3} \d{2}|\d{4}-\d{3})\s+(\p{L}{1,2}\.\s*)?\p{L}[\p{L}'’-]{2,}",
        _no_trade,
    ),
    Pattern(
        "a word with a house number",
        "B",
        r"^\s*(\p{L}{1,3}\.\s+)?\p{L}{5,}([\s-]\p{L}+){0,3},?\s+\d{1,4}\s?[a-zA-Z]?([/-]\d{1,4})?\s*$",
        _all_foreign,
    ),
)
"""Addresses and postcodes; the last is the writing of many countries, without any word for a street."""
