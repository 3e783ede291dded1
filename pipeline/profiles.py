"""Profiles: one TOML file per kind of export, and which of them a file belongs to."""

from pipeline.profile_model import (
    COMPRESSION_ENDINGS,
    EPOCH_FORMATS,
    SUPPORTED_DIRECTIVES,
    Channel,
    CsvFormat,
    ExportProfile,
    JsonFormat,
    Long,
    SiteSource,
    Timestamp,
    without_compression,
)

__all__ = [
    "COMPRESSION_ENDINGS",
    "EPOCH_FORMATS",
    "SUPPORTED_DIRECTIVES",
    "Channel",
    "CsvFormat",
    "ExportProfile",
    "JsonFormat",
    "Long",
    "SiteSource",
    "Timestamp",
    "without_compression",
]
