"""Saturation of one refrigerant from a table: dew, bubble, isentropic discharge; and the table that a case may give."""

from __future__ import annotations

import csv
import io
import re
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from forensics.errors import InputError, Problem
from forensics.model.paths import TABLE_BYTES, path_problem, read_inside
from forensics.model.units import read_unit, to_canonical
from forensics.model.vocabulary import Role
from forensics.refrigerants.properties import KELVIN, PropertyTable, superheat_nodes_k
from forensics.rules.plausible import plausible

_FINE = 20
_MOST_SUPERHEAT_K = 149.0
_NEWTON_STEPS = 6
_SETTLED_K = 1e-4
_ROWS_NEEDED = 3
_MOST_SHOWN = 50
_GLIDE_K = 0.5
Floats = NDArray[np.float64]


@dataclass(frozen=True)
class SaturationCurve:
    """Saturation of one refrigerant, from a table, vectorised; NaN outside the table.

    Attributes
    ----------
    name
        Designation, or the file that a case gives.
    table
        Rows at rising pressure.
    """

    name: str
    table: PropertyTable
    _log_p: Floats = field(init=False, repr=False)
    _dew: Floats = field(init=False, repr=False)
    _bubble: Floats = field(init=False, repr=False)

    def __post_init__(self) -> None:
        log_p = np.log(self.table.pressure_kpa)
        if self.has_entropy:
            fine = np.linspace(log_p[0], log_p[-1], (len(log_p) - 1) * _FINE + 1)
            dew, bubble = _cubic(self.table.dew_c, log_p, fine), _cubic(self.table.bubble_c, log_p, fine)
        else:
            fine = np.union1d(np.linspace(log_p[0], log_p[-1], len(log_p) * _FINE), log_p)
            dew, bubble = _clapeyron(log_p, self.table.dew_c, fine), _clapeyron(log_p, self.table.bubble_c, fine)
        object.__setattr__(self, "_log_p", fine)
        object.__setattr__(self, "_dew", dew)
        object.__setattr__(self, "_bubble", bubble)

    @property
    def origin(self) -> str:
        """Where the numbers come from, for the report."""
        return self.table.origin

    @property
    def has_entropy(self) -> bool:
        """Whether the isentropic discharge temperature can be had."""
        return bool(self.table.entropy.shape[1] > 0)

    @property
    def glide_matters(self) -> bool:
        """Whether dew and bubble differ by more than 0.5 K anywhere."""
        return bool(np.max(self.table.dew_c - self.table.bubble_c) > _GLIDE_K)

    def dew_c(self, pressure_kpa: Floats) -> Floats:
        """Dew-point temperature, degC, at absolute pressures in kPa: the basis of superheat."""
        return self._look_up(pressure_kpa, self._dew)

    def bubble_c(self, pressure_kpa: Floats) -> Floats:
        """Bubble-point temperature, degC, at absolute pressures in kPa: the basis of subcooling."""
        return self._look_up(pressure_kpa, self._bubble)

    def dew_pressure_kpa(self, temperature_c: Floats) -> Floats:
        """Absolute pressure, kPa, whose dew point is a temperature in degC."""
        t = np.asarray(temperature_c, dtype=np.float64)
        return np.asarray(np.exp(np.interp(t, self._dew, self._log_p, left=np.nan, right=np.nan)))

    def bubble_pressure_kpa(self, temperature_c: Floats) -> Floats:
        """Absolute pressure, kPa, whose bubble point is a temperature in degC."""
        t = np.asarray(temperature_c, dtype=np.float64)
        return np.asarray(np.exp(np.interp(t, self._bubble, self._log_p, left=np.nan, right=np.nan)))

    def _look_up(self, pressure_kpa: Floats, values: Floats) -> Floats:
        p = np.asarray(pressure_kpa, dtype=np.float64)
        with np.errstate(divide="ignore", invalid="ignore"):
            log_p = np.log(p)
        return np.asarray(np.interp(log_p, self._log_p, values, left=np.nan, right=np.nan), dtype=np.float64)

    def isentropic_discharge_c(self, suction_kpa: Floats, suction_c: Floats, discharge_kpa: Floats) -> Floats:
        """Temperature after compression without heat exchange or loss, degC.

        A real dry, uncooled compressor discharges hotter (second law); colder means liquid or cooling. A suction
        temperature at or under its dew point is taken as saturated vapour: quality can't be had from p and T.

        Parameters
        ----------
        suction_kpa, suction_c, discharge_kpa
            Absolute kPa and degC, same shape (n,).

        Returns
        -------
        ndarray
            degC, shape (n,); NaN outside the table or where the table has no entropy.
        """
        p1, t1, p2 = (np.atleast_1d(np.asarray(x, dtype=np.float64)) for x in (suction_kpa, suction_c, discharge_kpa))
        if not self.has_entropy:
            return np.full(p1.shape, np.nan)
        superheat_k = np.clip(t1 - self.dew_c(p1), 0.0, _MOST_SUPERHEAT_K)
        target = self._entropy(p1, superheat_k)
        guess_k = np.where(np.isfinite(target), 20.0, np.nan)
        step_k = np.full(p1.shape, np.inf)
        for _ in range(_NEWTON_STEPS):
            value = self._entropy(p2, guess_k)
            slope = (self._entropy(p2, guess_k + 0.05) - self._entropy(p2, np.maximum(guess_k - 0.05, 0.0))) / (
                0.05 + np.minimum(guess_k, 0.05)
            )
            new_k = np.clip(guess_k - (value - target) / slope, 0.0, _MOST_SUPERHEAT_K)
            step_k, guess_k = np.abs(new_k - guess_k), new_k
            if not np.any(step_k > _SETTLED_K):
                break
        return np.asarray(np.where(np.isfinite(target), self.dew_c(p2) + guess_k, np.nan))

    def _entropy(self, pressure_kpa: Floats, superheat_k: Floats) -> Floats:
        """Vapour entropy, kJ/(kg K), by cubic interpolation in ln p and in the root of the superheat."""
        rows, columns = self.table.entropy.shape
        nodes = superheat_nodes_k()
        log_p = np.log(self.table.pressure_kpa)
        with np.errstate(divide="ignore", invalid="ignore"):
            x = (np.log(pressure_kpa) - log_p[0]) / (log_p[-1] - log_p[0]) * (rows - 1)
            y = np.sqrt(superheat_k / nodes[-1]) * (columns - 1)
        good = np.isfinite(x) & np.isfinite(y) & (x >= 0.0) & (x <= rows - 1) & (y <= columns - 1)
        x, y = np.where(good, x, 1.0), np.where(good, y, 1.0)
        i = np.clip(x.astype(np.int64) - 1, 0, rows - 4)
        j = np.clip(y.astype(np.int64) - 1, 0, columns - 4)
        wx, wy = _weights(x - i), _weights(y - j)
        total = np.zeros(x.shape)
        flat = np.ravel(self.table.entropy)
        for a in range(4):
            base = (i + a) * columns + j
            total += wx[a] * sum(wy[b] * flat[base + b] for b in range(4))
        return np.asarray(np.where(good, total, np.nan))


def _weights(u: Floats) -> tuple[Floats, Floats, Floats, Floats]:
    """Lagrange weights of four equally spaced points at 0, 1, 2, 3 for a position u."""
    a, b, c, d = u, u - 1.0, u - 2.0, u - 3.0
    return -b * c * d / 6.0, a * c * d / 2.0, -a * b * d / 2.0, a * b * c / 6.0


def _cubic(values: Floats, nodes: Floats, at: Floats) -> Floats:
    position = (at - nodes[0]) / (nodes[-1] - nodes[0]) * (len(nodes) - 1)
    first = np.clip(position.astype(np.int64) - 1, 0, len(nodes) - 4)
    return np.asarray(sum(w * values[first + k] for k, w in enumerate(_weights(position - first))))


def _clapeyron(log_p: Floats, temperature_c: Floats, at: Floats) -> Floats:
    """Interpolate 1/T over ln p, which is nearly straight along a saturation line (Clausius-Clapeyron)."""
    return np.asarray(1.0 / np.interp(at, log_p, 1.0 / (temperature_c + KELVIN)) - KELVIN)


def read_saturation_table(folder: Path, name: str) -> SaturationCurve:
    """Read the table that a case gives: pressure, bubble and dew temperature, each with its unit in the header.

    Headers are such as ``pressure (kPaa)``, ``bubble (degC)``, ``dew (degC)`` or ``pressure_kpa``, ``bubble_c``,
    ``dew_c``. A gauge pressure is refused: a saturation table has one meaning at every height only when absolute.

    Raises
    ------
    InputError
        Every fault with its row: not a number, pressures that do not rise, bubble above dew.
    """
    wrong = path_problem(folder, name, TABLE_BYTES, key="machine.saturation_table")
    if wrong is not None:
        raise InputError([wrong])
    try:
        text = read_inside(folder, name, TABLE_BYTES).decode("utf-8-sig")
        lines = csv.reader(io.StringIO(text, newline=""))
        grid = [row for row in lines if row and not row[0].lstrip().startswith("#")]
    except (OSError, UnicodeDecodeError, csv.Error) as fault:
        raise InputError([Problem(f"can't be read: {fault}", file=name, column="machine.saturation_table")]) from None
    columns, problems = _table_columns(grid[0] if grid else [], name)
    values = np.full((max(len(grid) - 1, 0), 3), np.nan)
    for at, row in enumerate(grid[1:]):
        for k, (label, index) in enumerate(columns):
            try:
                values[at, k] = float(row[index])
            except (ValueError, IndexError):
                problems.append(Problem("is not a number", file=name, row=at + 2, column=label))
    if not problems:
        problems = _table_faults(values, name)
    if problems:
        raise InputError(problems[:_MOST_SHOWN])
    pressure_kpa, bubble_c, dew_c = (_canonical(values[:, k], columns[k][0]) for k in range(3))
    problems = _beyond("saturation_kpa", pressure_kpa, name) + _beyond("saturation_c", np.append(bubble_c, dew_c), name)
    if problems:
        raise InputError(problems)
    return SaturationCurve(name, PropertyTable(pressure_kpa, bubble_c, dew_c, np.empty((len(values), 0)), name))


_WANTED = (("pressure", "kpa"), ("bubble", "c"), ("dew", "c"))


def _unit_of(label: str) -> str:
    found = re.search(r"[(\[]\s*([^)\]]+)\s*[)\]]|_(\w+)$", label)
    return "" if found is None else (found[1] or found[2])


def _canonical(values: Floats, label: str) -> Floats:
    text = _unit_of(label)
    plain = {"kpa": "kPaa", "c": "degC"}.get(text.lower(), text)
    role = Role.SUCTION_PRESSURE if label.lower().startswith("pressure") else Role.SUCTION_TEMPERATURE
    unit = read_unit(plain)
    if unit is None:
        raise ValueError(plain)
    return np.asarray(to_canonical(values, unit, role), dtype=np.float64)


def _table_columns(header: list[str], name: str) -> tuple[list[tuple[str, int]], list[Problem]]:
    columns: list[tuple[str, int]] = []
    problems: list[Problem] = []
    for word, usual in _WANTED:
        index = next((i for i, text in enumerate(header) if text.strip().lower().startswith(word)), None)
        if index is None:
            problems.append(Problem(f"no column '{word}' (write e.g. {word}_{usual})", file=name, row=1))
            continue
        label = header[index].strip()
        try:
            _canonical(np.zeros(1) + 1.0, label)
        except (ValueError, InputError, KeyError, TypeError):
            problems.append(
                Problem(
                    f"the unit of '{label}' is not known, or does not say absolute",
                    file=name,
                    row=1,
                    column=label,
                    remedy=f"Write the unit in the header, absolute for pressure: {word}_{usual}.",
                )
            )
        columns.append((label, index))
    return columns, problems


def _beyond(kind: str, values: Floats, name: str) -> list[Problem]:
    faults = [fault for value in (values.min(), values.max()) if (fault := plausible()[kind].fault(float(value)))]
    return [Problem(fault, file=name, column="machine.saturation_table") for fault in faults]


def _table_faults(values: Floats, name: str) -> list[Problem]:
    if len(values) < _ROWS_NEEDED:
        return [Problem(f"a saturation table needs {_ROWS_NEEDED} rows or more, this has {len(values)}", file=name)]
    problems = []
    pressure, bubble, dew = values.T
    if not np.isfinite(values).all():
        rows = np.flatnonzero(~np.isfinite(values).all(axis=1))
        return [Problem("is not a finite number", file=name, row=int(at) + 2) for at in rows[:_MOST_SHOWN]]
    for at in np.flatnonzero(bubble > dew):
        text = f"bubble temperature {bubble[at]:g} above dew temperature {dew[at]:g} at one pressure is impossible"
        problems.append(Problem(text, file=name, row=int(at) + 2, remedy="Are the two columns exchanged?"))
    for at in np.flatnonzero(pressure <= 0.0):
        problems.append(Problem("an absolute pressure is above zero", file=name, row=int(at) + 2))
    for label, column in (("pressure", pressure), ("bubble", bubble), ("dew", dew)):
        for at in np.flatnonzero(np.diff(column) <= 0.0):
            problems.append(Problem("does not rise from row to row", file=name, row=int(at) + 3, column=label))
    return problems
