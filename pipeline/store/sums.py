"""Sums that were added up before: kept beside the store for each part of the rows and each model.

A file is named by what it was made of, so that it never needs to be brought up to date; a file that
is damaged is made again. The sums name patients by pseudonym: when a patient is withdrawn, the
folder has to be emptied (``forget_sums``). Nothing is lost with it but time.
"""

import hashlib
from collections.abc import Callable, Iterable
from dataclasses import dataclass, replace
from pathlib import Path

import polars as pl

from pipeline.mixed_model.description import Method, ModelDescription
from pipeline.mixed_model.partition import collect_part, combine_parts
from pipeline.mixed_model.sufficient_statistics import Statistics
from pipeline.mixed_model.sums_content import LAYOUT, sums_content, sums_from
from pipeline.store.digest import digest_text
from pipeline.store.file import ASIDE, delete_file, replace_file
from schemas.errors import StoreError

ENDING = ".sums"

_HASH_BYTES = 32


@dataclass(frozen=True)
class Partition:
    """Rows that are added up together.

    Attributes
    ----------
    digest : str
        Says what the rows hold; other rows, another digest.
    rows : callable
        Gives the rows; called only where their sums are not kept.
    """

    digest: str
    rows: Callable[[], pl.DataFrame]


def cached_statistics(
    partitions: Iterable[Partition], description: ModelDescription, folder: Path
) -> Statistics:
    """Add up partitions, reading the sums of those that were added up before.

    Parameters
    ----------
    partitions : Iterable of Partition
        Rows that do not overlap.
    description : ModelDescription
        The model; REML and ML share their sums.
    folder : pathlib.Path
        Where sums are kept; it may not exist yet.

    Returns
    -------
    Statistics
        The sums over all partitions, the same whether they were kept or not.

    Raises
    ------
    StoreError
        If a digest occurs twice.
    """
    by_digest: dict[str, Partition] = {}
    for partition in partitions:
        if partition.digest in by_digest:
            raise StoreError(
                str(folder),
                f"two partitions have the digest {partition.digest}",
                "Give each partition once; their rows would be counted twice.",
            )
        by_digest[partition.digest] = partition
    common = description.model_copy(update={"method": Method.REML})
    parts = [_statistics(by_digest[digest], common, folder) for digest in sorted(by_digest)]
    return replace(combine_parts(parts), description=description)


def forget_sums(folder: Path) -> int:
    """Delete all sums that are kept, also those that a stopped writer left behind.

    Parameters
    ----------
    folder : pathlib.Path
        Where sums are kept.

    Returns
    -------
    int
        Number of files deleted.
    """
    if not folder.is_dir():
        return 0
    found = [*folder.glob(f"*{ENDING}"), *folder.glob(f".*{ENDING}.*{ASIDE}")]
    for path in found:
        delete_file(path)
    return len(found)


def _statistics(partition: Partition, description: ModelDescription, folder: Path) -> Statistics:
    name = digest_text([LAYOUT, partition.digest, description.model_dump(mode="json")])
    path = folder / f"{name}{ENDING}"
    content = _kept(path)
    if content is None:
        content = sums_content(collect_part(partition.rows(), description))
        replace_file(path, hashlib.sha256(content).digest() + content)
    return sums_from(content)


def _kept(path: Path) -> bytes | None:
    """Read what is kept; None where there is nothing, or not what was written."""
    try:
        whole = path.read_bytes()
    except FileNotFoundError:
        return None
    content = whole[_HASH_BYTES:]
    if hashlib.sha256(content).digest() != whole[:_HASH_BYTES]:
        return None
    return content
