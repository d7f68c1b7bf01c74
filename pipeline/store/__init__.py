"""The store: immutable Parquet parts, named by an append-only ledger."""
