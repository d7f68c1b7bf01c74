"""Words of the trade: they stand in clean exports in any number and are no names of persons.

The words of the project's own code lists, and those that clinics use in the commoner languages
(common practice, no source). A word counts whatever its case and accents.
"""

import re
import unicodedata
from functools import cache

from schemas.field import FIELDS, list_of
from schemas.vocabulary import code_list

_LETTERS = re.compile(r"[^\W\d_]+")

_ENGLISH = """
a ab abd abduction above ache add adduction active after age all and ankle anterior at avoided aid back barrier
baseline before belt below bilateral blocked bone bony both bout capsular cap case caudal clicking clinic client
clinician comb combined contralateral control cranial crepitus deep deg degree degrees device discharge distal
done dorsal down due early elastic empty end entry episode er ext extension external fall feel felt file fim firm first fl flex flexion follow
for free from full fup glide good gentle grade gr guarding hard high hip hold hypermobile inferior initial inclinometer
instrument internal intern ir joint knee lag lateral lax left leg less level light limit limited limits line long loose low
lt l m mag marked max measured medial mid mild min minimal missing moderate more motion movement muscle muscular n na
nad nd neutral no none normal not note nt null of off ok on only op or other out over pa pain painful part
passive patient pending per phase physio physiotherapist physiotherapy pos position post posterior pre press pretest
prone proximal pt quad r range re reassessment record refused rest restricted retest review right rigid rom rot
rotation row rt s same sec second session seat seated set sets severe side sit sitting slight soft spasm spring springy stage standing
start stiff stopped strain stretch strong superior supine swelling system table tbc team tech technique tender
test therapist therapy third through tight time tissue to too total treatment tx unable unchanged unit universal unknown up
ventral very visit vs was weak week with without within wnl worse x yes no goniometer digital bubble tape phone app
in into at by during then stop stops reached between under lat ant post inf sup dist prox cran caud abd add extrot introt flex exr inr springy block blocks elastic mus cox coxarthrosis
arthrosis osteoarthritis oa tep thr tha fai clin approx appr ca circa about refuses declined prone cm mm glides distractions mobilisation mobilization
manipulation thrust maitland kaltenborn mulligan mwm hvt hvla lad pat pts sides seconds minutes months month weeks years year days day since dur
sec secs reps rep repetitions times x sup sit std stand ue le bolster ball foot feet shoulder spine thoracic lumbar cervical elbow wrist hand
tendon ligament femur femoral pelvis pelvic sacrum acetabular head neck groin thigh buttock gluteal hamstring quadriceps psoas adductor
male female man woman men women student trainee staff junior senior rater assessor nurse doctor physician
"""
_GERMAN = """
abd add aktiv anschlag elastisch feder federnd coxarthrose arthrose zn cox zustand beiden beide seiten seit monat monate monaten jahr jahre
jahren wochen tag tage tagen sekunden minuten sek wdh anschlag hand fuss schulter becken arzt art aufnahme aussen außen ausgangswert außenrotation aussenrotation befund behandler
behandlung beide beidseits bein beugung bis blockiert dehnung der die das distal druck einheit ende endgefühl entfällt ergebnis erst
erstbefund erste extension fall fest flexion frau männlich weiblich divers gehalten gelenk gering gemessen grad gut hart hüfte hüftbeugung innen innenrotation
kapsel kapsulär kapselsteife kein keine keiner knie knochen knöchern kombiniert kontrolle lage leer leicht li links
maximal messung mittel mit muskel muskulär muskelverkürzung nach nachher nicht normal oben ohne passiv patient
phase physiotherapeut re rechts rechtwinklig rotation rücken schmerz schmerzen schmerzhaft schwer sehr seite seitlich
serie serien sitzend sitz sitzung spannung stark steif streckung termin test therapeut traktion und unten verlauf
visite vor vorher vorspannung wechsel weich wert wie wiederholung winkel woche zweite zug
"""
_ROMANCE = """
medido mesuré mesure testé teste testado misurato jours mois semaine semaines années mes meses semana semanas año años actif active actif actividad antes apres après articulation assis aucun avant bilan bilateral capsulaire capsular
cadera caso cita côté cote couche couché control derecha derecho después destra destro dolor dopo dossier douleur droit droite droit
dur duro dure elastico elastique espalda esquerdo esquerda direita direito estiramiento extension extensión externa externe externo
final fin fisio fisioterapeuta flexion flexión flessione flexao flexão force gauche genou grado grau hanche izquierda izquierdo
interna interne interno intra kine kiné lado libre limitado limite lleno lungo mano medio mobilisation moins molle mou musculaire
muscular muscolare nada ningun niveau non normal normale nulo osseux oseo oui passif pasiva pasivo passiva passivo paziente
paciente pendant pied plus position premiere première primera prima prono quadril rapide ressort rotacion rotación rotation rotazione
rotacao rotação seance séance sedestacion seconde segunda seduto sentado serie series série séries sessione sesion sesión sin sinistra sinistro
sortie sotto supino test therapeute traction traitement tratamiento trattamento très visita visite vide vuoto
anca avant estiramento extensao extensão sim não nao
"""
_NORTHERN = """
aktiv actief après behandeling behandling bekken benig beide begge begeleid bezoek boven buigen draai draaien drejning
drukken dx eerste einde en eindgevoel fast fleksjon fri fysio fysioterapeut før for etter efter første første forste första gang
goed hard heup heftig hofte höft hoft høyre höger højre ikke inte ingen innad inåt innadrotasjon indadrotation inåtrotation utåtrotation
utadrotasjon inwendig uitwendig kapsel kapsulær kapsulär klinikk knä kne kort leddet licht links liggend liggende linker løs maximaal
myk mjuk meting måling mätning neutraal nieuw niet normaal og och opname passief patient patiënt pijn pijnlijk rechts rechter
rörelse rotasjon rotatie ryg rygg sittende sittande sinister side siden slap smerte smärta stram stijf tweede tweede uten utan
venstre vänster venstre volledig voor verder ja nej nei nee ny olkapää oikea vasen lonkka kipu kivulias ei kyllä
biodro biodra bol ból bolesny bierny czynny lewa lewe lewy prawa prawe prawy pacjent pierwsza druga wizyta zgięcie wyprost rotacja
wewnętrzna zewnętrzna twardy miękki pusty brak tak nie kyčel
"""


@cache
def trade_words() -> frozenset[str]:
    """List the words of the trade.

    Returns
    -------
    frozenset of str
        Without accents and in lower case.
    """
    words: set[str] = set()
    for text in (_ENGLISH, _GERMAN, _ROMANCE, _NORTHERN):
        words |= set(text.split())
    for name in {list_of(field) for field in FIELDS} - {None}:
        for code in code_list(str(name)).values():
            for text in (code.code, code.label, *code.synonyms):
                words |= set(_LETTERS.findall(text.replace("_", " ")))
    return frozenset(plain_letters(word) for word in words)


def words_of(text: str) -> frozenset[str]:
    """Read a list of words.

    Parameters
    ----------
    text : str
        Words with spaces or line ends between them.

    Returns
    -------
    frozenset of str
        The words.
    """
    return frozenset(text.split())


def plain_letters(text: str) -> str:
    """Give a text in lower case and without accents.

    Parameters
    ----------
    text : str
        Any text.

    Returns
    -------
    str
        The text to compare.

    Examples
    --------
    >>> plain_letters("Größe"), plain_letters("Łódź")
    ('grosse', 'lodz')
    """
    folded = text.casefold().translate(str.maketrans("øłđıð", "oldid")).replace("æ", "ae")
    decomposed = unicodedata.normalize("NFKD", folded)
    return "".join(c for c in decomposed if not unicodedata.combining(c))


def is_trade_word(word: str) -> bool:
    """Say whether a word belongs to the trade.

    Parameters
    ----------
    word : str
        One word; parts joined by a hyphen all have to belong to it.

    Returns
    -------
    bool
        Whether it is known, or a single letter, or a Roman grade.

    Examples
    --------
    >>> is_trade_word("Kapsulär"), is_trade_word("III"), is_trade_word("Example")
    (True, True, False)
    """
    parts = _LETTERS.findall(plain_letters(word))
    return all(_is_known(part) for part in parts)


def _is_known(part: str) -> bool:
    known = trade_words()
    roman = re.fullmatch(r"i{1,3}|iv|vi{0,3}", part) is not None
    return len(part) == 1 or part in known or roman or part.removesuffix("s") in known
