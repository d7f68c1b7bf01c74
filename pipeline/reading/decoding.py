"""Bytes to UTF-8, strictly: one encoding, declared, and a byte-order mark that agrees with it."""

import codecs
from io import BytesIO

from schemas.errors import DeliveryError

_CHUNK = 4 * 1024**2
_UTF8 = ("utf-8", "utf-8-sig", "ascii")

# The longer marks come first: the mark of UTF-32-LE begins with that of UTF-16-LE.
# The Unicode Standard, section 23.8, "Byte order mark".
_MARKS: tuple[tuple[bytes, str], ...] = (
    (codecs.BOM_UTF8, "utf-8"),
    (codecs.BOM_UTF32_LE, "utf-32-le"),
    (codecs.BOM_UTF32_BE, "utf-32-be"),
    (codecs.BOM_UTF16_LE, "utf-16-le"),
    (codecs.BOM_UTF16_BE, "utf-16-be"),
)


def decode_strictly(received: bytes, name: str, encoding: str) -> bytes:
    """Give a text as UTF-8 with line feeds only and without a byte-order mark.

    Parameters
    ----------
    received : bytes
        The file.
    name : str
        Its name, for messages.
    encoding : str
        Encoding that the codebook declares.

    Returns
    -------
    bytes
        Valid UTF-8. The very bytes received where nothing had to be changed.

    Raises
    ------
    DeliveryError
        If a byte is not text in the encoding, the byte-order mark speaks for another encoding, the
        order of bytes is not stated, or the text holds zero bytes.
    """
    codec, body = drop_mark(received, name, codecs.lookup(encoding).name)
    is_done = codec in _UTF8 and body.isascii()
    utf8 = body if is_done else _recoded(body, name, codec, encoding)
    if b"\x00" in utf8:
        raise DeliveryError(
            name,
            "the file holds zero bytes, so it is not text in the declared encoding",
            "Export as text (CSV), or state the encoding utf-16-le if the file is in it.",
        )
    if b"\r" in utf8:
        utf8 = utf8.replace(b"\r\n", b"\n").replace(b"\r", b"\n")
    return utf8


def drop_mark(received: bytes, name: str, codec: str) -> tuple[str, bytes]:
    """Drop the byte-order mark if it agrees with the codec.

    Parameters
    ----------
    received : bytes
        The file.
    name : str
        Its name, for messages.
    codec : str
        Name of the codec that is declared, as ``codecs.lookup`` gives it.

    Returns
    -------
    tuple of (str, bytes)
        The codec, with its order of bytes if the mark told it, and what follows the mark.

    Raises
    ------
    DeliveryError
        If the mark speaks for another encoding, or the order of bytes is not known.
    """
    agreeing = [
        (mark, said)
        for mark, said in _MARKS
        if received.startswith(mark) and (said.startswith(codec) or codec == f"{said}-sig")
    ]
    if agreeing:
        mark, said = agreeing[0]
        return said, received[len(mark) :]
    other = [said for mark, said in _MARKS if received.startswith(mark)]
    if other:
        raise DeliveryError(
            name,
            f"the file begins with the byte-order mark of {other[0]}, but the codebook says {codec}",
            f"State the encoding {other[0]} in the codebook, or export as {codec}.",
        )
    if codec in {"utf-16", "utf-32"}:
        raise DeliveryError(
            name,
            f"the file has no byte-order mark, so the order of bytes of {codec} is not known",
            f"State {codec}-le (usual) or {codec}-be in the codebook, or export as UTF-8.",
        )
    return codec, received


def _recoded(body: bytes, name: str, codec: str, encoding: str) -> bytes:
    """Decode piece by piece, so that a large file is not held three times over.

    Raises
    ------
    DeliveryError
        If a byte is not text in the encoding.
    """
    decoder = codecs.getincrementaldecoder(codec)("strict")
    target = None if codec in _UTF8 else BytesIO()  # UTF-8 is validated and kept as it is
    n_lines = 1
    view = memoryview(body)
    for start in range(0, len(body), _CHUNK):
        is_last = start + _CHUNK >= len(body)
        try:
            piece = decoder.decode(view[start : start + _CHUNK], is_last)
            if target is not None:
                target.write(piece.encode())
        except UnicodeError as problem:
            raise DeliveryError(*_not_text(problem, name, encoding, n_lines)) from None
        n_lines += _count_lines(piece)
    return body if target is None else target.getvalue()


def _not_text(
    problem: UnicodeError, name: str, encoding: str, n_lines: int
) -> tuple[str, str, str]:
    """Give place, problem and remedy."""
    found, line = "a character", n_lines
    if isinstance(problem, UnicodeDecodeError):
        found = f"byte 0x{problem.object[problem.start]:02x}"
        line += _count_lines(problem.object[: problem.start].decode(encoding, errors="replace"))
    return (
        f"{name}, line {line}",
        f"{found} is not text in the encoding {encoding}",
        "State the file's true encoding in the codebook (often cp1252), or export as UTF-8.",
    )


def _count_lines(text: str) -> int:
    return text.count("\n") + text.count("\r") - text.count("\r\n")
