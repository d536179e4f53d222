"""What every result class can do: compare, hash, pickle, show itself, become plain data and come back from it."""

from __future__ import annotations

import dataclasses
import functools
import inspect
import math
import sys
import types
import typing
from collections.abc import Callable, Mapping, Sequence
from typing import Any, ClassVar, Literal, Self, TypeAlias, TypeVar, dataclass_transform

import numpy as np
from numpy.typing import NDArray

from .errors import InvalidDocumentError

FloatArray: TypeAlias = NDArray[np.float64]
_Class = TypeVar("_Class", bound="Result")


@dataclass_transform(frozen_default=True, eq_default=False)
def frozen(cls: type[_Class]) -> type[_Class]:
    """Make a frozen data class whose methods are :class:`Result`'s: none has to be compiled for it at import.

    A field with a default came into the layout later: a document without it is read as one with the default.
    """
    cls.__signature__ = _Signature()  # type: ignore[attr-defined]
    return dataclasses.dataclass(init=False, eq=False, repr=False)(cls)


class _Signature:
    """Signature of a result class, worked out when somebody asks for it."""

    def __get__(self, _: object, cls: type[Result]) -> inspect.Signature:
        kind, later = inspect.Parameter.POSITIONAL_OR_KEYWORD, later_fields(cls)
        default = inspect.Parameter.empty
        return inspect.Signature(
            [
                inspect.Parameter(field.name, kind, annotation=field.type, default=later.get(field.name, default))
                for field in fields_of(cls)
            ]
        )


class Result:
    """What every result class can do: compare, hash, pickle, become plain data and come back from it."""

    #: Fields a short representation shows; all of them when empty.
    _shown: ClassVar[tuple[str, ...]] = ()
    #: Version of the layout, for a class that states it in ``schema_version``.
    _version: ClassVar[int | None] = None

    def __init__(self, *given: Any, **values: Any) -> None:
        names = [field.name for field in fields_of(type(self))]
        if len(given) > len(names):
            raise TypeError(f"{type(self).__name__}: expected {len(names)} values, got {len(given)}")
        placed = dict(zip(names, given, strict=False))
        twice, unknown = placed.keys() & values.keys(), values.keys() - set(names)
        later = later_fields(type(self))
        missing = [name for name in names if name not in placed and name not in values and name not in later]
        for what, which in (("given twice", twice), ("unknown", unknown), ("missing", missing)):
            if which:
                raise TypeError(f"{type(self).__name__}: {what}: {', '.join(sorted(which))}")
        known = later | placed | values
        vars(self).update({name: known[name] for name in names})

    def __setattr__(self, name: str, value: Any) -> None:
        raise dataclasses.FrozenInstanceError(f"cannot assign to field {name!r}")

    def __delattr__(self, name: str) -> None:
        raise dataclasses.FrozenInstanceError(f"cannot delete field {name!r}")

    def to_dict(self) -> dict[str, Any]:
        """Return the result as plain dicts, lists, numbers, strings and None, with the keys of the JSON Schema."""
        return {field.name: _plain(getattr(self, field.name)) for field in fields_of(type(self))}

    def to_json(self, *, indent: int | None = None) -> str:
        """Return the result as JSON text; the keys are the field names.

        Parameters
        ----------
        indent : int, optional
            Spaces per level; one line when not given.
        """
        import json  # noqa: PLC0415 - an examination without it should not wait for it

        return json.dumps(self.to_dict(), indent=indent, ensure_ascii=False, allow_nan=False)

    @classmethod
    def from_dict(cls, document: Mapping[str, Any]) -> Self:
        """Read the result that :meth:`to_dict` wrote.

        Parameters
        ----------
        document : mapping
            Plain data with exactly the keys of this class.

        Raises
        ------
        InvalidDocumentError
            Another version of the layout, a missing or unknown key, or a value of the wrong type; the message names its
            place.
        """
        version = document.get("schema_version") if isinstance(document, Mapping) else None
        if cls._version is not None and isinstance(version, int) and version != cls._version:
            raise invalid(f"{cls.__name__}.schema_version", f"expected {cls._version}, got {version}")
        return typing.cast("Self", _converter(typing.cast("Any", cls))(document, cls.__name__))

    @classmethod
    def _from_core(cls, document: dict[str, Any]) -> Self:
        """Take over what the compiled core made: plain data of this layout, so that nothing has to be checked."""
        for name, build in _builders(typing.cast("Any", cls)):
            document[name] = build(document[name])
        made = object.__new__(cls)
        object.__setattr__(made, "__dict__", document)
        return made

    @classmethod
    def from_json(cls, text: str) -> Self:
        """Read the result that :meth:`to_json` wrote.

        Raises
        ------
        InvalidDocumentError
            The text is not JSON, or not this result.
        """
        import json  # noqa: PLC0415 - as above

        try:
            document = json.loads(text)
        except ValueError as error:
            raise invalid(cls.__name__, f"not JSON ({error})") from None
        return cls.from_dict(document)

    def __eq__(self, other: object) -> bool:
        if type(other) is not type(self):
            return NotImplemented
        return all(_equal(getattr(self, f.name), getattr(other, f.name)) for f in fields_of(type(self)))

    def __hash__(self) -> int:
        scalars = (getattr(self, f.name) for f in fields_of(type(self)))
        return hash((type(self).__name__, *(v for v in scalars if isinstance(v, str | int | float | None))))

    def __reduce__(self) -> tuple[Any, ...]:
        return _rebuild, (type(self), self.to_dict())

    def _facts(self) -> list[tuple[str, str]]:
        """List what both representations show, as pairs of name and value."""
        names = self._shown or tuple(f.name for f in fields_of(type(self)))
        return [(name, short(getattr(self, name))) for name in names]

    def __repr__(self) -> str:
        return f"{type(self).__name__}({', '.join(f'{name}={value}' for name, value in self._facts())})"

    def _repr_html_(self) -> str:
        import html  # noqa: PLC0415 - needed in a notebook alone, and slow to load

        rows = "".join(
            f'<tr><th scope="row">{html.escape(name)}</th><td>{html.escape(value)}</td></tr>'
            for name, value in self._facts()
        )
        return f"<table><caption>{type(self).__name__}</caption><tbody>{rows}</tbody></table>"


def fields_of(cls: Any) -> tuple[dataclasses.Field[Any], ...]:
    """Return the fields of a result class, in order."""
    return dataclasses.fields(cls)


def later_fields(cls: Any) -> dict[str, Any]:
    """Return the fields that came into a class's layout later, with what a document without them means."""
    return {field.name: field.default for field in fields_of(cls) if field.default is not dataclasses.MISSING}


def _plain(value: Any) -> Any:
    match value:
        case Result():
            return value.to_dict()
        case np.ndarray():
            return value.tolist()
        case tuple():
            return [_plain(item) for item in value]
        case dict():
            return {key: _plain(item) for key, item in value.items()}
        case _:
            return value


def _equal(a: Any, b: Any) -> bool:
    if isinstance(a, np.ndarray) or isinstance(b, np.ndarray):
        return bool(np.array_equal(a, b))
    return bool(a == b)


def short(value: Any) -> str:
    """Write a value in a few characters, for representations."""
    match value:
        case bool() | None:
            return str(value)
        case float():
            return f"{value:.5g}"
        case np.ndarray():
            return f"array of {value.size}"
        case tuple() | dict():
            return f"{len(value)} items"
        case _:
            return repr(value)


def _rebuild(cls: type[Result], document: dict[str, Any]) -> Result:
    return cls.from_dict(document)


def invalid(place: str, reason: str) -> InvalidDocumentError:
    """Build the error for a document that is wrong at ``place``."""
    return InvalidDocumentError(f"{place}: {reason}", parameter=place, reason=reason)


_Build: TypeAlias = Callable[[Any], Any]


@functools.cache
def _builders(cls: type[Result]) -> tuple[tuple[str, _Build], ...]:
    """List the fields that are not as they come from the core, with what makes them.

    The annotations are read as text: to evaluate them all would take longer than an examination.
    """
    space = vars(sys.modules[cls.__module__])
    made = ((field.name, _builder(str(field.type), space)) for field in fields_of(cls))
    return tuple((name, build) for name, build in made if build is not None)


def _builder(hint: str, space: Mapping[str, Any]) -> _Build | None:
    """Make the function that builds what an annotation says; None for what stays as it is."""
    if hint.endswith(" | None"):
        inner = _builder(hint.removesuffix(" | None"), space)
        return inner and (lambda value: None if value is None else inner(value))
    if hint.startswith("tuple["):
        item = _builder(hint[len("tuple[") : -1].removesuffix(", ..."), space)
        return tuple if item is None else (lambda values: tuple(map(item, values)))
    if hint.startswith("dict[str, "):
        of_value = _builder(hint[len("dict[str, ") : -1], space)
        return of_value and (lambda values: {key: of_value(value) for key, value in values.items()})
    if hint == "FloatArray":
        return _numbers
    kind = space.get(hint)
    return kind._from_core if isinstance(kind, type) and issubclass(kind, Result) else None


def _numbers(values: list[float]) -> FloatArray:
    array = np.array(values, dtype=np.float64)
    array.flags.writeable = False
    return array


_Convert: TypeAlias = Callable[[Any, str], Any]


@functools.cache
def _converter(hint: Any) -> _Convert:
    """Make the function that checks and converts plain data to the annotated type."""
    origin, arguments = typing.get_origin(hint), typing.get_args(hint)
    if dataclasses.is_dataclass(hint):
        return _class_converter(typing.cast("type[Result]", hint))
    if hint is FloatArray or origin is np.ndarray:
        return _array
    if origin in (types.UnionType, typing.Union):
        (inner,) = (_converter(a) for a in arguments if a is not type(None))
        return lambda value, place: None if value is None else inner(value, place)
    if origin is tuple:
        item = _converter(arguments[0])
        return lambda value, place: tuple(item(v, f"{place}[{i}]") for i, v in enumerate(_list(value, place)))
    if origin is dict:
        of_value = _converter(arguments[1])
        return lambda value, place: {k: of_value(v, f"{place}[{k!r}]") for k, v in _dict(value, place).items()}
    return functools.partial(_word, arguments) if origin is Literal else functools.partial(_scalar, hint)


def _class_converter(cls: type[Result]) -> _Convert:
    hints = typing.get_type_hints(cls)
    converters = {field.name: _converter(hints[field.name]) for field in fields_of(cls)}
    later = later_fields(cls)

    def convert(value: Any, place: str) -> Result:
        document = _dict(value, place)
        if document.keys() != converters.keys():
            document = later | dict(document)
        if document.keys() != converters.keys():
            missing = ", ".join(sorted(converters.keys() - document.keys())) or "none"
            unknown = ", ".join(sorted(document.keys() - converters.keys())) or "none"
            raise invalid(place, f"missing keys: {missing}; unknown keys: {unknown}")
        return cls(**{name: of_field(document[name], f"{place}.{name}") for name, of_field in converters.items()})

    return convert


def _list(value: Any, place: str) -> Sequence[Any]:
    if isinstance(value, list | tuple):
        return value
    raise invalid(place, f"expected a list, got {type(value).__name__}")


def _dict(value: Any, place: str) -> Mapping[str, Any]:
    if isinstance(value, Mapping) and all(isinstance(key, str) for key in value):
        return value
    raise invalid(place, f"expected a mapping with string keys, got {type(value).__name__}")


def _word(words: tuple[str, ...], value: Any, place: str) -> str:
    if isinstance(value, str) and value in words:
        return value
    raise invalid(place, f"expected one of {', '.join(words)}, got {value!r}")


def _scalar(kind: type, value: Any, place: str) -> Any:
    if kind is float and isinstance(value, int | float) and not isinstance(value, bool) and math.isfinite(value):
        return float(value)
    if type(value) is kind and kind is not float:
        return value
    raise invalid(place, f"expected {'a finite ' if kind is float else ''}{kind.__name__}, got {value!r}")


def _array(value: Any, place: str) -> FloatArray:
    try:
        array = np.array(value, dtype=np.float64)
    except (TypeError, ValueError):
        raise invalid(place, "expected a list of numbers") from None
    if array.ndim != 1 or not np.isfinite(array).all():
        raise invalid(place, "expected a flat list of finite numbers")
    array.flags.writeable = False
    return array
