"""A sequence profile back in words, as an engineer checks it on the machine; and its JSON Schema for editors."""

from __future__ import annotations

import json
from pathlib import Path

from forensics.model.build_words import CapacityKind
from forensics.model.role_words import in_words
from forensics.model.vocabulary import Role, State
from forensics.rules import FOLDER
from forensics.rules.profiles import SOLENOIDS, STATES, Profile

SCHEMA_FILE = FOLDER / "sequence_schema.json"

_EFFECT = {
    Role.LOAD_SOLENOID: ("feeds the slide", "does not feed"),
    Role.UNLOAD_SOLENOID: ("vents the slide", "does not vent"),
    Role.BYPASS_SOLENOID: ("is shut", "is open"),
    Role.INJECTION_SOLENOID: ("injects", "does not inject"),
    Role.ECONOMISER_SOLENOID: ("feeds the economiser port", "does not feed the economiser port"),
}
_CAPACITY = {
    CapacityKind.SLIDE: "capacity is moved by a slide",
    CapacityKind.STEPS: "capacity goes in steps",
    CapacityKind.SPEED: "capacity is moved by the speed of a drive; the slide is fixed",
    CapacityKind.SLIDE_AND_SPEED: "capacity is moved by a slide and by the speed of a drive",
}


def explain(profile: Profile) -> tuple[str, ...]:
    """What a profile says, a sentence a line: polarity, build, times, then the table by state.

    Every key and every cell that is not *either* is told, so that a person who knows the machine sees a wrong one.
    """
    return (
        f"'{profile.title}' ({profile.id}), from: {profile.source}.",
        *_valves(profile),
        *_build(profile),
        *_times(profile),
        *(_state(profile, state) for state in STATES),
    )


def _valves(profile: Profile) -> list[str]:
    polarity = profile.polarity
    coil = {
        Role.LOAD_SOLENOID: polarity.load_solenoid.startswith("energise"),
        Role.UNLOAD_SOLENOID: polarity.unload_solenoid.startswith("energise"),
        Role.BYPASS_SOLENOID: polarity.bypass_solenoid == "energise-to-shut",
    }
    lines = []
    for role, energised in coil.items():
        if role is Role.BYPASS_SOLENOID and not polarity.has_bypass:
            lines.append("There is no internal unloading valve.")
            continue
        if role is Role.UNLOAD_SOLENOID and profile.build.valves == "three-way":
            lines.append("There is one three-way valve: while it does not feed the slide it vents it.")
            continue
        effect = _EFFECT[role][0]
        lines.append(f"The {in_words(role)} {effect} while it is {'energised' if energised else 'not energised'}.")
    return lines


def _build(profile: Profile) -> list[str]:
    build = profile.build
    lines = [f"{_CAPACITY[build.capacity].capitalize()}."]
    if build.steps_percent:
        lines.append(f"The steps are {', '.join(f'{step:g}' for step in build.steps_percent)} %.")
    if build.capacity in (CapacityKind.SLIDE, CapacityKind.SLIDE_AND_SPEED):
        oil = (
            "a spring loads it and oil pressure unloads it"
            if build.force == "spring-loads"
            else ("oil pressure loads it and a spring unloads it")
        )
        lines.append(f"The slide: {oil}.")
    known = (("an oil pump", build.oil_pump), ("an economiser", build.economiser))
    lines += [f"It has {'' if has else 'not '}{what}." for what, has in known if has is not None]
    if build.check_valve is not None:
        lines.append(f"The check valve stands {build.check_valve.value.replace('-', ' the ', 1).replace('-', ' ')}.")
    return lines


def _times(profile: Profile) -> list[str]:
    t = profile.times
    down = "with" if profile.polarity.has_pump_down else "without"
    before = (
        f"after {t.unload_before_stop_s:g} s of unloading" if t.unload_before_stop_s else "without unloading before"
    )
    after = (
        f"unloading goes on for {t.unload_after_stop_s:g} s after it"
        if t.unload_after_stop_s
        else ("no unloading after it")
    )
    lines = [
        f"The slide travels to load in {t.travel_load_s:g} s and to unload in {t.travel_unload_s:g} s.",
        f"A normal stop comes {before}, {down} pump-down; {after}.",
        f"At least {t.anti_recycle_s:g} s lie between a stop and the next start; rotors may turn {t.coast_down_s:g} s.",
        f"The start is over after about {t.bypass_delay_after_start_s:g} s.",
    ]
    if profile.polarity.has_bypass:
        lines.append(f"The valve may stay shut for {t.bypass_release_tolerance_s:g} s after the motor.")
    return lines


def _state(profile: Profile, state: State) -> str:
    cells = [
        f"{in_words(role)} {cell.in_words}" for role in SOLENOIDS if not (cell := profile.expected(state, role)).free
    ]
    motor = profile.states.get(state, {}).get("motor", "")
    if motor:
        cells.append(f"motor {motor}")
    return f"{state.value}: {'; '.join(cells) or 'nothing is expected'}."


def profile_schema() -> str:
    """JSON Schema of a profile as an editor reads it, as text."""
    schema = Profile.model_json_schema(by_alias=True)
    schema["title"] = "Sequence profile"
    schema["properties"]["states"] = _states_schema()
    return json.dumps(schema, indent=2, sort_keys=True) + "\n"


def _states_schema() -> dict[str, object]:
    word = "(off|on|pulses)( or (off|on|pulses))*"
    phase = f"({word}|either)"
    cell = {"type": "string", "pattern": f"^{phase}( then {phase}){{0,2}}$"}
    motor = {"type": "string", "pattern": "^(off|on|either)( then (off|on))?$"}
    cells = {role.value: cell for role in SOLENOIDS} | {"motor": motor}
    table = {"type": "object", "properties": cells, "additionalProperties": False}
    return {
        "type": "object",
        "properties": {state.value: table for state in STATES},
        "additionalProperties": False,
    }


def write_schema(path: Path = SCHEMA_FILE) -> None:
    """Write the schema that ships beside the template."""
    path.write_text(profile_schema(), encoding="utf-8")


if __name__ == "__main__":
    write_schema()
