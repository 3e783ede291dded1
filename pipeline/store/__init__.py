"""The history in DuckDB: the one place that holds a connection."""

from pipeline.store.connection import Store

__all__ = ["Store"]
