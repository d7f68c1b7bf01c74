"""Draw invented numbers of persons, plans, accounts, licences, vehicles and devices."""

from collections.abc import Callable

from synthetic_data.check_digit import iban, luhn, vin, weighted
from synthetic_data.identifier_draw import CODED, NUMERIC, Draw, Made, draw_digits, draw_one
from synthetic_data.person_number import PERSON_NUMBERS


def _record_number(rng: Draw) -> Made:
    form = draw_one(
        rng,
        (
            "MRN {n}",
            "MRN{n}",
            "Fallnr. {n}",
            "PID-{n}",
            "{n}",
            "KH{n}",
            "Dossier {n}",
            "case no. {n}",
        ),
    )
    return form.format(n=draw_digits(rng, 8, "4")), "H", "medical record number", ""


def _plan_number(rng: Draw) -> Made:
    kind = draw_one(rng, ("kvnr", "medicare", "policy"))
    if kind == "kvnr":
        letter, digits = chr(65 + int(rng.integers(26))), draw_digits(rng, 8)
        products = (
            int(d) * (1 + place % 2) for place, d in enumerate(f"{ord(letter) - 64:02d}{digits}")
        )
        return (
            letter + digits + str(sum(p // 10 + p % 10 for p in products) % 10),
            "I",
            "health insurance number",
            "DE",
        )
    if kind == "medicare":
        body = draw_digits(rng, 8, "2")
        check = weighted(body, (1, 3, 7, 9) * 2) % 10
        return f"{body[:4]} {body[4:]}{check} 1", "I", "Medicare number", "AU"
    return (
        draw_one(rng, ("Policy XK-{n}", "member id {n}", "POL{n}", "K-{n4}-{n5}")).format(
            n=draw_digits(rng, 8, "7"), n4=draw_digits(rng, 4, "4"), n5=draw_digits(rng, 5, "9")
        ),
        "I",
        "health plan number",
        "",
    )


def _account(rng: Draw) -> Made:
    if rng.random() < 0.5:
        country, bank, length = [
            ("DE", "", 18),
            ("GB", "WEST", 18),
            ("NL", "INGX", 14),
            ("FR", "", 23),
            ("CH", "", 17),
            ("PL", "", 24),
        ][int(rng.integers(6))]
        text = iban(country, bank + draw_digits(rng, length - len(bank), "9"))
        grouped = " ".join(text[i : i + 4] for i in range(0, len(text), 4))
        return draw_one(rng, (text, grouped, text.lower())), "J", "IBAN", country
    body = draw_digits(rng, 15, draw_one(rng, ("4", "51", "2221")))
    text = body + luhn(body)
    return (
        draw_one(
            rng,
            (
                text,
                " ".join(text[i : i + 4] for i in range(0, 16, 4)),
                "-".join(text[i : i + 4] for i in range(0, 16, 4)),
            ),
        ),
        "J",
        "payment card number",
        "",
    )


def _licence(rng: Draw) -> Made:
    form = draw_one(
        rng, ("D{a}-{b}-{a}", "licence no. {n}", "LIC{n}", "LANR {n}", "NPI {n}", "Lic. B-{n}")
    )
    return (
        form.format(a=draw_digits(rng, 3), b=draw_digits(rng, 4), n=draw_digits(rng, 9, "1")),
        "K",
        "licence number",
        "",
    )


def _vehicle(rng: Draw) -> Made:
    if rng.random() < 0.6:
        return vin("1M8GDM9A", "KP" + draw_digits(rng, 6)), "L", "vehicle number (VIN)", ""
    form, country = [
        ("B-QX {n}", "DE"),
        ("QX-{m}-ZZ", "FR"),
        ("plate ZZ{m} QXZ{m}", "GB"),
        ("Kennz. M-ZX {n}", "DE"),
    ][int(rng.integers(4))]
    return (
        form.format(n=draw_digits(rng, 4, "1"), m=draw_digits(rng, 3)),
        "L",
        "number plate",
        country,
    )


def _hardware(rng: Draw) -> Made:
    raw = rng.bytes(5).hex()
    pairs = [raw[i : i + 2] for i in range(0, 10, 2)]
    kind = draw_one(rng, ("mac", "imei", "serial"))
    if kind == "mac":
        return ":".join(["0a", *pairs]), "M", "hardware address", ""
    if kind == "imei":
        body = draw_digits(rng, 14, "35")
        return body + luhn(body), "M", "device number (IMEI)", ""
    letters = "ABCDEFGHKLMNPQRSTUVWXYZ"
    parts = [
        draw_one(rng, tuple(letters)) + draw_one(rng, tuple(letters)) + draw_digits(rng, 2)
        for _ in range(3)
    ]
    return (
        draw_one(rng, ("SN-{}", "S/N {}", "{}")).format("".join(parts)),
        "M",
        "device serial number",
        "",
    )


def _national(rng: Draw) -> Made:
    scheme = draw_one(rng, tuple(PERSON_NUMBERS))
    return PERSON_NUMBERS[scheme](rng), "G", "national person number", scheme[:2]


def _other(rng: Draw) -> Made:
    raw = rng.bytes(16).hex()
    form = draw_one(
        rng,
        (
            "{u}",
            "user {n}",
            "study-{n}",
            "{raw}",
            "badge{n}",
            "the tall one with the violin",
            "known from the local paper",
        ),
    )
    uuid = f"{raw[:8]}-{raw[8:12]}-{raw[12:16]}-{raw[16:20]}-{raw[20:]}"
    return (
        form.format(u=uuid, n=draw_digits(rng, 7, "3"), raw=raw),
        "R",
        "other number or characteristic",
        "",
    )


def _plate_alone(rng: Draw) -> Made:
    form, country = [("QTH {m}", "SE"), ("ZZX-{m}", "FI"), ("WQ {m}", "GR"), ("GZ-1{m}", "US")][
        int(rng.integers(4))
    ]
    return (
        form.format(m=draw_digits(rng, 3, "4")),
        "L",
        "number plate that looks like a code",
        country,
    )


KINDS: tuple[tuple[Callable[[Draw], Made], int, tuple[str, ...]], ...] = (
    (_national, 260, (*CODED, *NUMERIC)),
    (_record_number, 80, (*CODED, "dose")),
    (_plan_number, 80, (*CODED, "dose")),
    (_account, 80, (*CODED, "dose")),
    (_licence, 60, CODED),
    (_vehicle, 60, (*CODED, "angle")),
    (_plate_alone, 8, CODED),
    (_hardware, 80, (*CODED, "dose")),
    (_other, 60, CODED),
)
"""What draws one, how many, and the fields of columns in which they hide."""
