"""Mixed-effects models with nested and crossed random effects, for many rows.

Usable on its own, in a notebook say:

>>> import polars as pl
>>> from pipeline.mixed_model.contrast import estimate
>>> from pipeline.mixed_model.description import Factor, ModelDescription, RandomTerm
>>> from pipeline.mixed_model.fit import fit
>>> rows = pl.DataFrame(
...     {
...         "patient": ["a", "a", "b", "b", "c", "c", "d", "d"],
...         "technique": ["lateral", "long_axis"] * 4,
...         "gain_deg": [7.0, 4.0, 9.0, 7.5, 5.0, 3.0, 8.0, 4.5],
...     }
... )
>>> model = fit(
...     rows,
...     ModelDescription(
...         outcome="gain_deg",
...         fixed=(Factor(name="technique", levels=("long_axis", "lateral")),),
...         random=(RandomTerm(by=("patient",)),),
...     ),
... )
>>> found = estimate(model, [0.0, 1.0])
>>> round(found.estimate, 2), round(found.standard_error, 2), round(found.degrees_of_freedom, 2)
(2.5, 0.46, 3.0)

A description (``description``) says what is fitted; rows become exact, additive sums
(``sufficient_statistics``, ``merging``); ``fit`` finds the variances; every other module answers a
question of the fitted model from those sums, without the rows.
"""
