"""Pseudonyms: keyed hashes that only the holder of the key file can link to a clinic's numbers.

One secret serves pseudonyms, tombstones and index dates. What is hashed starts with its purpose, and
each piece with its length, so no two questions to the key are ever the same.

References
----------
Krawczyk, Bellare, Canetti (1997). HMAC: Keyed-Hashing for Message Authentication. RFC 2104.
"""

import hmac
import secrets
import stat
from dataclasses import dataclass, field
from datetime import date
from pathlib import Path

from pipeline.store.file import create_file, make_folder
from schemas.errors import SettingsError, StoreError

KEY_FILE = "pseudonym.key"
SECRET_BYTES = 32  # as long as the hash: RFC 2104, section 3
DIGITS = 20  # 80 bits: two of a million patients agree with a chance below 1e-12
LAST_INDEX_DAY = date(1979, 12, 31).toordinal()
INDEX_DAYS = 14_610  # 40 years of 365.25 days

PATIENT_PSEUDONYM = r"^p-[0-9a-f]{20}$"
"""Pattern of a patient's pseudonym."""


@dataclass(frozen=True)
class PseudonymKey:
    """The network's secret.

    Attributes
    ----------
    secret : bytes
        32 random bytes; never shown.
    """

    secret: bytes = field(repr=False)


def create_key(folder: Path) -> PseudonymKey:
    """Make the key file, readable by its owner alone.

    Parameters
    ----------
    folder : pathlib.Path
        Folder of keys (``keys`` in a workspace); made with mode 0700 where it does not exist.

    Returns
    -------
    PseudonymKey
        The new key.

    Raises
    ------
    StoreError
        If there is a key already: another one would tear each patient in two.
    """
    path = folder / KEY_FILE
    make_folder(folder, mode=0o700)
    key = PseudonymKey(secrets.token_bytes(SECRET_BYTES))
    try:
        create_file(path, key.secret.hex().encode() + b"\n", mode=0o600)
    except FileExistsError as error:
        raise StoreError(
            str(path), "there is a key already", "keep it: without it no patient can be linked"
        ) from error
    return key


def load_key(folder: Path) -> PseudonymKey:
    """Read the key file.

    Parameters
    ----------
    folder : pathlib.Path
        Folder of keys (``keys`` in a workspace).

    Returns
    -------
    PseudonymKey
        The key.

    Raises
    ------
    SettingsError
        If the file is missing, open to others, or not a key.
    """
    path = folder / KEY_FILE
    try:
        permission = stat.S_IMODE(path.stat().st_mode)
        content = path.read_bytes()
    except FileNotFoundError as error:
        raise SettingsError(
            str(path), "the key file is missing", "put it back from its backup"
        ) from error
    if permission & 0o077:
        raise SettingsError(
            str(path), f"others may open the key (mode {permission:04o})", f"chmod 600 {path}"
        )
    try:
        secret = bytes.fromhex(content.decode("ascii"))
    except ValueError:
        secret = b""
    if len(secret) != SECRET_BYTES:
        raise SettingsError(
            str(path), f"not a key of {2 * SECRET_BYTES} hex digits", "put it back from its backup"
        )
    return PseudonymKey(secret)


def pseudonym(key: PseudonymKey, kind: str, *parts: str) -> str:
    """Give the pseudonym of a patient, visit, episode or clinician.

    Parameters
    ----------
    key : PseudonymKey
        The network's secret.
    kind : str
        What it stands for; its first letter opens the pseudonym.
    *parts : str
        What identifies it, such as clinic and number; ``("a", "b")`` and ``("ab",)`` differ.

    Returns
    -------
    str
        Letter, hyphen and 20 hex digits.
    """
    return f"{kind[0]}-{_hash(key, 'pseudonym', kind, *parts).hex()[:DIGITS]}"


def tombstone(key: PseudonymKey, clinic: str, patient: str) -> str:
    """Give the mark by which a withdrawn patient is recognised, and nothing else is known.

    Parameters
    ----------
    key : PseudonymKey
        The network's secret.
    clinic : str
        The patient's clinic.
    patient : str
        The patient's pseudonym.

    Returns
    -------
    str
        64 hex digits.
    """
    return _hash(key, "tombstone", clinic, patient).hex()


def index_day(key: PseudonymKey, clinic: str, patient: str) -> int:
    """Give the hidden date from which a patient's visits are counted.

    It follows from the key alone, so offsets need no stored table and do not depend on which export
    came first.

    Parameters
    ----------
    key : PseudonymKey
        The network's secret.
    clinic : str
        The patient's clinic.
    patient : str
        The patient's pseudonym.

    Returns
    -------
    int
        Proleptic ordinal of a day in the 40 years before 1980, each day as likely as any other.
    """
    return LAST_INDEX_DAY - int.from_bytes(_hash(key, "index day", clinic, patient)) % INDEX_DAYS


def _hash(key: PseudonymKey, *parts: str) -> bytes:
    """Hash the pieces with the key, each after its length, so that no two lists read the same."""
    message = "".join([f"{len(part)}:{part}" for part in parts])
    return hmac.digest(key.secret, message.encode(), "sha256")
