"""How many identifiers the search stops, by class, and that clean exports raise no alarm.

The corpus is invented and computed independently of the search (its check digits too), but by the same
project: recall on real exports will be lower. Run with ``-s`` to see the table.
"""

from collections import Counter, defaultdict

import polars as pl
import pytest

from pipeline.identifier.header import promised_identifiers
from pipeline.identifier.search import find_identifiers, search_values
from pipeline.reading.reading import RECORD
from schemas.column import Column
from synthetic_data.codebook import codebook_text, read_codebook
from synthetic_data.identifier_corpus import make_corpus
from synthetic_data.network import make_network

SEEDS = (1, 2, 3)
LEAST = dict.fromkeys("CEFGHIJKMNOPQR", 1.0) | {"A": 0.93, "B": 0.93, "D": 0.99, "L": 0.87}
"""Least share that is stopped. Not found, and planted on purpose: single surnames and towns among codes,
initials of clinicians, telephone numbers written like four readings, number plates like a code."""

OPTIONS = {
    "angle": {"unit": "deg"},
    "pain": {"scale": "0-10"},
    "grade": {"scale": "oscillatory"},
    "duration": {"unit": "mo"},
    "seconds_per_set": {"unit": "s"},
    "visit_date": {"date_format": "%Y-%m-%d"},
}
CLEAN = {
    "angle": "S 20-0-120|R(F90) 45-0-30|R(S90) 45-0-30|120-0-20|0-10-120|30-35|>45|≥ 45|<20|~30|0,6981|0.52359877559|52.5|-5|−5|+10|10 lag|lag 10|"
    "5 deficit|35/40|R 35 L 40|R35 L40|L: 40 R: 35|re 35 li 40|40°|40 deg|40 degrees|approx. 40|ca. 40|40 (pain)|40 mit Schmerz|not tested|NT|n.t.|"
    "nicht gemessen|no medido|non testé|full|full range|limited|WNL|within normal limits|120 118 119|45 46 47 44|45/46/47|45,5|45.5 / 46.0|120/0/10|"
    "S:20-0-120 F:45-0-30|T 10-0-20|unable, pain|hard stop|350|1.2024|5.2024|85 %|-10|10-|(40)|40*|12,5|1 234|94|refused|-|90 s total|2x45s|3 x 1 min",
    "dose": "2x45s|3 x 1 min|90 s total|2/30|3x10|3 x 10 reps|3×30 s|2 sets of 30 s|2x30s x3|45s|3*30|3 Serien 30 s|2 x 30 Sek.|3x30/30|2x(30s)|30-60 s",
    "grade": "III|IV-|gr 3+|III--|3/4|Grade IV|Grad 3|G3|III/IV|iii+|2 - 3|I-II|GRADE III|Maitland III",
    "pain": "3|3/10|NRS 3|VAS 35|35 mm|3-4|<2|0|10|none|no pain|sehr stark|2,5",
    "end_feel": "kapsulär|cap|CAP|hard capsular|bone to bone|springy block|leer|fest-elastisch|muscle guarding|soft tissue approximation|empty (pain)|mus + cap|?",
    "technique": "T1|LAD|lat. distraction|lateral glide|Long axis traction|PA glide|MWM|Caudal glide gr III|T12|lateral distraction with belt",
    "definition": "IRsup90|IR90|IR sitting|Flexion passive supine|Innenrotation 90°|hip_flexion|ROM-IR-90-SUP|SLR|flex. hüfte rechts|IR90ER90",
    "condition": "OA|M16.1|M16.11|M25.551|Coxarthrose li.|Hip OA left|FAI|z.n. TEP|Arthrose|post op|724.2",
    "instrument": "UG|BI|goniometer|digital inclinometer|phone app|inclinometer (digital)|Goniometer 30 cm",
    "side": "L|R|left|li|1|2|bilat|both sides|beide Seiten",
    "row_kind": "T|M|Test|Range test|bout 1|TEST 2|Befund",
    "phase": "pre|nach|retest 1|after session|vor Behandlung|après",
    "age_years": "45|94|90+|>89|102|45 years|94 J.",
    "duration": "12|104|3 months|6 wk|1.5|> 12|10 Jahre|seit 3 Monaten",
    "event": "1|10|10:30|10:30:00",
    "visit_date": "2025-05-05|31.02.2025|12.03.2052|5.5.2025|05/05/2025|2025-05-05 10:30|2025-05-05T10:30:00+02:00|20250505|45782|45782.4375|5. Mai 2025|05-May-25|unknown",
    "patient": "H00001|M-0012|1234567|P 12|Pat. 12|A1|2024/0012|KH-2024-0001|0012345678|12-34-56|AB12CD34|Patient 7|H-000123|7f3a9c2e|"
    "3f2b8c1e-77aa-4b1e-9c1d-aa0012345678|001-002|HAR.0001|Case 12|LM-24-0007",
    "visit": "1|V1|Visit 2|Erstbefund|baseline|follow-up 1|2025-05-05|H00001-1|1. Sitzung|FU 6 weeks|Erste Behandlung|20250505|2025-05",
    "clinician": "T-07|AB|Physio B|PT1|3|Therapist 12|Team A|physio|B.|K1|student 2|senior physio|NN",
}


def column(field):
    return Column(field=field, **OPTIONS.get(field, {}))


def stopped_by(field, texts):
    found = defaultdict(set)
    for pattern, hits in search_values(pl.Series(sorted(texts)), (), column(field)):
        for text in hits:
            found[text].add(pattern.safe_harbor)
    return found


def test_recall_by_class():
    n_all, n_stopped, n_named = Counter(), Counter(), Counter()
    for seed in SEEDS:
        corpus = make_corpus(seed)
        assert len(corpus) >= 2_000
        texts = defaultdict(set)
        for one in corpus:
            texts[one.field].add(one.text.strip())
        found = {field: stopped_by(field, own) for field, own in texts.items()}
        for one in corpus:
            letters = found[one.field][one.text.strip()]
            if one.header:
                letters = {p.safe_harbor for p in promised_identifiers(one.header, one.field)}
            n_all[one.safe_harbor] += 1
            n_stopped[one.safe_harbor] += bool(letters)
            n_named[one.safe_harbor] += one.safe_harbor in letters
    print("\nclass  planted  stopped  under its own class")
    for letter in sorted(n_all):
        share, named = n_stopped[letter] / n_all[letter], n_named[letter] / n_all[letter]
        print(f"{letter}      {n_all[letter]:7d}  {share:7.3f}  {named:7.3f}")
    assert sorted(n_all) == list("ABCDEFGHIJKLMNOPQR")
    short = {x: n_stopped[x] / n_all[x] for x in n_all if n_stopped[x] / n_all[x] < LEAST[x]}
    assert short == {}


@pytest.mark.parametrize("field", sorted(CLEAN))
def test_clean_columns_raise_no_alarm(field):
    assert stopped_by(field, CLEAN[field].split("|")) == {}


def test_the_invented_networks_exports_raise_no_alarm():
    n_rows = 0
    for seed in (4, 5):
        for sent in make_network(seed, 300).deliveries:
            codebook = read_codebook(codebook_text(sent.clinic))
            for name, layout in codebook.alone.items():
                cells = pl.col(*layout.columns).cast(pl.String).fill_null("")
                frame = sent.parts[name].select(cells).with_row_index(RECORD, 1)
                assert list(find_identifiers(frame, layout)) == []
                n_rows += frame.height
    assert n_rows > 10_000


def test_a_corpus_is_the_same_for_the_same_seed():
    assert make_corpus(1) == make_corpus(1)
    assert make_corpus(1) != make_corpus(2)
