"""Result objects into one JSON document: stable keys, null where there is no number."""

import json
from collections.abc import Mapping
from dataclasses import fields, is_dataclass
from datetime import date, datetime
from math import isfinite
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd


def to_json(result: object) -> str:
    """Return a result as JSON; lengths in mm unless the key says otherwise.

    Keys are the result's field names. NaN and infinity have no place in JSON and become null.
    """
    return json.dumps(plain(result), ensure_ascii=False, indent=1, allow_nan=False)


def plain(value: Any) -> Any:
    """Return a value made of dicts, lists, text, numbers and None only."""
    if is_dataclass(value) and not isinstance(value, type):
        return {f.name: plain(getattr(value, f.name)) for f in fields(value)}
    if isinstance(value, Mapping):
        return {str(key): plain(item) for key, item in value.items()}
    if isinstance(value, pd.DataFrame):
        return [plain(row) for row in value.to_dict("records")]
    if isinstance(value, np.ndarray):
        return plain(value.tolist())
    if isinstance(value, list | tuple | set | frozenset):
        return [plain(item) for item in value]
    return _scalar(value)


def _scalar(value: Any) -> Any:
    if value is None or isinstance(value, str | bool | int):
        return value
    if isinstance(value, np.generic):
        return plain(value.item())
    if value is pd.NaT or value is pd.NA:
        return None
    if isinstance(value, float):
        return value if isfinite(value) else None
    if isinstance(value, datetime | date):
        return value.isoformat()
    if isinstance(value, Path):
        return str(value)
    raise TypeError(f"no JSON for {type(value).__name__}")
