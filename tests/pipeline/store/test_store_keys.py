"""What is made with the key agrees with the standard, and the key file is for its owner alone."""

import hashlib
import stat
from datetime import date

import pytest

from pipeline.store.pseudonym import (
    create_key,
    index_day,
    load_key,
    pseudonym,
    tombstone,
)
from schemas.errors import SettingsError
from tests.conftest import KEY

PATIENT = "p-0123456789abcdef0123"


def hmac_sha256(secret, message):
    """RFC 2104, section 2, word for word: H(K XOR opad, H(K XOR ipad, text)), blocks of 64 bytes."""
    padded = secret.ljust(64, b"\0")
    inner = hashlib.sha256(bytes(byte ^ 0x36 for byte in padded) + message).digest()
    return hashlib.sha256(bytes(byte ^ 0x5C for byte in padded) + inner).digest()


def test_the_reference_gives_a_published_value():
    # RFC 4231, test case 2: key "Jefe", text "what do ya want for nothing?", HMAC-SHA-256.
    expected = "5bdcc146bf60754e6a042426089575c75a003f089d2739839dec58b964ec3843"
    assert hmac_sha256(b"Jefe", b"what do ya want for nothing?").hex() == expected


@pytest.mark.parametrize(
    ("kind", "parts", "message"),
    [
        ("patient", ("mill", "77"), "9:pseudonym7:patient4:mill2:77"),
        ("visit", ("mill", PATIENT, ""), f"9:pseudonym5:visit4:mill22:{PATIENT}0:"),
        ("clinician", ("", "Ö 1"), "9:pseudonym9:clinician0:3:Ö 1"),  # counted in characters
    ],
)
def test_a_pseudonym_is_the_start_of_a_keyed_hash(kind, parts, message):
    expected = hmac_sha256(KEY.secret, message.encode()).hex()[:20]
    assert pseudonym(KEY, kind, *parts) == f"{kind[0]}-{expected}"


def test_no_two_questions_to_the_key_are_the_same():
    asked = [
        ("patient", "ab", "c"),
        ("patient", "a", "bc"),
        ("patient", "abc"),
        ("patient", "abc", ""),
        ("patient", "", "abc"),
        ("patient", "a1:b", "c"),
        ("patient", "a", "1:b", "c"),
        ("period", "ab", "c"),
    ]
    assert len({pseudonym(KEY, *question) for question in asked}) == len(asked)


def test_a_tombstone_and_an_index_day_are_keyed_hashes_of_their_own():
    ask = f"5:north22:{PATIENT}"
    mark = hmac_sha256(KEY.secret, f"9:tombstone{ask}".encode())
    assert tombstone(KEY, "north", PATIENT) == mark.hex()
    number = int.from_bytes(hmac_sha256(KEY.secret, f"9:index day{ask}".encode()), "big")
    # 14 610 days are 40 years of 365.25 days; the last is the day before 1980.
    last = date(1979, 12, 31).toordinal()
    assert index_day(KEY, "north", PATIENT) == last - number % 14_610


def test_index_days_fill_the_whole_span():
    days = [index_day(KEY, "north", f"p-{i:020x}") for i in range(20_000)]
    assert date(1940, 1, 1).toordinal() <= min(days) < date(1940, 2, 1).toordinal()
    assert date(1979, 12, 1).toordinal() < max(days) <= date(1979, 12, 31).toordinal()
    # A fifth of 20,000 draws lies in each fifth of the span; 160 is over 2.8 standard deviations.
    first = date(1979, 12, 31).toordinal() - 14_609
    fifths = [
        sum(first + i * 2922 <= day < first + (i + 1) * 2922 for day in days) for i in range(5)
    ]
    assert all(abs(number - 4000) < 160 for number in fifths), fifths


def test_the_key_file_is_made_for_its_owner_alone(tmp_path):
    folder = tmp_path / "keys"
    made = create_key(folder)
    (file,) = folder.iterdir()
    assert stat.S_IMODE(folder.stat().st_mode) == 0o700
    assert stat.S_IMODE(file.stat().st_mode) == 0o600
    assert load_key(folder) == made
    assert len(made.secret) == 32
    assert made.secret.hex() not in repr(made)
    assert create_key(tmp_path / "others").secret != made.secret


@pytest.mark.parametrize("mode", [0o640, 0o620, 0o604, 0o601, 0o644, 0o666])
def test_a_key_that_is_open_to_others_is_refused(tmp_path, mode):
    made = create_key(tmp_path)
    (file,) = tmp_path.iterdir()
    file.chmod(mode)
    with pytest.raises(SettingsError, match="others may open") as error:
        load_key(tmp_path)
    assert "chmod 600" in str(error.value.remedy)
    file.chmod(0o400)
    assert load_key(tmp_path) == made


@pytest.mark.parametrize("content", [b"", b"00" * 31, b"00" * 33, b"zz" * 32, b"\xff" * 64])
def test_a_file_that_is_no_key_is_refused(tmp_path, content):
    create_key(tmp_path)
    (file,) = tmp_path.iterdir()
    file.write_bytes(content)
    with pytest.raises(SettingsError, match="not a key"):
        load_key(tmp_path)
