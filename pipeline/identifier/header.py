"""Headers that promise an identifier, in the commoner languages of clinic exports.

A phrase counts anywhere in a header; a word alone only where nothing else is said but whose it is
("Name", "Patient name", not "Name of test"). The words are common practice, no source.
"""

import re
from dataclasses import dataclass

from pipeline.identifier.trade_word import plain_letters, words_of
from schemas.field import IDENTIFIER_FIELDS

_PHRASES = {
    ("A", "a name"): """
        first name|last name|surname|forename|given name|full name|family name|maiden name|middle name|patient name|
        client name|next of kin|vorname|nachname|familienname|zuname|geburtsname|patientenname|prenom|nom de famille|
        nom patient|nom et prenom|apellido|apellidos|nombre completo|nombre y apellidos|primer apellido|cognome|
        nome e cognome|achternaam|voornaam|familienaam|apelido|sobrenome|nome completo|fornavn|etternavn|efternavn|
        mellomnavn|fornamn|efternamn|sukunimi|etunimi|imie|nazwisko|jmeno|prijmeni|vezeteknev|keresztnev|ad soyad|
        adi soyadi|prenume|имя|фамилия|отчество|ονομα|επωνυμο|employer|arbeitgeber|employeur|maiden|mother s name""",
    ("B", "an address or place"): """
        street|home address|postal address|street address|house number|house no|city|town|zip|zipcode|zip code|zip5|zip 5|postcode|post code|
        postal code|county|parish|precinct|strasse|hausnummer|hausnr|wohnort|wohnadresse|anschrift|plz|postleitzahl|
        rue|ville|code postal|cp ville|commune|domicile|calle|direccion|domicilio|ciudad|municipio|codigo postal|
        indirizzo|citta|residenza|codice postale|straat|straatnaam|huisnummer|woonplaats|gemeente|morada|endereco|
        cidade|localidade|concelho|cep|gateadresse|poststed|postnummer|postnr|gatuadress|postadress|bostadsort|
        katuosoite|osoite|postinumero|paikkakunta|ulica|miasto|miejscowosc|kod pocztowy|adres zamieszkania|
        latitude|longitude|geocode|gps|адрес|город""",
    ("C", "a date of birth, death or stay"): """
        dob|d o b|birth date|birthdate|date of birth|birthday|birth|born|geburtsdatum|geburtstag|geb dat|gebdat|geb datum|geb|
        geboren|geboren am|geburt|naissance|date naissance|ddn|nacimiento|fecha nac|fnac|f nac|nascita|data nascita|geboortedatum|
        geboorte|nascimento|data nasc|fodselsdato|fodt|fodelsedatum|fodd|fodelsedag|syntymaaika|syntynyt|urodzenia|data urodzenia|narozeni|
        szuletesi|dogum tarihi|date of death|death date|dod|deceased|died|todesdatum|sterbedatum|verstorben|todestag|deces|date deces|
        fallecimiento|defuncion|decesso|overlijden|overlijdensdatum|obito|dodsdato|dodsdatum|zgonu|data zgonu|дата рождения""",
    ("D", "a telephone number"): """
        phone|phone number|telephone|tel|tel no|tel nr|cell phone|cellphone|mobile phone|mobile number|mobile no|handy|handynummer|
        telefon|telefonnummer|rufnummer|mobiltelefon|mobilnummer|mobiltel|telefono|movil|celular|cellulare|telefoon|telefoonnummer|
        telemovel|telefone|puhelin|puhelinnumero|telefon komorkowy|komorka|natel|gsm|telephone portable|contact number|телефон|τηλεφωνο""",
    ("E", "a fax number"): "fax|fax no|faxnummer|telefax|telecopie|faks|fax number",
    ("F", "an e-mail address"): """
        email|e mail|emailadresse|mailadresse|mail address|mail|courriel|correo|correo electronico|epost|e post|epostadresse|
        sahkoposti|posta elettronica|эл почта""",
    ("G", "a social security or national person number"): """
        ssn|social security|social security number|soc sec|sozialversicherungsnummer|sozialversicherungsnr|svnr|sv nr|sv nummer|rentenversicherungsnummer|
        nir|numero securite sociale|securite sociale|num secu|nss|numero seguridad social|seguridad social|codice fiscale|
        dni|nif|nie|bsn|burgerservicenummer|personnummer|personnr|cpr|cpr nummer|cpr nr|fodselsnummer|fodselsnr|
        henkilotunnus|hetu|pesel|ahv|ahv nummer|ahv nr|avs|national insurance|national insurance number|nino|nhs|nhs number|nhs no|cpf|
        aadhaar|sin number|medicare|medicare number|tfn|rodne cislo|tax id|steuer id|steueridentifikationsnummer|
        rijksregisternummer|numero national|national id|cnp|egn|oib|kennitala|curp|rut|passport|passport number|reisepass""",
    ("I", "a health plan number"): """
        insurance number|insurance no|insurance id|policy number|policy no|plan number|member id|member number|beneficiary|subscriber id|health plan|
        versicherungsnummer|versicherungsnr|versichertennummer|versichertennr|versicherten nr|krankenkasse|krankenkassennummer|krankenversicherung|
        kvnr|kv nummer|egk|mutuelle|numero assure|assurance|carte vitale|poliza|numero poliza|aseguradora|tarjeta sanitaria|
        tessera sanitaria|numero polizza|polisnummer|verzekeringsnummer|zorgverzekeraar|forsikring|forsakring|ubezpieczenie|ehic""",
    ("J", "an account number"): """
        account|account number|account no|bank account|konto|kontonummer|kontonr|iban|compte|numero compte|compte bancaire|cuenta|
        cuenta bancaria|conto corrente|rekening|rekeningnummer|conta bancaria|kontonummer|credit card|card number|kreditkarte|
        bankverbindung|carte bancaire|numer konta""",
    ("K", "a licence or certificate number"): """
        license|licence|license number|licence number|license no|licence no|driver license|driving licence|drivers license|fuhrerschein|fuhrerscheinnummer|permis|
        permis de conduire|licencia|carnet de conducir|patente di guida|rijbewijs|certificate number|certificate no|lanr|npi|
        approbation|carta de conducao|forerkort|korkort|prawo jazdy|registration number""",
    ("L", "a vehicle number"): """
        vin|vehicle|license plate|licence plate|number plate|plate number|kennzeichen|kfz|immatriculation|plaque immatriculation|
        matricula vehiculo|targa|kenteken|fahrgestellnummer|registreringsnummer bil|tablica rejestracyjna""",
    ("M", "a device serial number"): """
        serial number|serial no|serial nr|device serial|device id|implant serial|implant number|udi|seriennummer|seriennr|geratenummer|
        gerate nr|numero de serie|numero serie|numero di serie|serienummer|numer seryjny|imei|mac address|lot number|pacemaker""",
    (
        "N",
        "a web address",
    ): "url|website|web site|homepage|webseite|web address|site web|sitio web|sito web|profile link|hyperlink",
    (
        "O",
        "a network address",
    ): "ip|ip address|ip adresse|ip addr|adresse ip|direccion ip|indirizzo ip|ip adres|ipv4|ipv6|hostname",
    ("P", "a biometric identifier"): """
        fingerprint|finger print|biometric|biometrics|voiceprint|voice print|voice sample|iris scan|retina scan|fingerabdruck|biometrie|
        empreinte|empreinte digitale|huella|huella dactilar|impronta digitale|vingerafdruk|impressao digital|fingeravtrykk|
        fingeravtryck|odcisk palca|palm print""",
    ("Q", "a photograph"): """
        photo|photograph|photos|picture|portrait|face image|patient image|foto|lichtbild|passbild|bild|gesichtsbild|photographie|
        fotografia|fotografie|imagen|immagine|valokuva|zdjecie|selfie|face photo|headshot""",
    ("R", "another number of a person"): """
        user id|username|user name|login|benutzername|nom utilisateur|usuario|barcode|badge number|staff number|personalnummer|
        matricule|student id|employee id|social media|twitter|whatsapp""",
}
_RECORD_NUMBERS = """
    mrn|medical record|medical record number|chart number|chart no|hospital number|hospital no|case number|case no|fallnummer|
    fallnr|patient id|patient no|patient number|patientno|patientid|patientennummer|patientennr|patnr|pat nr|aktenzeichen|dossier|
    numero de dossier|historia clinica|nhc|cartella clinica|dossiernummer|journalnummer|journalnr|processo clinico|potilasnumero|
    nr pacjenta|ipp"""
_ADMISSIONS = """
    admission date|date of admission|admitted|discharge date|date of discharge|aufnahmedatum|entlassungsdatum|entlassdatum|aufnahme am|
    date admission|date sortie|fecha ingreso|fecha alta|data ricovero|data dimissione|opnamedatum|ontslagdatum|
    data internamento|innleggelsesdato|utskrivningsdato|inskrivningsdatum|utskrivningsdatum|data przyjecia|data wypisu|
    date of surgery|surgery date|operation date|op datum|date of injury|injury date|unfalldatum|accident date|unfalltag|date intervention"""

_ALONE = {
    (
        "A",
        "a name",
    ): "name names nom nome nombre naam navn namn nimi nev nazwa initials initialen initiales nickname",
    (
        "B",
        "an address or place",
    ): "address adresse adres adress ort gata gate vei vej indirizzo lieu via rua location district gemeinde provincia",
    ("D", "a telephone number"): "mobile mobil cell portable contact",
    ("Q", "a photograph"): "image images pic gesicht face visage",
    ("P", "a biometric identifier"): "iris retina voice",
    ("M", "a device serial number"): "serial",
}
_OWNERS = words_of(
    """patient patients patienten patientin pat client person persons klient kunde kontakt contact relative relatives spouse parent mother father
    of the du de la le del della des s no nr number current home private full complete legal 1 2 paciente paziente pasient pacjenta potilas
    therapist clinician physio physiotherapist doctor therapeut behandler arzt therapeute terapeuta fysioterapeut emergency url file link device implant"""
)
_CAMEL = re.compile(r"(?<=[^\W\d_A-Z])(?=[A-Z])|(?<=[A-Z])(?=[A-Z][a-z])")
_WORDS = re.compile(r"[^\W_]+")
_STEMS = {
    ("A", "a name"): ("patientenname", "vorname", "nachname"),
    ("B", "an address or place"): ("postleitzahl", "wohnadress", "hausnummer"),
    ("C", "a date of birth, death or stay"): (
        "geburtsd",
        "geburtst",
        "birthd",
        "dateofbirth",
        "todesdat",
    ),
    ("D", "a telephone number"): ("telefon", "phone", "handynum", "mobilnum"),
    ("F", "an e-mail address"): ("email",),
    ("G", "a social security or national person number"): ("sozialversicherung", "socialsecurity"),
    ("I", "a health plan number"): ("versicherten", "krankenkass", "versicherungsn"),
}


@dataclass(frozen=True)
class Promise:
    """What a header promises.

    Attributes
    ----------
    what : str
        Identifier, in words.
    safe_harbor : str
        Letter of its class.
    """

    what: str
    safe_harbor: str


def promised_identifiers(header: str, field: str) -> tuple[Promise, ...]:
    """Say which identifiers a header promises.

    Parameters
    ----------
    header : str
        Header of a column.
    field : str
        Field that it is declared to hold: person, visit and episode numbers may be called so where
        they stand, and a visit's date may be called a day of admission.

    Returns
    -------
    tuple of Promise
        One for each class.

    Examples
    --------
    >>> [p.safe_harbor for p in promised_identifiers("Date of birth", "visit_date")]
    ['C']
    >>> promised_identifiers("PatientNo", "patient"), promised_identifiers("Name of test", "definition")
    ((), ())
    """
    words = _header_words(header)
    found = {Promise(what, letter) for (letter, what), own in _KNOWN.items() if own.search(words)}
    tokens = words.split()
    for (letter, what), lone in _ALONE.items():
        own = [t for t in tokens if t in lone.split()]
        if own and all(t in own or t in _OWNERS for t in tokens):
            found.add(Promise(what, letter))
    for (letter, what), stems in _STEMS.items():
        if any(token.startswith(stem) for token in tokens for stem in stems):
            found.add(Promise(what, letter))
    if field not in IDENTIFIER_FIELDS and _RECORDS.search(words):
        found.add(Promise("a medical record number", "H"))
    if field != "visit_date" and _STAYS.search(words):
        found.add(Promise("a date of birth, death or stay", "C"))
    return tuple(sorted(found, key=lambda promise: promise.safe_harbor))


def is_zip_header(header: str) -> bool:
    """Say whether a header promises ZIP codes of the United States.

    Parameters
    ----------
    header : str
        Header of a column.

    Returns
    -------
    bool
        True for ZIP, Zip code, ZIP3 and their like.
    """
    return re.search(r"(^| )zip($| |\d|code)", _header_words(header)) is not None


def _header_words(header: str) -> str:
    spaced = plain_letters(_CAMEL.sub(" ", header))
    return " ".join(_WORDS.findall(spaced))


def _phrases(text: str) -> re.Pattern[str]:
    listed = [" ".join(phrase.split()) for phrase in text.split("|")]
    return re.compile(rf"(?:^| )(?:{'|'.join(map(re.escape, listed))})(?:$| )")


_KNOWN = {key: _phrases(text) for key, text in _PHRASES.items()}
_RECORDS, _STAYS = _phrases(_RECORD_NUMBERS), _phrases(_ADMISSIONS)
