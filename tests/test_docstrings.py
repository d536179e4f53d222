"""Docstrings: every public function says what each of its parameters is, under the names the signature has."""

from __future__ import annotations

import importlib
import inspect
import pkgutil
import re
from collections.abc import Callable, Iterator
from typing import Any

import pytest

import sixpulse

#: Modules of the package that are not for users to import.
INTERNAL = re.compile(r"\._|__main__|\.demo\.make_captures$")


def public_callables() -> Iterator[tuple[str, Callable[..., Any]]]:
    modules = [sixpulse.__name__]
    modules += [found.name for found in pkgutil.walk_packages(sixpulse.__path__, "sixpulse.")]
    seen: set[int] = set()
    for name in modules:
        if INTERNAL.search(name):
            continue
        module = importlib.import_module(name)
        for member in getattr(module, "__all__", []):
            value = getattr(module, member)
            is_result = inspect.isclass(value) and issubclass(value, sixpulse.results.Result)
            is_error = inspect.isclass(value) and issubclass(value, BaseException)
            if (
                (inspect.isroutine(value) or inspect.isclass(value))
                and not is_result
                and not is_error
                and id(value) not in seen
            ):
                seen.add(id(value))
                yield f"{name}.{member}", value


CALLABLES = dict(public_callables())


def documented(text: str) -> list[str]:
    """Return the names of the section "Parameters", in order."""
    lines = inspect.cleandoc(text).splitlines()
    if "Parameters" not in lines:
        return []
    names: list[str] = []
    body = lines[lines.index("Parameters") + 2 :]
    for i, line in enumerate(body):
        if line.startswith(">>>") or set(body[i + 1 : i + 2][0] if i + 1 < len(body) else "x") == {"-"}:
            break
        if line and not line.startswith(" "):
            names += [name.strip().lstrip("*") for name in line.partition(" : ")[0].split(",")]
    return names


@pytest.mark.parametrize("name", CALLABLES)
def test_parameters_match_the_signature(name: str) -> None:
    value = CALLABLES[name]
    text = value.__doc__ or ""
    assert text.strip(), "a public name without a docstring"
    try:
        signature = inspect.signature(value)
    except ValueError:
        pytest.skip("made by functions, not by a call")
    expected = [p for p in signature.parameters if p not in ("args", "kwargs")]
    if inspect.isclass(value) and hasattr(value, "__dataclass_fields__"):
        pytest.skip("a frozen class describes its fields as attributes")
    if "Parameters" not in text:
        assert len(expected) <= 1, "several parameters need a section of their own"
    else:
        assert documented(text) == expected


def test_the_check_can_fail() -> None:
    assert documented("Do.\n\nParameters\n----------\na, b : int\n    Two.\n\nReturns\n-------\nint\n") == ["a", "b"]
    assert documented("Do.") == []


@pytest.mark.parametrize("name", CALLABLES)
def test_one_positional_argument_at_most_beyond_the_data(name: str) -> None:
    """Keyword-only beyond the data (STYLE 28): no call is to be read by counting."""
    try:
        parameters = inspect.signature(CALLABLES[name]).parameters.values()
    except ValueError:
        pytest.skip("made by functions, not by a call")
    kinds = [p for p in parameters if p.kind in (p.POSITIONAL_ONLY, p.POSITIONAL_OR_KEYWORD)]
    optional = [p.name for p in kinds if p.default is not p.empty]
    allowed = {
        "sixpulse.errors.from_core": ["fields"],
        "sixpulse.cli.main": ["arguments"],
        # before, during, after: captures in the order of time; source, destination: as every copy has them.
        "sixpulse.compare_interventions": ["after"],
        "sixpulse.exercises.build": ["destination"],
    }
    dataclass = hasattr(CALLABLES[name], "__dataclass_fields__")
    assert dataclass or optional == allowed.get(name, []), "optional arguments are keywords"
