"""Days and months outside date columns, and ages over 89: all but the year (class C)."""

import re

from pipeline.identifier.pattern import Pattern
from pipeline.identifier.trade_word import words_of

_MONTHS = words_of("""
january february march april june july august september october november december
januar jänner februar feber märz maerz mai juni juli oktober dezember
janvier février fevrier mars avril juin juillet août aout septembre octobre novembre décembre decembre
enero febrero marzo abril mayo junio julio agosto septiembre setiembre octubre noviembre diciembre
gennaio febbraio aprile maggio giugno luglio settembre ottobre dicembre
januari februari maart mei augustus
janeiro fevereiro março marco maio junho julho setembro outubro novembro dezembro
marts maj desember augusti
tammikuuta helmikuuta maaliskuuta huhtikuuta toukokuuta kesäkuuta heinäkuuta elokuuta syyskuuta lokakuuta
marraskuuta joulukuuta tammikuu helmikuu maaliskuu huhtikuu toukokuu kesäkuu heinäkuu elokuu syyskuu lokakuu
marraskuu joulukuu
stycznia lutego marca kwietnia czerwca lipca sierpnia września wrzesnia października pazdziernika listopada grudnia
ledna února března dubna května června července srpna září října listopadu prosince
""")
_SHORT = words_of("""jan feb mar mär mrz mär apr may mai maj jun jul aug sep sept oct okt nov dec déc dez des
janv févr fevr avr juil ene abr dic fev mag giu lug ott gen out mrt""")
_AMBIGUOUS = {"mai", "mars", "may", "marco", "mei", "march", "marts", "mag", "gen", "out", "mar"}
"""Words of other meanings: they count only beside a number of a day and of a year."""

_LONG_WORD = "|".join(sorted(_MONTHS - _AMBIGUOUS, key=lambda word: (-len(word), word)))
_ANY_WORD = "|".join(sorted({*_MONTHS, *_SHORT, *_AMBIGUOUS}, key=lambda word: (-len(word), word)))
_DAY = r"(0?[1-9]|[12]\d|3[01])(\.|st|nd|rd|th|º|°|er)?"
_YEAR = r"'?((19|20)\d{2}|\d{2})"
_OF = r"\s*(de\s+|of\s+|del\s+|-|/|\.)?\s*"

_NUMERIC = re.compile(
    r"(?<![\d.,])(?:(\d{1,2})\s?([./-])\s?(\d{1,2})\s?\2\s?(\d{4}|\d{2})|((?:19|20)\d{2})\s?([./-])\s?(\d{1,2})\s?\6\s?(\d{1,2}))(?![\d])"
)
_COMPACT = re.compile(r"(?<!\d)(\d{4})(\d{2})(\d{2})(?!\d)|(?<!\d)(\d{2})(\d{2})(\d{4})(?!\d)")


def _fits(day: int, month: int) -> bool:
    """Say whether two numbers can be a day and a month in either order."""
    return (1 <= day <= 31 and 1 <= month <= 12) or (1 <= month <= 31 and 1 <= day <= 12)


def _is_day(text: str) -> bool:
    """Find a day written in numbers; the three of a neutral-zero notation hold a nought."""
    for first, mark, second, year, iso_year, _, third, fourth in _NUMERIC.findall(text):
        if iso_year:
            if _fits(int(third), int(fourth)):
                return True
        elif _fits(int(first), int(second)) and (len(year) == 4 or mark != "-" or int(year) > 0):
            return True
    return False


def _is_compact_day(text: str) -> bool:
    for year, month, day, day2, month2, year2 in _COMPACT.findall(text):
        found = (year, month, day) if year and 1900 <= int(year) <= 2099 else (year2, month2, day2)
        if not found[0] and year:  # eight digits that are no year first: day, month, year
            found = (year[2:] and month + day, year[2:], year[:2])
        if found[0] and 1900 <= int(found[0]) <= 2099 and _fits(int(found[2]), int(found[1])):
            return True
    return False


DAYS = (
    Pattern(
        "a date outside a date column",
        "C",
        r"\d{1,4}\s?[./-]\s?\d{1,2}\s?[./-]\s?\d{2,4}",
        _is_day,
    ),
    Pattern(
        "a date outside a date column",
        "C",
        rf"(?i:(^|[^\p{{L}}\d]){_DAY}{_OF}({_ANY_WORD})\.?,?{_OF}{_YEAR}($|[^\p{{L}}\d])|(^|[^\p{{L}}])({_ANY_WORD})\.?\s*{_DAY},?\s+(19|20)\d{{2}}|(^|[^\p{{L}}])({_ANY_WORD})\.?,?{_OF}(19|20)\d{{2}}($|\D)|(19|20)\d{{2}}[\s.-]+({_ANY_WORD})($|[^\p{{L}}])|(^|[^\p{{L}}\d]){_DAY}{_OF}({_LONG_WORD})($|[^\p{{L}}])|(^|[^\p{{L}}])({_LONG_WORD})\s+{_DAY}($|[^\p{{L}}\d]))",
    ),
    Pattern(
        "a date outside a date column",
        "C",
        r"^\s*((19|20)\d{2}[-/](0[1-9]|1[0-2])|(0?[1-9]|1[0-2])/(19|20)\d{2}|0[1-9][.-](19|20)\d{2}|1[0-2]-(19|20)\d{2})\s*$|(19|20)\d{2}年|(?i:\b(kw|week|woche|vecka|uke|semaine|semana|v)\.?\s?\d{1,2}\s?[/ -]\s?(19|20)\d{2}\b)",
    ),
)
"""Days and months in numbers and words."""

COMPACT_DAY = Pattern(
    "a date outside a date column",
    "C",
    r"(^|\D)\d{8}($|\D)|(^|\D)(19|20)\d{6}T?\d{4,6}",
    _is_compact_day,
)
"""Eight digits; a person or visit number may look so as well."""

GREAT_AGE = Pattern(
    "an age over 89",
    "C",
    r"(?i:(^|[^\d.,])(9\d|1[0-2]\d)\s?-?\s?(years?|yrs?|y\.?\s?o\.?|y/o|jahre?|j\.|jährige?r?|ans|años|anos|anni|jaar|jarige?|år|åring|vuotta|vuotias|lat\b.*wiek|let\b.*věk|éves)($|[^\p{L}])|\b(aged?|alter|âge|edad|età|idade|leeftijd|alder|ålder|ikä|wiek|věk)[:\s=]+(9\d|1[0-2]\d)($|\D)|^\s*(9\d|1[0-2]\d)\s?(j|yo|y)\s*$)",
)
"""Outside a column of ages; they are one class (45 CFR 164.514(b)(2)(i)(C))."""
