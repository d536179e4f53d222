"""Writes the published JSON Schemas: ``python -m sixpulse.schema FOLDER``."""

import json
import sys
from pathlib import Path

from . import DOCUMENTS, json_schema

if __name__ == "__main__":
    for name in DOCUMENTS:
        text = json.dumps(json_schema(name), indent=2) + "\n"
        Path(sys.argv[1], f"{name}.json").write_text(text, encoding="utf-8")
