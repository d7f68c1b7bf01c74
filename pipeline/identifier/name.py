"""Names of persons (class A), by their form; words of the trade are none.

A single surname in a column of codes looks like any unknown code, and initials look like a code of
a clinician: neither is found here.
"""

import re

from pipeline.identifier.pattern import Pattern
from pipeline.identifier.trade_word import is_trade_word, plain_letters, words_of

_TITLES = words_of(
    """mr mrs ms miss mister dr prof professor sir dame lady lord rev herr hr frau fr fraulein monsieur madame mme mlle mademoiselle m
    sr sra srta senor senora don dona dom sig signor signora sigra dott dottssa ing dhr mevr mevrouw mw meneer fru froken pan pani rouva
    dipl med"""
)
_WEAK_TITLES = frozenset({"m", "fr", "don", "med", "pan", "ing", "hr", "sr", "sig", "mw", "miss"})
"""Also words or codes of other meanings: they are no proof on their own."""
_PARTICLES = words_of(
    """van von der den de del della di da das dos du des la le el bin ibn al ben ter ten zu zur vom af av och und and
    st san santa los las vande ver mc mac jr sr ii iii phd md msc"""
)
_WORD = re.compile(r"[^\W\d_](?:['’`-]?[^\W\d_]+)*\.?|[^\W\d_]\.?")
_GIVEN_NAMES = words_of(
    """aaron adam agnieszka ahmed aino alain albert alejandro alessandro alexander alexandra alfred ali alice amelia amanda amina ana anders andrea
    andreas andrew andrzej angela anja anita anke ann anna anne annika antoine anton antonio antti arthur astrid barbara beata beatriz
    benjamin bernd bernard birgit bjorn bogdan brian brigitte bruno camille carl carla carlos carmen carol caroline catherine cecilia charles
    charlotte chiara chloe christa christian christina christine christopher claire clara claudia claus daniel daniela david deborah denis diana
    diego dieter dirk dominik donald dorothea edith eduardo edward eero ekaterina elena eleonora elif elisabeth elizabeth elke elsa emil emilia
    emily emma eric erik erika ernst esther eva fatima felix fernando filip florian francesca francesco francisco frank francois frederik friedrich
    gabriel gabriela georg george gerard gerhard giovanni giulia giuseppe gisela grace greta guillaume gunnar gustav hanna hannah hans harald harry
    hassan heather heike heinz helen helena helga helmut henrik henry herbert hermann hiroshi hugo ibrahim ingrid irene iris isabel isabella ivan jack
    jacob jacques jakub james jan jana jane janet janusz jean jennifer jens jessica joachim joan joanna johan johann johannes john jonas jonathan jorge
    jose josef joseph joshua juan juha juan juergen jukka julia julie jurgen kaisa kamil karen karin karl karolina katarzyna kate katharina kathleen
    katrin kenneth kerstin kevin kirsten klaus krzysztof lars laura lea leila lena leo leonie liam linda lisa lorenzo louis louise luca lucas lucia
    luis luisa lukas magdalena malgorzata manuel manuela marc marcel marco marek margaret margarethe maria mariana marie marion markus marta martin
    martina mary mateusz matteo matthew matthias maurice max maximilian mehmet mercedes michael michel michelle miguel mikael mikko mohamed mohammed
    monica monika muhammad mustafa nadia natalia nathalie niamh nicolas nicole niels nils nina noah nora olav ole oliver olivia oskar otto pablo
    paola paolo patricia patrick paul paula pauline pavel pedro pekka per peter petra philip philippe pierre pietro piotr rachel rafael raj ralf
    rebecca regina renate ricardo richard robert roberto roger roland ronald rosa rudolf ruth ryan sabine samuel sandra sara sarah sean sebastian
    sergio silke silvia simon simone sofia sophia sophie stefan stefanie stephan stephen steven susan susanne svetlana sven tanja teresa thomas
    thorsten tim timo tobias tomasz ulrich ulrike ursula ute vera veronika victor victoria viktor vincent virginia walter werner wilhelm william
    wolfgang xavier yasmin yusuf yvonne zofia"""
)
"""Frequent given names of several languages; from memory."""


_EASTERN = r"[\u3040-\u30ff\u3400-\u9fff\uac00-\ud7af]"
_PREFIXED = re.compile(r"^(?:[OLD]['’]|Ma?c)[A-ZÀ-Þ][^\W\dA-Z_]{2,}$")
_ENDING = re.compile(
    r"(?i)^[^\W\d_]{2,}(?:owicz|ewicz|[oe]wski|[oe]wska|ński|ńska|ówna|sson|sdott[ie]r|d[oó]ttir|ovi[cć]|evi[cć]|enko|opoulos|idis|shvili|stein|hausen)$"
)


def _long(word: str) -> bool:
    return len(word.rstrip(".")) >= 2


def is_name(text: str) -> bool:
    """Say whether a cell holds a name of at least two parts, or one after a title.

    Parameters
    ----------
    text : str
        A cell.

    Returns
    -------
    bool
        True where no word is one of the trade and the form is that of a name.

    Examples
    --------
    >>> is_name("Example, Kim"), is_name("dr. van der Example"), is_name("K. Example")
    (True, True, True)
    >>> is_name("Hard capsular"), is_name("R 35 L 40"), is_name("gr 3+")
    (False, False, False)
    """
    words = [word for word in _WORD.findall(text) if not _is_ordinal(word)]
    rest = [w for w in words if _plain(w) not in _PARTICLES | (_TITLES - _WEAK_TITLES)]
    long = [word for word in rest if _long(word)]
    if _after_title(words):
        return True
    if not long or len(rest) > 5 or any(is_trade_word(word) for word in long):
        return False
    if re.search(r"\d", text):
        return " " in text and len(long) > 1 and all(_is_capitalised(word) for word in long)
    return len(long) > 1 or _is_accompanied(long[0], words)


def _is_capitalised(word: str) -> bool:
    return len(word) > 2 and word[0].isupper()


def _is_accompanied(word: str, words: list[str]) -> bool:
    """Say whether the only long word has a particle ("van der") or an initial beside it."""
    if len(word) > 3 and any(_plain(w) in _PARTICLES and _long(w) for w in words):
        return True
    initials = [w for w in words if not _long(w)]
    pointed = any("." in initial for initial in initials)
    return bool(initials) and len(word) > 2 and (word[0].isupper() or pointed)


def _plain(word: str) -> str:
    return plain_letters(word).rstrip(".")


def _is_ordinal(word: str) -> bool:
    return re.fullmatch(r"[IVX]{2,4}\.?", word) is not None


def _after_title(words: list[str]) -> bool:
    following = ""  # the nearest word behind that is neither a particle nor a title
    for word in reversed(words):
        plain = _plain(word)
        strong = plain in _TITLES and (plain not in _WEAK_TITLES or word.endswith("."))
        if strong and following and _long(following) and not is_trade_word(following):
            return True
        if plain not in _PARTICLES and plain not in _TITLES:
            following = word
    return False


def is_single_name(text: str) -> bool:
    """Say whether a cell of a column of person numbers is one word, which no number is.

    Parameters
    ----------
    text : str
        A cell.

    Returns
    -------
    bool
        True for a word of three letters with a capital, of four letters in any case, of Chinese,
        Japanese or Korean signs, or for two words joined by a point as in a user name.

    Examples
    --------
    >>> is_single_name("Example"), is_single_name("O'Example"), is_single_name("k.example")
    (True, True, True)
    >>> is_single_name("H00012"), is_single_name("Ng"), is_single_name("Physio")
    (False, False, False)
    """
    plain = text.strip()
    parts = re.findall(r"[^\W\d_]+", plain)
    if all(is_trade_word(part) for part in parts) or re.fullmatch(r"[a-f]{6,}|[A-F]{6,}", plain):
        return False  # the latter is a hexadecimal number without a digit
    return (
        re.fullmatch(r"[A-ZÀ-ÞŁŚŻŹĆŠČŽŐŘ][^\W\dA-Z_]{2,}", plain) is not None
        or re.fullmatch(r"[^\W\d_](?:['’`-]?[^\W\d_]){3,}", plain) is not None
        or re.fullmatch(r"[^\W\d_]+[._][^\W\d_]{3,}\d{0,2}", plain) is not None
        or re.fullmatch(_EASTERN + r"[ ·・]?" + _EASTERN + r"[ ·・]?" + _EASTERN + r"*", plain)
        is not None
    )


def is_marked_name(text: str) -> bool:
    """Say whether a cell is one word that hardly anything but a name can be.

    Parameters
    ----------
    text : str
        A cell.

    Returns
    -------
    bool
        True for a frequent given name, for the forms O'Example and McExample, and for endings such
        as -owicz, which no word of the trade has.

    Examples
    --------
    >>> is_marked_name("Agnieszka"), is_marked_name("O'Example"), is_marked_name("capsular")
    (True, True, False)
    """
    plain = plain_letters(text.strip())
    if is_trade_word(plain):
        return False
    return plain in _GIVEN_NAMES or any(form.search(text.strip()) for form in (_PREFIXED, _ENDING))


_TWO_WORDS = r"\p{L}.*[\s,.'’_-].*\p{L}{2}|\p{L}{2}.*[\s,._-].*\p{L}"
FULL_NAME = Pattern("a person's name", "A", _TWO_WORDS, is_name)
"""Two words and more."""
SINGLE_NAME = Pattern(
    "a person's name", "A", r"^\s*\p{L}[\p{L}'’`._ ·・-]+\d{0,2}\s*$", is_single_name
)
"""One word; in columns of patients and clinicians."""
MARKED_NAME = Pattern("a person's name", "A", r"^\s*\p{L}[\p{L}'’]+\s*$", is_marked_name)
"""One word that can hardly be anything else; anywhere."""
