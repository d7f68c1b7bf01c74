"""An invented network of clinics with known truth, and one open data set.

No person in it exists; only ``open_data`` was measured. What a report finds in the invented network
is what was put into it, and no evidence about any treatment.

How to make it, the same bytes for the same seed::

    network = make_network(seed=1, n_patients=600)      # synthetic_data.network
    exports = write_exports(network, folder)            # synthetic_data.export
    network.truth                                       # effects and variance components
    network.answer_key.defects                          # every planted defect, by file and record

From truth to export
    ``truth`` (effects) → ``clinic`` (how each clinic works) → ``patient`` (people, hips, visits) → ``bout``
    and ``course`` (what is done, and what every hip can reach) → ``reading`` (errors, rounding, missing
    retests) → ``event`` (all this as frames) → a module for each clinic's layout and codebook →
    ``defect`` (what is spoilt, by ``planting``) → ``export``, with ``text_file`` and ``typed_file``.
The six clinics
    *harbour*: CSV, one row per event in stated order; an increment corrects five angles.
    *millrace*: German CSV in cp1252, radians and decimal commas, one row per measurement with its phase
    (before or after) and the treatment repeated on every row.
    *tarnside*: wide CSV with a byte-order mark, one row per visit and hip, two motions in one cell
    (``45-0-30``, ``S 20-0-120``), dates with the month first, dose and grade as text.
    *lindeveen*: workbook of six sheets with Dutch headers, joined by the number of the visit; flexion in
    the system in which a straight hip is 180.
    *saltgrove*: NDJSON, one line a visit with lists in lists; rotation in gon, flexion and extension as
    ``120-0-20``; stated order.
    *brackwell*: a folder of Parquet files, joined by the number of the visit; lack of extension as a
    positive number, one row for a bout that both hips had alike; stated order; another instrument from
    one day on.
    Clinicians have one numbering in the whole network; a few work at both tarnside and brackwell.
What is to be found
    ``answer_key`` names every planted defect, what ought to become of it, and the number of facts in
    each file. ``identifier_export`` writes small exports that must be refused, ``wide_export`` one of any
    size for benchmarks.
Other folders
    ``plan`` holds the analysis plan of the network, ``open_data`` 39 people of a published trial with
    their codebook and plan.
"""
