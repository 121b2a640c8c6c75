"""Spherical-harmonic coefficients of a container, with their degrees and orders, checked."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from functools import partial
from typing import Any

import numpy as np
from numpy.typing import NDArray

from anechain.arrays import Complexes, Floats
from anechain.errors import InputError, Problem
from anechain.importing.containers import Container
from anechain_spherical.harmonics import acn_degree_and_order
from anechain_spherical.options import SphericalOptions

__all__ = ["Coefficients", "read_coefficients"]

Integers = NDArray[np.int64]
Values = Floats | Complexes


@dataclass(frozen=True)
class Coefficients:
    """Coefficients of a field.

    Attributes
    ----------
    frequency : numpy.ndarray, shape (frequencies,)
        Hz, rising, above 0.
    values : numpy.ndarray of complex, shape (coefficients, frequencies)
        NaN at all coefficients of a frequency at which one is missing.
    degree, order : numpy.ndarray of int, shape (coefficients,)
        n and m of each coefficient.
    attrs : dict of str to str
        Licence and origin of the data, as far as the options name them.
    """

    frequency: Floats
    values: Complexes
    degree: Integers
    order: Integers
    attrs: dict[str, str]


def read_coefficients(container: Container, options: SphericalOptions, report: list[str]) -> Coefficients:
    """Read the coefficients.

    Parameters
    ----------
    container : Container
        The open file.
    options : SphericalOptions
        Paths of the variables.
    report : list of str
        A line is added for everything that is dropped.

    Raises
    ------
    InputError
        With every variable that cannot be read; or if the variables do not fit each other.
    """
    problems: list[Problem] = []

    def collected(read_variable: Callable[[], Any]) -> Any:
        try:
            return read_variable()
        except InputError as input_error:
            problems.extend(input_error.problems)
            return None

    def numbers(option: str) -> Values | None:
        path = getattr(options, option)
        values: Values | None = None if path is None else collected(lambda: container.numbers(path, option))
        return values

    frequency: Floats | None = collected(lambda: container.frequencies(options.frequency, options.frequency_unit))
    values, imaginary, degree, order = map(numbers, ("coefficients", "imaginary", "degree", "order"))
    text_paths = {name: path for name in ("licence", "origin") if (path := getattr(options, name)) is not None}
    attrs = {name: collected(partial(container.text, path, name)) for name, path in text_paths.items()}
    if values is not None and imaginary is not None:
        if imaginary.shape != values.shape or np.iscomplexobj(values) or np.iscomplexobj(imaginary):
            problems.append(
                Problem(
                    container.where,
                    f"{options.imaginary} and {options.coefficients} are not real arrays of the same shape",
                    "real and imaginary parts of the same shape",
                    "leave out the option `imaginary`, if the coefficients are complex",
                )
            )
        else:
            values = np.asarray(values + 1j * imaginary, dtype=np.complex128)
    if problems or frequency is None or values is None:
        raise InputError(problems)
    degree_and_order = None if degree is None or order is None else (degree.real.ravel(), order.real.ravel())
    count = None if degree_and_order is None else degree_and_order[0].size
    ordered = _coefficients_first(
        np.asarray(values, dtype=np.complex128), frequency.size, count, options, container.where
    )
    n, m = _checked_degree_and_order(degree_and_order, len(ordered), options, container.where)
    if frequency[0] == 0:
        report.append("0 Hz dropped: a logarithmic frequency axis cannot show it")
        frequency, ordered = frequency[1:], ordered[:, 1:]
    # If one coefficient is missing, the whole field is unknown at that frequency.
    ordered = np.where(np.isfinite(ordered).all(axis=0), ordered, np.nan)
    if not frequency.size or np.isnan(ordered).all() or not np.nan_to_num(ordered).any():
        raise InputError.single(
            container.where,
            f"{options.coefficients} contains only zeros or missing values above 0 Hz",
            "coefficients of a measured field",
            "correct the option `coefficients`",
        )
    return Coefficients(frequency, ordered, n, m, attrs)


def _coefficients_first(
    values: Complexes, frequencies: int, count: int | None, options: SphericalOptions, where: str
) -> Complexes:
    """Return the coefficients with the axes (coefficients, frequencies).

    Parameters
    ----------
    values : numpy.ndarray of complex
        As the file has them.
    frequencies : int
        Number of frequencies.
    count : int or None
        Number of coefficients; if None it must be a square number.
    options : SphericalOptions
        With the declared axes, if any.
    where : str
        The file, for messages.

    Raises
    ------
    InputError
        If the lengths do not fit, or fit in both orders.
    """
    shape = " × ".join(map(str, values.shape))
    length_one = tuple(axis for axis, length in enumerate(values.shape) if length == 1)
    if values.ndim > 2 and values.ndim - len(length_one) <= 2:
        values = values.squeeze(length_one[: values.ndim - 2])
    if values.ndim == 1 and frequencies == 1:
        values = values[:, None]

    def fits(axes: tuple[str, str]) -> bool:
        coefficients = int(values.shape[axes.index("coefficient")])
        is_count = math.isqrt(coefficients) ** 2 == coefficients if count is None else coefficients == count
        return is_count and int(values.shape[axes.index("frequency")]) == frequencies

    possible = []
    if values.ndim == 2:
        possible = [axes for axes in (("coefficient", "frequency"), ("frequency", "coefficient")) if fits(axes)]
    if options.axes is not None:
        possible = [axes for axes in possible if axes == options.axes]
    if not possible:
        expected = f"{count}" if count is not None else "(N + 1)²"
        raise InputError.single(
            where,
            f"{options.coefficients} has the shape {shape}",
            f"{expected} coefficients × {frequencies} frequencies"
            + (f" with the axes {', '.join(options.axes)}" if options.axes else ", or the axes exchanged"),
            "correct the options `coefficients`, `frequency`, `axes`, `degree` and `order`",
        )
    if len(possible) == 2:
        raise InputError.single(
            where,
            f"{options.coefficients} has the shape {shape}: its lengths do not determine the axes",
            "the option `axes`",
            "declare `axes: [coefficient, frequency]` or the reverse",
        )
    return values if possible[0][0] == "coefficient" else values.T


def _checked_degree_and_order(
    degree_and_order: tuple[Floats, Floats] | None, count: int, options: SphericalOptions, where: str
) -> tuple[Integers, Integers]:
    """Return degree and order of each coefficient; those of the ACN order if the file states none."""
    if degree_and_order is None:
        return acn_degree_and_order(count)
    n, m = degree_and_order
    problem = ""
    if n.size != count or m.size != count:
        problem = f"{options.degree} and {options.order} have {n.size} and {m.size} values for {count} coefficients"
    elif not (np.isfinite(n).all() and np.isfinite(m).all()) or (n % 1).any() or (m % 1).any():
        problem = f"{options.degree} and {options.order} are not all integers"
    elif (n < 0).any() or (np.abs(m) > n).any():
        index = int(np.argmax((n < 0) | (np.abs(m) > n)))
        problem = f"coefficient {index + 1} has the degree {n[index]:g} and the order {m[index]:g}"
    elif len(set(zip(n.tolist(), m.tolist(), strict=True))) < count:
        problem = "a pair of degree and order appears twice"
    if problem:
        raise InputError.single(
            where,
            problem,
            "integers n and m with |m| ≤ n, each pair once",
            "correct the options `degree` and `order`",
        )
    return n.astype(np.int64), m.astype(np.int64)
