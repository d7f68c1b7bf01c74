"""DuckDB over frames: in memory, offline, and the same rows as the frame library gives."""

import duckdb
import polars as pl
import pytest

from pipeline.query import connect


def test_a_join_on_order_equals_filtering_a_cross_join():
    starts = pl.DataFrame({"p": [1, 1, 2], "at": [1, 5, 2]})
    ends = pl.DataFrame({"p": [1, 2, 2], "at": [4, 1, 9]})
    with connect(starts=starts, ends=ends) as db:
        sql = "SELECT starts.p, starts.at AS a, ends.at AS b FROM starts JOIN ends ON starts.p = ends.p AND ends.at > starts.at ORDER BY ALL"
        found = db.sql(sql).pl()
    crossed = starts.join(ends, how="cross").filter(
        (pl.col("p") == pl.col("p_right")) & (pl.col("at_right") > pl.col("at"))
    )
    assert found.rows() == sorted(crossed.select("p", "at", "at_right").rows())


def test_no_extension_is_fetched_and_nothing_outlives_the_block():
    with connect(rows=pl.DataFrame({"a": [1]})) as db:
        setting = "SELECT value FROM duckdb_settings() WHERE name = 'autoinstall_known_extensions'"
        assert db.execute(setting).fetchall() == [("false",)]
    with pytest.raises(duckdb.Error):
        db.execute("SELECT 1")
