"""What a build makes meaningless: checks that do not apply, modes that it can't have."""

from __future__ import annotations

import pytest

from forensics.case.schema import Machine
from forensics.machine.built.build import PROPERTIES, build_of
from forensics.model.build_words import Condenser
from forensics.rules import FOLDER, read_checks
from forensics.rules.builds import meaningless, read_build_rules
from forensics.rules.profiles import read_profile, shipped_profiles


def _of(profile: str, **keys: object) -> object:
    return meaningless(build_of(Machine(refrigerant="R134a", **keys), read_profile(profile, FOLDER)))  # type: ignore[arg-type]


def test_rules_ask_for_properties_that_a_build_has() -> None:
    asked = {name for rule in read_build_rules().values() for name in rule.when}
    assert asked <= PROPERTIES


def test_every_rule_holds_for_some_build_and_not_for_the_plain_one() -> None:
    machines = [
        Machine(refrigerant="R134a"),
        Machine(refrigerant="R134a", oil_pump=True, economiser=False, condenser=Condenser.AIR),  # type: ignore[call-arg]
        Machine(refrigerant="R134a", condenser=Condenser.EVAPORATIVE),
        Machine.model_validate({"refrigerant": "R134a", "starter": "variable-speed"}),
    ]
    builds = [build_of(m, read_profile(name, FOLDER)) for m in machines for name in shipped_profiles()]
    plain = build_of(machines[0], read_profile("pulsed-slide-bypass", FOLDER))
    for name, rule in read_build_rules().items():
        held = [
            all(b.says(p) is w if isinstance(w, bool) else b.says(p) in w for p, w in rule.when.items()) for b in builds
        ]
        assert any(held), name
    assert meaningless(plain).checks == {}
    assert set(meaningless(plain).modes) == {"drive-fault"}


@pytest.mark.parametrize(
    ("profile", "checks", "modes"),
    [
        ("no-bypass", {"coastdown.bypass_held"}, {"bypass-not-released", "bypass-open-while-running"}),
        ("speed-fixed-slide", {"slide.drifts_to_load", "slide.loaded_at_stop"}, {"slide-stuck", "trapped-loaded"}),
        ("step-valves-33-66-100", {"slide.drifts_to_load"}, {"unload-solenoid-leaking"}),
        ("unload-normally-open", {"starts.after_trapped_stop"}, {"trapped-loaded"}),
        ("three-way-valve", {"slide.drifts_to_unload"}, {"trapped-loaded"}),
        ("check-valve-before-sensor", {"coastdown.bypass_held"}, set()),
    ],
)
def test_a_build_makes_meaningless_what_it_has_not(profile: str, checks: set[str], modes: set[str]) -> None:
    found = _of(profile)
    assert checks <= set(found.checks)  # type: ignore[attr-defined]
    assert modes <= set(found.modes)  # type: ignore[attr-defined]
    assert set(found.checks) <= set(read_checks())  # type: ignore[attr-defined]


def test_what_nobody_told_excludes_nothing() -> None:
    """An economiser that nobody spoke of may be there."""
    assert "economiser-fault" not in _of("pulsed-slide-bypass").modes  # type: ignore[attr-defined]
    assert "economiser-fault" in _of("pulsed-slide-bypass", economiser=False).modes  # type: ignore[attr-defined]


def test_a_pump_voids_the_sign_that_no_lift_means_no_oil() -> None:
    assert _of("pulsed-slide-bypass", oil_pump=True).voids == {"oil-supply-lost": frozenset({"starts.no_lift"})}  # type: ignore[attr-defined]
