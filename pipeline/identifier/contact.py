"""Telephone and fax numbers, e-mail, web and network addresses, and files of pictures and prints."""

import ipaddress
import re

from pipeline.identifier.pattern import Pattern

_DAY = re.compile(r"(?:19|20)\d\d[./-]\d{1,2}[./-]\d{1,2}|\d{1,2}[./-]\d{1,2}[./-](?:19|20)\d\d")
_DIGITS = re.compile(r"\d+")
_NUMBER = re.compile(r"\d+(?:\.\d+)?")

LARGEST_READING = 360
"""No angle, count or time in seconds that a cell lists is larger; common practice, no source."""


def could_be_readings(text: str) -> bool:
    """Say whether a cell of digits may be several measurements instead of one long number.

    Parameters
    ----------
    text : str
        Digits with separators.

    Returns
    -------
    bool
        True where it falls into at least two numbers that a goniometer or a watch may show, none
        with a leading zero.

    Examples
    --------
    >>> could_be_readings("120-0-20"), could_be_readings("046 454 286"), could_be_readings("120120120")
    (True, False, False)
    """
    numbers = _NUMBER.findall(text)
    return len(numbers) > 1 and all(
        (number[0] != "0" or number == "0" or number.startswith("0."))
        and float(number) <= LARGEST_READING
        for number in numbers
    )


def _is_telephone(text: str) -> bool:
    """Count the digits, 7 to 15 (ITU-T E.164), and leave days and readings alone."""
    plain = _DAY.sub(" ", text)
    n_digits = sum(character.isdigit() for character in plain)
    return n_digits >= 7 and not could_be_readings(plain)


def _is_international(text: str) -> bool:
    """Count the digits behind a plus, and leave days and offsets of time alone."""
    pieces = re.findall(r"\+\s?\(?\d[\d\s()/.-]{6,}\d", _DAY.sub(" ", text))
    return any(8 <= sum(c.isdigit() for c in piece) <= 16 for piece in pieces)


def _is_national(text: str) -> bool:
    """Trunk zero: at least nine digits in one piece, no number of a year among the groups."""
    for piece in re.findall(r"(?<![\w.,-])\(?0[\d\s()/.-]{7,}\d(?!\w)", _DAY.sub(" ", text)):
        groups = _DIGITS.findall(piece)
        years = any(re.fullmatch(r"(?:19|20)\d\d", group) for group in groups)
        if 9 <= sum(map(len, groups)) <= 15 and not years:
            return True
    return False


def _is_network_address(text: str) -> bool:
    pieces = re.findall(r"(?<![\d.])(?:\d{1,3}\.){3}\d{1,3}(?![\d.])", text)
    for piece in pieces + re.findall(r"[0-9A-Fa-f:]{3,45}[0-9A-Fa-f:.]*", text):
        try:
            ipaddress.ip_address(piece.strip("."))
        except ValueError:
            continue
        return True
    return False


_GAP = r"[\s./-]?"
_CONTEXT = r"(?i:\b(tel|tél|teléf|telefon|telefono|phone|fon|ph|mobile?|mob|handy|cell|puh|tlf|tfno|gsm|call|ring)\b\.?:?\s*[+(]?\d[\d\s()/.-]{4,}\d)"

UNMISTAKABLE = (
    Pattern(
        "an e-mail address",
        "F",
        r"(?i:[\w.+'-]+\s?(@|\(at\)|\[at\]|\{at\}|\sat\s)\s?[\w-]+(\s?(\.|\(dot\)|\[dot\]|\sdot\s)\s?[\w-]+)*\s?(\.|\(dot\)|\[dot\]|\sdot\s)\s?\p{L}{2,})",
    ),
    Pattern(
        "a web address",
        "N",
        r"(?i:\b(https?|ftp|file)://\S+|\bwww\.\S+|\b[\w-]{3,}(\.[\w-]+)*\.(com|org|net|edu|gov|info|example|test|invalid)\b|\b[\w-]{3,}\.[a-z]{2}/\S+)",
    ),
    Pattern(
        "a network address",
        "O",
        r"(^|[^\d.])\d{1,3}\.\d{1,3}\.\d{1,3}\.\d{1,3}($|[^\d.])|(?i:[0-9a-f]{1,4}:){7}|(?i:[0-9a-f]{1,4}::?[0-9a-f:]*)::?|::",
        _is_network_address,
    ),
    Pattern(
        "a hardware address",
        "M",
        r"(?i:\b([0-9a-f]{2}:){5}[0-9a-f]{2}\b|\b([0-9a-f]{2}-){5}[0-9a-f]{2}\b|\b([0-9a-f]{4}\.){2}[0-9a-f]{4}\b)",
        lambda text: ":" in text or re.search(r"[A-Fa-f]", text) is not None,
    ),
    Pattern(
        "a fax number",
        "E",
        r"(?i:\b(tele)?(fax|faks)\b\.?(\s?(no|nr))?\.?:?\s*[+(]?\d[\d\s()/.-]{4,}\d)",
    ),
    Pattern("a telephone number", "D", _CONTEXT, _is_telephone),
    Pattern("a telephone number", "D", r"(^|[^\d])\+\s?\(?\d[\d\s()/.-]{6,}\d", _is_international),
    Pattern(
        "a telephone number",
        "D",
        r"(^|[^\p{L}\d.,-])(\+?1[ .-]?)?(\([2-9]\d{2}\)[ .-]?|[2-9]\d{2}[ .-])[2-9]\d{2}[ .-]\d{4}($|[^\d\p{L}-]|\s?(x|ext\.?)\s?\d)|(^|[^\d])\(\d{3}\)[ .-]{0,2}\d{3}[ .-]\d{4}($|[^\d])",
    ),
    Pattern(
        "a telephone number",
        "D",
        r"(^|[^\p{L}\d.,-])(\(0[1-9]\d{0,4}\)|0[1-9]\d{0,4})[\s/.-]+[\d\s()/.-]{3,}\d|(^|[^\p{L}\d.,-])00[1-9]\d{0,2}[\s/.-][\d\s()/.-]{5,}\d",
        _is_national,
    ),
    Pattern(
        "a telephone number",
        "D",
        r"(^|\s)\(\d{2,5}\)[\s/.-]{0,2}\d{2,}([\s.-]\d{2,}){1,4}\s*$",
        lambda text: sum(c.isdigit() for c in text) >= 8 and not could_be_readings(text),
    ),
    Pattern(
        "a picture of a person",
        "Q",
        r"(?i:\.(jpe?g|png|tiff?|bmp|heic|heif|gif|webp|raw|dcm)\b|\bdata:image/)",
    ),
    Pattern(
        "a biometric record",
        "P",
        r"(?i:\.(wsq|wav|mp3|m4a|ogg|flac|iso19794|fmr|irs|ansi378|eeg)\b|\b(finger|voice|palm)[ _-]?prints?\b|\biris[ _-]?(scan|code)\b|\bretina[ _-]?scan\b|\bface[ _-]?(template|embedding|id)\b)",
    ),
)
"""Unmistakable wherever they stand, in columns of person numbers as well."""

NATIONAL_GROUPS = (
    Pattern(
        "a telephone number",
        "D",
        r"^\s*\d{3}[ .-]\d{4}\s*$",
        lambda text: not could_be_readings(text),
    ),
    Pattern(
        "a telephone number",
        "D",
        rf"^\s*[5-9]\d{{2}}[ .-]\d{{3}}[ .-]\d{{3}}\s*$|^\s*[5-9]\d{{2}}([ .-]\d{{2}}){{3}}\s*$|^\s*9\d[ .-]\d{{3}}([ .-]\d{{2}}){{2}}\s*$|^\s*[49]\d{{2}}[ .-]\d{{2}}[ .-]\d{{3}}\s*$|^\s*0\d{{1,4}}({_GAP}\d{{2}}){{3,5}}\s*$",
    ),
    Pattern("a telephone number", "D", r"^\s*\d{4}[ .-]\d{4}\s*$|^\s*0\d{8,14}\s*$"),
)
"""Telephone numbers without trunk or country code; a person or visit number may look so as well."""

FOUR_PAIRS_AT_ODDS = Pattern(
    "a telephone number",
    "D",
    r"^\s*[2-9]\d( \d{2}){3}\s*$",
    lambda text: not could_be_readings(text),
)
"""Danish and Norwegian writing where one of the pairs begins with a nought: no reading does."""

FOUR_PAIRS = Pattern("a telephone number", "D", r"^\s*[2-9]\d( \d{2}){3}\s*$")
"""Danish and Norwegian writing; four readings look so too, so it counts only where none are held."""
