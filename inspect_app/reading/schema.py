"""The JSON schema of the answer, from the types of `Inspection` and the table of quantities."""

from __future__ import annotations

from inspect_app.reading.inspection import ANSWER_FORMAT, FLAGS_FORM, SINGLES, Divot, Flat, FretReading, Inspection
from inspect_app.reading.json_form import Schema, schema_of
from inspect_app.reading.key import on_fret
from inspect_app.reading.quantities import Quantity, entry_of, every_quantity

__all__ = ["answer_schema"]

_UNITS = {"mm": "millimetres", "deg": "degrees", "1": "ratio"}
_SPOTS = {Flat: "flats", Divot: "divots"}
_U = "Combined standard uncertainty (k = 1), in the unit of the value."
_SOURCES = "Standard uncertainties by source, in the unit of the value; u is the root of their summed squares."
_ABOUT = (
    "One photo measured in one view. Millimetres and degrees; points are (x, y) in pixels of the upright photo, origin "
    "at the middle of the top left pixel. Several photos give a list of such answers. A value that could not be read "
    "is left out and named under not_measured."
)
_IN_FULL = "The contributions in full, where one says more than its source and size."
_OF = "Which one of its source: the photo, the scale, the calliper, the reading. Empty where not said."
_INFLUENCE: Schema = {
    "type": "object",
    "properties": {
        "source": {"type": "string"},
        "of": {"type": "string", "description": _OF},
        "u": {"type": "number", "minimum": 0},
        "sign": {"enum": [-1, 0, 1], "description": "Which way the value moves with the source; 0 where not known."},
        "dof": {"type": "number", "exclusiveMinimum": 0, "description": "Of u; left out where there is no bound."},
    },
    "required": ["source", "of", "u", "sign"],
    "additionalProperties": False,
}
_MEASURED: Schema = {
    "type": "object",
    "properties": {
        "value": {"type": "number"},
        "u": {"type": "number", "minimum": 0, "description": _U},
        "unit": {"enum": list(_UNITS)},
        "contributions": {
            "type": "object",
            "minProperties": 1,
            "additionalProperties": {"type": "number", "minimum": 0},
            "description": _SOURCES,
        },
        "influences": {"type": "array", "minItems": 1, "items": _INFLUENCE, "description": _IN_FULL},
        "flags": {"type": "array", **FLAGS_FORM},
        "by_hand": {"type": "boolean", "description": "True when a person placed an edge this value rests on."},
    },
    "required": ["value", "u", "unit", "contributions", "flags", "by_hand"],
    "additionalProperties": False,
}


def answer_schema() -> Schema:
    """The schema (JSON Schema draft 2020-12) of `Inspection.to_dict`."""
    answer = schema_of(Inspection, _quantity_schema)
    first = {"type": "integer", "minimum": 0, "description": "Number of the fret nearest the nut in this answer."}
    form = {"const": ANSWER_FORMAT, "description": "Version of this form."}
    answer["properties"] = {"format": form, **answer["properties"], "first_fret": first}
    answer["required"] = ["format", *answer["required"]]
    if named := {_pattern(q): _value(q) for q in every_quantity() if not _is_field(q)}:
        answer["properties"]["values"]["patternProperties"] = named
    units = {n: {"$ref": "#/$defs/quantity", "properties": {"unit": {"const": u}}} for u, n in _UNITS.items()}
    title = "Answer of `inspect-app measure --json`"
    about = {"$schema": "https://json-schema.org/draft/2020-12/schema", "title": title, "description": _ABOUT}
    return {**about, **answer, "$defs": {"quantity": _MEASURED, **units}}


def _quantity_schema(kind: type, name: str) -> Schema | None:
    """A quantity's unit and meaning in place of any quantity's form."""
    if kind is FretReading and name in SINGLES:
        return _value(entry_of(on_fret(1, name)))
    return _value(entry_of(on_fret(1, _SPOTS[kind], 1, name))) if kind in _SPOTS else None


def _value(q: Quantity) -> Schema:
    return {"$ref": f"#/$defs/{_UNITS[q.unit]}", "description": q.meaning}


def _is_field(q: Quantity) -> bool:
    return q.feature in _SPOTS.values() or q.feature.replace(" ", "_") in SINGLES


def _pattern(q: Quantity) -> str:
    return rf"(^|, ){q.feature}( [0-9]+)?{f', {q.quantity}' if q.quantity else ''}$"
