"""An invented network of clinics with known truth, and one open data set.

No person in it exists; only ``open_data`` was measured. What a report finds in the invented network
is what was put into it, and no evidence about any treatment.

How to make it, the same bytes for the same seed::

    network = make_network(seed=1, n_patients=600)      # synthetic_data.network
    exports = write_exports(network, folder)            # synthetic_data.export
    network.truth                                       # effects and variance components
    network.answer_key.defects                          # every planted defect, by file and record

From truth to export
    ``truth`` (effects) → ``patient`` (people, hips, visits) → ``bout`` and ``course`` (what is done,
    and what every hip can reach) → ``reading`` (errors, rounding, missing retests) → ``event`` (all
    this as frames) → ``layout`` (each clinic's own columns) → ``defect`` (what is spoilt) →
    ``export`` and ``codebook`` (files).
The two clinics
    *harbour* writes one row per event in stated order, and sends an increment that corrects five
    angles. *millrace* writes German headers, radians and decimal commas, one row per measurement with
    its phase (before or after) and the treatment repeated on every row.
What is to be found
    ``answer_key`` names every planted defect, what ought to become of it, and the number of facts in
    each file. ``identifier_export`` writes small exports that must be refused.
Other folders
    ``plan`` holds the analysis plan of the network, ``open_data`` 39 people of a published trial with
    their codebook and plan.
"""
