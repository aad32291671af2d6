"""Hand-made evidence for tests of weighing: findings by check id, everything else plain."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import replace
from functools import cache
from typing import Any

from forensics.case.schema import Machine, Measurement, Observation
from forensics.hypotheses import Evidence, Modes, read_modes
from forensics.hypotheses.modes import TRIP_NAMED
from forensics.model.findings import Cite, Finding, Stop
from forensics.model.points import NS, Span
from forensics.model.vocabulary import Outcome, StopKind
from forensics.rules import FOLDER, read_limits, read_toml

FAILURE_NS = 1_900_000_000 * NS


@cache
def named_checks() -> frozenset[str]:
    """Every check that the shipped modes name: stands in where no catalogue is needed."""
    found: set[str] = set()
    for path in (FOLDER / "modes").glob("*.toml"):
        table = read_toml(path)
        found |= {sign["check"] for key in ("for", "against") for sign in table.get(key, ())}
        found |= {check for need in table.get("required", ()) for check in need["any"]}
        found |= set(table.get("explains", ()))
    return frozenset(found | {TRIP_NAMED})


def shipped() -> Modes:
    return read_modes(named_checks())


def finding(check: str, outcome: str, **more: Any) -> Finding:
    cite = Cite("trend.csv", check, (2, 20))
    base = Finding(check, check, Outcome(outcome), f"{check} is {outcome}", samples=20, cites=(cite,))
    return replace(base, **more)


def evidence(
    present: Iterable[str] = (),
    absent: Iterable[str] | str = "rest",
    *,
    findings: Mapping[str, Finding] | None = None,
    observations: tuple[Observation, ...] = (),
    measurements: tuple[Measurement, ...] = (),
    trip: str | None = None,
    **more: Any,
) -> Evidence:
    """Evidence with the named checks present; the rest absent, or cannot-tell where only some are named absent."""
    present = set(present)
    special = dict(findings or {})
    rest = "absent" if absent == "rest" else "cannot-tell"
    gone = set() if absent == "rest" else set(absent)
    made = []
    for check in sorted(named_checks()):
        if check in special:
            made.append(special[check])
        else:
            outcome = "present" if check in present else "absent" if check in gone else rest
            made.append(finding(check, outcome))
    stops = (Stop(FAILURE_NS, FAILURE_NS, FAILURE_NS, kind=StopKind.TRIP, cause_text=trip),) if trip else ()
    base = Evidence(
        findings=tuple(made),
        starts=(),
        stops=stops,
        failure_ns=FAILURE_NS,
        window=Span(FAILURE_NS - 86_400 * NS, FAILURE_NS + 3_600 * NS),
        modes=shipped(),
        limits=read_limits(),
        machine=Machine(refrigerant="R134a"),
        polarity_confirmed=True,
        sources=("trend.csv",),
        observations=observations,
        measurements=measurements,
    )
    return replace(base, **more)
