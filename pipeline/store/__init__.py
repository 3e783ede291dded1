"""The history in DuckDB: the one place that holds a connection."""

from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from pipeline.store.connection import Store

__all__ = ["Store"]


def __getattr__(name: str) -> Any:
    # Loaded when it is first used: what only asks the analyst's database needs no frames.
    if name == "Store":
        from pipeline.store.connection import Store

        return Store
    raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
