"""The catalogue of signatures: what each check is called, what it needs, where its method comes from."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache

from forensics.errors import InputError, Problem
from forensics.model.vocabulary import Recorded, Role
from forensics.rules.files import FOLDER, read_toml


@dataclass(frozen=True, slots=True)
class Need:
    """One point that a check needs.

    Attributes
    ----------
    roles
        Any one of these satisfies the need.
    longest_interval_s
        Longest sample interval with which the check still sees its effect; None: any.
    recorded
        Record types that will do; empty: any.
    """

    roles: tuple[Role, ...]
    longest_interval_s: float | None = None
    recorded: tuple[Recorded, ...] = ()


@dataclass(frozen=True, slots=True)
class Check:
    """A line of the catalogue of signatures."""

    id: str
    title: str
    present: str
    needs: tuple[Need, ...]
    source: str

    @property
    def family(self) -> str:
        """The part before the dot."""
        return self.id.partition(".")[0]


@cache
def read_checks() -> Mapping[str, Check]:
    """The catalogue: ``rules/checks/*.toml``, a file a family, a table a check.

    Each table has ``title``, ``present`` (what *present* means, in words), ``source`` (of the method) and
    ``needs``: a list of tables with ``roles`` (any of), ``longest_interval_s`` and ``recorded``.
    """
    checks: dict[str, Check] = {}
    problems: list[Problem] = []
    for path in sorted((FOLDER / "checks").glob("*.toml")):
        for name, table in read_toml(path).items():
            faults = _check_faults(table)
            if faults:
                problems += [Problem(fault, file=f"checks/{path.name}", column=name) for fault in faults]
                continue
            needs = tuple(
                Need(
                    tuple(Role(role) for role in need["roles"]),
                    need.get("longest_interval_s"),
                    tuple(Recorded(kind) for kind in need.get("recorded", ())),
                )
                for need in table["needs"]
            )
            full = f"{path.stem}.{name}"
            checks[full] = Check(full, table["title"], table["present"], needs, table["source"])
    if problems:
        raise InputError(problems)
    return checks


def _check_faults(table: object) -> list[str]:
    keys = {"title", "present", "needs", "source"}
    if not isinstance(table, dict):
        return [f"a check is a table with {', '.join(sorted(keys))}"]
    if set(table) != keys:
        return [f"unknown keys {sorted(set(table) - keys)}, missing keys {sorted(keys - set(table))}"]
    faults = [f"{key} must be words" for key in ("title", "present", "source") if not _is_words(table[key])]
    needs = table["needs"]
    if not isinstance(needs, list):
        return [*faults, "needs is a list of tables"]
    return [*faults, *(fault for need in needs for fault in _need_faults(need))]


def _need_faults(need: object) -> list[str]:
    if not isinstance(need, dict) or not need.get("roles"):
        return ["a need is a table with roles, and longest_interval_s and recorded where they matter"]
    unknown = sorted(set(need) - {"roles", "longest_interval_s", "recorded"})
    faults = [f"unknown key '{key}' of a need" for key in unknown]
    faults += [f"'{role}' is not a role" for role in need["roles"] if role not in list(Role)]
    faults += [f"'{kind}' is not a record type" for kind in need.get("recorded", ()) if kind not in list(Recorded)]
    longest = need.get("longest_interval_s", 1.0)
    if isinstance(longest, bool) or not isinstance(longest, int | float) or not longest > 0:
        faults.append("longest_interval_s must be a number of seconds above 0")
    return faults


def _is_words(value: object) -> bool:
    return isinstance(value, str) and bool(value.strip())
