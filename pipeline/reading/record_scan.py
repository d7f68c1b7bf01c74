"""Where the records of a delimited text begin and end, and how many cells each has.

The text is looked at block by block as an array of bytes: a delimiter or line end counts where an
even number of quotation marks stands before it (RFC 4180, section 2). Marks that stand elsewhere than
at the ends of a cell are only noticed here; such a text is left to a slower reader.
"""

from dataclasses import dataclass

import numpy as np

_BLOCK = 2**18  # a multiple of 64, small enough for the processor's cache
_ONE, _LAST = np.uint64(1), np.uint64(63)
_LF, _QUOTE = ord("\n"), ord('"')

Positions = np.ndarray[tuple[int], np.dtype[np.int64]]
Flags = np.ndarray[tuple[int], np.dtype[np.bool_]]
_Words = np.ndarray[tuple[int], np.dtype[np.uint64]]


@dataclass(frozen=True)
class Records:
    """The records of a text, blank lines left out.

    Attributes
    ----------
    starts : numpy.ndarray, shape (n_records,)
        Position of the first byte of each.
    ends : numpy.ndarray, shape (n_records,)
        Position after the last byte of each, its line end not counted.
    n_cells : numpy.ndarray, shape (n_records,)
        Cells of each.
    lines : numpy.ndarray, shape (n_records,)
        Line at which each begins, from 1.
    n_blank : int
        Blank lines that were left out.
    is_odd : bool
        Whether a quotation mark stands inside a cell that does not begin with one, or behind its end.
    is_open : bool
        Whether the last record ends inside quotation marks.
    """

    starts: Positions
    ends: Positions
    n_cells: Positions
    lines: Positions
    n_blank: int
    is_odd: bool
    is_open: bool


def scan_records(text: bytes, begin: int, first_line: int, delimiter: str) -> Records:
    """Find the records of a text.

    Parameters
    ----------
    text : bytes
        With line feeds only.
    begin : int
        Position of the first record.
    first_line : int
        Line of the first record.
    delimiter : str
        One character.

    Returns
    -------
    Records
        Of the text from ``begin`` on.
    """
    scan = _Scan(text, begin, first_line, ord(delimiter))
    blocks = [scan.block(start) for start in range(begin, len(text), _BLOCK)]
    blocks.append(scan.rest())
    ends, n_cells, next_lines = (
        np.concatenate([block[part] for block in blocks]) for part in range(3)
    )
    starts = np.append(np.int64(begin), ends + 1)[: ends.size]
    lines = np.append(np.int64(first_line), next_lines)[: ends.size]
    kept = ~_blank(text, starts, ends, n_cells, delimiter)
    return Records(
        starts[kept],
        ends[kept],
        n_cells[kept],
        lines[kept],
        int(kept.size - np.count_nonzero(kept)),
        scan.is_odd,
        scan.is_inside,
    )


class _Scan:
    """What is carried from block to block."""

    def __init__(self, text: bytes, begin: int, first_line: int, delimiter: int) -> None:
        self.letters = np.frombuffer(text, dtype=np.uint8)
        self.begin = begin
        self.delimiter = delimiter
        self.has_quotes = text.find(b'"', begin) >= 0
        self.is_inside = False
        self.is_odd = False
        self.line = first_line
        self.n_marks = 0  # delimiters of the record that goes on in the next block
        self.last_end = begin - 1

    def block(self, start: int) -> tuple[Positions, Positions, Positions]:
        """Give the ends of the records that end here, their cells, and the line after each."""
        block = self.letters[start : start + _BLOCK]
        newline = block == _LF
        mark = newline | (block == self.delimiter)
        n_lines_inside = 0
        if self.has_quotes:
            outside = self._outside(block, start)
            mark &= outside
            n_lines_inside = int(np.count_nonzero(newline & ~outside))
        at = np.flatnonzero(mark)
        end_marks = np.flatnonzero(newline[at])
        ends, n_cells = at[end_marks], np.diff(end_marks, prepend=-1)
        self._carry(at.size, n_cells, end_marks)
        if n_lines_inside:
            next_lines = self.line + np.searchsorted(np.flatnonzero(newline), ends, side="right")
        else:
            next_lines = self.line + np.arange(1, ends.size + 1)
        self.line += ends.size + n_lines_inside
        ends = ends + start
        self.last_end = int(ends[-1]) if ends.size else self.last_end
        return ends, n_cells, next_lines

    def rest(self) -> tuple[Positions, Positions, Positions]:
        """Give the last record where no line end stands after it."""
        size = self.letters.size
        n_rest = 1 if self.last_end < size - 1 else 0
        numbers = np.array([[size], [self.n_marks + 1], [self.line]], dtype=np.int64)[:, :n_rest]
        return numbers[0], numbers[1], numbers[2]

    def _carry(self, n_marks: int, n_cells: Positions, end_marks: Positions) -> None:
        if n_cells.size:
            n_cells[0] += self.n_marks
            self.n_marks = n_marks - 1 - int(end_marks[-1])
        else:
            self.n_marks += n_marks

    def _outside(self, block: np.ndarray[tuple[int], np.dtype[np.uint8]], start: int) -> Flags:
        """Tell the bytes before which an even number of quotation marks stands; notice odd ones.

        One bit a byte: the parity of 64 bytes is six shifts of one word.
        """
        quote = _packed(block == _QUOTE)
        inside = quote.copy()
        for step in (1, 2, 4, 8, 16, 32):
            inside ^= inside << np.uint64(step)
        before = np.bitwise_xor.accumulate(inside >> _LAST) ^ np.uint64(self.is_inside)
        before = np.append(np.uint64(self.is_inside), before)
        inside ^= np.uint64(0) - before[:-1]  # all bits where the words before hold an odd number
        if not self.is_odd:
            border = self._border(block, start)
            opens_late = quote & inside & ~border[0]
            closes_early = quote & ~inside & ~border[1]
            self.is_odd = bool(opens_late.any() or closes_early.any())
        self.is_inside = bool(before[-1])
        outside = np.unpackbits((~inside).view(np.uint8), count=block.size, bitorder="little")
        return outside.view(np.bool_)

    def _border(
        self, block: np.ndarray[tuple[int], np.dtype[np.uint8]], start: int
    ) -> tuple[_Words, _Words]:
        """Tell the bytes behind, and the bytes before, what may stand beside the mark of a cell."""
        stop, size = start + block.size, self.letters.size
        border = _packed((block == _QUOTE) | (block == _LF) | (block == self.delimiter))
        edge = np.append(border, np.uint64(0))  # a place for the byte after the block
        if stop == size or self.letters[stop] in {_QUOTE, _LF, self.delimiter}:
            edge[block.size // 64] |= np.uint64(1) << np.uint64(block.size % 64)
        first = start == self.begin or self.letters[start - 1] in {_QUOTE, _LF, self.delimiter}
        carried = np.append(np.uint64(first), border[:-1] >> _LAST)
        behind = (border << _ONE) | carried
        before = (edge[:-1] >> _ONE) | (edge[1:] << _LAST)
        return behind, before


def _packed(flags: Flags) -> _Words:
    """Put one flag in one bit, the first in the lowest; the last word is filled up with zeros."""
    packed = np.packbits(flags, bitorder="little")
    return np.append(packed, np.zeros(-packed.size % 8, dtype=np.uint8)).view("<u8")


def _blank(
    text: bytes, starts: Positions, ends: Positions, n_cells: Positions, delimiter: str
) -> Flags:
    """Tell the lines with nothing, or only spaces and tabs, on them."""
    is_blank: Flags = np.equal(ends, starts)
    spaces = bytes(space for space in b" \t" if chr(space) != delimiter)
    letters = np.frombuffer(text, dtype=np.uint8)
    may_be = np.flatnonzero((n_cells == 1) & ~is_blank)
    may_be = may_be[np.isin(letters[starts[may_be]], np.frombuffer(spaces, dtype=np.uint8))]
    for at in may_be.tolist():
        is_blank[at] = not text[starts[at] : ends[at]].strip(spaces)
    return is_blank
