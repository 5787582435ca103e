"""Frozen dataclasses as plain JSON values and back, and the JSON schema of that form, all from the types themselves.

Tuples are lists, a `Key` its text, a `Measured` its own form. An empty field with ``LEAVE_OUT`` in its annotation is
left out; ``At("bevel", "treble")`` puts one below another name; a mapping in an annotation goes into the schema as it
is: ``Annotated[int, {"minimum": 0}]``.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import MISSING, fields, is_dataclass
from functools import cache, partial
from types import NoneType, UnionType
from typing import Annotated, Any, Literal, NamedTuple, TypeVar, Union, get_args, get_origin, get_type_hints

from inspect_app.reading.key import Key, parse_key
from shared.measured import Measured

__all__ = ["LEAVE_OUT", "Nested", "Schema", "Said", "to_plain", "from_plain", "schema_of"]

Schema = dict[str, Any]
Said = Callable[[type, str], Schema | None]
T = TypeVar("T")
LEAVE_OUT = "left out while empty"


class Nested(NamedTuple):
    """A field that stands one level down: under `group`, as `name`."""

    group: str
    name: str


class _Field(NamedTuple):
    name: str
    type: Any
    at: tuple[str, ...]
    left_out: bool
    required: bool
    said: Schema


@cache
def _fields_of(kind: Any) -> tuple[_Field, ...]:
    hints = get_type_hints(kind, include_extras=True)
    out = []
    for f in fields(kind):
        inner, *extras = get_args(hints[f.name]) if get_origin(hints[f.name]) is Annotated else (hints[f.name],)
        place = next(((e.group, e.name) for e in extras if isinstance(e, Nested)), (f.name,))
        said = {k: v for e in extras if isinstance(e, Mapping) for k, v in e.items()}
        needed = f.default is MISSING and f.default_factory is MISSING
        out.append(_Field(f.name, inner, place, LEAVE_OUT in extras, needed, said))
    return tuple(out)


def to_plain(item: Any) -> Any:
    """The JSON-ready form of a dataclass."""
    return _writer(item.__class__)(item)


@cache
def _writer(kind: Any) -> Callable[[Any], Any]:
    """How a value of a type is written, worked out once: an answer holds tens of thousands of points."""
    origin, args = get_origin(kind), get_args(kind)
    known: Mapping[Any, Callable[[Any], Any]] = {Measured: Measured.to_dict, Key: str}
    if origin in (Union, UnionType):
        inner = _writer(next(a for a in args if a is not NoneType))
        return lambda v: None if v is None else inner(v)
    if origin is tuple:
        each = _writer(args[0])
        return list if each is _as_it_is else lambda v: [each(x) for x in v]
    if origin is Mapping:
        value = _writer(args[1])
        return lambda v: {str(k): value(x) for k, x in v.items()}
    if kind in known:
        return known[kind]
    return partial(_written, kind) if is_dataclass(kind) else _as_it_is


def _as_it_is(value: Any) -> Any:
    return value


def _written(kind: Any, item: Any) -> Schema:
    out: dict[str, Any] = {}
    for f in _fields_of(kind):
        value = getattr(item, f.name)
        if f.left_out and (value is None or value == () or value == {}):
            continue
        into = out.setdefault(f.at[0], {}) if len(f.at) == 2 else out
        into[f.at[-1]] = _writer(f.type)(value)
    return out


def from_plain(kind: type[T], data: Any) -> T:
    """The inverse of `to_plain`; what the type does not know is passed over.

    Raises
    ------
    ValueError, KeyError, TypeError, OptionError
        If the data are not of that form.
    """
    form: Any = kind
    return _reader(form)(data)  # type: ignore[no-any-return]


@cache
def _reader(kind: Any) -> Callable[[Any], Any]:
    """How a value of a type is read, worked out once: an answer holds tens of thousands of points."""
    origin, args = get_origin(kind), get_args(kind)
    if origin in (Union, UnionType):
        inner = _reader(next(a for a in args if a is not NoneType))
        return lambda v: None if v is None else inner(v)
    if origin is tuple:  # of one type: points, lists of anything
        return partial(_tuple_read, _reader(args[0]), None if args[-1] is ... else len(args))
    if origin is Mapping:
        key, value = map(_reader, args)
        return lambda v: {key(k): value(x) for k, x in v.items()}
    known: Mapping[Any, Callable[[Any], Any]] = {Measured: Measured.from_dict, Key: parse_key}
    if kind in known:
        return known[kind]
    if is_dataclass(kind):
        return partial(_object, kind)
    return kind if kind in (float, int, str, bool) else _as_it_is


def _tuple_read(each: Callable[[Any], Any], length: int | None, data: Any) -> tuple[Any, ...]:
    if length not in (None, len(data)):
        raise ValueError(f"{length} values are wanted, not {len(data)}")
    return tuple(map(each, data))


def _object(kind: Any, data: Mapping[str, Any]) -> Any:
    found = {}
    for f in _fields_of(kind):
        within = data.get(f.at[0], {}) if len(f.at) == 2 else data
        if f.at[-1] in within:
            found[f.name] = _reader(f.type)(within[f.at[-1]])
    return kind(**found)


def schema_of(kind: Any, said: Said) -> Schema:
    """The JSON schema (draft 2020-12) of a type's form.

    Parameters
    ----------
    said : callable
        Gives for a dataclass and the name of its field what stands in place of the schema derived, or ``None``.
    """
    origin, args = get_origin(kind), get_args(kind)
    if origin in (Union, UnionType):
        return {"oneOf": [schema_of(a, said) for a in args]}
    if origin is Literal:
        return {"enum": list(args)}
    if origin is tuple and args[-1] is ...:
        return {"type": "array", "items": schema_of(args[0], said)}
    if origin is tuple:
        pair = [schema_of(a, said) for a in args]
        return {"type": "array", "prefixItems": pair, "minItems": len(pair), "maxItems": len(pair)}
    if origin is Mapping:
        inner = {} if args[1] is Any else {"additionalProperties": schema_of(args[1], said)}
        return {"type": "object", **inner}
    if kind is Measured:
        return {"$ref": "#/$defs/quantity"}
    known = {float: "number", int: "integer", str: "string", bool: "boolean", NoneType: "null", Key: "string"}
    return {"type": known[kind]} if kind in known else _object_schema(kind, said)


def _object_schema(kind: type, said: Said) -> Schema:
    out = _closed({}, [])
    for f in _fields_of(kind):
        into = out["properties"].setdefault(f.at[0], _closed({}, [])) if len(f.at) == 2 else out
        inner = next(a for a in get_args(f.type) if a is not NoneType) if f.left_out and _optional(f.type) else f.type
        into["properties"][f.at[-1]] = (said(kind, f.name) or schema_of(inner, said)) | f.said
        if f.required or not (f.left_out or _optional(f.type)):
            into["required"].append(f.at[-1])
    return out


def _closed(properties: Schema, required: list[str]) -> Schema:
    return {"type": "object", "properties": properties, "required": required, "additionalProperties": False}


def _optional(kind: Any) -> bool:
    return get_origin(kind) in (Union, UnionType) and NoneType in get_args(kind)
