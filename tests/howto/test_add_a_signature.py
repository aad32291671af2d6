"""The guide's "Add a signature": a look in a file of its own, its table, its limits; the catalogue finds it."""

from __future__ import annotations

from howto.conftest import House

CHECK = "heat.oil_cold"
LOOK = '''"""Did the oil stay colder than it may while the machine ran."""

from __future__ import annotations

from forensics.machine.duty.baseline import AlignedSamples
from forensics.machine.subject import Subject
from forensics.model.findings import Finding
from forensics.model.vocabulary import Role
from forensics.signatures.core.detector import detector
from forensics.signatures.core.finding import cannot_tell
from forensics.signatures.core.limits_and_baseline import ThresholdTest, against_limit, running


@detector("heat.oil_cold", running)
def oil_cold(subject: Subject, check: str, frame: AlignedSamples) -> Finding:
    """Decide whether oil temperature stayed below its limit in the running of the window."""
    reading = frame.of(Role.OIL_TEMPERATURE)
    if reading is None:
        return cannot_tell(check, "no trusted oil temperature")
    return against_limit(
        subject,
        frame,
        ThresholdTest(
            check,
            reading,
            "degC",
            "oil temperature",
            check,
            above=False,
            lasting="heat.oil_cold_lasting",
            groups=((Role.OIL_TEMPERATURE,),),
        ),
    )
'''
TABLE = """
[oil_cold]
title = "Oil cold"
present = "oil temperature stayed below the limit while the machine ran"
source = "common practice, no published source"
needs = [
    { roles = ["oil_temperature"], longest_interval_s = 300 },
]
"""
LIMITS = """
[oil_cold]
value = 25
unit = "degC"
kind = "estimate"
basis = "made for a test"

[oil_cold_lasting]
value = 300
unit = "s"
kind = "estimate"
basis = "made for a test"
"""
ASKED = """
from forensics.model.vocabulary import Role
from forensics.signatures.core.catalogue import all_detectors
from signatures.running_machine import made

detect = all_detectors()["heat.oil_cold"]
(cold,) = detect(made({Role.OIL_TEMPERATURE: lambda t, v: v - 38.0}))
(warm,) = detect(made())
(none,) = detect(made(without=[Role.OIL_TEMPERATURE]))
(slow,) = detect(made({Role.OIL_TEMPERATURE: lambda t, v: v - 38.0}, interval_s=900.0))
print(cold.outcome, warm.outcome, none.outcome, slow.outcome)
print(cold.limit, cold.unit, cold.basis)
print(none.unlocked_by)
"""


def test_a_look_with_its_table_and_limits_answers_and_tells_its_basis(house: House) -> None:
    house.add("forensics/signatures/heat/oil_cold.py", LOOK)
    house.add("forensics/rules/checks/heat.toml", TABLE)
    house.add("forensics/rules/limits/heat.toml", LIMITS)
    outcomes, limit, unlocked = house.run("-c", ASKED).splitlines()
    assert outcomes.split() == ["present", "absent", "cannot-tell", "cannot-tell"]
    assert limit.startswith("25.0 degC")
    assert "made for a test" in limit
    assert "oil_temperature" in unlocked


def test_a_table_without_a_look_is_refused_by_name(house: House) -> None:
    house.add("forensics/rules/checks/heat.toml", TABLE)
    said = house.run(
        "-c",
        "from forensics.signatures.core.catalogue import all_detectors\n"
        "try:\n    all_detectors()\nexcept AssertionError as fault:\n    print(fault)",
    )
    assert CHECK in said
