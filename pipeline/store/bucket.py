"""A bucket: what a delivery holds of some of its patients.

Most deliveries are one bucket. A large one is made, checked and written bucket by bucket, patients in
the order of their pseudonyms, so that memory does not grow with it; all become visible at once.
"""

from dataclasses import dataclass

import polars as pl

from pipeline.store.holding import Account


@dataclass(frozen=True)
class Bucket:
    """Facts of some patients, and the rows that they were taken from.

    Attributes
    ----------
    tables : dict of str to polars.DataFrame
        Accepted facts; all canonical columns but ``delivery``, which the store fills. Text may be
        numbered (``Enum``).
    quarantine : polars.DataFrame
        Quarantined facts; all columns of ``QUARANTINE`` but ``delivery``.
    raw : polars.DataFrame
        Screened, pseudonymised rows as the clinic sent them, all text.
    account : dict of str to dict of str to int
        Facts by table: read, accepted, quarantined, duplicate, out_of_scope.
    """

    tables: dict[str, pl.DataFrame]
    quarantine: pl.DataFrame
    raw: pl.DataFrame
    account: Account


def add_accounts(one: Account, other: Account) -> Account:
    """Add two accounts.

    Parameters
    ----------
    one, other : dict of str to dict of str to int
        Counts by table and fate.

    Returns
    -------
    dict of str to dict of str to int
        Their sums.
    """
    found: Account = {table: dict(counts) for table, counts in one.items()}
    for table, counts in other.items():
        own = found.setdefault(table, {})
        for fate, count in counts.items():
            own[fate] = own.get(fate, 0) + count
    return found


def together(buckets: list[Bucket]) -> Bucket:
    """Put buckets together, their text plain.

    Parameters
    ----------
    buckets : list of Bucket
        At least one, in their order.

    Returns
    -------
    Bucket
        All of them as one.
    """
    plain = (pl.selectors.enum() | pl.selectors.categorical()).cast(pl.String)
    account: Account = {}
    for bucket in buckets:
        account = add_accounts(account, bucket.account)
    names = dict.fromkeys(name for bucket in buckets for name in bucket.tables)
    return Bucket(
        tables={
            name: pl.concat(
                [b.tables[name].with_columns(plain) for b in buckets if name in b.tables]
            )
            for name in names
        },
        quarantine=pl.concat([bucket.quarantine for bucket in buckets]),
        raw=pl.concat([bucket.raw.with_columns(plain) for bucket in buckets]),
        account=account,
    )
