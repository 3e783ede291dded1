"""The facts for machines: one JSON document a day, and the JSON Schema that it keeps to (`digest.schema.json`).

The published schema is made from the model.
"""

import json
from pathlib import Path
from typing import Any

from pipeline.digest.model import DigestFacts

SCHEMA_FILE = Path(__file__).with_name("digest.schema.json")
DIALECT = "https://json-schema.org/draft/2020-12/schema"


def to_json(facts: DigestFacts) -> str:
    """The facts on one line; figures that are no numbers are null."""
    return facts.model_dump_json() + "\n"


def schema() -> dict[str, Any]:
    """What every digest.json keeps to, JSON Schema 2020-12."""
    return {"$schema": DIALECT, "title": "digest.json", **DigestFacts.model_json_schema(mode="serialization")}


def schema_text() -> str:
    """The schema as the published file has it."""
    return json.dumps(schema(), indent=1, sort_keys=True) + "\n"
