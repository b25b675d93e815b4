"""A constant that steers, and the program with another value of it."""

from __future__ import annotations

import types
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from typing import Any

import numpy as np

SHARE = 0.2


@dataclass(frozen=True)
class Figure:
    """A constant `name` of a module, and its value."""

    module: types.ModuleType
    name: str
    value: Any

    def times(self, factor: float) -> Any:
        """The value `factor` times as large."""
        if isinstance(self.value, dict):
            return {key: one * factor for key, one in self.value.items()}
        if isinstance(self.value, tuple):
            return tuple(one * factor for one in self.value)
        if isinstance(self.value, np.ndarray):  # rows of probabilities: what leaves the diagonal
            apart = self.value * factor * (1 - np.eye(len(self.value)))
            return apart + np.diag(1 - apart.sum(1))
        if 0.8 < self.value < 1.25:  # a share, or a ratio near 1: its distance from 1
            return 1 + (self.value - 1) * factor
        return self.value * factor


@contextmanager
def changed(figure: Figure, value: Any, modules: Iterable[types.ModuleType]) -> Iterator[None]:
    """With a figure's value changed wherever it is known: in `modules`, and as a default."""
    undo: list[Callable[[], None]] = []
    for module in modules:
        if getattr(module, figure.name, None) is figure.value:
            setattr(module, figure.name, value)
            undo.append(lambda m=module: setattr(m, figure.name, figure.value))
    for function in _functions(figure.module):
        before = function.__defaults__
        if any(one is figure.value for one in before or ()):
            function.__defaults__ = tuple(
                value if one is figure.value else one for one in before or ()
            )
            undo.append(lambda f=function, d=before: setattr(f, "__defaults__", d))
    try:
        yield
    finally:
        for one in undo:
            one()


def _functions(module: types.ModuleType) -> Iterator[types.FunctionType]:
    owners = [module, *(one for one in vars(module).values() if isinstance(one, type))]
    for owner in owners:
        if owner is module or owner.__module__ == module.__name__:
            yield from (one for one in vars(owner).values() if isinstance(one, types.FunctionType))
