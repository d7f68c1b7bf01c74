"""Range before and after, by groups of starting range."""

import polars as pl
import pytest

from pipeline.before_after import build_before_after


def pairs(pretests, per_patient=1):
    n = len(pretests)
    return pl.DataFrame(
        {
            "clinic": ["c"] * n,
            "patient": [str(i // per_patient) for i in range(n)],
            "pretest_deg": [float(p) for p in pretests],
            "gain_deg": [2.5] * n,
        }
    ).with_columns((pl.col("pretest_deg") + pl.col("gain_deg")).alias("retest_deg"))


def means(found):
    return [tuple(cell.value for cell in group) for group in found.groups]


def test_five_groups_of_equal_size():
    found = build_before_after(pairs(range(10)), "flexion", 2)
    assert means(found) == [(x + 0.5, x + 3.0, 2.5) for x in (0, 2, 4, 6, 8)]
    assert found.motion == "flexion"


@pytest.mark.parametrize(("smallest", "n_groups"), [(2, 5), (3, 3), (4, 2), (10, 1)])
def test_groups_hold_enough_patients_or_there_are_fewer(smallest, n_groups):
    found = build_before_after(pairs(range(10)), "flexion", smallest)
    assert len(found.groups) == n_groups
    assert min(cell.n_patients for group in found.groups for cell in group) >= smallest


def test_too_few_patients_give_no_group():
    assert build_before_after(pairs(range(10)), "flexion", 11) is None
    assert build_before_after(pairs(range(10), per_patient=5), "flexion", 3) is None
    assert build_before_after(pairs([]), "flexion", 1) is None


def test_equal_pretests_stay_together():
    found = build_before_after(pairs([10] * 9 + [20]), "flexion", 1)
    assert means(found)[-1] == (20.0, 22.5, 2.5)
    assert sum(group[0].n_pairs for group in found.groups) == 10
    assert len(found.groups) == 2
    assert means(found)[0] == (10.0, 12.5, 2.5)
