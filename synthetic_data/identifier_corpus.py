"""Invented identifiers of all classes of the Safe Harbor rule, to measure what a screen finds.

No one is meant: surnames are made up and drawn at random beside common given names; telephone numbers
are of ranges kept free for fiction where a country has one (from memory); web and mail addresses are
of example domains (RFC 2606) and network addresses of documentation ranges (RFC 5737, RFC 3849).
"""

from dataclasses import dataclass

import numpy as np

from synthetic_data import identifier_draw, number_draw


@dataclass(frozen=True)
class Identifier:
    """One invented identifier.

    Attributes
    ----------
    text : str
        The cell.
    safe_harbor : str
        Letter of its class in 45 CFR 164.514(b)(2)(i).
    kind : str
        What it is, in words.
    country : str
        Two letters of the country whose form it has; empty where it has none.
    header : str
        Header that alone tells what it is; empty where the cell does.
    field : str
        Field of the column in which it hides.
    """

    text: str
    safe_harbor: str
    kind: str
    country: str
    header: str
    field: str


_HEADERS: dict[str, tuple[str, ...]] = {
    "A": (
        "Surname",
        "First name",
        "Nachname",
        "Vorname",
        "Nom de famille",
        "Prénom",
        "Apellidos",
        "Cognome",
        "Achternaam",
        "Efternamn",
        "Nazwisko",
        "PatientName",
        "Apelido",
        "Etternavn",
    ),
    "B": (
        "City",
        "Town",
        "Wohnort",
        "PLZ",
        "Strasse",
        "Code postal",
        "Ville",
        "Ciudad",
        "Código postal",
        "Indirizzo",
        "Woonplaats",
        "Postnummer",
        "Miejscowość",
        "Kod pocztowy",
        "Localidade",
        "ZIP",
        "Zip code",
        "Home address",
    ),
    "C": (
        "Date of birth",
        "DOB",
        "BirthDate",
        "Geburtsdatum",
        "Date de naissance",
        "Fecha de nacimiento",
        "Data di nascita",
        "Geboortedatum",
        "Data de nascimento",
        "Fødselsdato",
        "Födelsedatum",
        "Syntymäaika",
        "Data urodzenia",
        "Date of death",
        "Sterbedatum",
        "Admission date",
        "Aufnahmedatum",
        "Discharge date",
    ),
    "D": (
        "Phone",
        "Mobile phone",
        "Telefonnummer",
        "Handy",
        "Téléphone",
        "Teléfono",
        "Telefono",
        "Telefoon",
        "Puhelin",
    ),
    "E": ("Fax", "Telefax", "Fax No."),
    "F": ("E-mail", "Email", "eMail", "Correo electrónico", "Courriel"),
    "G": (
        "SSN",
        "Social Security No",
        "NHS number",
        "Sozialversicherungsnummer",
        "N° de sécurité sociale",
        "DNI",
        "Codice fiscale",
        "BSN",
        "Personnummer",
        "CPR-nummer",
        "Henkilötunnus",
        "PESEL",
        "AHV-Nr.",
        "CPF",
    ),
    "H": (
        "MRN",
        "Medical record number",
        "Fallnummer",
        "Numéro de dossier",
        "Historia clínica",
        "Cartella clinica",
    ),
    "I": (
        "Insurance number",
        "Member ID",
        "Versichertennummer",
        "Krankenkasse",
        "Mutuelle",
        "Tessera sanitaria",
    ),
    "J": ("Account number", "IBAN", "Kontonummer", "Cuenta bancaria", "Credit card"),
    "K": ("Licence number", "Driver's license", "Führerscheinnummer", "LANR", "NPI", "Rijbewijs"),
    "L": ("VIN", "License plate", "Kennzeichen", "Immatriculation", "Kenteken"),
    "M": (
        "Serial number",
        "Device serial",
        "Seriennummer",
        "Numéro de série",
        "Implant serial",
        "UDI",
    ),
    "N": ("URL", "Website", "Homepage"),
    "O": ("IP", "IP address", "IP-Adresse", "IPAddress"),
    "P": (
        "Fingerprint",
        "Fingerabdruck",
        "Voiceprint",
        "Empreinte digitale",
        "Iris scan",
        "Huella dactilar",
    ),
    "Q": ("Photo", "Portrait", "Foto", "Patient photo", "Lichtbild", "Photographie"),
    "R": ("User ID", "Username", "Benutzername", "Employee ID"),
}
"""Headers by class; the cells below them need look like nothing."""


def make_corpus(seed: int) -> tuple[Identifier, ...]:
    """Make invented identifiers of all eighteen classes.

    Parameters
    ----------
    seed : int
        Seed; equal seeds give equal identifiers.

    Returns
    -------
    tuple of Identifier
        More than two thousand.
    """
    rng = np.random.default_rng([seed, 7])
    found = []
    for draw, n, fields in (*identifier_draw.KINDS, *number_draw.KINDS):
        for place in range(n):
            text, letter, kind, country = draw(rng)
            found.append(Identifier(text, letter, kind, country, "", fields[place % len(fields)]))
    for letter, headers in _HEADERS.items():
        found += [
            Identifier("x", letter, "column by its header", "", h, "activity") for h in headers
        ]
    return tuple(found)
